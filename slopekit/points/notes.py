"""What the layers rest on, and what nobody has looked at."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from slopekit import __version__
from slopekit.points.classes import Classes
from slopekit.points.gather import Cells
from slopekit.points.settings import PointSettings
from slopekit.points.water import Water
from slopekit.sources.point_files import PointSurvey

Note = dict[str, str]

# ASPRS LAS 1.4-R15, table 17.
CLASS_NAMES = {
    0: "never classified", 1: "unclassified", 2: "ground", 3: "low vegetation", 4: "medium vegetation",
    5: "high vegetation", 6: "building", 7: "low noise", 9: "water", 10: "rail", 11: "road", 12: "overlap",
    13: "wire guard", 14: "wire conductor", 15: "transmission tower", 16: "wire connector", 17: "bridge deck",
    18: "high noise", 19: "overhead structure", 20: "ignored ground", 21: "snow", 22: "temporal exclusion",
}  # fmt: skip

_ABSENT = {
    "water": (
        "Water by class: the points have none. That proves nothing: surveys leave small water out. Possible water is "
        "looked for as places without returns."
    ),
    "building": "Buildings: the points have no class of them, so roofs are not left out. Draw them (--exclude).",
    "bridge": "Bridges: the points have no class of them, so a deck may stand as ground or hide it. Draw them.",
    "noise": "Noise: the points have no class of it. A lone wrong return can hide a step, or make one.",
}
ALWAYS = (
    "Walls under about half a metre, under hedges or against buildings, or with too few returns on one side.",
    "Branches that no pulse met: surveys from the air see barely 60 % of the trees that stand under others.",
    "Water that gave returns as ground does and that nobody classified.",
)


@dataclass(frozen=True, eq=False)
class Facts:
    """Figures for the notes; shares of the cells that were asked for."""

    cells: Cells
    water: Water
    ground_share: float
    filled_share: float
    """With ground that was carried over a gap."""
    asked_share: float
    """With ground returns enough round them to look for a step."""
    told_share: float
    """With so many that they can tell that there is none."""


def point_notes(
    survey: PointSurvey, classes: Classes, settings: PointSettings, facts: Facts, rows: Mapping[str, int]
) -> list[Note]:
    """Rows of `points_notes`. rows: features by layer."""
    out: list[Note] = []

    def add(topic: str, name: str, value: object) -> None:
        out.append({"topic": topic, "name": name, "value": str(value)})

    cells = facts.cells
    add("points", "slopekit", __version__)
    add("points", "files", ", ".join(survey.names))
    add("points", "points", f"{int(cells.by_class.sum()):,} read, {int(cells.counts[0].sum()):,} used")
    for code in np.flatnonzero(cells.by_class).tolist():
        add("points", f"class {code}", f"{cells.by_class[code]:,} points ({CLASS_NAMES.get(code, 'no standard name')})")
    returns = f"{facts.water.density:.1f} returns a square metre"
    add("points", "density", f"{returns}, {_ground_density(cells):.1f} of ground")
    unit = {"option": "as --z-unit says", "crs": "as the CRS says"}.get(survey.z_unit_from, "assumed")
    add("points", "vertical unit", f"{survey.z_unit} ({unit})")
    add("points", "classes", f"{classes.name}: " + "; ".join(f"{r} {list(c)}" for r, c in classes.codes.items()))
    for name, value in vars(settings).items():
        add("points", name, f"{value:g}")
    known, carried = facts.ground_share, facts.filled_share
    add("points", "ground", f"known on {known:.1%} of the cells, carried over gaps on {carried:.1%}")
    asked, told = facts.asked_share, facts.told_share
    add("points", "steps", f"looked for on {asked:.1%} of the cells; can be ruled out on {told:.1%}")
    for layer, count in rows.items():
        add("points", layer, f"{count} features")
    for n, note in enumerate(survey.notes, 1):
        add("ground", f"warning of points {n}", note)
    for n, sentence in enumerate(not_assessed(classes, facts), 1):
        add("not assessed", f"points {n}", sentence)
    return out


def not_assessed(classes: Classes, facts: Facts) -> list[str]:
    """What the points cannot tell, in sentences."""
    cells, out = facts.cells, []
    for role, sentence in _ABSENT.items():
        codes = list(classes.codes.get(role, ()))
        if not codes or not cells.by_class[codes].any():
            out.append(sentence)
    if not facts.water.assessed:
        out.append("Possible water: the survey is too thin for a place without returns to mean anything.")
    elif facts.water.weak_from == 0.0:
        out.append("Water by weak returns: the points have no intensities.")
    if facts.asked_share < 0.5:
        share = 1.0 - facts.asked_share
        out.append(f"Steps: on {share:.0%} of the cells too few ground returns lie to look for one.")
    return [*out, *ALWAYS]


def _ground_density(cells: Cells) -> float:
    has = cells.counts[0] > 0
    return float(cells.counts[1].sum()) / max(1.0, float(has.sum())) / cells.size**2
