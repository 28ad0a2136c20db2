"""Files of a small invented site for the faults, and the options of a command line that screens it."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import rasterio
from numpy.typing import NDArray
from rasterio.transform import Affine
from shapely import Geometry, box

CRS = "EPSG:25832"
WEST, NORTH = 500_000.0, 5_600_000.0
ROWS, COLS = 60, 80

HEAD = """\
schema = 1
[conditions.dry]
friction = 0.35
limit_factor = 1.0
"""
WALK_BEHIND = """\
[machines.m1]
class = "walk-behind"
across_deg = 15.0
up_down_deg = 15.0
width_m = 0.9
speed_kmh = 4.0
above_hazard = false
"""


def gentle(rows: int = ROWS, cols: int = COLS) -> NDArray[np.float32]:
    """Ground of 3 to 7 degrees that falls south, with no level cell and no drop."""
    row, col = np.mgrid[:rows, :cols]
    return (100.0 - 0.08 * row + 0.02 * col + 0.1 * np.sin(col / 5.0) * np.cos(row / 7.0)).astype("float32")


def at(east: float, south: float) -> tuple[float, float]:
    """Map coordinates of a point so many metres east and south of the grid's corner."""
    return WEST + east, NORTH - south


def lot(east: float, south: float, width: float, depth: float) -> Geometry:
    """A rectangle with its north-west corner so many metres east and south of the grid's corner."""
    x, y = at(east, south)
    return box(x, y - depth, x + width, y)


LAWN = lot(20, 20, 40, 20)


def write_grid(path: Path, z: NDArray[Any], crs: str | None = CRS, cell: float = 1.0, **profile: Any) -> Path:
    """A GeoTIFF with its corner at (WEST, NORTH), or at `corner`."""
    west, north = profile.pop("corner", (WEST, NORTH))
    settings: dict[str, Any] = {"driver": "GTiff", "crs": crs, "transform": Affine(cell, 0, west, 0, -cell, north)}
    settings |= {"height": z.shape[0], "width": z.shape[1], "count": 1, "dtype": z.dtype.name} | profile
    with rasterio.open(path, "w", **settings) as file:
        file.write(z, 1)
    return path


def write_shapes(path: Path, shapes: Sequence[Geometry], crs: str | None = CRS, **columns: Sequence[Any]) -> Path:
    gpd.GeoDataFrame(columns, geometry=list(shapes), crs=crs).to_file(path)
    return path


@dataclass
class Site:
    """A folder with ground.tif, parcels.gpkg (column 'name') and fleet.toml that can be screened as they are."""

    folder: Path

    @classmethod
    def make(cls, folder: Path) -> "Site":
        write_grid(folder / "ground.tif", gentle())
        write_shapes(folder / "parcels.gpkg", [LAWN], name=["lawn"])
        (folder / "fleet.toml").write_text(HEAD + WALK_BEHIND)
        return cls(folder)

    def line(self, *more: str, elevation: str = "ground.tif", **changed: str) -> list[str]:
        """Arguments of `slopekit screen`, relative to the folder. `changed` replaces options by name."""
        options = {"parcels": "parcels.gpkg", "fleet": "fleet.toml", "out": "zones.gpkg"} | changed
        named = [text for name, value in options.items() for text in (f"--{name.replace('_', '-')}", value)]
        return ["screen", elevation, *named, *more]

    @property
    def out(self) -> Path:
        return self.folder / "zones.gpkg"

    def names(self) -> set[str]:
        return {path.name for path in self.folder.iterdir()}
