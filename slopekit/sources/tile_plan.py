"""Which tiles of an index each parcel and its look need, from the finest and newest survey that covers it."""

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import shapely
from numpy.typing import NDArray

from slopekit.sources.parcels import Lots
from slopekit.sources.said import Said
from slopekit.sources.tile_index import Listed, TileIndex
from slopekit.sources.units_of import horizontal_crs, metres_per_unit
from slopekit.sources.warp import transformer

WHOLE, CUT, PART, NONE = "whole", "look cut", "in part", "nothing"
"""What the tiles of an index cover: the parcel and its look, the parcel, part of it, nothing."""
_RANK = {WHOLE: 0, CUT: 1, PART: 2, NONE: 3}
_ALL = 1.0 - 1e-6
_DEGREE_M = 110_500.0
"""A little less than the length of a degree of latitude anywhere (WGS 84), so that widths come out wide enough."""
_TURNED = 0.3
"""Sine of the angle by which the grid of a survey may be turned against north: more than that of any published one that
docs/tiles.md names (some 17 degrees at the ends of a continent-wide conical grid; computed)."""
_SLACK_M = 5.0
"""Outlines in an index are rounded, and the edges of a tile bend in another CRS."""


@dataclass(frozen=True)
class Need:
    """What one parcel needs."""

    tiles: tuple[int, ...]
    """Numbers of tiles of the index, ascending."""
    covers: str
    """WHOLE, CUT, PART or NONE: the best that a survey of the index does for it, as far as outlines tell."""


@dataclass(frozen=True, eq=False)
class TilePlan:
    index: TileIndex
    needs: Mapping[str, Need]
    """By parcel."""
    looks: Mapping[str, shapely.Polygon]
    """Ground that is wanted for each parcel, in the index's CRS, rather too much than too little."""

    @property
    def tiles(self) -> list[int]:
        """Numbers of the tiles that any parcel needs: where two overlap, the one that the index prefers comes first."""
        return sorted(
            {n for need in self.needs.values() for n in need.tiles}, key=lambda n: (-self.index.tiles[n].order, n)
        )


def bounds_near(lots: Lots, reach_m: float, crs: str) -> tuple[float, float, float, float]:
    """Bounds in a CRS of all parcels and their looks; infinite where that cannot be told."""
    _, _, wide = _boxes(lots, reach_m, crs)
    if not len(wide):
        return (-np.inf, -np.inf, np.inf, np.inf)
    west, south, east, north = wide.T
    return float(west.min()), float(south.min()), float(east.max()), float(north.max())


def plan_tiles(index: TileIndex, lots: Lots, reach_m: float) -> TilePlan:
    """The tiles that each parcel needs with so many metres of ground round it.

    A survey is all tiles of one name, year, cell and vertical datum. For each parcel the finest, then newest, that
    covers parcel and look is taken alone; before one is found, so are all that reach it. Surveys whose cell the index
    does not tell are always taken, since only their tiles can say.
    """
    ids, strict, wide = _boxes(lots, reach_m, index.crs)
    groups = _surveys(index.tiles)
    tree = shapely.STRtree(index.outlines)
    looks = shapely.box(*wide.T) if len(wide) else np.empty(0, object)
    inner = shapely.box(*strict.T) if len(strict) else np.empty(0, object)
    who, which = tree.query(looks, predicate="intersects")
    near: dict[int, list[int]] = {}
    for one, tile in zip(who.tolist(), which.tolist(), strict=True):
        near.setdefault(one, []).append(tile)
    # One tile that holds all is by far the commonest case, and told for all parcels at once.
    held_who, held_which = tree.query(looks, predicate="within")
    held = set(zip(held_who.tolist(), held_which.tolist(), strict=True))
    needs: dict[str, Need] = {one: Need((), NONE) for one in lots.geometries}
    change = transformer(lots.crs, index.crs)
    slack = _slack(index.crs)
    for number, one in enumerate(ids):
        taken: set[int] = set()
        best, done = NONE, False
        among = sorted({groups[t] for t in near.get(number, ())})
        for group in among:
            mine = [t for t in near[number] if groups[t] == group]
            unknown = not np.isfinite(group[0])
            if done and not unknown:
                continue
            taken.update(mine)
            covers = WHOLE if any((number, t) in held for t in mine) else ""
            if not covers:
                ground = shapely.union_all(shapely.buffer(index.outlines[mine], slack))
                if _share(inner[number], ground) >= _ALL:
                    covers = WHOLE
                else:
                    own = shapely.transform(lots.geometries[one], change.transform, interleaved=False)
                    share = _share(own, ground) if own.is_valid else 0.0
                    covers = CUT if share >= _ALL else PART if share > 0.0 else NONE
                # What covers the look may still lack a corner of the wider one, so more is taken along.
                done = done or (not unknown and _share(looks[number], ground) >= _ALL)
            else:
                done = done or not unknown
            best = min(best, covers, key=_RANK.__getitem__)
        needs[one] = Need(tuple(sorted(taken)), best)
    return TilePlan(index, needs, dict(zip(ids, looks.tolist(), strict=True)))


def in_one_survey(plan: TilePlan, lots: Lots, reach_m: float) -> TilePlan:
    """The same with the tiles of one survey alone: of those that do best for the worst served parcel, the finest and
    newest. All years of one cell count as one survey where that serves more."""
    groups = _surveys(plan.index.tiles)
    used = sorted({groups[n] for n in plan.tiles})
    # What is measured from different vertical datums is never put together.
    choices = [[one] for one in used]
    choices += [[one for one in used if (one[0], one[3]) == (cell, datum)] for cell, _, _, datum in used]
    best, worst = plan, len(_RANK)
    for choice in choices:
        mine = [n for n in sorted(range(len(groups)), key=groups.__getitem__) if groups[n] in choice]
        part = replace(plan.index, outlines=plan.index.outlines[mine], tiles=tuple(plan.index.tiles[n] for n in mine))
        alone = _all_of(part, lots, reach_m)
        served = max((_RANK[need.covers] for need in alone.needs.values()), default=0)
        if served < worst:
            best, worst = alone, served
    return best


def _all_of(index: TileIndex, lots: Lots, reach_m: float) -> TilePlan:
    """A plan in which all tiles count as one survey."""
    same = tuple(replace(t, cell_m=None, said=Said()) for t in index.tiles)
    return replace(plan_tiles(replace(index, tiles=same), lots, reach_m), index=index)


def _surveys(tiles: tuple[Listed, ...]) -> list[tuple[float, float, str, str]]:
    """Of each tile its survey, sorted from the finest and newest on: cell, minus year, name, vertical datum."""
    cells = (np.inf if tile.cell_m is None else round(tile.cell_m, 6) for tile in tiles)
    return [
        (float(c), -float(t.said.date[:4] or 0), t.said.survey, t.said.datum) for c, t in zip(cells, tiles, strict=True)
    ]


def _boxes(lots: Lots, reach_m: float, crs: str) -> tuple[list[str], NDArray[np.float64], NDArray[np.float64]]:
    """Parcels that have a place in a CRS, the boxes of their looks, and these with all that is not known added."""
    ids = [one for one, shape in lots.geometries.items() if shape is not None and not shape.is_empty]
    shapes = np.array([lots.geometries[one] for one in ids], dtype=object)
    if not len(shapes):
        return [], np.empty((0, 4)), np.empty((0, 4))
    change, to_degrees = transformer(lots.crs, crs), transformer(lots.crs, "OGC:CRS84")
    bounds = shapely.bounds(shapely.transform(shapes, change.transform, interleaved=False))
    degrees = shapely.bounds(shapely.transform(shapes, to_degrees.transform, interleaved=False))
    width_m = (degrees[:, 2] - degrees[:, 0]) * 111_500.0 * np.cos(np.radians(degrees[:, 1]))
    height_m = (degrees[:, 3] - degrees[:, 1]) * 111_700.0
    lat = np.minimum(np.abs(degrees[:, [1, 3]]).max(axis=1), 89.0)
    there = horizontal_crs(crs)
    if there.is_geographic:
        # Its first axis may be latitude; what is transformed always has x to the east first.
        x = 1.0 / (_DEGREE_M * np.cos(np.radians(lat)))
        y = np.full(len(lat), 1.0 / _DEGREE_M)
    else:
        # A map of the world stretches by 1 / cos(latitude) at most, a survey's grid hardly at all.
        across = np.maximum(bounds[:, 2] - bounds[:, 0], 1e-9) * metres_per_unit(crs) / np.maximum(width_m, 1e-3)
        stretch = np.where(across > 1.05, 1.0 / np.cos(np.radians(lat)), 1.0)
        x = y = stretch / metres_per_unit(crs)
    strict = bounds + np.stack([-x, -y, x, y], axis=1) * reach_m
    spare = _SLACK_M + 0.02 * reach_m
    turned = np.stack([height_m, width_m], axis=1) * _TURNED + _TURNED * reach_m
    grow = np.stack([x, y], axis=1) * (spare + (turned if there.is_geographic else 0.0))
    wide = strict + np.concatenate([-grow, grow], axis=1)
    sound = np.isfinite(wide).all(axis=1)
    return [one for one, good in zip(ids, sound, strict=True) if good], strict[sound], wide[sound]


def _slack(crs: str) -> float:
    return 1.0 / (_DEGREE_M if horizontal_crs(crs).is_geographic else metres_per_unit(crs))


def _share(region: shapely.Geometry, ground: shapely.Geometry) -> float:
    return float(shapely.intersection(region, ground).area / region.area) if region.area else 0.0
