"""Which survey answers each parcel: the finest that covers it and its look, then the newest."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from slopekit.errors import InputError
from slopekit.fleet.model import Fleet
from slopekit.grid import Bounds, grown
from slopekit.portfolio.surveys import TiledSurvey
from slopekit.screening.batch import reach_of, refuse_endless
from slopekit.sources.parcels import Lots, Parcel
from slopekit.sources.warp import transformer

WHOLE, CUT, PART = "whole", "look cut", "in part"
"""What the tiles of the survey cover: the parcel and the ground that its answer rests on, the parcel, part of it."""
_AS_GOOD_AS_ALL = 1.0 - 1e-6
_RANK = {WHOLE: 0, CUT: 1, PART: 2}


@dataclass(frozen=True, eq=False)
class Choice:
    """A parcel in the working CRS of the survey that answers it."""

    parcel: Parcel
    survey: TiledSurvey
    covers: str
    """WHOLE, CUT or PART."""
    reach_m: float
    """Width of the ground round it that its answer rests on."""


@dataclass(frozen=True)
class Choices:
    found: dict[str, Choice]
    faults: dict[str, str]
    """Parcels that nothing can answer, each with a sentence."""


def choose(lots: Lots, surveys: Sequence[TiledSurvey], tile_faults: Sequence[str], fleet: Fleet) -> Choices:
    """The survey of each parcel: of those whose tiles cover all that its answer rests on the first, else of those that
    cover the parcel, else of those that touch it.

    surveys: from the finest and newest on. tile_faults: sentences on tiles that cannot be used, for parcels that no
    other tile answers.
    """
    found: dict[str, Choice] = {}
    faults: dict[str, str] = {}
    for survey in surveys:
        reach = reach_of(survey.elevation.survey, fleet)
        wanting = [one for one in _near(lots, survey) if one not in found or found[one].covers != WHOLE]
        good, bad = lots.placed(wanting, survey.elevation.survey.grid.crs)
        faults |= bad
        for one, parcel in good.items():
            try:
                refuse_endless([parcel], reach, survey.elevation)
            except InputError as error:
                faults[one] = str(error)
                continue
            covers = _covers(parcel, survey, reach)
            if covers and (one not in found or _RANK[covers] < _RANK[found[one].covers]):
                found[one] = Choice(parcel, survey, covers, reach)
    lost = f"; {len(tile_faults)} could not be used, the first: {tile_faults[0]}" if tile_faults else "."
    for one in lots.geometries:
        if one not in found and one not in faults:
            # A shape that no survey was asked about may have a fault of its own.
            _, bad = lots.placed([one], lots.crs)
            faults[one] = bad.get(
                one, f"Parcel '{one}' has no elevation under it: none of the tiles that could be used reaches it{lost}"
            )
    return Choices({one: c for one, c in found.items() if one not in faults}, faults)


def _near(lots: Lots, survey: TiledSurvey) -> list[str]:
    """Parcels whose box meets the box of the survey; all where that cannot be told."""
    ids = [one for one, shape in lots.geometries.items() if shape is not None and not shape.is_empty]
    frame = shapely.segmentize(shapely.box(*shapely.total_bounds(survey.footprints)), _side(survey) / 16)
    change = transformer(survey.elevation.survey.grid.crs, lots.crs)
    points = np.stack(change.transform(*shapely.get_coordinates(frame).T), axis=1)
    if not np.isfinite(points).all():
        return ids
    (west, south), (east, north) = points.min(axis=0), points.max(axis=0)
    # The frame's edges bend between its points.
    spare_x, spare_y = 0.05 * (east - west), 0.05 * (north - south)
    box = shapely.box(west - spare_x, south - spare_y, east + spare_x, north + spare_y)
    boxes = shapely.box(*shapely.bounds([lots.geometries[one] for one in ids]).T) if ids else np.empty(0, object)
    return [one for one, meets in zip(ids, shapely.intersects(boxes, box), strict=True) if meets]


def _side(survey: TiledSurvey) -> float:
    west, south, east, north = shapely.total_bounds(survey.footprints)
    return float(max(east - west, north - south))


def _covers(parcel: Parcel, survey: TiledSurvey, reach_m: float) -> str:
    """What the survey's tiles cover; '' for nothing of the parcel."""
    metres = survey.elevation.survey.grid.metres_per_unit
    read = shapely.box(*grown(parcel.geometry.bounds, reach_m, metres))
    near = survey.footprints[survey.tree.query(read, predicate="intersects")]
    if _covered(read, near) >= _AS_GOOD_AS_ALL:
        return WHOLE
    share = _covered(parcel.geometry, near)
    return CUT if share >= _AS_GOOD_AS_ALL else PART if share > 0.0 else ""


def _covered(region: shapely.Geometry, tiles: NDArray[np.object_]) -> float:
    """Part of a region that tiles cover."""
    if not len(tiles):
        return 0.0
    if shapely.contains(tiles, region).any():
        return 1.0
    return float(shapely.intersection(region, shapely.union_all(tiles)).area / region.area)


def tiles_within(survey: TiledSurvey, bounds: Bounds) -> NDArray[np.intp]:
    """Numbers, ascending, of the survey's tiles that meet bounds in its working CRS."""
    return np.sort(survey.tree.query(shapely.box(*bounds), predicate="intersects"))


def by_survey(choices: Iterable[Choice]) -> dict[str, list[Choice]]:
    """Choices by the id of their survey."""
    out: dict[str, list[Choice]] = {}
    for choice in choices:
        out.setdefault(choice.survey.id, []).append(choice)
    return out
