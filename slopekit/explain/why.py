"""One spot: every rule evaluated there, with its numbers. It rests on the same functions as a screening."""

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass, field
from datetime import date
from typing import Any

import numpy as np
import shapely

from slopekit.errors import InputError
from slopekit.explain.measure import of_view, of_window
from slopekit.explain.near import Cell, bodies_near, nearest_m, said_here, touches, water_m
from slopekit.explain.refusals import Figures, refusals
from slopekit.explain.runs import runs_from
from slopekit.explain.spot import Answer, Spot, Trace
from slopekit.explain.words import spot_lines
from slopekit.fleet.model import Fleet
from slopekit.grid import Grid
from slopekit.permits.judge import Ground, Verdict, judge, local_over, marginal
from slopekit.schema.classes import WAYS
from slopekit.screening.ground import look_round, read_ground
from slopekit.screening.looks import looks_of
from slopekit.screening.notes import CAUTIONS, not_assessed, warnings
from slopekit.screening.parcel import screen_parcel
from slopekit.screening.sight import ground_of_view
from slopekit.sources.elevation import Elevation, Survey
from slopekit.sources.layers import Layers
from slopekit.sources.parcels import Parcel
from slopekit.sources.raster import session
from slopekit.sources.units_of import horizontal_crs
from slopekit.sources.warp import transformer
from slopekit.wording import UNITS
from slopekit.zones.keys import WAY_OF_BITS


@dataclass(frozen=True)
class Explanation:
    """What is known of one spot, and the answer for every machine under every condition."""

    spot: Spot
    answers: tuple[Answer, ...]
    """Machines in file order, conditions within. Empty on excluded ground, which is not judged."""
    warnings: tuple[str, ...]
    not_assessed: tuple[str, ...]
    fleet: Fleet
    survey: Survey
    traces: tuple[Trace, ...] = field(default=(), repr=False, compare=False)
    """The path of each run of the spot, in their order."""

    def __str__(self) -> str:
        return "\n".join([*(f"Warning: {sentence}" for sentence in self.warnings), *self.lines()])

    def lines(self, units: str = "metric") -> list[str]:
        """Plain sentences: the ground, each machine and condition, what was not assessed, the caution. units: metric or
        us, for feet, square feet and miles an hour. Raises InputError for others."""
        if units not in UNITS:
            raise InputError(f"units: '{units}' is not known, so give {' or '.join(UNITS)}.")
        said = spot_lines(self.spot, self.answers, self.not_assessed, self.fleet, self.survey)
        return [UNITS[units].sentence(line, self.own) for line in said]

    @property
    def own(self) -> list[str]:
        """Names and words of the user's that its sentences may hold; figures in them are no lengths of ours."""
        said = [" ".join(text.split()).rstrip(".") for one in self.spot.said for text in (one.who, one.why)]
        return [*said, *self.survey.names, *([] if self.spot.parcel is None else [self.spot.parcel])]

    def facts(self) -> dict[str, Any]:
        """The same as a dict that JSON can hold, None where something is not known or not there."""
        runout, terrain = self.fleet.runout, self.fleet.terrain
        spot = asdict(self.spot)
        lists = {name: list(spot[name]) for name in ("cell_m", "here", "bodies", "said", "runs")}
        return {
            "survey": {
                "names": list(self.survey.names),
                "checksum": self.survey.checksum,
                "rmse_m": self.survey.rmse_m,
            },
            "spot": {**spot, **lists},
            "settings": {
                "stand_off_m": self.fleet.hazards.stand_off_m,
                **asdict(runout),
                "wetness_from": self.fleet.soft_ground.wetness_from,
                "wetness_length_m": self.fleet.soft_ground.wetness_length_m,
                "marginal_z": terrain.marginal_z,
                "error_correlation_m": terrain.error_correlation_m,
            },
            "answers": [_facts_of(answer) for answer in self.answers],
            "warnings": list(self.warnings),
            "not_assessed": list(self.not_assessed),
            "cautions": list(CAUTIONS),
        }


def _facts_of(answer: Answer) -> dict[str, Any]:
    near = answer.near_limits
    refused = [asdict(refusal) for refusal in answer.refusals]
    return {**asdict(answer), "near_limits": None if near is None else list(near), "refusals": refused}


def why(
    elevation: Elevation,
    x: float,
    y: float,
    fleet: Fleet,
    layers: Layers | None = None,
    crs: str | None = None,
    parcels: Sequence[Parcel] = (),
) -> Explanation:
    """Evaluate every rule at one spot, as `screen` does on the working cell that holds it.

    x, y: east and north (longitude first) in `crs`, such as 'EPSG:4326', or in the CRS of the elevation's grid when it
    is not given. parcels: the parcels of the screening; the answer rests on the look of the one that holds the spot, or
    of the spot alone. Routes in keep to a parcel too, and without one they are not judged. Raises InputError for an
    unknown CRS, a spot outside the elevation, one without a height, and entrances without parcels.
    """
    layers = layers or Layers()
    survey = elevation.survey
    if layers.entrances is not None and not parcels:
        raise InputError(
            f"{layers.entrances.name}: routes in are judged inside a parcel, so give --parcels too, or leave "
            "--entrances out."
        )
    x, y = _in_grid(x, y, crs, survey)
    cell = _cell(survey.working, x, y, survey)
    if np.isnan(elevation.read(cell.bounds).z).any():
        raise InputError(f"The spot {_place(x, y)} has no elevation in {_name(survey)}: ask about ground with heights.")
    parcel = next((p for p in parcels if shapely.intersects(p.geometry, shapely.Point(x, y))), None)
    region = cell if parcel is None else parcel.geometry
    row, col = survey.working.cell_at(x, y)
    look = next(one for one in looks_of(region, fleet, survey.working) if one.own.holds(row, col))
    entrances = None
    with session():
        read = read_ground(elevation, [look.region], fleet, layers.points)
        window = look_round(read, look.region, layers, fleet, elevation)
        if np.isnan(window.surface.z[window.surface.grid.cell_at(cell.centroid.x, cell.centroid.y)]):
            raise InputError(
                f"The spot {_place(x, y)} is not known: the points have no return there, or do not reach it, so "
                "everybody is refused. Ask about ground that they show."
            )
        ground, measures = ground_of_view(window, fleet, survey)
        part = window.surface.grid.part(window.run.view)
        verdict = judge(ground, fleet)
        if layers.entrances is not None and parcel is not None:
            whole = screen_parcel(elevation, parcel, fleet, layers, read)
            entrances, part, ground, measures, verdict = (
                whole.entrances, whole.grid, whole.ground, whole.measures, whole.verdict
            )  # fmt: skip
    middle = cell.centroid.x, cell.centroid.y
    grid = window.surface.grid
    here, at = grid.cell_at(*middle), part.cell_at(*middle)
    found = runs_from(window, here, fleet)
    look_m = fleet.runout.look_m
    bodies = bodies_near(window, here, layers, fleet, [end for _, _, end in found], look_m)
    spot = Spot(
        x=x,
        y=y,
        excluded=layers.exclude is not None and layers.exclude.tree.query(shapely.Point(x, y), "intersects").size > 0,
        water_m=water_m(window, here, cell, layers, look_m),
        drop_m=nearest_m(window.hazards.crest, here, grid, look_m),
        parcel=None if parcel is None else parcel.id,
        look_m=look_m,
        runs=tuple(run for run, _, _ in found),
        bodies=bodies,
        said=said_here(window, here, cell, layers, bodies, fleet, survey.checksum),
        **of_window(window, here),
        **of_view(ground, measures, at, fleet),
    )
    figures = Figures(
        edge_m=min((m for m in (spot.water_m, spot.drop_m) if m is not None), default=None),
        runs=spot.runs,
        no_go=tuple(c for c in layers.corrections if c.what == "no-go" and touches(c.geometry, cell, grid)),
        entrances=entrances or 0,
    )
    return Explanation(
        spot,
        () if spot.excluded else _answers(spot, ground, verdict, at, fleet, figures),
        (*survey.notes, *warnings(survey, fleet, date.today())),
        (
            *not_assessed(survey, [n for n in layers.given if n != "entrances" or entrances is not None]),
            *(
                []
                if layers.points is None
                else [n["value"] for n in layers.points.notes if n["topic"] == "not assessed"]
            ),
        ),
        fleet,
        survey,
        tuple(trace for _, trace, _ in found),
    )


def _in_grid(x: float, y: float, crs: str | None, survey: Survey) -> tuple[float, float]:
    """The spot in the CRS of the survey's grid."""
    moved = x, y
    if crs is not None:
        try:
            known = horizontal_crs(crs)
        except RuntimeError as error:  # what the projection library raises for every CRS that it does not know
            raise InputError(f"The CRS '{crs}' is not known: give a code such as EPSG:4326.") from error
        if not (known.is_geographic or known.is_projected):
            raise InputError(f"The CRS '{crs}' ({known.name}) tells no place on a map: give a code such as EPSG:4326.")
        moved = transformer(crs, survey.grid.crs).transform(x, y)
    if not all(math.isfinite(v) for v in moved):
        there = "" if crs is None else f" of the CRS '{crs}'"
        raise InputError(
            f"The spot {_place(x, y)}{there} has no place in the elevation's CRS: check both numbers, east or "
            "longitude first."
        )
    return float(moved[0]), float(moved[1])


def _cell(grid: Grid, x: float, y: float, survey: Survey) -> shapely.Polygon:
    """The square of the working cell that holds the spot."""
    row, col = grid.cell_at(x, y)
    if not (0 <= row < grid.height and 0 <= col < grid.width):
        west, south, east, north = survey.grid.bounds
        named = survey.grid.crs.split('"')[1]
        raise InputError(
            f"The spot {_place(x, y)} lies outside {_name(survey)}, which spans {west:.10g} to {east:.10g} east and "
            f"{south:.10g} to {north:.10g} north in {named}: check the spot and its CRS."
        )
    west, north = grid.west + col * grid.step_x, grid.north - row * grid.step_y
    return shapely.box(west, north - grid.step_y, west + grid.step_x, north)


def _answers(
    spot: Spot, ground: Ground, verdict: Verdict, at: Cell, fleet: Fleet, figures: Figures
) -> tuple[Answer, ...]:
    local, compared, error = (
        np.array([math.nan if v is None else v]) for v in (spot.slope_deg, spot.machine_slope_deg, spot.slope_error_deg)
    )
    out = []
    for n, (machine_id, condition_id) in enumerate(verdict.pairs):
        machine = fleet.machines[machine_id]
        told = refusals(ground, verdict, n, at, fleet, figures)
        codes = {refusal.code for refusal in told}
        across, up_down = fleet.limits(machine_id, condition_id)
        limits = sorted({limit for limit in (across, up_down) if limit is not None})
        judged_for_fit = machine.operator != "hand" and codes <= {"narrow"} and not ground.blocked[at]
        near = (limit for limit in limits if marginal(compared, error, [limit], fleet.terrain.marginal_z)[0])
        out.append(
            Answer(
                machine=machine_id,
                machine_class=machine.machine_class,
                condition=condition_id,
                permitted=not told,
                across_deg=across,
                up_down_deg=up_down,
                way=None if told else WAYS[WAY_OF_BITS[verdict.ways[n][at]]],
                fits="narrow" not in codes if judged_for_fit else None,
                near_limits=None if spot.slope_error_deg is None else tuple(near),
                local_over=bool(local_over(local, compared, limits)[0]),
                refusals=told,
            )
        )
    return tuple(out)


def _place(x: float, y: float) -> str:
    return f"{x:.10g}, {y:.10g}"


def _name(survey: Survey) -> str:
    first = survey.names[0]
    return first if len(survey.names) == 1 else f"{first} and {len(survey.names) - 1} more"
