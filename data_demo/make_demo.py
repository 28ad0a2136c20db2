"""Make the demo site: an invented office park with its elevation grid, its layers and four parcels.

Run `python data_demo/make_demo.py [FOLDER]`; without FOLDER the files beside this script are replaced. Nothing here
is a real place: the coordinates lie in the open sea, the ground is a formula and the survey noise is drawn from a
fixed seed. Everything is drawn in site metres, x to the east and y to the north from the grid's south-west corner.
"""

import math
import sys
from collections.abc import Sequence
from pathlib import Path

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pyogrio
import rasterio
import shapely
from rasterio.transform import from_origin
from shapely import LineString, MultiPolygon, Point, Polygon, box
from shapely.geometry.base import BaseGeometry

Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]
Layer = tuple[list[BaseGeometry], dict[str, list[str] | list[float]]]

EPSG = 25832
EAST, NORTH = 400_000.0, 6_200_000.0  # map coordinates of the site's origin
WIDTH, HEIGHT = 720, 620  # cells of 1 m; the parcels keep 165 m and more from the edge, so that run-out can be traced
NODATA = -9999.0
SEED = 20

FALL_SOUTH, FALL_EAST = 0.012, 0.004  # of the lawns; never level, since level cells would be taken for water
POND_LEVEL, FLAT_POND_LEVEL = 50.0, 49.2
SHORE = 1 / 4  # grade of a pond's shore where no bank comes down to it

# The great bank runs from west to east and rises northward from its foot line. One row: x, y of the foot, grade.
# Above the pond (x 203 to 325) and above the level lawn (x 372 to 498) it is 3:1 first and 2:1 after.
GREAT_BANK = np.array(
    [
        (150, 350, 1 / 10),
        (202, 350, 1 / 4),
        (212, 350, 1 / 3),
        (258, 350, 1 / 3),
        (272, 350, 1 / 2),
        (314, 350, 1 / 2),
        (326, 350, 1 / 4),
        (350, 341, 1 / 4),
        (368, 335, 1 / 3),
        (425, 335, 1 / 3),
        (440, 335, 1 / 2),
        (498, 335, 1 / 2),
        (512, 335, 1 / 4),
        (570, 335, 1 / 4),
        (620, 335, 1 / 10),
    ]
)
# Where the ground steps down to the south: y of the crest, height, and the face's width along x (0 is a wall).
WALL_Y, WALL_HEIGHT = 225.0, 1.2
WALL_RUN = np.array([(180, 40), (195, 9.6), (205, 0), (295, 0), (305, 9.6), (345, 9.6), (385, 60)])
LANE_BANK_Y, LANE_BANK_HEIGHT = 195.2, 2.4
LANE_BANK_RUN = np.array([(165, 40), (185, 7.2), (342, 7.2), (370, 40)])

BASIN_X, BASIN_Y, BASIN_HALF_X, BASIN_HALF_Y = 440.0, 262.0, 15.0, 10.0
BASIN_FLOOR = 47.55  # at the floor's low south edge; the lip at the spillway is 1.2 m above
SPILLWAY_X = 455.0
BERM = LineString([(410, 243.6), (470, 243.6)])
DITCH = LineString([(455, 241), (462, 215), (470, 180), (470, -5)])
# A road on an embankment, which climbs past the great bank on a ramp from one y to the other.
ROAD_X, ROAD_HALF_TOP, ROAD_SIDES, ROAD_HEIGHT, ROAD_RAMP = 540.0, 4.0, 2.5, 1.6, (295.0, 385.0)
LOADING_BAY = box(255, 255, 267, 265)
MOUND = (472.0, 402.0, 24.0, 1.6)  # x, y, radius, height


def pond() -> Polygon:
    """The pond that the water layer gives: its straight north shore is the foot of the great bank."""
    across = np.linspace(-1.0, 1.0, 61)
    down = 36.0 * (1.0 - np.abs(across) ** 2.6) ** (1 / 2.6) * (1.0 - 0.14 * across)
    return Polygon(np.column_stack([264.0 + 61.0 * across, 350.0 - down]).round(2))


def flat_pond() -> Polygon:
    """The pond that no layer gives: only its equal cells tell that it is water."""
    turn = np.linspace(0.0, 2.0 * np.pi, 49)[:-1]
    return Polygon(np.column_stack([318.0 + 11.0 * np.cos(turn), 262.0 + 8.0 * np.sin(turn)]).round(2))


def inside(shape: Polygon, x: Array, y: Array) -> Mask:
    return np.asarray(shapely.contains_xy(shape, x, y))


def distance(shape: BaseGeometry, x: Array, y: Array, reach: float) -> Array:
    """Distance to a shape in metres; infinite where it is certainly over `reach`, which saves most of the work."""
    west, south, east, north = shape.bounds
    near = (x > west - reach) & (x < east + reach) & (y > south - reach) & (y < north + reach)
    out = np.full(np.shape(x), np.inf)
    out[near] = shapely.distance(shape, shapely.points(x[near], y[near]))
    return out


def lawn(x: Array, y: Array) -> Array:
    """The lower lawns as one plane that falls to the south and a little to the east."""
    return 50.75 + FALL_SOUTH * (y - 350.0) - FALL_EAST * (x - 264.0)


def great_bank(x: Array, y: Array) -> Array:
    """Lower lawns, the bank above them, and the upper lawns that end 5 m above the pond."""
    foot_y = np.interp(x, GREAT_BANK[:, 0], GREAT_BANK[:, 1])
    grade = np.interp(x, GREAT_BANK[:, 0], GREAT_BANK[:, 2])
    face = lawn(x, foot_y) + (y - foot_y) * grade
    upper = 55.0 + FALL_SOUTH * (y - 365.0)
    return np.where(y < foot_y, lawn(x, y), np.minimum(face, upper))


def step_down(x: Array, y: Array, crest_y: float, height: float, run: Array) -> Array:
    """What a step takes away: nothing north of its crest, `height` south of its foot."""
    width = np.maximum(np.interp(x, run[:, 0], run[:, 1]), 1e-9)
    return height * (1.0 - np.clip((y - crest_y + width) / width, 0.0, 1.0))


def dig_pond(z: Array, x: Array, y: Array, shape: Polygon, level: float) -> Array:
    """Cut a pond with its shores into the ground. North of the great bank's foot the shore is the bank itself."""
    away = distance(shape, x, y, reach=30.0)
    grade = np.where(y > GREAT_BANK[0, 1], np.interp(x, GREAT_BANK[:, 0], GREAT_BANK[:, 2]), SHORE)
    # 3 cm keeps the noise of a shore cell from reaching under the water.
    z = np.minimum(z, level + np.maximum(away * grade, 0.03))
    return np.where(inside(shape, x, y), level, z)


def dig_basin(z: Array, x: Array, y: Array) -> Array:
    """Cut the dry retention basin: a floor of 30 x 20 m that falls 1 % to the south; sides 4:1, the north side 3:1."""
    floor = BASIN_FLOOR + 0.01 * (y - BASIN_Y + BASIN_HALF_Y)
    past_x = np.maximum(np.abs(x - BASIN_X) - BASIN_HALF_X, 0.0)
    past_y = np.maximum(np.abs(y - BASIN_Y) - BASIN_HALF_Y, 0.0)
    side = np.hypot(past_x / 4, past_y / np.where(y > BASIN_Y, 3, 4))
    return np.minimum(z, floor + side)


def raised(away: Array, half_top: float, ratio: float, height: Array) -> Array:
    """A dam's height above the ground, from the distance to its axis; its sides fall 1 in `ratio`."""
    return np.clip((half_top + ratio * height - away) / ratio, 0.0, height)


def terraces(x: Array, y: Array) -> Array:
    """The hillside: upper lawns, great bank, lower lawns, wall, bank above the lane."""
    wall = step_down(x, y, WALL_Y, WALL_HEIGHT, WALL_RUN)
    return great_bank(x, y) - wall - step_down(x, y, LANE_BANK_Y, LANE_BANK_HEIGHT, LANE_BANK_RUN)


def build_road(z: Array, x: Array, y: Array) -> Array:
    """Fill and cut for the road: it lies above the lower lawns, climbs at an even grade, then follows the ground."""
    south, north = ROAD_RAMP
    axis = np.full(np.shape(y), ROAD_X)
    level = terraces(axis, y) + np.interp(y, [140.0, 180.0, south, south + 1e-9], [0.0, ROAD_HEIGHT, ROAD_HEIGHT, 0.0])
    ends = terraces(np.full(2, ROAD_X), np.array(ROAD_RAMP)) + (ROAD_HEIGHT, 0.0)
    level = np.where((y > south) & (y < north), np.interp(y, ROAD_RAMP, ends), level)
    side = np.maximum(np.abs(x - ROAD_X) - ROAD_HALF_TOP, 0.0) / ROAD_SIDES
    return np.clip(z, level - side, level + side)


def ground(x: Array, y: Array) -> Array:
    """Height of the ground in metres, without survey noise, at site coordinates in metres."""
    x, y = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    z = build_road(terraces(x, y), x, y)

    mound_x, mound_y, radius, height = MOUND
    towards = np.clip(np.hypot(x - mound_x, y - mound_y) / radius, 0.0, 1.0)
    z = z + height * 0.5 * (1.0 + np.cos(np.pi * towards))

    z = dig_basin(z, x, y)
    berm_height = 0.8 * np.clip((np.abs(x - SPILLWAY_X) - 1.5) / 2.4, 0.0, 1.0)
    z = z + raised(distance(BERM, x, y, reach=5.0), 1.0, 3.0, berm_height)

    # The ditch starts shallow at the spillway, is 1 m deep after 20 m, and leaves through the grid's south edge.
    ditch_depth = np.clip(0.2 + 0.04 * (241.0 - y), 0.2, 1.0)
    z = z - np.maximum(ditch_depth - distance(DITCH, x, y, reach=3.0) / 2, 0.0)

    z = dig_pond(z, x, y, pond(), POND_LEVEL)
    return dig_pond(z, x, y, flat_pond(), FLAT_POND_LEVEL)


def cell_centres() -> tuple[Array, Array]:
    """Site coordinates of every cell's centre, row 0 in the north."""
    x, y = np.meshgrid(np.arange(WIDTH) + 0.5, HEIGHT - np.arange(HEIGHT) - 0.5)
    return x, y


def survey_noise(x: Array, y: Array) -> Array:
    """About 1 cm: half of it from cell to cell, half of it in waves over some 12 m as strips of a survey leave them."""
    rng = np.random.default_rng(SEED)
    spacing = 12
    knots = rng.standard_normal((HEIGHT // spacing + 2, WIDTH // spacing + 2))
    row, col = (y / spacing).astype(int), (x / spacing).astype(int)
    down, right = y / spacing - row, x / spacing - col
    down, right = (t * t * (3.0 - 2.0 * t) for t in (down, right))
    north = knots[row, col] * (1 - right) + knots[row, col + 1] * right
    south = knots[row + 1, col] * (1 - right) + knots[row + 1, col + 1] * right
    return 0.009 * (north * (1 - down) + south * down) + 0.007 * rng.standard_normal(x.shape)


def elevation() -> npt.NDArray[np.float32]:
    """The grid as a survey would deliver it: noise on the ground, none on water, rounded to 1 mm."""
    x, y = cell_centres()
    z = np.round(ground(x, y) + survey_noise(x, y), 3)
    for shape, level in ((pond(), POND_LEVEL), (flat_pond(), FLAT_POND_LEVEL)):
        z[inside(shape, x, y)] = level
    return z.astype(np.float32)


def parcels() -> Layer:
    pond_lawns = Polygon(
        [(181, 302), (178, 352), (186, 398), (182, 438), (240, 441), (300, 434), (343, 438)]
        + [(346, 372), (341, 330), (345, 300), (300, 297), (240, 300)],
        [pond().exterior.coords],
    )
    level_lawns = Polygon(
        [(352, 301), (349, 345), (354, 400), (351, 437), (420, 441), (500, 436), (534, 430)]
        + [(535.5, 360), (535, 304), (470, 299), (400, 302)]
    )
    terrace = Polygon(
        [(184, 188), (178, 240), (181, 296), (240, 294.5), (300, 292), (346, 295), (343, 240), (341, 188)]
    )
    verge = Polygon([(205, 168), (203, 181), (330, 181), (326, 170)])
    basin = Polygon(
        [(360, 292), (440, 296), (535, 298), (535.5, 240), (534, 184), (450, 181), (392, 186), (363, 205), (358, 250)]
    )
    names = ["pond-lawns", "level-lawns", "terrace", "basin"]
    return [pond_lawns, level_lawns, MultiPolygon([terrace, verge]), basin], {"parcel_id": names}


def pavement() -> list[BaseGeometry]:
    return [
        box(190, 252, 211, 284),
        LOADING_BAY,
        box(140, 266, 190, 270),
        box(380, 421, 424, 436),
        box(424, 426, 537, 431),
        LineString([(185, 385), (262, 392), (342, 410)]).buffer(1.25, cap_style="flat"),
    ]


def excluded() -> Layer:
    shapes: dict[str, list[BaseGeometry]] = {
        "building": [box(214, 254, 254, 282), box(380, 392, 424, 420)],
        "pavement": pavement(),
    }
    kinds = [kind for kind, group in shapes.items() for _ in group]
    return [shape for group in shapes.values() for shape in group], {"kind": kinds}


def entrances() -> Layer:
    """Where machines come in. NaN: nothing there is narrower than the ground beside it."""
    found: dict[str, tuple[BaseGeometry, float]] = {
        "end of the footpath": (Point(184, 385), math.nan),
        "frontage below the pond": (LineString([(250, 301.5), (343, 301.5)]), math.nan),
        "drive from the road": (Point(535.5, 428.5), 5.0),
        "lower lawn": (Point(440, 302.5), 3.0),
        "car park": (Point(179.5, 268), 4.0),
        "gate to the verge": (Point(327, 176), 1.5),
        "spillway track": (Point(362, 270), 2.5),
    }
    shapes, widths = zip(*found.values(), strict=True)
    return list(shapes), {"name": list(found), "width": list(widths)}


def layers() -> dict[str, Layer]:
    """Every vector layer by file name, in site metres."""
    loading_bay = LineString([(255, 265), (267, 265), (267, 255)])
    lane = LineString([(0, 185), (358, 185), (371, 178), (376, 164), (376, 0)]).buffer(3.0, cap_style="flat")
    road = box(ROAD_X - 3.0, 0, ROAD_X + 3.0, HEIGHT)
    trees: list[BaseGeometry] = [Point(x, 236).buffer(3.5, quad_segs=4) for x in range(215, 295, 10)]
    seep = Polygon([(222, 302), (226, 311), (238, 312), (247, 307), (243, 301.5), (232, 301)])
    return {
        "parcels": parcels(),
        "water": ([pond()], {"name": ["pond"]}),
        "walls": ([loading_bay], {"name": ["edge of the sunk loading bay, younger than the survey"]}),
        "hazards": ([lane, road], {"kind": ["road", "road"]}),
        "exclude": excluded(),
        "soft": ([seep], {"name": ["seep below the pond"]}),
        "canopy": (trees, {"name": ["tree row"] * len(trees)}),
        "entrances": entrances(),
        "drives": (
            [shape for shape in pavement() if shape is not LOADING_BAY],
            {"name": ["car park", "drive", "forecourt", "drive", "footpath"]},
        ),
    }


def write_elevation(path: Path) -> None:
    grid = {"width": WIDTH, "height": HEIGHT, "count": 1, "dtype": "float32", "nodata": NODATA, "crs": f"EPSG:{EPSG}"}
    tiles = {"tiled": True, "blockxsize": 256, "blockysize": 256, "compress": "deflate", "predictor": 3, "zlevel": 9}
    corner = from_origin(EAST, NORTH + HEIGHT, 1.0, 1.0)
    with rasterio.open(path, "w", driver="GTiff", transform=corner, **grid, **tiles) as dataset:
        dataset.write(elevation(), 1)
        dataset.units = ("metre",)


def write_layers(folder: Path) -> None:
    # A fixed date in the files, so that a second run writes the same bytes with the same library.
    pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": "2000-01-01T00:00:00Z"})
    for name, (shapes, columns) in layers().items():
        on_map = shapely.transform(np.array(shapes, dtype=object), lambda xy: xy + (EAST, NORTH))
        frame = gpd.GeoDataFrame(columns, geometry=on_map, crs=EPSG)
        path = folder / f"{name}.gpkg"
        path.unlink(missing_ok=True)
        frame.to_file(path, layer=name, driver="GPKG", engine="pyogrio", VERSION="1.2", SPATIAL_INDEX="NO")
    pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": None})


def main(arguments: Sequence[str]) -> None:
    folder = Path(arguments[0]) if arguments else Path(__file__).resolve().parent
    folder.mkdir(parents=True, exist_ok=True)
    write_elevation(folder / "office_park.tif")
    write_layers(folder)
    print(f"demo site written to {folder}")


if __name__ == "__main__":
    main(sys.argv[1:])
