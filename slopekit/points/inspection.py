"""What a survey's points can tell, before any layer is made of them."""

import math
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date

import numpy as np
from numpy.typing import NDArray

from slopekit.kernels.step_windows import DENSE
from slopekit.points.classes import Classes
from slopekit.points.notes import CLASS_NAMES
from slopekit.points.water import thin_from
from slopekit.sources.point_files import PointSurvey, in_frame
from slopekit.sources.points import flight_day

STEPS_FROM = 2.0
"""Ground returns a square metre from which walls of half a metre are found (docs/detection.md)."""


@dataclass(frozen=True, eq=False)
class PointFacts:
    survey: PointSurvey
    by_class: NDArray[np.int64]
    """(256,): points of each class; withheld and synthetic ones left out."""
    area_m2: float
    """Of the files' boxes."""
    first_day: date | None
    last_day: date | None
    """Of flight; None where the files do not tell days."""
    scan_deg: tuple[float, float] | None
    """Least and greatest angle of the pulses from the vertical; None where not told."""
    intensity: bool
    """Whether the points have intensities."""
    density: float
    """Returns a square metre of the boxes, without noise."""
    ground_density: float
    can: tuple[str, ...]
    """What can be judged and what not, in sentences."""


def inspect_points(
    survey: PointSurvey, classes: Classes, progress: Callable[[int, int], None] | None = None
) -> PointFacts:
    """Read every point once. progress: called with points done and in all. Raises InputError as `pieces`."""
    by_class, read = np.zeros(256, np.int64), 0
    gps, scan, intensity = [math.inf, -math.inf], [math.inf, -math.inf], False
    for file, piece in in_frame(survey, None, facts=True):
        by_class += np.bincount(piece.code, minlength=256)
        if len(piece.x):
            intensity |= bool(piece.intensity.any())
            if piece.gps_time is not None and file.head.gps_standard:
                gps = [min(gps[0], float(piece.gps_time.min())), max(gps[1], float(piece.gps_time.max()))]
            if piece.scan_deg is not None:
                away = np.abs(piece.scan_deg)
                scan = [min(scan[0], float(away.min())), max(scan[1], float(away.max()))]
        read += piece.read
        if progress is not None:
            progress(read, survey.count)
    boxes = [survey.bounds_of(file) for file in survey.files]
    area = sum((e - w) * (n - s) for w, s, e, n in boxes) * survey.metres_per_unit**2
    noise = by_class[list(classes.codes.get("noise", ()))].sum()
    density = float(by_class.sum() - noise) / max(area, 1e-9)
    ground = float(by_class[list(classes.codes["ground"])].sum()) / max(area, 1e-9)
    return PointFacts(
        survey,
        by_class,
        float(area),
        flight_day(gps[0]),
        flight_day(gps[1]),
        (scan[0], scan[1]) if scan[0] <= scan[1] else None,
        intensity,
        density,
        ground,
        tuple(_can(by_class, classes, density, ground, intensity)),
    )


def _can(by_class: NDArray[np.int64], classes: Classes, density: float, ground: float, intensity: bool) -> list[str]:
    def has(role: str) -> bool:
        return bool(by_class[list(classes.codes.get(role, ()))].any())

    out = []
    if not has("ground"):
        out.append("Ground: no point is classified as ground, so nothing can be judged.")
    if ground < STEPS_FROM:
        out.append(f"Walls: {ground:.1f} ground returns a square metre are too few to find those of half a metre.")
    else:
        out.append("Walls: can be looked for; docs/detection.md tells how often they are found.")
    if ground < DENSE:
        out.append(f"Drops that a grid shows: under {DENSE:g} ground returns a square metre the points clear none.")
    water = "class of water" if has("water") else "no class of water, which proves nothing"
    empty = "too thin for places without returns to mean anything"
    if density >= thin_from():
        empty = "places without returns can be judged" + ("" if intensity else ", weak returns cannot (no intensities)")
    out.append(f"Water: {water}; {empty}.")
    out.append(
        "Low trees: can be judged where pulses got under the crowns, which surveys from the air see little of; it can "
        "only refuse."
    )
    for role, word in (("building", "Buildings"), ("bridge", "Bridges")):
        if not has(role):
            out.append(f"{word}: not told by class, so not assessed.")
    return out


def point_facts(found: PointFacts) -> dict[str, object]:
    """An inspection in plain values that JSON can hold."""
    survey = found.survey
    return {
        "names": list(survey.names),
        "points": survey.count,
        "crs_wkt": survey.crs,
        "z_unit": survey.z_unit,
        "z_unit_from": survey.z_unit_from,
        "bounds": list(survey.bounds),
        "area_m2": found.area_m2,
        "returns_per_m2": found.density,
        "ground_returns_per_m2": found.ground_density,
        "classes": {str(code): int(found.by_class[code]) for code in np.flatnonzero(found.by_class)},
        "first_day": None if found.first_day is None else found.first_day.isoformat(),
        "last_day": None if found.last_day is None else found.last_day.isoformat(),
        "scan_angle_deg": None if found.scan_deg is None else list(found.scan_deg),
        "judged": list(found.can),
        "notes": list(survey.notes),
    }


def point_lines(found: PointFacts) -> list[tuple[str, str]]:
    """An inspection as heads and sentences."""
    survey = found.survey
    days = "not told by the files"
    if found.first_day is not None and found.last_day is not None:
        days = f"{found.first_day} to {found.last_day}"
    scan = "not told" if found.scan_deg is None else f"{found.scan_deg[0]:.0f} to {found.scan_deg[1]:.0f} degrees"
    w, s, e, n = survey.bounds
    return [
        ("Points", f"{survey.count:,} in {', '.join(survey.names)}"),
        ("Extent", f"west {w:.10g}, south {s:.10g}, east {e:.10g}, north {n:.10g}"),
        ("Density", f"{found.density:.1f} returns a square metre, {found.ground_density:.1f} of ground"),
        *(
            ("Classes", f"{code}: {found.by_class[code]:,} ({CLASS_NAMES.get(code, 'no standard name')})")
            for code in np.flatnonzero(found.by_class).tolist()
        ),
        ("Flight", days),
        ("Scan angle", scan),
        ("Vertical unit", f"{survey.z_unit} ({survey.z_unit_from})"),
        *(("Judged", sentence) for sentence in found.can),
        *(("Note", note) for note in survey.notes),
    ]
