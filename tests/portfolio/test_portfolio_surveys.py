"""Which tiles are one survey, what a survey is called, and what a run says of tiles that cannot be trusted."""

from datetime import date, timedelta
from itertools import permutations
from pathlib import Path

import geopandas as gpd
import numpy as np
import pyproj
import pytest
import rasterio
import shapely
from district import FLEET, WEST_CRS, corners, write_tile
from portfolio_runner import run

from slopekit.cli import main
from slopekit.portfolio.index import index_of
from slopekit.portfolio.surveys import TiledSurvey, surveys_of
from slopekit.sources.elevation import Reading

pytestmark = pytest.mark.fault

(X, Y), _ = corners()
SIDE = 128


def surveys(*tiles: Path) -> tuple[TiledSurvey, ...]:
    found = surveys_of(index_of([str(tile) for tile in tiles], None), Reading())
    assert not found.faults
    return found.usable


def rows_of_parcels(folder: Path, tiles: int, count: int) -> Path:
    """Two rows of parcels of 8 m along the middle of a row of tiles."""
    step = (tiles * SIDE - 40.0) / (count / 2)
    shapes = [
        shapely.box(x, y, x + 8.0, y + 8.0)
        for n in range(count)
        for x, y in [(X + 20.0 + (n // 2) * step, Y - 50.0 - 20.0 * (n % 2))]
    ]
    frame = gpd.GeoDataFrame({"pid": [f"p{n:02d}" for n in range(count)]}, geometry=shapes, crs=WEST_CRS)
    frame.to_file(folder / "parcels.gpkg")
    (folder / "fleet.toml").write_text(FLEET.format(run=30.0))
    return folder / "parcels.gpkg"


def line(folder: Path, *more: str) -> list[str]:
    named = ["--parcels", str(folder / "parcels.gpkg"), "--id-column", "pid", "--fleet", str(folder / "fleet.toml")]
    named += ["--out", str(folder / "out"), "--workers", "1", "--quiet"]
    return ["portfolio", str(folder / "tiles"), *named, *more]


@pytest.mark.parametrize(("tiles", "shifted"), [(2, 0), (2, 1), (3, 2)])
def test_a_tile_that_lies_2_mm_beside_the_others_loses_no_parcel(tmp_path: Path, tiles: int, shifted: int) -> None:
    (tmp_path / "tiles").mkdir()
    for number in range(tiles):
        off = 0.002 if number == shifted else 0.0
        write_tile(tmp_path / "tiles" / f"t{number}.tif", WEST_CRS, X + SIDE * number + off, Y, SIDE, day="2021-03-04")
    rows_of_parcels(tmp_path, tiles, 40)
    answer = run(line(tmp_path))
    assert "Traceback" not in answer.err
    assert "40 of 40 parcels answered" in answer.out, answer.err + answer.out


def test_lattices_2_mm_apart_are_two_surveys_with_two_names(tmp_path: Path) -> None:
    plain = [write_tile(tmp_path / f"t{n}.tif", WEST_CRS, X + SIDE * n, Y, SIDE, day="2021") for n in range(2)]
    stray = write_tile(tmp_path / "s.tif", WEST_CRS, X + 2 * SIDE + 0.002, Y, SIDE, day="2021")
    (alone,) = surveys(*plain)
    ids = [{len(s.footprints): s.id for s in surveys(*order)} for order in permutations([*plain, stray])]
    assert all(among == ids[0] for among in ids)
    # A stray tile renames nobody.
    assert ids[0][2] == alone.id != ids[0][1]


@pytest.mark.parametrize("phase", [(0.99999, 0.00001), (0.0049999, 0.0050001), (0.4999999, 0.5000001)])
def test_lattices_that_differ_in_the_last_digits_are_one_survey(tmp_path: Path, phase: tuple[float, float]) -> None:
    tiles = [
        write_tile(tmp_path / f"t{n}.tif", WEST_CRS, X + SIDE * n + off, Y - off, SIDE, day="2021")
        for n, off in enumerate(phase)
    ]
    found = [surveys(*named) for named in (tiles, tiles[::-1], tiles[:1], tiles[1:])]
    assert [len(among) for among in found] == [1, 1, 1, 1]
    assert len({among[0].id for among in found}) == 1
    # Whichever comes first, the cells lie in the same place, so answers are kept when a tile is named elsewhere.
    assert found[0][0].elevation.survey.grid == found[1][0].elevation.survey.grid


def test_cells_that_differ_in_the_last_digits_are_one_survey(tmp_path: Path) -> None:
    tiles = [
        write_tile(tmp_path / f"t{n}.tif", WEST_CRS, X + SIDE * n, Y, SIDE, cell=cell, day="2021")
        for n, cell in enumerate((1.0, 0.9999999999, 1.0000000001))
    ]
    found = [surveys(*order) for order in permutations(tiles)]
    assert [len(among) for among in found] == [1] * 6 and len({among[0].id for among in found}) == 1


@pytest.mark.parametrize("crs", ["EPSG:25832+7837", "EPSG:25833"])
def test_surveys_that_differ_in_their_crs_have_names_of_their_own(tmp_path: Path, crs: str) -> None:
    # EPSG:7837 is DHHN2016 height in metres (EPSG registry): the same places, but heights that say their datum.
    plain = write_tile(tmp_path / "a.tif", WEST_CRS, X, Y, SIDE, day="2021")
    other = write_tile(tmp_path / "b.tif", crs, X + SIDE, Y, SIDE, day="2021")
    assert len({s.id for s in surveys(plain, other)}) == 2


def test_one_crs_in_two_spellings_gives_one_name(tmp_path: Path) -> None:
    text = pyproj.CRS(WEST_CRS).to_wkt("WKT1_ESRI")
    tiles = [
        write_tile(tmp_path / "a.tif", WEST_CRS, X, Y, SIDE, day="2021"),
        write_tile(tmp_path / "b.tif", text, X + SIDE, Y, SIDE, day="2021"),
    ]
    ids = {s.id for named in (tiles, tiles[::-1], tiles[:1], tiles[1:]) for s in surveys(*named)}
    assert len(ids) == 1


def test_a_tile_dated_in_the_future_is_the_oldest(tmp_path: Path) -> None:
    today = date(2025, 6, 1)
    days = {"f": today + timedelta(days=2), "t": today + timedelta(days=1), "o": date(1999, 1, 1)}
    tiles = [write_tile(tmp_path / f"{name}.tif", WEST_CRS, X, Y, SIDE, day=f"{day}") for name, day in days.items()]
    found = surveys_of(index_of([str(tile) for tile in tiles], None), Reading(), today)
    assert [s.measured for s in found.usable] == [days["t"], days["o"], None]
    assert not found.faults and len(found.notes) == 1
    assert "f.tif" in found.notes[0] and "2025-06-03" in found.notes[0]


def test_a_parcel_that_is_covered_in_part_is_named_and_the_exit_code_is_3(tmp_path: Path) -> None:
    (tmp_path / "tiles").mkdir()
    write_tile(tmp_path / "tiles" / "t.tif", WEST_CRS, X - 96, Y + 96, 320, day=f"{date.today() + timedelta(days=400)}")
    rows_of_parcels(tmp_path, 1, 20)
    told = gpd.read_file(tmp_path / "parcels.gpkg")
    assert run(line(tmp_path)).code == 0
    # One hangs over the tile's edge, seven lie so near to it that their look does.
    told.geometry = [
        shapely.box(X - 100.0, Y - 60.0, X - 92.0, Y - 52.0) if n == 0
        else shapely.box(X - 95.0, Y - 9.0 * n, X - 89.0, Y - 9.0 * n + 6.0) if n < 8 else shape
        for n, shape in enumerate(told.geometry)
    ]  # fmt: skip
    told.to_file(tmp_path / "parcels.gpkg")
    answer = run(line(tmp_path, "--resume"))
    named = [text for text in answer.err.splitlines() if text.startswith("Covered in part: ")]
    assert answer.code == 3, answer.err
    assert "20 of 20 parcels answered" in answer.out and "0 failed, 8 covered in part" in answer.out
    assert len(named) == 6 and named[-1] == "Covered in part: ... and 3 more."
    assert "p00: tiles cover only a part of the parcel" in named[0] and "not all of its look" in named[1]


def test_a_tile_in_feet_fails_its_parcels_by_name_and_no_others(tmp_path: Path) -> None:
    (tmp_path / "tiles").mkdir()
    for number in range(5):
        tile = write_tile(tmp_path / "tiles" / f"t{number}.tif", WEST_CRS, X + 400 * number, Y, 400, day="2021-03-04")
        if number == 2:
            with rasterio.open(tile, "r+") as file:
                file.write(file.read(1) / np.float32(0.3048), 1)
    rows_of_parcels(tmp_path, 5, 20)
    told = gpd.read_file(tmp_path / "parcels.gpkg")
    # Four to a tile, in its middle: no window of theirs reaches a seam.
    told.geometry = [
        shapely.box(x, y, x + 8.0, y + 8.0)
        for n in range(20)
        for x, y in [(X + 400 * (n // 4) + 180.0 + 20.0 * (n % 2), Y - 200.0 - 20.0 * (n // 2 % 2))]
    ]
    told.to_file(tmp_path / "parcels.gpkg")
    answer = run(line(tmp_path))
    assert answer.code == 3 and "16 of 20 parcels answered" in answer.out, answer.err
    failed = [text for text in answer.err.splitlines() if text.startswith("Failed: ")]
    assert [text[8:11] for text in failed] == ["p08", "p09", "p10", "p11"]
    assert all("t2.tif: its heights lie some" in text and "as feet among metres are" in text for text in failed)


@pytest.mark.parametrize("command", ["screen", "inspect", "landforms"])
def test_other_commands_refuse_a_tile_in_feet_too(
    tmp_path: Path, command: str, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "tiles").mkdir()
    for number in range(3):
        tile = write_tile(tmp_path / "tiles" / f"t{number}.tif", WEST_CRS, X + SIDE * number, Y, SIDE)
    with rasterio.open(tile, "r+") as file:
        file.write(file.read(1) / np.float32(0.3048), 1)
    rows_of_parcels(tmp_path, 1, 4)
    named = ["--parcels", str(tmp_path / "parcels.gpkg"), "--fleet", str(tmp_path / "fleet.toml")]
    more = {"screen": [*named, "--out", str(tmp_path / "o.gpkg")], "landforms": ["--out", str(tmp_path / "o.gpkg")]}
    assert main([command, str(tmp_path / "tiles"), *more.get(command, []), "--quiet"]) == 2
    said = capsys.readouterr().err
    assert "t2.tif" in said and "feet" in said and not (tmp_path / "o.gpkg").exists()
