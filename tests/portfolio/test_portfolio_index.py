"""The tile index and the dates of surveys."""

import os
from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest
from district import WEST_CRS, corners, write_tile

from slopekit.portfolio.index import index_of
from slopekit.portfolio.surveys import surveys_of
from slopekit.sources.elevation import Reading
from slopekit.sources.facts import measured_on
from slopekit.sources.mosaic import read_header

(X, Y), _ = corners()


@pytest.fixture
def tiles(tmp_path: Path) -> Path:
    folder = tmp_path / "tiles"
    folder.mkdir()
    for number in range(3):
        write_tile(folder / f"t{number}.tif", WEST_CRS, X + 128 * number, Y, 128, day="2021-03-04")
    return folder


def test_headers_are_read_once(tiles: Path, tmp_path: Path) -> None:
    kept = tmp_path / "index.json"
    first = index_of([str(tiles)], kept)
    again = index_of([str(tiles)], kept)
    assert (first.read, again.read) == (3, 0)
    assert again.entries == first.entries
    write_tile(tiles / "t1.tif", WEST_CRS, X + 128, Y, 128, day="2021-03-04", add=1.0)
    changed = index_of([str(tiles)], kept)
    assert changed.read == 1
    same = [a.fingerprint == b.fingerprint for a, b in zip(first.entries, changed.entries, strict=True)]
    assert same == [True, False, True]


def test_a_touched_tile_keeps_its_fingerprint(tiles: Path, tmp_path: Path) -> None:
    kept = tmp_path / "index.json"
    first = index_of([str(tiles)], kept)
    os.utime(tiles / "t0.tif", ns=(1, 1))
    again = index_of([str(tiles)], kept)
    assert again.read == 1
    assert [e.fingerprint for e in again.entries] == [e.fingerprint for e in first.entries]


@pytest.mark.parametrize("damage", ["", "{", '{"code": "other", "tiles": []}', "[1, 2]"])
def test_a_damaged_index_is_made_anew(tiles: Path, tmp_path: Path, damage: str) -> None:
    kept = tmp_path / "index.json"
    index_of([str(tiles)], kept)
    kept.write_text(damage)
    assert index_of([str(tiles)], kept).read == 3


def test_what_is_no_raster_is_a_sentence(tiles: Path) -> None:
    (tiles / "junk.tif").write_bytes(b"nothing")
    index = index_of([str(tiles)], None)
    assert list(index.faults) == [str(tiles / "junk.tif")]
    found = surveys_of(index, Reading())
    assert len(found.usable) == 1 and "junk.tif" in found.faults[0]


def test_years_and_lattices_part_surveys(tiles: Path) -> None:
    write_tile(tiles / "u.tif", WEST_CRS, X + 128 * 3, Y, 128, day="2021:11:30")  # the same year
    write_tile(tiles / "v.tif", WEST_CRS, X + 128 * 4, Y, 128, day="20190101")
    write_tile(tiles / "w.tif", WEST_CRS, X + 128 * 5 + 0.5, Y, 128, day="2021-03-04")
    write_tile(tiles / "x.tif", WEST_CRS, X + 128 * 6, Y, 128)
    write_tile(tiles / "y.tif", WEST_CRS, X + 128 * 7, Y, 64, cell=2.0, day="2024")
    found = surveys_of(index_of([str(tiles)], None), Reading())
    told = [(s.cell_m, s.measured, len(s.footprints)) for s in found.usable]
    newest = date(2021, 3, 4)
    assert told == [
        (1.0, newest, 4) if len(found.usable[0].footprints) == 4 else (1.0, newest, 1),
        (1.0, newest, 1) if len(found.usable[0].footprints) == 4 else (1.0, newest, 4),
        (1.0, date(2019, 1, 1), 1),
        (1.0, None, 1),
        (2.0, date(2024, 1, 1), 1),
    ]


@pytest.mark.parametrize(
    ("key", "text", "day"),
    [
        ("ACQUISITION_DATE", "2021-03-04", date(2021, 3, 4)),
        ("SURVEY_DATE", "20210304", date(2021, 3, 4)),
        ("flight date", "2021/03", date(2021, 3, 1)),
        ("ACQUISITIONDATETIME", "2021-03-04T10:00:00Z", date(2021, 3, 4)),
        ("Survey_Year", "2021", date(2021, 1, 1)),
        # The TIFF specification (Adobe, revision 6.0, section 8): date and time of image creation, of the file that is.
        ("TIFFTAG_DATETIME", "2021:03:04 10:00:00", None),
        ("ACQUISITION_DATE", "unknown", None),
        ("SURVEY_DATE", "2021-13-45", None),
        ("SURVEY_NAME", "2021", None),
    ],
)
def test_dates_come_from_tags_that_speak_of_the_ground(tiles: Path, key: str, text: str, day: date | None) -> None:
    header = replace(read_header(str(tiles / "t0.tif")), tags=((key, text),))
    assert measured_on(header) == day
