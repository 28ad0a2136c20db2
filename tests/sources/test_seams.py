"""Tiles whose heights do not meet those of their neighbours: found, named, and never where the ground is natural."""

import re
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import rasterio
from rasterio.transform import Affine

from slopekit.errors import InputError
from slopekit.sources.elevation import Elevation, open_elevation
from slopekit.sources.seams import SURE_M, WORTH_A_NOTE_M
from slopekit.sources.tiles import Heights

pytestmark = pytest.mark.fault

GROUND = Path(__file__).parents[1] / "data" / "ground"
REAL = ("village_scarp_1m.tif", "embankment_2m.tif", "farmland_channel_1m.tif")
"""Origins and licences: tests/data/README.md."""
WEST, NORTH = 500_000.0, 4_000_000.0
Change = Callable[[Heights], Heights]


def real(name: str) -> tuple[Heights, float]:
    with rasterio.open(GROUND / name) as file:
        return file.read(1, masked=True).astype(float).filled(np.nan), file.res[0]


def rolling(side: int) -> Heights:
    """Smooth made ground, some 100 m above the sea."""
    row, col = np.mgrid[:side, :side]
    noise = np.random.default_rng(4).normal(0.0, 0.05, (side, side))
    return 100.0 + 5.0 * np.sin(row / 19.0) + 4.0 * np.cos(col / 23.0) + 0.05 * (row - col) + noise


def cut(
    folder: Path, z: Heights, side: int, changes: dict[tuple[int, int], Change] | None = None, *, cell: float = 1.0,
    overlap: int = 0,
) -> list[Path]:  # fmt: skip
    """Tiles of `side` cells that grow by `overlap` to the south and east. changes: by row and column of the tile."""
    folder.mkdir(parents=True, exist_ok=True)
    out = []
    for row in range(0, z.shape[0] - side + 1, side):
        for col in range(0, z.shape[1] - side + 1, side):
            part = z[row : row + side + overlap, col : col + side + overlap]
            at = row // side, col // side
            part = (changes or {}).get(at, lambda same: same)(part)
            path = folder / f"t{at[0]}{at[1]}.tif"
            place = Affine(cell, 0, WEST + col * cell, 0, -cell, NORTH - row * cell)
            with rasterio.open(
                path, "w", driver="GTiff", height=part.shape[0], width=part.shape[1], count=1, dtype="float32",
                crs="EPSG:32617", transform=place, nodata=-9999.0,
            ) as file:  # fmt: skip
                file.write(np.where(np.isnan(part), -9999.0, part).astype("float32"), 1)
            out.append(path)
    return out


def refused(tiles: list[Path]) -> str:
    """What is said when the tiles are opened; '' for nothing."""
    try:
        opened(tiles).close()
    except InputError as error:
        return str(error)
    return ""


def opened(tiles: list[Path]) -> Elevation:
    return open_elevation(tiles, prescreen=True, cell_m=1.0)


def steps(elevation: Elevation) -> list[str]:
    return [note for note in elevation.survey.notes if "a step there" in note or "have a step" in note]


IN_ANOTHER_UNIT: dict[str, tuple[Change, str]] = {
    "feet": (lambda z: z / 0.3048, "as feet among metres are"),
    "metres among feet": (lambda z: z * 0.3048, "as metres among feet are"),
    "decimetres": (lambda z: z * 10.0, "as decimetres among metres are"),
    "half a metre": (lambda z: z + 0.55, r"0\.5\d m above"),
    "another datum": (lambda z: z - 2.3, r"2\.[23]\d m below"),
    "the ellipsoid": (lambda z: z + 47.0, r"4[67]\.\d\d m above"),
}


@pytest.mark.parametrize("overlap", [0, 1, 9])
@pytest.mark.parametrize("fault", IN_ANOTHER_UNIT)
def test_a_tile_in_another_unit_or_datum_is_refused_by_name(tmp_path: Path, fault: str, overlap: int) -> None:
    change, words = IN_ANOTHER_UNIT[fault]
    for number, at in enumerate(((1, 1), (0, 0), (2, 1))):
        told = refused(cut(tmp_path / f"{number}", rolling(300), 100, {at: change}, overlap=overlap))
        assert Path(told.partition(": ")[0]).name == f"t{at[0]}{at[1]}.tif", told
        assert re.search(words, told) and "convert it or leave it out" in told


def test_only_ground_on_the_tile_is_refused(tmp_path: Path) -> None:
    """Among many tiles nothing is looked at before it is wanted, and the neighbours of the tile stay of use."""
    tiles = cut(tmp_path, rolling(700), 64, {(5, 5): lambda z: z / 0.3048})
    elevation = opened([path for path in tiles if path.name != "t55.tif"])
    reader, survey = elevation.reader, elevation.survey
    elevation.close()
    from slopekit.sources.mosaic import mosaic_of, read_header
    from slopekit.sources.tiles import TileReader

    mosaic = mosaic_of([read_header(str(path)) for path in tiles])
    with Elevation(survey, TileReader(mosaic, reader.metres_per_z)) as whole:

        def window(row: int, col: int) -> tuple[float, float, float, float]:
            west, north = WEST + 64 * col + 20, NORTH - 64 * row - 20
            return west, north - 20, west + 20, north

        for row, col in ((4, 5), (5, 4), (6, 5), (5, 6), (4, 4), (0, 0)):
            assert np.isfinite(whole.read(window(row, col)).z).all()
        # The window lies in the middle of the tile: no seam is in it.
        with pytest.raises(InputError, match=r"t55\.tif: its heights lie some .* as feet among metres are"):
            whole.read(window(5, 5))


def test_two_tiles_that_disagree_are_both_refused(tmp_path: Path) -> None:
    tiles = cut(tmp_path, rolling(200)[:100], 100, {(0, 1): lambda z: z + 5.0})
    told = refused(tiles)
    assert "t00.tif" in told and "t01.tif" in told and re.search(r"(4\.9|5\.0)\d m", told)


def test_a_small_offset_is_a_note(tmp_path: Path) -> None:
    with opened(cut(tmp_path / "off", rolling(300), 100, {(1, 1): lambda z: z + 0.25})) as elevation:
        told = steps(elevation)
        assert len(told) == 4 and "t11.tif" in told[0] and "0.2" in told[0] and told[-1].startswith("1 more")
    with opened(cut(tmp_path / "same", rolling(300), 100)) as elevation:
        assert not steps(elevation)


@pytest.mark.parametrize("part", [0.5, 0.75])
def test_a_cliff_along_most_of_a_seam_is_ground(tmp_path: Path, part: float) -> None:
    z = rolling(300)
    # 6 m high along that part of the seam, level with the ground at the tile's other edges.
    along = np.clip(50 * part + 0.5 - np.abs(np.arange(100) - 49.5), 0.0, 1.0)
    z[100:200, 200:] += 6.0 * np.outer(along, np.clip(np.arange(90.0, -10.0, -1.0) / 80.0, 0.0, 1.0))
    assert refused(cut(tmp_path, z, 100)) == ""


def test_banks_that_follow_a_seam_are_ground(tmp_path: Path) -> None:
    z = rolling(300)
    # A bank of 45 degrees, 4 m high, all along a seam.
    z += np.clip(np.arange(300) - 98.0, 0.0, 4.0)[:, None]
    with opened(cut(tmp_path, z, 100)) as elevation:
        assert not steps(elevation)


def test_seams_without_heights_say_nothing(tmp_path: Path) -> None:
    z = rolling(200)
    # Nothing but 40 cells of the shared edges of the tile has heights.
    z[96:104, 140:] = np.nan
    z[140:, 96:104] = np.nan
    assert refused(cut(tmp_path / "few", z, 100, {(1, 1): lambda part: part + 9.0})) == ""
    z = rolling(200)
    assert refused(cut(tmp_path / "all", z, 100, {(1, 1): lambda part: part + 9.0})) != ""


def test_a_damaged_neighbour_stops_nobody(tmp_path: Path) -> None:
    tiles = cut(tmp_path, rolling(300), 100)
    whole = tiles[4].read_bytes()
    elevation = opened(tiles)
    elevation.close()
    tiles[4].write_bytes(whole[: len(whole) // 3])
    again = Elevation(elevation.survey, type(elevation.reader)(elevation.reader.mosaic, 1.0))
    with again:
        assert np.isfinite(again.read((WEST + 10, NORTH - 90, WEST + 90, NORTH - 10)).z).all()


@pytest.mark.parametrize("side", [50, 64, 100, 158, 240])
@pytest.mark.parametrize("name", REAL)
def test_no_seam_of_real_ground_is_refused(tmp_path: Path, name: str, side: int) -> None:
    """Real ground cut into tiles at three places each: banks, scarps, walls and water on the seams."""
    z, cell = real(name)
    notes = []
    for shift in (0, 17, 31):
        with opened(cut(tmp_path / f"{shift}", z[shift:, shift:], side, cell=cell)) as elevation:
            notes += steps(elevation)
            # `open_elevation` looks at some tiles only.
            elevation.reader.seams.check(0, 0, elevation.survey.grid.height, elevation.survey.grid.width)
    assert notes == []


@pytest.mark.parametrize("name", REAL)
def test_offsets_that_are_found_on_real_ground(tmp_path: Path, name: str) -> None:
    """The smallest offset that is found is the threshold itself: no ground hides more than a centimetre or two."""
    z, cell = real(name)
    side = 158
    inner = (1, 1)
    found = {}
    for metres in (0.5 * WORTH_A_NOTE_M, WORTH_A_NOTE_M + 0.05, SURE_M - 0.1, SURE_M + 0.1):
        folder = tmp_path / f"{metres:.2f}"
        tiles = cut(folder, z, side, {inner: lambda part, metres=metres: part + metres}, cell=cell)
        told = refused(tiles)
        if told:
            found[round(metres, 2)] = Path(told.partition(": ")[0]).name
        else:
            with opened(tiles) as elevation:
                found[round(metres, 2)] = "note" if any("t11.tif" in note for note in steps(elevation)) else ""
    assert found == {0.05: "", 0.15: "note", 0.4: "note", 0.6: "t11.tif"}


@pytest.mark.parametrize("fault", IN_ANOTHER_UNIT)
@pytest.mark.parametrize("name", REAL)
def test_faults_are_found_on_real_ground(tmp_path: Path, name: str, fault: str) -> None:
    z, cell = real(name)
    change, _ = IN_ANOTHER_UNIT[fault]
    told = refused(cut(tmp_path, z, 158, {(1, 2): change}, cell=cell))
    assert Path(told.partition(": ")[0]).name == "t12.tif"
