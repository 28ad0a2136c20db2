"""Crew sheets as other programs read them: pages and text by pypdf, ink by poppler, places on the Earth by GDAL."""

import json
import re
import shutil
import subprocess
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import rasterio
from crew_samples import (
    CONDITIONS,
    CRS,
    FLEET,
    GREEK,
    POLISH,
    SOUTH,
    WEST,
    forms,
    grid_of,
    islands,
    parcel,
    result_of,
)
from PIL import Image
from pypdf import PdfReader
from pyproj import Transformer
from shapely import box, transform

from slopekit.errors import OutputError
from slopekit.fleet.noted import noted
from slopekit.outputs.crew_content import Crew, Sheet, sheets_of
from slopekit.outputs.crew_page import EDGE, PAPERS
from slopekit.outputs.crew_sheets import write_crew_sheets
from slopekit.wording import UNITS

CREW = Crew(*noted(FLEET.as_notes()), {}, {})
PROGRAMS = ("pdftoppm", "gdalinfo", "gdal_translate")
needs_programs = pytest.mark.skipif(
    any(shutil.which(name) is None for name in PROGRAMS), reason=f"one of {', '.join(PROGRAMS)} is not installed"
)


def written(path: Path, *parcels: Any, paper: str = "a4", units: str = "metric", **how: Any) -> PdfReader:
    sheets = sheets_of(result_of(*parcels, **how), CREW, UNITS[units])
    write_crew_sheets(path, sheets, UNITS[units], paper)
    return PdfReader(path)


def by_parcel(reader: PdfReader) -> list[str]:
    """The text of each parcel's pages. Every first page says that it is one."""
    out: list[str] = []
    for page in reader.pages:
        text = page.extract_text()
        count = re.search(r"Crew sheet (\d+) of (\d+)", text)
        assert count
        if count[1] == "1":
            out.append("")
        out[-1] += text + "\n"
        assert len(re.findall("Crew sheet", out[-1])) == int(count[1])
    return out


def flat(text: str) -> str:
    return " ".join(text.split())


@pytest.fixture(scope="module", params=list(PAPERS))
def made(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> tuple[str, Path]:
    path = tmp_path_factory.mktemp("sheets") / "sheets.pdf"
    written(path, *forms(), paper=request.param)
    return request.param, path


def test_every_parcel_and_every_zone_is_there(made: tuple[str, Path]) -> None:
    texts = by_parcel(PdfReader(made[1]))
    assert len(texts) == len(forms())
    for rows, text in zip(forms(), texts, strict=True):
        name = rows["parcels"][0]["parcel_id"]
        assert name in text or f"{name[:30]}" in text
        for zone in rows["zones"]:
            short = zone["zone_id"].rpartition("-")[2]
            # On the map and in the table.
            assert len(re.findall(rf"(?<![\w-]){short}(?!\w)", text)) >= 2, short
            assert UNITS["metric"].area(zone["plan_m2"]) in text
        told = flat(text)
        for sentence in (
            "Walk the ground before work.", "Holes and roots.", "The survey is old.", "2024-04-18", "Steps are found",
            "Lower walls must be looked for on site.", "belt off only while the bar is folded", "turn uphill",
            "measure the slope with an inclinometer", "Permitted means: not refused by any rule that was evaluated.",
            "Walked by", "Conditions today", "Emergency meeting point", "Telephone", "Signature", "1.2 m", "E1",
            "ride-on; three-point turns, since its tread tears turf.",
        ):  # fmt: skip
            assert sentence in told, sentence
        # On each page, whom it defers to.
        assert told.count("the site supervisor decide") >= told.count("Crew sheet")
        assert not re.search(r"\bsafe|\bdanger-?free|no risk", told, re.I)


def test_a_second_page_only_where_zones_need_it(made: tuple[str, Path]) -> None:
    texts = by_parcel(PdfReader(made[1]))
    pages = {
        rows["parcels"][0]["parcel_id"]: text.count("Crew sheet") for rows, text in zip(forms(), texts, strict=True)
    }
    assert {pages[name] for name in ("small", "twenty hectares", "thin and tall", GREEK, POLISH)} == {1}
    assert 2 <= pages["forty zones"] <= 4
    # The map with its boxes stands on the first one.
    assert all(text.index("Walked by") < text.rindex("Permitted means only") for text in texts)


def test_letters_are_letters_and_fonts_are_inside(made: tuple[str, Path]) -> None:
    reader = PdfReader(made[1])
    text = "\n".join(page.extract_text() for page in reader.pages)
    assert GREEK in text and POLISH in text
    fonts = [font.get_object() for page in reader.pages for font in page["/Resources"]["/Font"].values()]  # type: ignore[index]
    assert {str(font["/BaseFont"])[8:] for font in fonts} == {"DejaVuSans", "DejaVuSans-Bold"}
    assert all("/FontFile2" in font["/FontDescriptor"] and "/ToUnicode" in font for font in fonts)


def test_us_units_leave_no_metric_figure(tmp_path: Path) -> None:
    rows = parcel("p", grid_of(2, 1, 160.0, 125.0))
    metric, us = (flat(by_parcel(written(tmp_path / f"{u}.pdf", rows_of(rows), units=u))[0]) for u in ("metric", "us"))
    # 2 ha is 4.94 acres, 1.24 m 4.07 ft, 12 m2 129 sq ft (NIST SP 811, appendix B, from memory).
    for figure, other in (
        ("2.00 ha", "4.94 acres"),
        ("1.2 m", "4.1 ft"),
        ("12 m2", "129 sq ft"),
        ("0.86 m", "2.82 ft"),
    ):
        assert figure in metric and other in us
    assert re.findall(r"\d (?:m|m2|ha|cm|km/h)\b", us) == []
    assert "50 m" in metric and re.search(r"\d0 ft", us)


def rows_of(rows: dict[str, Any]) -> dict[str, Any]:
    """A copy whose shapes may be moved."""
    return {layer: [dict(row) for row in some] for layer, some in rows.items()}


def test_the_same_bytes_again(tmp_path: Path) -> None:
    for name in ("a.pdf", "b.pdf"):
        written(tmp_path / name, parcel("p", islands()))
    assert (tmp_path / "a.pdf").read_bytes() == (tmp_path / "b.pdf").read_bytes()


def test_a_file_for_each_parcel(tmp_path: Path) -> None:
    parcels = [parcel(name, grid_of(7, 5, 70.0, 50.0)) for name in ("a", "b", "c")]
    each = {name: tmp_path / f"{name}-alone.pdf" for name in ("a", "b", "c")}
    units = UNITS["metric"]
    write_crew_sheets(tmp_path / "all.pdf", sheets_of(result_of(*parcels), CREW, units), units, "a4", each)
    texts = by_parcel(PdfReader(tmp_path / "all.pdf"))
    assert [by_parcel(PdfReader(path)) for path in each.values()] == [[text] for text in texts]


def test_nothing_is_left_half_written(tmp_path: Path) -> None:
    def broken() -> Iterator[Sheet]:
        yield from sheets_of(result_of(parcel("a", grid_of(1, 1, 9.0, 9.0))), CREW, UNITS["metric"])
        raise OSError(28, "no space")

    (tmp_path / "old.pdf").write_bytes(b"old")
    with pytest.raises(OutputError):
        write_crew_sheets(tmp_path / "old.pdf", broken(), UNITS["metric"], "a4", {"a": tmp_path / "a.pdf"})
    assert [path.name for path in tmp_path.iterdir()] == ["old.pdf"]
    assert (tmp_path / "old.pdf").read_bytes() == b"old"


@needs_programs
def test_nothing_is_cut_at_the_border(made: tuple[str, Path], tmp_path: Path) -> None:
    """Where ink lies on the rendered pages, in grey as an office prints them."""
    paper, path = made
    subprocess.run(["pdftoppm", "-r", "72", "-gray", path, tmp_path / "page"], check=True)
    pictures = sorted(tmp_path.glob("page*.pgm"))
    assert len(pictures) == len(PdfReader(path).pages)
    for picture in pictures:
        ink = np.asarray(Image.open(picture)) < 200
        high, wide = ink.shape
        assert sorted(ink.shape) == pytest.approx(sorted(PAPERS[paper]), abs=1.0)
        rows, cols = np.flatnonzero(ink.any(axis=1)), np.flatnonzero(ink.any(axis=0))
        for margin in (rows[0], cols[0], high - 1 - rows[-1], wide - 1 - cols[-1]):
            assert margin >= EDGE - 3.0
        # And the sheet is used: a third of its length at least has something on it.
        assert len(rows) > high / 3


@needs_programs
def test_texts_stay_on_the_page_and_above_its_foot(made: tuple[str, Path], tmp_path: Path) -> None:
    """Boxes of words as poppler finds them. No two lines of words lie on each other."""
    out = tmp_path / "words.html"
    subprocess.run(["pdftotext", "-bbox", made[1], out], check=True)
    for page in out.read_text(encoding="utf-8").split("<page ")[1:]:
        wide, high = (float(value) for value in re.findall(r'(?:width|height)="([\d.]+)"', page)[:2])
        words = re.findall(r'xMin="([\d.]+)" yMin="([\d.]+)" xMax="([\d.]+)" yMax="([\d.]+)">(.*?)<', page)
        boxes = np.array([[float(value) for value in word[:4]] for word in words])
        assert len(boxes) > 20
        assert boxes[:, 0].min() >= EDGE - 1.0 and boxes[:, 2].max() <= wide - EDGE + 1.0
        assert boxes[:, 1].min() >= EDGE - 6.0 and boxes[:, 3].max() <= high - EDGE + 6.0
        foot = next(float(word[1]) for word in reversed(words) if word[4] == "Permitted")
        assert all(bottom <= foot + 3.0 or top >= foot - 3.0 for _, top, _, bottom in boxes)


def shown(path: Path, page: int, folder: Path) -> tuple[np.ndarray, Any, Any]:
    """A page as GDAL draws it, with the place that it reads from its marks."""
    picture = folder / f"{path.stem}.tif"
    command = ["gdal_translate", "-q", "--config", "GDAL_PDF_DPI", "300", f"PDF:{page}:{path}", str(picture)]
    subprocess.run(command, check=True)
    with rasterio.open(picture) as file:
        return file.read().min(axis=0), file.transform, file.crs


def first_dark(line: np.ndarray, since: int, step: int) -> float:
    """Middle of the first dark stretch from a pixel on."""
    at = since
    while line[at] > 128:
        at += step
    end = at
    while line[end] <= 128:
        end += step
    return (at + end - step) / 2.0 + 0.5


@needs_programs
@pytest.mark.parametrize(
    ("crs", "corner", "size"),
    [
        (CRS, (WEST, SOUTH), (90.0, 70.0)),
        (CRS, (WEST, SOUTH), (450.0, 440.0)),
        # US survey feet (EPSG:2264), Greek Grid, and a grid whose north is 5 degrees off.
        ("EPSG:2264", (1_500_000.0, 600_000.0), (300.0, 250.0)),
        ("EPSG:2100", (500_000.0, 4_500_000.0), (90.0, 70.0)),
        ("EPSG:32633", (200_000.0, 6_600_000.0), (90.0, 70.0)),
    ],
)
def test_gdal_reads_back_where_a_map_lies(
    crs: str, corner: tuple[float, float], size: Sequence[float], tmp_path: Path
) -> None:
    """The parcel's outline, found among the pixels, lies within 1 m of where the parcel lies."""
    rows = parcel("p", [box(0.0, 0.0, *size)])
    rows |= {layer: [] for layer in ("water", "drops", "routes", "starts", "directions")}
    written(tmp_path / "p.pdf", rows, crs=crs, corner=corner)
    pixels, affine, read = shown(tmp_path / "p.pdf", 1, tmp_path)
    assert read is not None and read.to_dict(projjson=True)["name"].replace("_", " ").startswith(
        rasterio.crs.CRS.from_user_input(crs).to_dict(projjson=True)["name"].split(" (")[0][:4]
    )
    metres = read.linear_units_factor[1]
    west, south, east, north = corner[0], corner[1], corner[0] + size[0], corner[1] + size[1]
    # Along lines that meet neither the zone's name nor the arrow of a way: 40 % up, 30 % along.
    col, row = (int(v) for v in ~affine @ (west + 0.3 * size[0], south + 0.4 * size[1]))
    left, right = first_dark(pixels[row], col, -1), first_dark(pixels[row], col, 1)
    top, bottom = first_dark(pixels[:, col], row, -1), first_dark(pixels[:, col], row, 1)
    for got, want in (
        ((affine @ (left, row))[0], west), ((affine @ (right, row))[0], east),
        ((affine @ (col, top))[1], north), ((affine @ (col, bottom))[1], south),
    ):  # fmt: skip
        assert abs(got - want) * metres < 1.0


@needs_programs
def test_a_result_in_degrees_is_drawn_true_to_scale(tmp_path: Path) -> None:
    """As a portfolio over several surveys gives it. The frame that GDAL reads holds the parcel; a metre is a metre both
    ways."""
    tables = result_of(parcel("p", [box(0.0, 0.0, 100.0, 60.0)]))
    tables = {n: t.to_crs("EPSG:4326") if hasattr(t, "to_crs") else t for n, t in tables.items()}
    write_crew_sheets(tmp_path / "p.pdf", sheets_of(tables, CREW, UNITS["metric"]), UNITS["metric"])
    told = json.loads(subprocess.run(["gdalinfo", "-json", tmp_path / "p.pdf"], check=True, capture_output=True).stdout)
    affine = told["geoTransform"]
    assert affine[1] == pytest.approx(-affine[5], rel=2e-3)
    crs = rasterio.crs.CRS.from_wkt(told["coordinateSystem"]["wkt"])
    assert crs.is_projected and crs.linear_units_factor[1] == 1.0
    here = Transformer.from_crs(CRS, crs, always_xy=True)
    lot = transform(box(WEST, SOUTH, WEST + 100.0, SOUTH + 60.0), lambda xy: np.column_stack(here.transform(*xy.T)))
    frame = np.array(re.findall(r"[-\d.]+ [-\d.]+", told["metadata"][""]["NEATLINE"])[:4])
    x, y = np.array([text.split() for text in frame], float).T
    assert box(x.min(), y.min(), x.max(), y.max()).contains(lot)
    assert np.ptp(x) < 200.0


def test_the_corners_are_those_of_the_marks(tmp_path: Path) -> None:
    """The printed latitude and longitude, against pyproj and the frame in the page's marks."""
    reader = written(tmp_path / "p.pdf", parcel("p", [box(0.0, 0.0, 300.0, 260.0)]))
    page = reader.pages[0]
    view = page["/VP"][0]  # type: ignore[index]
    marked = np.array([float(value) for value in view["/Measure"]["/GPTS"]]).reshape(4, 2)
    printed = {tuple(map(float, pair)) for pair in re.findall(r"(\d+\.\d{5}), (\d+\.\d{5})", page.extract_text())}
    # ETRS89 and WGS 84 are one here; five decimals are about a metre.
    assert {tuple(np.round(pair, 5).tolist()) for pair in marked} == printed
    x, y = Transformer.from_crs("EPSG:4326", CRS, always_xy=True).transform(marked[:, 1], marked[:, 0])
    assert np.ptp(x) > 300.0 and x.min() < WEST < WEST + 300.0 < x.max() and y.min() < SOUTH < SOUTH + 260.0 < y.max()


def test_who_is_refused_is_never_left_out(tmp_path: Path) -> None:
    rows = parcel("p", grid_of(5, 1, 100.0, 60.0))
    text = flat(by_parcel(written(tmp_path / "p.pdf", rows))[0])
    assert "ride_on, walk_behind rolls to water; in places near water or a drop" in text
    assert (
        "Nobody: look at it on site" in text
        and "Dry grass only: ride_on" in text
        and "ride_on (wet) reaches a hazard" in text
    )
    assert CONDITIONS == ["dry", "wet"]
