"""Made ground, fleets and the answers on it, for tests that drive the whole pipeline."""

import functools
from collections.abc import Callable, Iterable, Mapping
from dataclasses import MISSING, dataclass, fields
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import rasterio
import rasterio.features
import shapely
from numpy.typing import NDArray
from rasterio.transform import Affine

from slopekit.fleet.model import Fleet
from slopekit.grid import Grid
from slopekit.permits.judge import BIT, Ground, Reasons, Verdict
from slopekit.schema.classes import MACHINE_CLASSES
from slopekit.schema.tables import table_of
from slopekit.screening import parcel as site
from slopekit.screening.ground import ReadGround, WindowGround, look_round, read_ground
from slopekit.sources.elevation import Elevation, open_elevation
from slopekit.sources.layers import Layers
from slopekit.sources.parcels import Parcel
from slopekit.sources.raster import rasterize

Array = NDArray[np.float64]
Bool = NDArray[np.bool_]

WEST, NORTH = 500_000.0, 4_100_000.0
UTM = "EPSG:32617"
NO_CLASS = len(MACHINE_CLASSES)


def write_ground(
    path: Path,
    z: Array,
    *,
    cell: float = 1.0,
    crs: str = UTM,
    west: float = WEST,
    north: float = NORTH,
    unit: str = "metre",
) -> Path:
    """A float64 GeoTIFF of heights `z` (rows from north to south), NaN missing, cells of `cell` CRS units."""
    profile = {"driver": "GTiff", "dtype": "float64", "count": 1, "nodata": np.nan, "crs": crs}
    transform = Affine(cell, 0.0, west, 0.0, -cell, north)
    with rasterio.open(path, "w", height=z.shape[0], width=z.shape[1], transform=transform, **profile) as out:
        out.write(z, 1)
        out.units = (unit,)
    return path


def elevation_of(path: Path, z: Array, **options: Any) -> Elevation:
    """`z` written to `path` and opened. Options of `write_ground`, and `z_rmse_m`."""
    rmse = options.pop("z_rmse_m", None)
    return open_elevation([write_ground(path, z, **options)], z_rmse_m=rmse)


def box(col: float, row: float, width: float, height: float) -> shapely.Polygon:
    """The rectangle of a made ground of 1 m cells from column `col` and row `row` on, metres."""
    return shapely.box(WEST + col, NORTH - row - height, WEST + col + width, NORTH - row)


def fleet_of(
    limits: tuple[float, float, float, float] = (10.0, 15.0, 20.0, 30.0),
    *,
    conditions: Mapping[str, Any] | None = None,
    settings: Mapping[str, Any] | None = None,
    **machines: Mapping[str, Any],
) -> Fleet:
    """One machine a class, with a limit each (degrees): ride_on, stand_on, walk_behind, crew. Keywords change or
    add machines.

    The crew may work above a hazard; walk_behind may not unless a keyword says so.
    """
    base: dict[str, dict[str, Any]] = {
        "ride_on": {
            "class": "ride-on",
            "width_m": 1.5,
            "speed_kmh": 8.0,
            "ground_pressure_kpa": 80.0,
            "roll_bar": "fixed",
        },
        "stand_on": {"class": "stand-on", "width_m": 1.2, "speed_kmh": 8.0, "ground_pressure_kpa": 60.0},
        "walk_behind": {"class": "walk-behind", "width_m": 0.9, "speed_kmh": 4.0, "ground_pressure_kpa": 20.0},
        "crew": {"class": "hand crew", "above_hazard": True},
    }
    for limit, keys in zip(limits, base.values(), strict=True):
        keys |= {"across_deg": limit, "up_down_deg": limit}
    for name, keys in machines.items():
        base[name] = {**base.get(name, {}), **keys}
    return Fleet.model_validate(
        {
            "schema": 1,
            "soft_ground": {"pressure_limit_kpa": 30.0},
            **(settings or {}),
            "conditions": conditions or {"dry": {"friction": 0.35, "limit_factor": 1.0}},
            "machines": base,
        }
    )


SHORT_LOOK = {"runout": {"look_m": 60.0}}
"""Lets a made ground end some 100 m from the parcel."""


@dataclass(frozen=True)
class Answer:
    """What the pipeline says of one parcel, cell by cell and in rows."""

    parcel: Parcel
    fleet: Fleet
    grid: Grid
    ground: Ground
    verdict: Verdict
    zones: gpd.GeoDataFrame
    records: dict[str, list[dict[str, Any]]]
    look: Callable[[], WindowGround]

    @functools.cached_property
    def window(self) -> WindowGround:
        """The look that the answer rests on, made once more: most tests ask nothing of it."""
        return self.look()

    @property
    def inside(self) -> Bool:
        """Cells whose centre lies in the parcel."""
        return rasterize([self.parcel.geometry], self.grid)

    def reasons(self, machine: str, condition: str = "dry") -> Reasons:
        return self.verdict.reasons[self.verdict.pairs.index((machine, condition))]

    def refused(self, machine: str, code: str, condition: str = "dry") -> Bool:
        """Cells where `code` is among the reasons against the machine."""
        return self.reasons(machine, condition) & BIT[code] != 0

    def raw(self, machine: str, condition: str = "dry") -> Bool:
        """Cells that permit the machine before zones are made of them."""
        return self.reasons(machine, condition) == 0

    def final(self, machine: str, condition: str = "dry") -> Bool:
        """Cells in a zone that permits the machine."""
        return rasterize(list(self.zones.geometry[permits(self.zones, machine, condition)]), self.grid)

    def raw_class(self, *, fitted: bool = True) -> NDArray[np.int64]:
        """Index of the least restricted class permitted under every condition; without the fit if asked."""
        reasons = self.verdict.reasons if fitted else self.verdict.reasons & ~BIT["narrow"]
        shape = (len(self.fleet.machines), len(self.fleet.conditions), *self.grid.shape)
        every = (reasons.reshape(shape) == 0).all(axis=1)
        out = np.full(self.grid.shape, NO_CLASS)
        for machine, may in zip(self.fleet.machines.values(), every, strict=True):
            rank = MACHINE_CLASSES.index(machine.machine_class)
            out[may] = np.minimum(out[may], rank)
        return out

    def final_class(self) -> NDArray[np.int64]:
        """Index of the class of the zone that a cell's centre lies in; -1 in no zone or excluded."""
        out = np.full(self.grid.shape, -1)
        for rank, code in enumerate((*MACHINE_CLASSES, "none")):
            out[rasterize(list(self.zones.geometry[self.zones.machine_class == code]), self.grid)] = rank
        return out

    def over(self, where: Bool) -> gpd.GeoDataFrame:
        """The zones that hold the centre of any of the cells."""
        held = [bool(where[rasterize([g], self.grid)].any()) for g in self.zones.geometry]
        return self.zones[held]


def permits(zones: gpd.GeoDataFrame, machine: str, condition: str = "dry") -> NDArray[np.bool_]:
    """Whether each zone permits the machine."""
    return np.array([machine in names.split(",") for names in zones[f"permitted_{condition}"]], dtype=bool)


def bare_ground(limit_deg: Array, heads: Mapping[str, Array] | None = None, **masks: Bool) -> Ground:
    """What the rules look at on cells of 1 m: nothing but a slope, save what is given."""
    none = np.zeros(limit_deg.shape, bool)
    kinds = {field.name: none for field in fields(Ground) if field.default is MISSING}
    given: dict[str, Any] = {"dx": 1.0, "dy": 1.0, "limit_deg": limit_deg, "heads": heads or {}}
    return Ground(**{**kinds, **given, **masks})


def answer(
    elevation: Elevation,
    parcel: Parcel | shapely.Geometry,
    fleet: Fleet,
    layers: Layers | None = None,
    ground: ReadGround | None = None,
) -> Answer:
    """Screen one parcel and keep what its zones were made from. ground: as `site.screen_parcel` takes it."""
    layers = layers or Layers()
    if not isinstance(parcel, Parcel):
        parcel = Parcel("p", parcel)
    working = elevation.survey.working
    result = site.screen_parcel(elevation, parcel, fleet, layers, ground)
    zones = table_of("zones", result.records["zones"], working.crs, fleet.conditions)

    def look() -> WindowGround:
        read = ground or read_ground(elevation, [parcel.geometry], fleet)
        return look_round(read, parcel.geometry, layers, fleet, elevation)

    return Answer(parcel, fleet, result.grid, result.ground, result.verdict, zones, result.records, look)


def touched(geometries: Iterable[shapely.Geometry], grid: Grid) -> Bool:
    """Cells that share more than a sliver with any of the geometries."""
    # A hair less, since cells that only meet an edge are not in the zone.
    less = [g for g in shapely.buffer(list(geometries), -1e-5) if not g.is_empty]
    if not less:
        return np.zeros(grid.shape, bool)
    options: dict[str, Any] = {"out_shape": grid.shape, "transform": Affine(*grid.affine), "all_touched": True}
    return rasterio.features.rasterize(less, dtype="uint8", **options).astype(bool)


def tiling_faults(zones: gpd.GeoDataFrame, parcel: shapely.Geometry, square_metres: float = 1.0) -> list[str]:
    """What is wrong with zones that should tile a parcel; empty when nothing is."""
    faults = [f"{id_} is not valid" for id_ in zones.zone_id[~zones.geometry.is_valid]]
    if faults:
        return faults
    area = parcel.area
    if abs(zones.geometry.area.sum() - area) > 1e-6 * area:
        faults.append(f"areas add up to {zones.geometry.area.sum()} of {area}")
    if not np.isclose(zones.plan_m2.sum(), area * square_metres, rtol=1e-6, atol=0.0):
        faults.append(f"plan_m2 adds up to {zones.plan_m2.sum()} of {area * square_metres}")
    shapes = np.array(zones.geometry)
    one, two = shapely.STRtree(shapes).query(shapes, predicate="intersects")
    pairs = one < two
    shared = shapely.area(shapely.intersection(shapes[one[pairs]], shapes[two[pairs]]))
    for a, b, m2 in zip(one[pairs], two[pairs], shared, strict=True):
        if m2 > 1e-6:
            faults.append(f"{zones.zone_id.iloc[a]} and {zones.zone_id.iloc[b]} share {m2} square units")
    left = shapely.difference(parcel, shapely.union_all(shapes)).area
    if left > 1e-6 * area:
        faults.append(f"{left} square units are in no zone")
    return faults
