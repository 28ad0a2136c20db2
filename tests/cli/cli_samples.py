"""Files of a small invented site, and an invented result."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import rasterio
from rasterio.transform import Affine
from shapely import box

from slopekit.cli import main
from slopekit.schema.fields import fields_of
from slopekit.schema.layers import GEOMETRIES, LAYERS

CRS = "EPSG:25832"
WEST, NORTH = 500_000.0, 5_600_000.0

FLEET = """\
schema = 1
[conditions.dry]
friction = 0.35
limit_factor = 1.0
[machines.m1]
class = "walk-behind"
across_deg = 15.0
up_down_deg = 15.0
width_m = 0.9
speed_kmh = 4.0
above_hazard = false
"""


def write_grid(
    path: Path,
    z: np.ndarray,
    crs: str = CRS,
    cell: float = 1.0,
    corner: tuple[float, float] = (WEST, NORTH),
    nodata: float | None = None,
) -> Path:
    affine = Affine(cell, 0.0, corner[0], 0.0, -cell, corner[1])
    size = {"height": z.shape[0], "width": z.shape[1], "count": 1, "dtype": z.dtype}
    with rasterio.open(path, "w", driver="GTiff", crs=crs, transform=affine, nodata=nodata, **size) as file:
        file.write(z, 1)
    return path


def write_layer(path: Path, shapes: Sequence[Any], **columns: Sequence[Any]) -> Path:
    gpd.GeoDataFrame(columns, geometry=list(shapes), crs=CRS).to_file(path, driver="GPKG")
    return path


@dataclass
class Site:
    """Files of one invented site, and how the screening was called."""

    folder: Path
    calls: list[dict[str, Any]] = field(default_factory=list)

    def run(self, *more: str, out: str = "zones.gpkg") -> int:
        """`slopekit screen` on the site, into the folder."""
        required = {"--parcels": "parcels.gpkg", "--fleet": "fleet.toml", "--out": out}
        given = [text for option, name in required.items() for text in (option, str(self.folder / name))]
        return main(["screen", str(self.folder / "ground.tif"), *given, *more])

    def path(self, name: str) -> str:
        return str(self.folder / name)


def invented_tables(crs: str) -> dict[str, Any]:
    """One parcel of 800 m2 in one zone, with a caution that is said twice."""
    lawn = box(WEST + 20, NORTH - 40, WEST + 60, NORTH - 20)
    zone = {"parcel_id": "lawn", "zone_id": "lawn-z1", "machine_class": "walk-behind", "plan_m2": 800.0, "parts": 1}
    rows: dict[str, list[dict[str, Any]]] = {
        "zones": [zone],
        "parcels": [{"parcel_id": "lawn", "plan_m2": 800.0, "zones": 1, "spots": 0}],
        "run_notes": [
            {"topic": "inputs", "name": "elevation", "value": "ground.tif"},
            {"topic": "ground", "name": "cell", "value": "1 x 1 m"},
            {"topic": "ground", "name": "warning 1", "value": "The survey is old."},
            {"topic": "not assessed", "name": "1", "value": "The state of the turf."},
            {"topic": "cautions", "name": "1", "value": "Keep the roll bar up."},
            {"topic": "cautions", "name": "1", "value": "Keep the roll bar up."},
        ],
    }
    tables: dict[str, Any] = {}
    for layer in LAYERS:
        given = rows.get(layer, [])
        data = {f.name: [row.get(f.name) for row in given] for f in fields_of(layer, ["dry"])}
        frame = pd.DataFrame(data, dtype=object)
        tables[layer] = (
            frame if GEOMETRIES[layer] is None else gpd.GeoDataFrame(frame, geometry=[lawn] * len(given), crs=crs)
        )
    return tables


Instead = Callable[[Callable[[], Any]], Site]
