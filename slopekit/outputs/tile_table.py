"""The table of tiles that parcels need: written for a person to look at in QGIS, read back to fetch them."""

import contextlib
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio

from slopekit.errors import InputError
from slopekit.outputs.atomic import written
from slopekit.outputs.geopackage import GEOMETRY_COLUMN, VERSION, any_file_name, disk_faults, finishing
from slopekit.sources.tile_index import FOUND, Asked, vector_index
from slopekit.sources.tile_plan import Need, TilePlan

LOOKS = "looks"


def write_tile_table(path: Path, plan: TilePlan) -> None:
    """Write the layers `tiles` and `looks` as GeoPackage 1.2. Raises OutputError."""
    tiles, looks = tables_of(plan)
    with written(path) as (temp,), disk_faults(), any_file_name():
        for layer, table in ((FOUND, tiles), (LOOKS, looks)):
            options = {"GEOMETRY_NAME": GEOMETRY_COLUMN, "SPATIAL_INDEX": "YES"}
            pyogrio.write_dataframe(
                table, temp, layer=layer, driver="GPKG", geometry_type="Unknown", dataset_options={"VERSION": VERSION},
                layer_options=options,
            )  # fmt: skip
        with finishing(temp):
            pass


def tables_of(plan: TilePlan) -> tuple[gpd.GeoDataFrame, gpd.GeoDataFrame]:
    """One row a tile that any parcel needs, and one row a parcel, in the CRS of the index."""
    numbers = plan.tiles
    row = {number: n for n, number in enumerate(numbers)}
    counts = dict.fromkeys(numbers, 0)
    for need in plan.needs.values():
        for number in need.tiles:
            counts[number] += 1
    tiles = pd.DataFrame(
        [{**plan.index.tiles[n].as_row(plan.index), "parcels": counts[n]} for n in numbers],
        columns=None if numbers else ["location", "parcels"],
    )
    looks = pd.DataFrame(
        [
            {"parcel_id": one, "covers": need.covers, "tiles": " ".join(str(row[n]) for n in need.tiles)}
            for one, need in plan.needs.items()
        ],
        columns=["parcel_id", "covers", "tiles"],
    )
    outlines = plan.index.outlines[numbers] if numbers else np.empty(0, object)
    shapes = [plan.looks.get(one) for one in plan.needs]
    return (
        gpd.GeoDataFrame(tiles, geometry=list(outlines), crs=plan.index.crs),
        gpd.GeoDataFrame(looks, geometry=shapes, crs=plan.index.crs),
    )


def read_tile_table(path: Path, trust_error: bool = False) -> TilePlan:
    """A plan that was written. Raises InputError for another file."""
    if path.is_file() and not {FOUND, LOOKS} <= _layers(path):
        raise _no_table(path)
    index = vector_index(
        str(path),
        Asked(columns={"address": "location"}, trust_error=trust_error),
        lambda _: (-np.inf,) * 2 + (np.inf,) * 2,
    )
    try:
        table = pyogrio.read_dataframe(path, layer=LOOKS)
        needs = {
            str(row.parcel_id): Need(tuple(int(n) for n in row.tiles.split()), str(row.covers))
            for row in table.itertuples()
        }
    except (pyogrio.errors.DataLayerError, AttributeError, ValueError) as error:
        raise _no_table(path) from error
    if any(n >= len(index.tiles) for need in needs.values() for n in need.tiles):
        raise InputError(
            f"{path}: rows of the layer tiles were deleted, so make the table anew with slopekit tiles find."
        )
    return TilePlan(index, needs, dict(zip(needs, table.geometry, strict=True)))


def _layers(path: Path) -> set[str]:
    with contextlib.suppress(pyogrio.errors.DataSourceError):
        return {str(name) for name, _ in pyogrio.list_layers(path)}
    return set()


def _no_table(path: Path) -> InputError:
    return InputError(f"{path}: this is no table of slopekit tiles find, so make one first.")
