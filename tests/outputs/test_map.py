"""The map: relief against GDAL, what must be seen, what must not overlap."""

import shutil
import subprocess
from collections.abc import Sequence
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import rasterio
import shapely
from matplotlib.axes import Axes
from matplotlib.colors import to_hex, to_rgb
from matplotlib.figure import Figure
from matplotlib.image import imread
from matplotlib.patches import Rectangle
from matplotlib.text import Text
from rasterio.transform import Affine

from slopekit.grid import Grid
from slopekit.outputs.map import draw_map
from slopekit.outputs.mapaids import hillshade, short_id, spots_of
from slopekit.outputs.symbology import (
    CONFIRMED_WATER,
    DROP,
    EVIDENCE,
    GIVEN_WATER,
    INFERRED_WATER,
    MEASURE,
    OUTLINE,
    POSSIBLE_WATER,
    SAID,
    SPOT,
    WATER_MARKS,
    Mark,
)
from slopekit.schema.classes import CLASSES
from slopekit.wording import UNITS

CAUTIONS = [
    "Not assessed: soft ground, low trees, routes in.",
    "The survey is bare ground at a cell of 1.0 m. " + "Bodies of water may be missing from it. " * 6,
    "A parcel named $x_1$ must not be read as mathematics.",
]


@pytest.fixture
def figures(monkeypatch: pytest.MonkeyPatch) -> list[Figure]:
    """The figures that the test draws, so that it can ask where things stand."""
    figures: list[Figure] = []
    save = Figure.savefig

    def keep(figure: Figure, *args: Any, **kwargs: Any) -> None:
        figures.append(figure)
        save(figure, *args, **kwargs)

    monkeypatch.setattr(Figure, "savefig", keep)
    return figures


@pytest.fixture
def drawn(
    tmp_path: Path, ground: np.ndarray, grid: Grid, tables: dict[str, Any], figures: list[Figure]
) -> tuple[Path, list[Figure]]:
    path = tmp_path / "map.png"
    draw_map(path, z=ground, grid=grid, tables=tables, title="Invented park", cautions=CAUTIONS)
    return path, figures


def _texts(figure: Figure) -> list[Text]:
    return [t for t in figure.findobj(Text) if t.get_text().strip() and t.get_visible()]


def test_page_is_a4_on_its_side(drawn: tuple[Path, list[Figure]]) -> None:
    # ISO 216: A4 is 210 mm x 297 mm. 150 dots per inch of 25.4 mm.
    height, width = imread(drawn[0]).shape[:2]
    assert abs(width - 297 / 25.4 * 150) < 2 and abs(height - 210 / 25.4 * 150) < 2


def test_words_are_all_there(drawn: tuple[Path, list[Figure]], tables: dict[str, Any]) -> None:
    words = " ".join(t.get_text() for t in _texts(drawn[1][0]))
    for label in (c.label for c in CLASSES):
        assert label in words
    for mark in (
        MEASURE,
        SPOT,
        OUTLINE,
        *WATER_MARKS,
        SAID,
        DROP,
        EVIDENCE,
    ):
        assert mark.label in words
    areas = tables["zones"].groupby("machine_class")["plan_m2"].sum()
    assert all(UNITS["metric"].area(area) in words for area in areas)
    assert "north lawn" in words and "east bank" in words and "1.5 m" in words and "50 m" in words
    flat = " ".join(words.replace("•", " ").split())
    for caution in CAUTIONS:
        assert " ".join(caution.split()[:6]) in flat and " ".join(caution.split()[-3:]) in flat
    assert "not refused by any rule that was evaluated" in flat and "safe" not in flat.lower()


def _check_words(figure: Figure) -> None:
    boxes = [(t.get_text(), t.get_window_extent()) for t in _texts(figure)]
    page = figure.bbox
    assert len(boxes) > 30
    for i, (words, box) in enumerate(boxes):
        assert page.x0 <= box.x0 and box.x1 <= page.x1 and page.y0 <= box.y0 and box.y1 <= page.y1, words
        for other, second in boxes[:i]:
            # The box of a line of text holds room for accents: touching ones are no overlap to the eye.
            shared = min(box.y1, second.y1) - max(box.y0, second.y0)
            apart = min(box.x1, second.x1) - max(box.x0, second.x0) <= 0 or shared <= 3.0
            assert apart, (words, other)


def test_no_words_overlap_or_leave_the_page(drawn: tuple[Path, list[Figure]]) -> None:
    _check_words(drawn[1][0])


def test_scale_bar_and_north_arrow_hide_no_parcel(
    drawn: tuple[Path, list[Figure]], tables: dict[str, Any], grid: Grid
) -> None:
    ax = drawn[1][0].axes[0]
    west, south, east, north = tables["parcels"].total_bounds
    (x0, y0), (x1, y1) = ax.transData.transform([(west, south), (east, north)])
    page = ax.get_window_extent()
    assert page.x0 < x0 and x1 < page.x1 and y1 < page.y1
    marks = [t.get_window_extent() for t in ax.texts if t.get_text() in ("0", "50 m", "N")]
    assert len(marks) == 3 and all(mark.y1 < y0 for mark in marks)
    # The bar is as long as it says: from "0" to the end of "50 m".
    start, end = marks[0].x0, marks[1].x1
    assert (end - start) * (east - west) / (x1 - x0) == pytest.approx(50.0, abs=1.0)
    # Equal scale both ways.
    assert (x1 - x0) / (east - west) == pytest.approx((y1 - y0) / (north - south), rel=1e-6)


def test_every_class_and_spot_can_be_seen(drawn: tuple[Path, list[Figure]], tables: dict[str, Any], grid: Grid) -> None:
    picture = imread(drawn[0])[:, :, :3]
    ax = drawn[1][0].axes[0]
    seen = {}
    for code, shapes in tables["zones"].dissolve("machine_class").geometry.items():
        west, south, east, north = max(shapely.get_parts(shapes), key=lambda p: p.area).bounds
        (x0, y0), (x1, y1) = ax.transData.transform([(west, south), (east, north)])
        rows = slice(int(picture.shape[0] - y1) + 4, int(picture.shape[0] - y0) - 4)
        seen[code] = picture[rows, int(x0) + 4 : int(x1) - 4].reshape(-1, 3).mean(axis=0)
    codes = list(seen)
    for i, code in enumerate(codes):
        for other in codes[:i]:
            assert np.abs(seen[code] - seen[other]).max() > 0.03, (code, other)
    spots = tables["zones"][spots_of(tables["zones"])]
    assert list(spots["zone_id"]) == ["north lawn-s1"]
    for spot in spots.geometry.iloc[0].geoms:
        x, y = ax.transData.transform((spot.bounds[0], spot.centroid.y))
        edge = picture[int(picture.shape[0] - y), int(x) - 3 : int(x) + 4].mean(axis=1)
        assert edge.min() < 0.4, "the edge of a spot is a dark line"


def _part(picture: np.ndarray, ax: Axes, bounds: Sequence[float], inset: int) -> np.ndarray:
    """The pixels of a rectangle of the ground, `inset` pixels inside its edge, which must lie on the map."""
    (x0, y0), (x1, y1) = ax.transData.transform([bounds[:2], bounds[2:]])
    page = ax.get_window_extent()
    assert page.x0 < x0 and x1 < page.x1 and page.y0 < y0 and y1 < page.y1
    rows = slice(round(picture.shape[0] - y1) + inset, round(picture.shape[0] - y0) - inset)
    return picture[rows, round(x0) + inset : round(x1) - inset, :3]


def test_each_origin_of_water_can_be_seen(
    tmp_path: Path, ground: np.ndarray, grid: Grid, tables: dict[str, Any], figures: list[Figure]
) -> None:
    # The same rectangle of open ground as each kind of water in turn, and dry.
    around = shapely.box(*tables["water"].geometry.iloc[-1].bounds)
    water, tables["corrections"] = tables["water"], tables["corrections"].iloc[:0]
    seen = {}
    for origin in (*water["origin"], ""):
        tables["water"] = water.iloc[:1].assign(origin=origin, geometry=[around])
        draw_map(tmp_path / "a.png", z=ground, grid=grid, tables=tables, title="", cautions=[])
        picture = imread(tmp_path / "a.png")
        seen[origin] = _part(picture, figures[-1].axes[0], around.bounds, 4)
    assert len(seen) == 6
    names = list(seen)
    for i, name in enumerate(names):
        for other in names[:i]:
            # A tenth of the way from black to white, on average or in its unevenness, which hatches make.
            mean = np.abs(seen[name].mean(axis=(0, 1)) - seen[other].mean(axis=(0, 1))).max()
            uneven = np.abs(seen[name].std(axis=(0, 1)) - seen[other].std(axis=(0, 1))).max()
            assert max(mean, uneven) > 0.05, (name, other)


def test_what_was_drawn_on_site_is_outlined_and_hides_nothing(
    tmp_path: Path, drawn: tuple[Path, list[Figure]], ground: np.ndarray, grid: Grid, tables: dict[str, Any]
) -> None:
    said = tables["corrections"]
    tables["corrections"] = said.iloc[:0]
    draw_map(tmp_path / "b.png", z=ground, grid=grid, tables=tables, title="Invented park", cautions=CAUTIONS)
    with_it, without = imread(drawn[0]), imread(tmp_path / "b.png")
    ax = drawn[1][0].axes[0]
    wanted = np.array(to_rgb(SAID.line))
    parts = shapely.get_parts(said.geometry.to_numpy())
    assert len(parts) == 4
    for part in parts:
        np.testing.assert_array_equal(_part(with_it, ax, part.bounds, 4), _part(without, ax, part.bounds, 4))
        rim = _part(with_it, ax, part.bounds, -2)
        inked = np.abs(rim - wanted).max(axis=2) < 0.1
        # Dashes on all four sides.
        assert all(side.any() for side in (inked[:4], inked[-4:], inked[:, :4], inked[:, -4:]))


def _legend_of(figure: Figure) -> Axes:
    (legend,) = (ax for ax in figure.axes if any(t.get_text() == "Class that no rule refuses" for t in ax.texts))
    return legend


def test_every_row_of_the_legend_is_inside_and_apart(drawn: tuple[Path, list[Figure]]) -> None:
    # The sample has every kind of water and corrections: no legend is longer.
    legend = _legend_of(drawn[1][0])
    frame = legend.get_window_extent()
    for artist in (*legend.texts, *legend.patches, *legend.lines):
        box = artist.get_window_extent()
        # Two pixels are half the width of a line.
        assert frame.y0 - 2 <= box.y0 and box.y1 <= frame.y1 + 2, artist
        assert frame.x0 - 2 <= box.x0 and box.x1 <= frame.x1 + 2, artist
    boxes = {tuple(np.round(p.get_window_extent().get_points().ravel(), 3)) for p in legend.patches}
    swatches = sorted(boxes, key=lambda box: -box[3])
    # Every class, spots, places to measure, parcels, every kind of water; what is drawn as a line needs none.
    assert len(swatches) >= len(CLASSES) + 2 + 1 + len(WATER_MARKS)
    for upper, lower in pairwise(swatches):
        assert upper[1] > lower[3], "two swatches touch"


@pytest.mark.parametrize("mark", [*WATER_MARKS, SAID, OUTLINE, MEASURE], ids=lambda m: m.label)
def test_an_area_looks_in_the_legend_as_on_the_map(drawn: tuple[Path, list[Figure]], mark: Mark) -> None:
    legend = _legend_of(drawn[1][0])
    (words,) = (t for t in legend.texts if t.get_text() == mark.label)
    middle = words.get_position()[1]
    row = [p for p in legend.patches if isinstance(p, Rectangle) and p.get_y() < middle < p.get_y() + p.get_height()]
    outlines = [p for p in row if p.get_linewidth() and p.get_edgecolor()[3]]
    assert [to_hex(p.get_edgecolor()) for p in outlines] == [mark.line]
    assert outlines[0].get_linestyle() != "-" if mark.dash else outlines[0].get_linestyle() in ("-", "solid")
    assert [to_hex(p.get_facecolor()) for p in row if p.get_facecolor()[3]] == [mark.fill] * bool(mark.fill)
    assert len([p for p in row if p.get_hatch()]) == bool(mark.hatch)


def test_what_is_rare_stands_in_the_legend_only_where_it_is_on_the_map(
    tmp_path: Path, ground: np.ndarray, grid: Grid, tables: dict[str, Any], figures: list[Figure]
) -> None:
    tables["water"] = tables["water"].iloc[:1]
    tables["corrections"] = tables["corrections"].iloc[:0]
    draw_map(tmp_path / "a.png", z=ground, grid=grid, tables=tables, title="", cautions=[])
    words = [t.get_text() for t in _legend_of(figures[0]).texts]
    for mark in (POSSIBLE_WATER, CONFIRMED_WATER, SAID):
        assert mark.label not in words
    assert GIVEN_WATER.label in words and INFERRED_WATER.label in words
    # Rows that all have room stand in their usual places: a quarter of an inch and a little.
    rows = [t.get_window_extent() for t in _legend_of(figures[0]).texts if t.get_text() in {c.label for c in CLASSES}]
    pitch = np.diff([(box.y0 + box.y1) / 2 for box in rows]) / figures[0].dpi
    assert pitch == pytest.approx(-0.27, abs=0.01)


def test_the_same_map_has_the_same_bytes(
    tmp_path: Path, drawn: tuple[Path, list[Figure]], ground: np.ndarray, grid: Grid, tables: dict[str, Any]
) -> None:
    draw_map(tmp_path / "b.png", z=ground, grid=grid, tables=tables, title="Invented park", cautions=CAUTIONS)
    assert drawn[0].read_bytes() == (tmp_path / "b.png").read_bytes()


def test_nothing_to_draw_still_makes_a_page(tmp_path: Path, grid: Grid, tables: dict[str, Any]) -> None:
    empty = {layer: table.iloc[:0] for layer, table in tables.items()}
    draw_map(tmp_path / "a.png", z=np.full(grid.shape, np.nan), grid=grid, tables=empty, title="", cautions=[])
    assert (tmp_path / "a.png").stat().st_size > 10_000


@pytest.mark.parametrize("count", [1, 7, 14, 25])
def test_many_cautions_leave_room_for_map_and_legend(
    tmp_path: Path, ground: np.ndarray, grid: Grid, tables: dict[str, Any], figures: list[Figure], count: int
) -> None:
    many = [f"Caution {n} runs over more than one line of the page. " * 4 for n in range(count)]
    draw_map(tmp_path / "a.png", z=ground, grid=grid, tables=tables, title="Long " * 60, cautions=many)
    _check_words(figures[0])
    words = " ".join(t.get_text() for t in _texts(figures[0]))
    assert all(f"Caution {n} " in words for n in range(count))
    # Two inches is what a map of one parcel can still be read at: common practice, no source.
    assert figures[0].axes[0].get_window_extent().height >= 2.0 * figures[0].dpi


@pytest.mark.skipif(shutil.which("gdaldem") is None, reason="GDAL's gdaldem is not installed")
@pytest.mark.parametrize(("east", "south"), [(0.0, 0.0), (0.2, 0.0), (-0.2, 0.1), (0.1, 0.3), (0.0, -0.3)])
def test_relief_against_gdal(tmp_path: Path, grid: Grid, east: float, south: float) -> None:
    # On a plane every gradient formula agrees, so gdaldem's Horn and ours must. gdaldem writes 1 + 254 x the cosine.
    rows, cols = np.mgrid[0:20, 0:30].astype(float)
    z = 100.0 + east * cols + south * rows
    profile = {"driver": "GTiff", "height": 20, "width": 30, "count": 1, "dtype": "float64", "crs": grid.crs}
    with rasterio.open(tmp_path / "z.tif", "w", transform=Affine(*grid.affine), **profile) as file:
        file.write(z, 1)
    command = ["gdaldem", "hillshade", "-q", "-z", "2", "-az", "315", "-alt", "45", "z.tif", "shade.tif"]
    subprocess.run(command, cwd=tmp_path, check=True, capture_output=True)
    with rasterio.open(tmp_path / "shade.tif") as file:
        want = file.read(1)[1:-1, 1:-1]
    np.testing.assert_allclose(1.0 + 254.0 * hillshade(z, grid)[1:-1, 1:-1], want, atol=1.0)


def test_a_zone_is_named_by_its_own_part() -> None:
    assert short_id("north lawn-z12", "north lawn") == "z12"
    assert short_id("A1/s3", "A1") == "s3"
    assert short_id("z1", "B") == "z1"


def test_hundreds_of_drops_bury_no_zone(
    tmp_path: Path, ground: np.ndarray, grid: Grid, tables: dict[str, Any], figures: list[Figure]
) -> None:
    def zones_named(figure: Figure) -> set[str]:
        zones = tables["zones"][~spots_of(tables["zones"])]
        ids = {short_id(zone, parcel) for zone, parcel in zip(zones["zone_id"], zones["parcel_id"], strict=True)}
        return ids & {t.get_text() for t in figure.axes[0].texts}

    none, many = dict(tables), dict(tables)
    none["drops"] = tables["drops"].iloc[:0]
    west, south, east, north = tables["parcels"].total_bounds
    random = np.random.default_rng(3)
    x, y = random.uniform(west, east, 400), random.uniform(south, north, 400)
    lines = [shapely.MultiLineString([[(a, b), (a + 2.0, b)]]) for a, b in zip(x, y, strict=True)]
    rows = tables["drops"].iloc[np.zeros(400, int)].reset_index(drop=True)
    heights = 0.9 + np.arange(400) / 100.0
    many["drops"] = rows.set_geometry(lines, crs=rows.crs).assign(height_m=heights, length_m=2.0)
    for one in (none, many):
        draw_map(tmp_path / "m.png", z=ground, grid=grid, tables=one, title="Invented park", cautions=[])
    before, after = figures[-2:]
    assert zones_named(after) == zones_named(before) != set()
    told = [t.get_text() for t in after.axes[0].texts if t.get_text().endswith(" m") and "." in t.get_text()]
    assert len(told) == 12
    # The highest ones, but for those that had no room.
    assert float(told[0][:-2]) == pytest.approx(4.9, abs=0.1) and min(float(one[:-2]) for one in told) > 4.0
    _check_words(after)
