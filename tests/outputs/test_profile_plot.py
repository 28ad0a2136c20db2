"""The page of paths down: what it must say, to what scale it draws, what must not overlap."""

import re
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from matplotlib.figure import Figure
from matplotlib.image import imread
from matplotlib.text import Text

from slopekit.outputs import looks
from slopekit.outputs.profile_plot import MOST, chosen, draw_profiles, stretches
from slopekit.runout.settings import RunoutSettings

CAUTIONS = [
    "The operator's manual, local codes and rules, licensed practice and the site supervisor decide.",
    "A name like $x_1$ is no mathematics.",
]
SETTINGS = RunoutSettings()


def way(
    parcel: str, number: int, hazard: str, distance: Sequence[float], height: Sequence[float], *, landing: Any = False,
    reach: Any = 0.0, filled: Any = None,
) -> tuple[dict[str, Any], pd.DataFrame]:  # fmt: skip
    """One row of `paths` (without its geometry) and its rows of `profiles`."""
    zone = {"parcel_id": parcel, "zone_id": f"{parcel}-z{number}"}
    points = pd.DataFrame({"distance_m": distance, "height_m": height}, dtype=float)
    points = points.assign(**zone, point=range(1, len(points) + 1), landing=landing, speed_to_hazard_kmh=reach)
    points["filled_m"] = points.height_m if filled is None else filled
    row = {**zone, "hazard": hazard, "length_m": float(distance[-1]), "fall_m": float(height[0] - height[-1])}
    return row, points


def tables_of(*ways: tuple[dict[str, Any], pd.DataFrame]) -> dict[str, Any]:
    return {"paths": pd.DataFrame([row for row, _ in ways]), "profiles": pd.concat([points for _, points in ways])}


def many() -> dict[str, Any]:
    """Twenty ways on four parcels: short and long, steep and flat, with a hollow, with names that are too long."""
    names = ["a", "north lawn beside the long road to the works", "x" * 70, "d$_1$"]
    out = []
    for k in range(20):
        n = (3, 12, 40, 150)[k % 4] + k
        s = np.arange(n) * 1.0
        z = 100.0 - s * (0.01, 0.1, 0.5, 3.0)[k // 5] - np.where((s > 4) & (s < 7), 0.2, 0.0)
        kinds = ("water", "drop", "hazard")
        out.append(
            way(names[k % 4], k, kinds[k % 3], s, z, landing=s % 9 < 5, reach=np.maximum(0.0, 9.7 - s), filled=z + 0.1)
        )
    return tables_of(*out)


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


def _texts(figure: Figure) -> list[Text]:
    return [t for t in figure.findobj(Text) if t.get_text().strip() and t.get_visible()]


def _words(figure: Figure) -> str:
    # Sentences are broken into lines of their own.
    return " ".join(" ".join(t.get_text() for t in _texts(figure)).replace("•", " ").split())


def _check_words(figure: Figure) -> None:
    boxes = [(t.get_text(), t.get_window_extent()) for t in _texts(figure)]
    page = figure.bbox
    for i, (words, box) in enumerate(boxes):
        assert page.x0 <= box.x0 and box.x1 <= page.x1 and page.y0 <= box.y0 and box.y1 <= page.y1, words
        for other, second in boxes[:i]:
            # The box of a line of text holds room for accents: touching ones are no overlap to the eye.
            shared = min(box.y1, second.y1) - max(box.y0, second.y0)
            apart = min(box.x1, second.x1) - max(box.x0, second.x0) <= 0 or shared <= 3.0
            assert apart, (words, other)


def _draw(path: Path, tables: dict[str, Any], cautions: Sequence[str] = CAUTIONS) -> None:
    draw_profiles(path, tables=tables, settings=SETTINGS, title="Invented park: paths down", cautions=cautions)


def test_the_page_says_what_the_tables_say(tmp_path: Path, tables: dict[str, Any], figures: list[Figure]) -> None:
    _draw(tmp_path / "a.png", tables)
    # ISO 216: A4 is 210 mm x 297 mm. 150 dots per inch of 25.4 mm.
    height, width = imread(tmp_path / "a.png").shape[:2]
    assert abs(width - 297 / 25.4 * 150) < 2 and abs(height - 210 / 25.4 * 150) < 2
    words = _words(figures[0])
    assert "north lawn z2" in words and "To water after 38 m, 8.0 m lower." in words
    assert "From the start: 6 km/h is enough to get there." in words
    assert "No level ground of 6 m" not in words and "Level for 12 m on this line" in words
    assert "not on this page" not in words
    assert all(caution in words for caution in CAUTIONS) and "safe" not in words.lower()
    assert "A machine that rolls needs less" in words
    _check_words(figures[0])


@pytest.mark.parametrize(
    ("reach", "said"),
    [
        (0.0, "a machine that slides gets there on its own, from a standstill"),
        (0.3, "less than 1 km/h is enough to get there"),
        (7.96, "7 km/h is enough to get there"),
    ],
)
def test_speeds_are_rounded_down(tmp_path: Path, figures: list[Figure], reach: float, said: str) -> None:
    _draw(tmp_path / "a.png", tables_of(way("p", 1, "drop", [0, 1, 2], [9, 8.5, 8], reach=[reach, 0.0, 0.0])))
    assert f"From the start: {said}." in _words(figures[0])


@pytest.mark.parametrize(
    ("landing", "said"),
    [
        ([False] * 9, "No level ground on the path (6 m are needed to stop)."),
        ([True] * 2 + [False] + [True] * 4 + [False] * 2, "No level ground of 6 m on the path: the longest is 4.0 m."),
        ([True] * 6 + [False] * 3, "Level for 6.0 m on this line, but a path beside it has less than 6 m."),
        ([True] * 8 + [False], "Level for 8.0 m on this line"),
    ],
)  # fmt: skip
def test_level_ground_is_measured_as_the_run_out_does(
    tmp_path: Path, figures: list[Figure], landing: list[bool], said: str
) -> None:
    # By hand: a level point counts the step to the next point, points are 1 m apart.
    _draw(tmp_path / "a.png", tables_of(way("p", 1, "water", range(9), 10.0 - 0.1 * np.arange(9), landing=landing)))
    assert said in _words(figures[0])


def test_the_same_page_has_the_same_bytes(tmp_path: Path) -> None:
    for name in ("a.png", "b.png"):
        _draw(tmp_path / name, many())
    assert (tmp_path / "a.png").read_bytes() == (tmp_path / "b.png").read_bytes()


@pytest.mark.parametrize("cautions", [2, 14, 30])
def test_many_ways_fit_on_the_page(tmp_path: Path, figures: list[Figure], cautions: int) -> None:
    said = [f"Caution {n} runs over more than one line of the page. " * 3 for n in range(cautions)]
    _draw(tmp_path / "a.png", many(), said)
    _check_words(figures[0])
    words = _words(figures[0])
    assert words.count("From the start:") == MOST == 8
    assert (
        "12 more paths down are not on this page; the layers paths and profiles of the result hold all of them" in words
    )
    assert all(f"Caution {n} " in words for n in range(cautions))


@pytest.mark.parametrize("count", [1, 2, 3, 5, 8])
def test_few_ways_fit_on_the_page(tmp_path: Path, figures: list[Figure], count: int) -> None:
    all_of_them = many()
    few = {"paths": all_of_them["paths"].iloc[:count], "profiles": all_of_them["profiles"]}
    _draw(tmp_path / "a.png", few)
    _check_words(figures[0])
    assert _words(figures[0]).count("From the start:") == count


def test_lines_are_to_the_scale_that_is_printed(tmp_path: Path, figures: list[Figure]) -> None:
    _draw(tmp_path / "a.png", many())
    said = re.findall(r"Heights drawn (\d+) times|(Heights and lengths to one scale)", _words(figures[0]))
    plots = [ax for ax in figures[0].axes if ax.get_xticks().size]
    assert len(said) == len(plots) == MOST
    for (times, _), ax in zip(said, plots, strict=True):
        (x0, y0), (x1, y1) = ax.transData.transform([(0.0, 0.0), (1.0, 1.0)])
        assert (y1 - y0) / (x1 - x0) == pytest.approx(float(times or 1), rel=1e-6)
        page = ax.get_window_extent()
        ground = max(ax.lines, key=lambda line: len(line.get_xdata()))
        line = ax.transData.transform(np.column_stack(ground.get_data()))
        assert (line >= page.min).all() and (line <= page.max).all()


def test_hazard_level_ground_and_reach_are_drawn_where_they_are(tmp_path: Path, figures: list[Figure]) -> None:
    s, z = np.arange(11.0), 20.0 - 0.3 * np.arange(11.0)
    landing, reach = (s >= 1) & (s < 3), np.where(s < 4, 5.0, 0.0)
    _draw(tmp_path / "a.png", tables_of(way("p", 1, "water", s, z, landing=landing, reach=reach)))
    picture = imread(tmp_path / "a.png")[:, :, :3]
    (ax,) = [ax for ax in figures[0].axes if ax.get_xticks().size]

    def colour(x: float, up: float = 0.0) -> np.ndarray:
        """On the line at distance x, `up` points above it: the colours of a small square."""
        px, py = ax.transData.transform((x, np.interp(x, s, z - z[-1])))
        row, col = int(picture.shape[0] - py - up * 150 / 72), int(px)
        return picture[row - 1 : row + 2, col - 1 : col + 2].reshape(-1, 3)

    red = np.array([int(looks.PATH[i : i + 2], 16) for i in (1, 3, 5)]) / 255
    water = np.array([int(looks.WATER_GIVEN[i : i + 2], 16) for i in (1, 3, 5)]) / 255
    assert [bool((np.abs(colour(x) - red) < 0.05).all(axis=1).any()) for x in (0.5, 2.5, 3.6, 4.5, 9.5)] == [
        False, False, False, True, True,
    ]  # fmt: skip
    # Blue grey of level ground shows beside the line: more blue than red.
    bluer = [float((colour(x, -1.8)[:, 2] - colour(x, -1.8)[:, 0]).max()) > 0.08 for x in (0.5, 1.5, 2.5, 3.4, 6.5)]
    assert bluer == [False, True, True, False, False]
    assert np.abs(colour(10.6, -8.0) - water).max() < 0.02
    assert {"start", "water"} <= {t.get_text() for t in ax.texts}


def test_no_way_down_is_said_and_is_no_promise(tmp_path: Path, tables: dict[str, Any], figures: list[Figure]) -> None:
    _draw(tmp_path / "a.png", {layer: table.iloc[:0] for layer, table in tables.items()})
    words = _words(figures[0])
    assert "No path down from refused ground to water, a drop or a marked hazard was found" in words
    assert "are not found" in words and "safe" not in words.lower() and CAUTIONS[0] in words
    _check_words(figures[0])


def test_the_gravest_and_longest_of_each_parcel_come_first() -> None:
    parcels = ["a", "b", "a", "a", "b", "c"]
    hazards = ["hazard", "drop", "water", "water", "water", "hazard"]
    lengths = [90.0, 50.0, 10.0, 20.0, 5.0, 2.0]
    # By hand. First of each: a 3, b 4, c 5. Then a 2, b 1, then a 0.
    assert chosen(parcels, hazards, lengths, 3) == [3, 4, 5]
    assert chosen(parcels, hazards, lengths, 4) == [3, 2, 4, 5]
    assert chosen(parcels, hazards, lengths, 5) == [3, 2, 4, 1, 5]
    assert chosen(parcels, hazards, lengths) == [3, 2, 0, 4, 1, 5]
    assert chosen([], [], []) == []


def test_stretches_of_flags() -> None:
    assert stretches(np.array([True, True, False, True, False])) == [(0, 2), (3, 4)]
    # The last point has no step after it.
    assert stretches(np.array([False, True, True])) == [(1, 2)]
    assert stretches(np.array([False, False, True])) == []
