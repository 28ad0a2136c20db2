"""The picture of docs/points.md: what the grid alone shows of a made site, and what the survey's points add.

    python docs/make_points_picture.py

The site does not exist: a lawn with a pond that gave no return, walls that the grid smears, and a tree that hangs low.
Needs the extra `points`.
"""

import tempfile
from pathlib import Path

import geopandas as gpd
import laspy
import matplotlib
import numpy as np
import pyproj
import rasterio
import shapely
from rasterio.transform import Affine
from scipy import ndimage

import slopekit as sk

matplotlib.use("Agg")
import matplotlib.pyplot as plt

SIZE, WEST, SOUTH, CRS = 200, 500_000.0, 4_099_800.0, "EPSG:32617"
DENSITY = 20.0
COLOURS = {
    "ride-on": "#f3ecc8", "stand-on": "#d9c58a", "walk-behind": "#b39bc8", "remote-controlled": "#7c83b8",
    "hand crew": "#c97b63", "none": "#5b2333", "excluded": "#d5d8da",
}  # fmt: skip
FLEET = {
    "schema": 1,
    "conditions": {"dry": {"friction": 0.35, "limit_factor": 1.0}},
    "machines": {
        "ride_on": {"class": "ride-on", "width_m": 1.5, "speed_kmh": 8.0, "across_deg": 15.0, "up_down_deg": 15.0,
                    "ground_pressure_kpa": 80.0, "roll_bar": "fixed"},
        "walk_behind": {"class": "walk-behind", "width_m": 0.9, "speed_kmh": 4.0, "across_deg": 20.0,
                        "up_down_deg": 20.0, "ground_pressure_kpa": 20.0},
        "crew": {"class": "hand crew", "across_deg": 35.0, "up_down_deg": 35.0, "above_hazard": True},
    },
    "runout": {"look_m": 40.0},
}  # fmt: skip


def pond(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    return np.hypot((x - 70.0) / 14.0, (y - 70.0) / 9.0) < 1.0


def ground(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    z = 50.0 + 0.03 * y
    near = np.hypot((x - 70.0) / 14.0, (y - 70.0) / 9.0)
    # Around the pond the lawn is a bowl of 12 %.
    bowl = 51.2 + 0.12 * 11.0 * np.maximum(near - 1.0, 0.0)
    z = np.where(near < 3.2, np.minimum(z, bowl), z)
    z = z - np.where((np.abs(x - 140.0) < 30.0) & (y < 80.0 + 0.1 * x), 1.2, 0.0)
    return z - np.where(x > 110.0, 1.1 * np.clip((148.0 - y) / 3.3 + 0.5, 0.0, 1.0), 0.0)


def cloud(folder: Path) -> Path:
    rng = np.random.default_rng(0)
    n = int(DENSITY * SIZE * SIZE)
    x, y = rng.uniform(0.0, SIZE, n), rng.uniform(0.0, SIZE, n)
    keep = ~pond(x, y)
    x, y = x[keep], y[keep]
    z, code = ground(x, y) + rng.normal(0.0, 0.04, len(x)), np.full(len(x), 2)
    tree = rng.uniform(-5.0, 5.0, (2, 1500))
    tx, ty = 60.0 + tree[0], 140.0 + tree[1]
    tz = ground(tx, ty) + rng.uniform(1.0, 7.0, 1500)
    head = laspy.LasHeader(point_format=6, version="1.4")
    head.scales, head.offsets = [0.001] * 3, [WEST, SOUTH, 0.0]
    head.add_crs(pyproj.CRS(CRS))
    las = laspy.LasData(head)
    las.x, las.y, las.z = np.append(x, tx) + WEST, np.append(y, ty) + SOUTH, np.append(z, tz)
    las.classification = np.append(code, np.full(1500, 5)).astype(np.uint8)
    las.return_number = las.number_of_returns = np.ones(len(las.x), np.uint8)
    las.intensity = np.full(len(las.x), 1000, np.uint16)
    path = folder / "site.laz"
    las.write(str(path))
    return path


def grid(folder: Path) -> Path:
    """The ground as a survey's own grid has it: smeared over 3 m, the pond spanned, 5 cm of shared error."""
    fine = np.arange(0.125, SIZE, 0.25)
    x, y = np.meshgrid(fine, SIZE - fine)
    z = ground(x, y)
    z = np.where(pond(x, y), 51.2 + 0.03 * (x - 70.0), z)
    z = ndimage.uniform_filter(z.reshape(SIZE, 4, SIZE, 4).mean(axis=(1, 3)), 5, mode="nearest")
    error = ndimage.gaussian_filter(np.random.default_rng(1).normal(size=z.shape), 1.0)
    z += 0.05 * error / error.std()
    path = folder / "grid.tif"
    profile = {"driver": "GTiff", "dtype": "float64", "count": 1, "crs": CRS, "nodata": np.nan}
    transform = Affine(1.0, 0.0, WEST, 0.0, -1.0, SOUTH + SIZE)
    with rasterio.open(path, "w", height=SIZE, width=SIZE, transform=transform, **profile) as out:
        out.write(z, 1)
        out.units = ("metre",)
    return path


def main() -> None:
    lot = shapely.box(WEST + 42.0, SOUTH + 42.0, WEST + 158.0, SOUTH + 158.0)
    lots = gpd.GeoDataFrame({"id": ["site"]}, geometry=[lot], crs=CRS)
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        raster, shown = grid(folder), sk.points(cloud(folder), folder / "points")
        alone = sk.screen(raster, lots, FLEET, workers=1)
        both = sk.screen(raster, lots, FLEET, points=shown, workers=1)
        canopy = gpd.read_file(shown / "canopy.gpkg", layer="point_canopy")
    figure, axes = plt.subplots(1, 2, figsize=(9.0, 4.9))
    for axis, title, result in zip(axes, ("The grid alone", "The grid and the points"), (alone, both), strict=True):
        for code, colour in COLOURS.items():
            part = result.zones[result.zones.machine_class == code]
            if len(part):
                part.plot(ax=axis, color=colour, edgecolor="#2e2b28", linewidth=0.2)
        if len(result.layers["water"]):
            result.layers["water"].plot(ax=axis, facecolor="none", edgecolor="#23566b", hatch="--", linewidth=1.2)
        if len(result.layers["drops"]):
            result.layers["drops"].plot(ax=axis, color="#3a1d0c", linewidth=2.0)
        if result is both and len(canopy):
            canopy.plot(ax=axis, facecolor="none", edgecolor="#2f6b4f", hatch="..", linewidth=0.6)
        axis.set_title(title, fontsize=10)
        axis.set_axis_off()
        axis.set_xlim(WEST + 40.0, WEST + 160.0)
        axis.set_ylim(SOUTH + 40.0, SOUTH + 160.0)
    handles = [plt.Rectangle((0, 0), 1, 1, facecolor=colour) for colour in COLOURS.values()]
    figure.legend(handles, list(COLOURS), ncol=7, fontsize=7, loc="lower center", frameon=False)
    figure.tight_layout(rect=(0.0, 0.05, 1.0, 1.0))
    out = Path(__file__).with_name("points_map.png")
    figure.savefig(out, dpi=110)
    from PIL import Image

    Image.open(out).convert("RGB").quantize(64).save(out, optimize=True)


if __name__ == "__main__":
    main()
