"""Input that `slopekit screen` cannot use: one sentence with the file, the value and the fix; nothing is written."""

from collections.abc import Callable
from datetime import date

import geopandas as gpd
import numpy as np
import pytest
from command_line import Runner, assert_done, assert_one_sentence
from fault_site import HEAD, LAWN, WALK_BEHIND, Site, at, gentle, lot, write_grid, write_shapes
from shapely import LineString, MultiPoint, Point, Polygon

from slopekit.outputs.manifest import note

pytestmark = pytest.mark.fault

FEET = "EPSG:2264"  # EPSG registry: NAD83 / North Carolina (ftUS), x and y in US survey feet
FEET_CORNER = (2_000_000.0, 600_000.0)
BOW = Polygon([at(20, 20), at(60, 40), at(60, 20), at(20, 40)])

Change = Callable[[Site], list[str]]


def refused(run: Runner, site: Site, change: Change, *parts: str) -> None:
    """The site after `change`, which gives the command line, is refused with a sentence that says `parts`."""
    site.out.write_bytes(b"an older result")
    note(site.out, site.out)
    arguments = change(site)
    before = site.names()
    assert_one_sentence(run(arguments, site.folder), *parts)
    assert site.names() == before
    assert site.out.read_bytes() == b"an older result"


def ground(name: str = "bad.tif", z: np.ndarray | None = None, more: tuple[str, ...] = (), **profile: object) -> Change:
    def change(site: Site) -> list[str]:
        write_grid(site.folder / name, gentle() if z is None else z, **profile)  # type: ignore[arg-type]
        return site.line(*more, elevation=name)

    return change


def cut(site: Site) -> list[str]:
    path = write_grid(site.folder / "cut.tif", gentle(400, 400), compress="deflate")
    path.write_bytes(path.read_bytes()[:-30_000])
    write_shapes(site.folder / "south.gpkg", [lot(20, 360, 40, 20)])
    return site.line(elevation="cut.tif", parcels="south.gpkg")


def flipped(site: Site) -> list[str]:
    # DEFLATE ends with a checksum (RFC 1950), so a flipped bit cannot pass for ground.
    path = write_grid(site.folder / "flipped.tif", gentle(), compress="deflate")
    content = bytearray(path.read_bytes())
    content[-1500] ^= 0x10
    path.write_bytes(content)
    return site.line(elevation="flipped.tif")


def nan_ground(**holes: slice) -> np.ndarray:
    z = gentle()
    z[holes.get("rows", slice(None)), holes.get("cols", slice(None))] = np.nan
    return z


@pytest.mark.parametrize(
    ("change", "parts"),
    [
        (ground(crs=None), ["bad.tif: the raster has no CRS", "so assign the right one"]),
        (ground(crs=FEET, cell=3.0, corner=FEET_CORNER), ["bad.tif: ", "0.3048", "name --z-unit metre, foot or"]),
        # 15 degrees north of its area this projection is off by 3.7 % (PROJ), so the grid is warped to metres first.
        (
            ground(crs=FEET, cell=3.0, corner=(2_000_000.0, 6_000_000.0)),
            ["bad.tif: ", "0.3048", "name --z-unit metre, foot or"],
        ),
        (ground(more=("--z-unit", "furlong")), ["bad.tif: ", "'furlong'", "metre, foot or us-survey-foot"]),
        (ground(z=gentle(1, 80)), ["bad.tif: the raster has 1 rows and 80 columns", "name a larger raster"]),
        (ground(z=gentle(60, 1)), ["bad.tif: the raster has 60 rows and 1 columns"]),
        (ground(z=nan_ground()), ["'1' has no elevation", "bad.tif", "check that"]),
        (ground(z=np.full((60, 80), -9999.0), nodata=-9999.0), ["'1' has no elevation", "bad.tif"]),
        (ground(z=nan_ground(cols=slice(0, 75))), ["'1' has no elevation", "bad.tif"]),
        (ground(corner=at(5000, 0)), ["'1' has no elevation", "bad.tif", "inside the raster", "CRS"]),
        (cut, ["cut.tif: ", "truncated", "fetch it again"]),
        (flipped, ["flipped.tif: cells at rows", "damaged", "fetch it again"]),
        (ground("town_dsm.tif"), ["town_dsm.tif: the file calls itself a surface model", "--surface top or ground"]),
        (ground(cell=6.0), ["bad.tif: the cells are 6 m", "--prescreen"]),
        (lambda s: s.line(elevation="none.tif"), ["none.tif: there is no such file or folder", "check"]),
        (lambda s: s.line(elevation="fleet.toml"), ["fleet.toml: this cannot be opened as a raster", "check"]),
        (lambda s: s.line(elevation="parcels.gpkg"), ["parcels.gpkg: this cannot be opened as a raster", "check"]),
    ],
)
def test_elevation(run: Runner, site: Site, change: Change, parts: list[str]) -> None:
    refused(run, site, change, *parts)


def parcels(*shapes: object, more: tuple[str, ...] = (), crs: str | None = "EPSG:25832", **columns: object) -> Change:
    def change(site: Site) -> list[str]:
        write_shapes(site.folder / "bad.shp", shapes, crs, **columns)  # type: ignore[arg-type]
        return site.line(*more, parcels="bad.shp")

    return change


def empty(site: Site) -> list[str]:
    gpd.GeoDataFrame(geometry=[], crs="EPSG:25832").to_file(site.folder / "bad.gpkg", geometry_type="Polygon")
    return site.line(parcels="bad.gpkg")


BY_NAME = ("--id-column", "name")


@pytest.mark.filterwarnings("ignore:'crs' was not provided")
@pytest.mark.parametrize(
    ("change", "parts"),
    [
        (parcels(lot(5000, 20, 40, 20)), ["'1' has no elevation under it in ground.tif", "inside the raster"]),
        (parcels(LAWN, BOW, name=["a", "b7"], more=BY_NAME), ["bad.shp: parcel 'b7'", "Self-intersection", "repair"]),
        (parcels(LAWN, crs=None), ["bad.shp: the layer has no CRS", "assign the right one"]),
        (parcels(LAWN, lot=["a"], more=("--id-column", "id")), ["bad.shp: there is no column 'id'", "one of: lot"]),
        (parcels(LAWN, LAWN, name=["a", "a"], more=BY_NAME), ["bad.shp: the id 'a' is on features 1 and 2", "unique"]),
        (parcels(LAWN, LAWN, name=["a", ""], more=BY_NAME), ["bad.shp: feature 2 has no id in column 'name'"]),
        (parcels(Point(at(30, 30))), ["bad.shp: parcel '1' is a Point", "give polygons"]),
        (
            parcels(lot(-2e6, -2e6, 4e6, 4e6)),
            ["Parcel '1' and its look reach over 4,000 km", "check its shape and CRS, or split it"],
        ),
        (empty, ["bad.gpkg: the layer has no features", "name a layer with features"]),
        (lambda s: s.line(parcels="ground.tif"), ["ground.tif: ", "vector file"]),
        (lambda s: s.line(parcels="fleet.toml"), ["fleet.toml: ", "vector file"]),
        (lambda s: s.line(parcels="none.gpkg"), ["none.gpkg: there is no such file", "--parcels"]),
        (lambda s: s.line(parcels="parcels.gpkg|layername=x"), ["there is no layer 'x'", "name one of: parcels"]),
    ],
)
def test_parcels(run: Runner, site: Site, change: Change, parts: list[str]) -> None:
    refused(run, site, change, *parts)


LINE = LineString([at(10, 10), at(50, 10)])
WANTED = {"walls": "give lines", "hazards": "polygons or lines"}
LAYERS = ["water", "walls", "hazards", "dry", "exclude", "soft", "canopy"]


@pytest.mark.filterwarnings("ignore:'crs' was not provided")
@pytest.mark.parametrize("option", LAYERS)
def test_layers(run: Runner, site: Site, option: str) -> None:
    def with_layer(*shapes: object, crs: str | None = "EPSG:25832") -> Change:
        def change(site: Site) -> list[str]:
            write_shapes(site.folder / "bad.shp", shapes, crs)  # type: ignore[arg-type]
            return site.line(**{option: "bad.shp"})

        return change

    shape = LINE if option == "walls" else LAWN
    refused(run, site, with_layer(shape, crs=None), "bad.shp: the layer has no CRS", "assign the right one")
    points = MultiPoint([at(10, 10), at(30, 30)])
    refused(run, site, with_layer(points), "bad.shp: feature 1 is a MultiPoint", WANTED.get(option, "polygons, or"))
    if option == "walls":
        refused(run, site, with_layer(LAWN), "bad.shp: feature 1 is a Polygon", "give lines")
        return
    refused(run, site, with_layer(LAWN, BOW), "bad.shp: feature 2 is not a valid shape", "repair")
    if option != "hazards":
        refused(run, site, with_layer(LINE), "bad.shp: feature 1 is a line", "give its width in metres")


def fleet(text: str) -> Change:
    def change(site: Site) -> list[str]:
        (site.folder / "bad.toml").write_text(text)
        return site.line(fleet="bad.toml")

    return change


@pytest.mark.parametrize(
    ("change", "parts"),
    [
        (fleet(HEAD + WALK_BEHIND.replace("0.9", "-0.9")), ["bad.toml: machines.m1.width_m = -0.9"]),
        (fleet(HEAD + WALK_BEHIND.replace("width_m", "widht_m")), ["bad.toml: machines.m1.widht_m = 0.9", "width_m"]),
        (
            fleet(HEAD + WALK_BEHIND.replace("across_deg = 15", "across_deg = 95")),
            ["bad.toml: machines.m1.across_deg = 95"],
        ),
        (fleet(HEAD + WALK_BEHIND + 'class = "ride-on"\n'), ["bad.toml: line 12", "correct the line"]),
        (fleet(HEAD + WALK_BEHIND + WALK_BEHIND), ["bad.toml: line 12", "twice"]),
        (fleet(HEAD), ["bad.toml: ", "machines"]),
        (fleet(WALK_BEHIND), ["bad.toml: schema is missing"]),
        (lambda s: s.line(fleet="none.toml"), ["none.toml: there is no such fleet file", "slopekit fleet new"]),
        (lambda s: s.line(fleet="."), ["the fleet file cannot be read", "name a readable file"]),
        (lambda s: s.line(fleet="ground.tif"), ["ground.tif: ", "UTF-8"]),
    ],
)
def test_fleet_file(run: Runner, site: Site, change: Change, parts: list[str]) -> None:
    refused(run, site, change, *parts)


@pytest.mark.parametrize(
    ("more", "parts"),
    [
        (["--cell", "0"], ["'0' is not a length", "more than 0"]),
        (["--cell", "-2"], ["'-2' is not a length"]),
        (["--cell", "inf"], ["'inf' is not a length"]),
        (["--cell", "1m"], ["'1m' is not a length"]),
        (["--cell", "40"], ["ground.tif: the cells are 40 m", "--prescreen"]),
        (["--cell", "1e9"], ["ground.tif: a working cell of 1e+09 m", "smaller --cell"]),
        (["--cell", "81", "--prescreen"], ["ground.tif: a working cell of 81 m", "smaller --cell"]),
        (["--z-rmse", "-0.1"], ["'-0.1' is not a length"]),
        (["--workers", "0"], ["--workers"]),
        (["--surface", "roof"], ["'roof' is not one of"]),
        (["--survey-date", "31.5.2024"], ["'31.5.2024'"]),
        (["--survey-date", f"{date.today().year + 1}-01-01"], ["lies in the future", "--survey-date"]),
        (["--out", "zones.shp"], ["zones.shp: results are written as .gpkg or .parquet"]),
        (["--rasters", "ground.tif"], ["ground.tif: this is a file and --rasters takes a folder"]),
        (["--out", "zones"], ["zones: results are written as .gpkg or .parquet"]),
    ],
)
def test_options(run: Runner, site: Site, more: list[str], parts: list[str]) -> None:
    refused(run, site, lambda s: s.line(*more), *parts)


def test_a_surface_model_is_used_once_it_is_named(run: Runner, site: Site) -> None:
    write_grid(site.folder / "town_dsm.tif", gentle())
    answer = run(site.line("--surface", "top", elevation="town_dsm.tif"), site.folder)
    assert_done(answer)
    assert "trees, roofs and vehicles count as ground" in answer.err


def test_a_flipped_bit_anywhere_never_ends_in_a_traceback(run: Runner, site: Site) -> None:
    """Header, directory and cells: whatever the bit did, the file is read or refused."""
    whole = write_grid(site.folder / "whole.tif", gentle(), compress="deflate").read_bytes()
    random = np.random.default_rng(11)
    # The first 400 bytes hold the header and the directory (TIFF 6.0, section 2).
    places = [*random.integers(0, 400, 16), *random.integers(400, len(whole), 4)]
    codes = set()
    for number, place in enumerate(places):
        content = bytearray(whole)
        content[place] ^= 1 << int(random.integers(8))
        (site.folder / "bit.tif").write_bytes(content)
        answer = run(site.line(elevation="bit.tif"), site.folder)
        codes.add(answer.code)
        if answer.code != 0:
            assert_one_sentence(answer)
            assert site.out.exists() == (0 in codes), f"flip {number} at byte {place}"
    assert codes == {0, 2}
