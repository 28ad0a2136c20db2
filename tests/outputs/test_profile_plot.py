"""The page of paths to hazards: what it must say, to what scale it draws, what must not overlap."""

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

from slopekit.outputs import symbology
from slopekit.outputs.profile_plot import MOST, Example, chosen, draw_profiles
from slopekit.runout.bench import bench_ride
from slopekit.runout.settings import RunoutSettings

CAUTIONS = [
    "The operator's manual, local codes and rules, licensed practice and the site supervisor decide.",
    "A name like $x_1$ is no mathematics.",
]
SETTINGS = RunoutSettings()


def way(
    parcel: str, number: int, hazard: str, distance: Sequence[float], height: Sequence[float], *, mu: float = 0.1,
    across: bool = False,
) -> tuple[dict[str, Any], pd.DataFrame]:  # fmt: skip
    """One row of `paths` (without its geometry) and its rows of `profiles`: a machine with the least speed that gets
    over all of the ground, where each metre takes `mu` of height."""
    zone = {"parcel_id": parcel, "zone_id": f"{parcel}-z{number}"}
    s, z = np.asarray(distance, float), np.asarray(height, float)
    line = (z + mu * s).max() - mu * s
    # v^2 / (2 g) is the height of the line over the ground; standard gravity (3rd CGPM 1901).
    speed = 3.6 * np.sqrt(2.0 * 9.80665 * np.maximum(line - z, 0.0))
    points = pd.DataFrame({"distance_m": s, "height_m": z, "line_m": line, "speed_kmh": speed})
    points = points.assign(**zone, point=range(1, len(points) + 1))
    figures = {"length_m": float(s[-1]), "fall_m": float(z[0] - z[-1]), "across": across}
    return {**zone, "hazard": hazard, **figures}, points


def tables_of(*ways: tuple[dict[str, Any], pd.DataFrame]) -> dict[str, Any]:
    return {"paths": pd.DataFrame([row for row, _ in ways]), "profiles": pd.concat([points for _, points in ways])}


def many() -> dict[str, Any]:
    """Twenty ways on four parcels: short and long, steep and flat, with a hole, with names that are too long."""
    names = ["a", "north lawn beside the long road to the works", "x" * 70, "d$_1$"]
    out = []
    for k in range(20):
        n = (3, 12, 40, 150)[k % 4] + k
        s = np.arange(n) * 1.0
        z = 100.0 - s * (0.01, 0.1, 0.5, 3.0)[k // 5] - np.where((s > 4) & (s < 7), 0.2, 0.0)
        kinds = ("water", "drop", "hazard")
        out.append(way(names[k % 4], k, kinds[k % 3], s, z))
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


def _draw(
    path: Path, tables: dict[str, Any], cautions: Sequence[str] = CAUTIONS, examples: Sequence[Example] = ()
) -> None:
    title = "Invented park: paths to hazards"
    draw_profiles(path, tables=tables, settings=SETTINGS, title=title, cautions=cautions, examples=examples)


def test_the_page_says_what_the_tables_say(tmp_path: Path, tables: dict[str, Any], figures: list[Figure]) -> None:
    _draw(tmp_path / "a.png", tables)
    # ISO 216: A4 is 210 mm x 297 mm. 150 dots per inch of 25.4 mm.
    height, width = imread(tmp_path / "a.png").shape[:2]
    assert abs(width - 297 / 25.4 * 150) < 2 and abs(height - 210 / 25.4 * 150) < 2
    words = _words(figures[0])
    assert "north lawn z2" in words
    assert "From 5.4 km/h on a machine gets from the start to the water 38 m on, at 35 km/h." in words
    assert "The energy line falls by 8.75 % of the length on ground over 5°" in words
    assert "not on this page" not in words
    assert all(caution in words for caution in CAUTIONS) and "safe" not in words.lower()
    _check_words(figures[0])


@pytest.mark.parametrize(
    ("up_m", "said"),
    [
        (0.0, "A machine that rolls from the start gets to the drop 40 m on at 31 km/h"),
        # 0.05 m of head are 3.57 km/h, what counts as a standstill by default; 0.1 m are 5.04 km/h, shown as 5.0.
        (0.04, "A machine that rolls from the start gets"),
        (0.1, "From 5.0 km/h on a machine gets from the start to the drop 40 m on, at 32 km/h"),
    ],
)
def test_the_least_speed_and_the_speed_of_arrival(
    tmp_path: Path, figures: list[Figure], up_m: float, said: str
) -> None:
    # 40 m on, 7.9 m lower: 4 m are lost at 0.1 a metre. What is over at the end is 3.9 m and what was due at the start.
    s = np.arange(41.0)
    z = np.interp(s, [0.0, 1.0, 40.0], [8.0, 7.9 + up_m, 0.1])
    _draw(tmp_path / "a.png", tables_of(way("p", 1, "drop", s, z, across=True)))
    words = _words(figures[0])
    assert said in words and "km/h, by a path across the face." in words


def test_a_bench_that_stops_a_machine_beside_one_that_does_not(tmp_path: Path, figures: list[Figure]) -> None:
    # Energy line by hand: 30 m at 12 degrees gain 30 (tan 12 - 0.0875) = 3.75 m, and each metre of a bench of 2 % takes
    # 0.20 - 0.02 m, so that some 21 m of bench stop a machine. The moves of the way are off by -2 % to +1 %.
    rides = {m: bench_ride(12.0, 30, m, 0.2, SETTINGS) for m in (10, 40)}
    assert rides[10].stopped_m is None
    stopped = rides[40].stopped_m
    assert stopped is not None and stopped == pytest.approx(30.0 + 3.75 / 0.18, rel=0.03)
    left = 3.75 - 10 * 0.18
    assert rides[10].speed_kmh[-1] == pytest.approx(3.6 * np.sqrt(2.0 * 9.80665 * left), rel=0.03)
    examples = [Example(f"Example: a bench of {m} m", "drop", ride) for m, ride in rides.items()]
    _draw(tmp_path / "a.png", many(), examples=examples)
    words = _words(figures[0])
    assert "A machine that rolls from the start gets to the drop 40 m on at 22 km/h" in words.replace("at 23", "at 22")
    assert f"is stopped after {stopped:.0f} m, {rides[40].distance_m[-1] - stopped:.0f} m short of the drop." in words
    assert "14 more paths are not on this page" in words
    _check_words(figures[0])


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
    assert words.count("to the water") + words.count("to the drop") + words.count("to the road") == MOST == 8
    assert "12 more paths are not on this page; the layers paths and profiles of the result hold all of them" in words
    assert all(f"Caution {n} " in words for n in range(cautions))


@pytest.mark.parametrize("count", [1, 2, 3, 5, 8])
def test_few_ways_fit_on_the_page(tmp_path: Path, figures: list[Figure], count: int) -> None:
    all_of_them = many()
    few = {"paths": all_of_them["paths"].iloc[:count], "profiles": all_of_them["profiles"]}
    _draw(tmp_path / "a.png", few)
    _check_words(figures[0])
    words = _words(figures[0])
    assert words.count("to the water") + words.count("to the drop") + words.count("to the road") == count


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


def test_line_hazard_and_stop_are_drawn_where_they_are(tmp_path: Path, figures: list[Figure]) -> None:
    s, z = np.arange(11.0), 20.0 - 0.3 * np.arange(11.0)
    _draw(tmp_path / "a.png", tables_of(way("p", 1, "water", s, z)))
    picture = imread(tmp_path / "a.png")[:, :, :3]
    (ax,) = [ax for ax in figures[0].axes if ax.get_xticks().size]

    def colour(x: float, y: float) -> np.ndarray:
        """At distance x and height y: the colours of a small square."""
        px, py = ax.transData.transform((x, y))
        row, col = int(picture.shape[0] - py), int(px)
        return picture[row - 1 : row + 2, col - 1 : col + 2].reshape(-1, 3)

    def shown(x: float, y: float, wanted: str) -> bool:
        rgb = np.array([int(wanted[i : i + 2], 16) for i in (1, 3, 5)]) / 255
        return bool((np.abs(colour(x, y) - rgb) < 0.05).all(axis=1).any())

    # The ground falls by 0.3 a metre, the line by 0.1, both from 3 m.
    for x in (2.5, 5.5, 9.5):
        assert shown(x, 3.0 - 0.1 * x, symbology.PATH) and not shown(x, 3.0 - 0.2 * x, symbology.PATH)
    assert shown(10.6, -0.1, symbology.WATER_GIVEN)
    texts = {t.get_text() for t in ax.texts}
    # 2 m of height at the end (v^2 = 2 g h).
    assert texts == {"start", f"water\n{3.6 * (2.0 * 9.80665 * 2.0) ** 0.5:.0f} km/h"}


def test_no_path_down_is_said_and_is_no_promise(tmp_path: Path, tables: dict[str, Any], figures: list[Figure]) -> None:
    _draw(tmp_path / "a.png", {layer: table.iloc[:0] for layer, table in tables.items()})
    words = _words(figures[0])
    assert "No path from refused ground to water, a drop or a marked hazard was found" in words
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
