"""A made district: tiles in two CRSs with overlaps, gaps and a corrupt one, parcels on them. Nothing is stored.

Run it to make one: python tests/support/district.py FOLDER [PARCELS] [SIDE_M]
"""

import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pyproj
import rasterio
import shapely
from numpy.typing import NDArray
from rasterio.transform import Affine

WEST_CRS, EAST_CRS = "EPSG:25832", "EPSG:25833"
"""Neighbouring zones of one system: a district on the border of two has both."""
LON, LAT = 12.0, 51.0
"""Where the zones meet."""
FLEET = """\
schema = 1
[runout]
look_m = {run}
[conditions.dry]
friction = 0.35
limit_factor = 1.0
[conditions.wet]
friction = 0.20
limit_factor = 0.8
[machines.ride_on]
class = "ride-on"
across_deg = 10
up_down_deg = 10
width_m = 1.5
speed_kmh = 10
roll_bar = "folding"
[machines.walk_behind]
class = "walk-behind"
across_deg = 20
up_down_deg = 20
width_m = 0.9
speed_kmh = 4
[machines.crew]
class = "hand crew"
across_deg = 30
up_down_deg = 30
above_hazard = true
"""
"""Invented figures."""


@dataclass(frozen=True)
class District:
    """Files of a district. Parcels have the column `pid`; their CRS is the western one."""

    folder: Path
    tiles: Path
    parcels: Path
    fleet: Path
    corrupt: Path | None
    """A tile whose header is whole and whose cells cannot be read."""

    def line(self, out: str, *more: str, command: Sequence[str] = ("portfolio",)) -> list[str]:
        named = ["--parcels", str(self.parcels), "--id-column", "pid", "--fleet", str(self.fleet)]
        return [*command, str(self.tiles), *named, "--out", str(self.folder / out), *more]


def heights(x: NDArray[np.float64], y: NDArray[np.float64]) -> NDArray[np.float32]:
    """Rolling ground with slopes of up to some 15 degrees, steep banks and level ponds, from map coordinates."""
    x, y = np.mod(x, 8000.0), np.mod(y, 8000.0)
    z = 60.0 + 4.0 * np.sin(x / 47.0) * np.cos(y / 61.0) + 2.0 * np.sin((x + y) / 23.0) + 0.02 * (x - y)
    z += 1.6 / (1.0 + np.exp(-8.0 * np.sin(x / 130.0)))
    # Whole ponds of one level, as an aerial survey flattens them.
    u, v = np.mod(x, 400.0) - 200.0, np.mod(y, 300.0) - 150.0
    floor = 40.0 + 3.0 * np.floor(x / 400.0) + np.floor(y / 300.0) % 7.0
    return np.where(np.hypot(u, v) < 18.0, floor, z).astype(np.float32)


def write_tile(
    path: Path,
    crs: str,
    west: float,
    north: float,
    side: int,
    cell: float = 1.0,
    day: str | None = None,
    add: float = 0.0,
) -> Path:
    x = west + (np.arange(side) + 0.5) * cell
    y = north - (np.arange(side) + 0.5) * cell
    z = heights(*np.meshgrid(x, y)) + np.float32(add)
    profile: dict[str, Any] = {"driver": "GTiff", "height": side, "width": side, "count": 1, "dtype": "float32"}
    profile |= {"crs": crs, "transform": Affine(cell, 0, west, 0, -cell, north), "nodata": -9999.0}
    profile |= {"tiled": True, "blockxsize": 128, "blockysize": 128, "compress": "deflate"}
    with rasterio.open(path, "w", **profile) as file:
        # Tags first, so that the directory stands at the beginning of the file.
        file.update_tags(SURFACE="bare earth", **({} if day is None else {"ACQUISITION_DATE": day}))
        file.write(z, 1)
    return path


def corners() -> tuple[tuple[float, float], tuple[float, float]]:
    """The place where the zones meet in the western and in the eastern one, on whole metres."""
    to_west = pyproj.Transformer.from_crs("EPSG:4326", WEST_CRS, always_xy=True)
    x, y = (round(v / 1000.0) * 1000.0 for v in to_west.transform(LON, LAT))
    u, v = pyproj.Transformer.from_crs(WEST_CRS, EAST_CRS, always_xy=True).transform(x, y)
    return (x, y), (float(round(u)), float(round(v)))


def make_district(
    folder: Path, *, parcels: int = 60, across: int = 4, side: int = 256, lot: float = 40.0, run: float = 40.0,
    corrupt: bool = True, gap: bool = True,
) -> District:  # fmt: skip
    """`across` x `across` tiles: the western half in one CRS, the eastern in the other, one column of overlap.

    In the west a coarser and an older survey lie under the tiles. One tile is missing and one is corrupt.
    """
    tiles = folder / "tiles"
    tiles.mkdir(parents=True)
    half = across // 2
    names: dict[tuple[int, int], Path] = {}
    (wx, wy), (ex, ey) = corners()
    for row in range(across):
        for col in range(across):
            if gap and (row, col) == (across - 1, 0):
                continue
            west = col < half
            x, y, crs = (wx, wy, WEST_CRS) if west else (ex, ey, EAST_CRS)
            # East of the border the tiles begin one tile further west: there both surveys have ground.
            left = x + (col - half) * side if west else x + (col - half - 1) * side + side // 2
            path = tiles / f"t_{row:02d}_{col:02d}.tif"
            names[row, col] = write_tile(path, crs, left, y - row * side, side, day="2021-03-04" if west else "2022-05")
    # An older survey of the same cells, and a coarse one of all the west.
    write_tile(tiles / "old_00.tif", WEST_CRS, wx - side, wy, side, day="2012-01-01", add=0.3)
    write_tile(tiles / "coarse_00.tif", WEST_CRS, wx - half * side, wy, across * side // 2, cell=2.0, day="2023")
    bad = None
    if corrupt:
        bad = names[1, 1]
        whole = bad.read_bytes()
        # The directory stands at the beginning: the cells are what is lost.
        bad.write_bytes(whole[: len(whole) // 3])
    frame = _parcels(parcels, across, side, lot)
    frame.to_file(folder / "parcels.gpkg")
    (folder / "fleet.toml").write_text(FLEET.format(run=run))
    return District(folder, tiles, folder / "parcels.gpkg", folder / "fleet.toml", bad)


def _parcels(count: int, across: int, side: int, lot: float) -> gpd.GeoDataFrame:
    """Squares on a lattice over the tiles of both halves, in the western CRS."""
    random = np.random.default_rng(7)
    (wx, wy), _ = corners()
    rows = int(np.ceil(np.sqrt(count)))
    span = across * side - 2.0 * lot
    shapes = []
    for number in range(count):
        row, col = divmod(number, rows)
        x = wx - across // 2 * side + lot / 2 + span * col / rows + random.uniform(0.0, 3.0)
        y = wy - lot / 2 - span * row / rows - random.uniform(0.0, 3.0)
        shapes.append(shapely.box(x, y - lot, x + lot, y))
    return gpd.GeoDataFrame({"pid": [f"p{n:05d}" for n in range(count)]}, geometry=shapes, crs=WEST_CRS)


if __name__ == "__main__":
    numbers = [int(text) for text in sys.argv[2:]]
    many = numbers[0] if numbers else 2000
    made = make_district(
        Path(sys.argv[1]), parcels=many, across=8, side=numbers[2] if len(numbers) > 2 else 512,
        lot=float(numbers[1]) if len(numbers) > 1 else 40.0,
    )  # fmt: skip
    print(*made.line("out"))


def write_vrt(path: Path, source: str, like: str | Path) -> None:
    """A VRT of one raster, as large as `like` and where that is. source: its name, from the folder of the VRT on."""
    with rasterio.open(like) as file:
        a, b, c, d, e, f = tuple(file.transform)[:6]
        width, height = file.width, file.height
    path.write_text(
        f'<VRTDataset rasterXSize="{width}" rasterYSize="{height}"><SRS>{WEST_CRS}</SRS>'
        f"<GeoTransform>{c},{a},{b},{f},{d},{e}</GeoTransform>"
        '<VRTRasterBand dataType="Float32" band="1"><NoDataValue>-9999</NoDataValue><SimpleSource>'
        f'<SourceFilename relativeToVRT="1">{source}</SourceFilename><SourceBand>1</SourceBand>'
        "</SimpleSource></VRTRasterBand></VRTDataset>"
    )
