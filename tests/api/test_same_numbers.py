"""Whatever shows the demo's zones says the same: layers, sheets, page, workbook, map, profiles and words; in either
units. Factors are those of NIST Handbook 44 (2024), appendix C."""

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import openpyxl
import pytest
from matplotlib.figure import Figure
from page_reader import data_in, texts_in, unpacked
from pypdf import PdfReader

import slopekit
from slopekit.api import sheets as sheets_door
from slopekit.outputs.crew_content import Sheet
from slopekit.outputs.crew_sheets import write_crew_sheets
from slopekit.outputs.mapaids import short_id
from slopekit.schema.inputs import LAYER_INPUTS
from slopekit.wording import UNITS

SQUARE_FOOT, ACRE, FOOT, MILE = 0.09290304, 4046.8564224, 0.3048, 1.609344
SIZES = {
    "m2": 1.0, "ha": 10_000.0, "sq ft": SQUARE_FOOT, "acres": ACRE, "m": 1.0, "cm": 0.01, "ft": FOOT, "in": FOOT / 12.0,
    "km/h": 1.0, "mph": MILE,
}  # fmt: skip
KINDS = {**dict.fromkeys(("m2", "ha", "sq ft", "acres"), "area"), **dict.fromkeys(("km/h", "mph"), "speed")}
FIGURE = re.compile(rf"(?<![\w.,])(\d[\d,]*(?:\.\d+)?) ({'|'.join(sorted(SIZES, key=len, reverse=True))})(?![\w/])")
METRIC = re.compile(r"\d (m2|ha|cm|m|km/h)(?![\w/])")
# What is over nothing and is shown as nothing.
NOTHING = re.compile(r"(?<![\d.,])0(\.0+)? (m2|ha|cm|m|km/h|sq ft|acres|ft|in(?! layer)|mph)(?![\w/])")


@pytest.fixture(scope="module")
def demo() -> slopekit.Result:
    data = slopekit.demo_data()
    given: Any = {name: data / f"{name}.gpkg" for name in LAYER_INPUTS if (data / f"{name}.gpkg").is_file()}
    return slopekit.screen(
        data / "office_park.tif", data / "parcels.gpkg", data / "fleet.toml", id_column="parcel_id", z_rmse_m=0.05,
        surface="ground", workers=1, **given,
    )  # fmt: skip


@pytest.fixture(scope="module")
def season() -> Path:
    return slopekit.demo_data() / "season.toml"


@pytest.fixture(scope="module")
def bid(demo: slopekit.Result, season: Path) -> slopekit.Hours:
    return demo.hours(season)


@pytest.fixture
def figures(monkeypatch: pytest.MonkeyPatch) -> Iterator[list[Figure]]:
    found: list[Figure] = []
    save = Figure.savefig
    monkeypatch.setattr(Figure, "savefig", lambda one, *a, **k: (found.append(one), save(one, *a, **k)))
    return found


def cells(path: Path) -> dict[str, list[tuple[Any, ...]]]:
    """Values of a workbook by sheet."""
    book = openpyxl.load_workbook(path, data_only=True)
    return {sheet.title: [tuple(row) for row in sheet.iter_rows(values_only=True)] for sheet in book}


def test_areas_hours_and_classes_agree_everywhere(
    demo: slopekit.Result, season: Path, bid: slopekit.Hours, figures: list[Figure], tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:  # fmt: skip
    zones, work = demo.zones, bid.layers["work"]
    # The sheets: what the table says, and what a reader of the file finds.
    shown: list[Sheet] = []

    def keep(path: Path, sheets: Any, *more: Any) -> None:
        shown.extend(sheets)
        write_crew_sheets(path, shown, *more)

    monkeypatch.setattr(sheets_door, "write_crew_sheets", keep)
    demo.sheets(tmp_path / "sheets.pdf", season=season)
    text = " ".join(" ".join(page.extract_text() for page in PdfReader(tmp_path / "sheets.pdf").pages).split())
    lines = {(sheet.parcel_id, line.name): line for sheet in shown for line in sheet.table}
    assert len(lines) == len(zones) > 20
    on_zones = work[work["what"].isin(["mowing", "hand work"])]
    hours_told = 0
    for row in zones.to_dict("records"):
        line = lines[row["parcel_id"], short_id(row["zone_id"], row["parcel_id"])]
        assert line.machine_class == row["machine_class"]
        assert line.size[0] == UNITS["metric"].area(row["plan_m2"]) and line.size[0] in text
        for own in on_zones[on_zones["zone_id"] == row["zone_id"]].to_dict("records"):
            hours = f"{own['hours']:.1f} h" if own["hours"] >= 0.05 else "under 0.1 h"
            assert hours in " ".join(line.how) and hours in text and own["machine"] in " ".join(line.how)
            hours_told += 1
    assert hours_told > 10
    # The page.
    data = data_in(demo.page(tmp_path / "page.html", hours=bid)[0])
    order = zones.assign(n=range(len(zones))).sort_values(["parcel_id", "n"])
    codes = [one["code"] for one in data["classes"]]
    assert [codes[n] for n in unpacked(data["zones"]["class"])] == order["machine_class"].tolist()
    areas = [(v - 1) * 0.1 for v in unpacked(data["zones"]["area"])]
    assert areas == pytest.approx(order["plan_m2"].tolist(), abs=0.05)
    totals = bid.layers["totals"]
    by_parcel = totals[totals["by"] == "parcel"].set_index("name")["hours"]
    told = dict(zip(data["parcels"]["id"], unpacked(data["parcels"]["hours"][0]), strict=True))
    assert {one: (v - 1) * 0.01 for one, v in told.items() if v} == pytest.approx(by_parcel.to_dict(), abs=0.005)
    by_class = totals[totals["by"] == "class"].set_index("name")["hours"].to_dict()
    assert {name: hours for name, hours, *_ in data["hours"]} == pytest.approx(by_class)
    # The workbook.
    book = cells(bid.write(tmp_path / "bid.xlsx")[-1])
    for by, due in (("parcel", by_parcel.to_dict()), ("class", {n or "(whole crew)": h for n, h in by_class.items()})):
        head, *rows = book[f"By {by}"]
        assert {row[0]: row[head.index("hours (h)")] for row in rows[:-1]} == pytest.approx(due, abs=1e-4)
    head, *rows = book["Work of one visit"]
    places = [head.index(name) for name in ("zone id", "condition", "machine", "machine class", "hours (h)")]
    found = {tuple(row[n] for n in places[:4]): row[places[4]] for row in rows if row[head.index("what")] != "edges"}
    assert len(found) > 20
    for own in on_zones.to_dict("records"):
        key = own["zone_id"], own["condition"], own["machine"], own["machine_class"]
        assert found[key] == pytest.approx(own["hours"], abs=1e-4)
    head, *rows = book["Not priced"]
    left = {(row[head.index("zone id")], row[head.index("why")]): row[head.index("plan (m2)")] for row in rows}
    own_area = zones.set_index("zone_id")["plan_m2"]
    whole = {zone: area for (zone, why), area in left.items() if zone and area and "channel" not in why}
    assert whole and whole == pytest.approx({zone: own_area[zone] for zone in whole}, abs=1e-3)
    # The map's legend: classes with their areas, then all of it.
    demo.map(tmp_path / "map.png")
    words = [one.get_text() for one in figures[-1].axes[1].texts]
    for code, area in zones.groupby("machine_class")["plan_m2"].sum().items():
        label = next(one["label"] for one in data["classes"] if one["code"] == code)
        assert words[words.index(label) + 1] == UNITS["metric"].area(area)
    assert words[words.index("All ground") + 1] == UNITS["metric"].area(zones["plan_m2"].sum())


def same_figures(metric: str, us: str) -> int:
    """How many figures two texts share, each the same within what it is rounded to, and in US units in the second."""
    first, second = FIGURE.findall(metric), FIGURE.findall(us)
    assert [KINDS.get(unit, "length") for _, unit in first] == [KINDS.get(unit, "length") for _, unit in second]
    for one, other in zip(first, second, strict=True):
        values, steps = zip(*(_worth(*told) for told in (one, other)), strict=True)
        # A least speed is rounded down.
        assert abs(values[0] - values[1]) <= 0.5 * steps[0] + steps[1] + 1e-9, (one, other)
    assert METRIC.search(us) is None
    assert NOTHING.search(metric) is None and NOTHING.search(us) is None
    return len(first)


def _worth(number: str, unit: str) -> tuple[float, float]:
    """A figure and the step of its last digit, in m, m2 or km/h. A whole number of four digits and more may have been
    rounded to three."""
    digits = number.replace(",", "")
    step = 10.0 ** -len(digits.partition(".")[2]) if "." in digits else 10.0 ** max(0, len(digits) - 3)
    return float(digits) * SIZES[unit], step * SIZES[unit]


def test_words_of_spots_are_the_same_in_both_units(demo: slopekit.Result) -> None:
    spots = [*demo.zones.representative_point()][::4]
    told = [demo.why(spot.x, spot.y) for spot in spots]
    assert sum(same_figures("\n".join(one.lines()), "\n".join(one.lines("us"))) for one in told) > 60
    assert str(told[0]).endswith("\n".join(told[0].lines("metric")))
    with pytest.raises(slopekit.InputError, match="units: 'mile' is not known, so give metric or us"):
        told[0].lines("mile")


def test_notes_of_the_page_are_the_same_in_both_units(demo: slopekit.Result, tmp_path: Path) -> None:
    first, second = (data_in(demo.page(tmp_path / f"{name}.html", units=name)[0]) for name in UNITS)
    notes = zip(texts_in(first["zones"]["note"]), texts_in(second["zones"]["note"]), strict=True)
    assert sum(same_figures(one, other) for one, other in notes) > 40
    for name in ("warnings", "missing", "cautions"):
        for one, other in zip(first["sentences"][name], second["sentences"][name], strict=True):
            same_figures(one, other)
    assert sum(same_figures(one[1], other[1]) for one, other in zip(first["facts"], second["facts"], strict=True)) > 3


def test_pictures_are_the_same_in_both_units(demo: slopekit.Result, figures: list[Figure], tmp_path: Path) -> None:
    for name in UNITS:
        demo.map(tmp_path / f"map_{name}.png", units=name)
        demo.profiles(tmp_path / f"profiles_{name}.png", units=name)
    maps, profiles = figures[::2], figures[1::2]
    legends = ["\n".join(one.get_text() for one in page.axes[1].texts) for page in maps]
    assert same_figures(*legends) > 5
    heights = demo.layers["drops"]["height_m"].dropna().tolist()
    for page, unit in zip(maps, ("m", "ft"), strict=True):
        zero, scale, *names = [one.get_text() for one in page.axes[0].texts]
        assert zero == "0" and scale.endswith(f" {unit}")
        drops = [FIGURE.fullmatch(one) for one in names if FIGURE.fullmatch(one)]
        assert drops
        for found in drops:
            value, step = _worth(found[1], found[2])
            assert found[2] in (unit, "cm", "in") and min(abs(value - one) for one in heights) <= 0.5 * step + 1e-9
    for pages, least in ((maps, 1), (profiles, 20)):
        assert same_figures(*map(_sentences, pages)) >= least
    for first, second in zip(profiles[0].axes, profiles[1].axes, strict=True):
        same_figures(*("\n".join(one.get_text() for one in ax.texts) for ax in (first, second)))
        # The marks lie where they say.
        for ax, size, unit in ((first, 1.0, "m"), (second, FOOT, "ft")):
            for axis in (ax.xaxis, ax.yaxis):
                for place, mark in zip(axis.get_ticklocs(), axis.get_ticklabels(), strict=True):
                    number, sign = mark.get_text().split()
                    assert sign == unit and float(number) * size == pytest.approx(place, abs=1e-6)


def _sentences(page: Figure) -> str:
    """The lines of a page from the top down, column by column."""
    lines = sorted(page.texts, key=lambda one: (one.get_position()[0], -one.get_position()[1]))
    return " ".join(" ".join(one.get_text() for one in lines).replace("•", " ").split())


def test_workbooks_are_the_same_in_both_units(bid: slopekit.Hours, tmp_path: Path) -> None:
    metric, us = (cells(bid.write(tmp_path / f"{name}.xlsx", units=name)[-1]) for name in UNITS)
    assert [*metric] == [*us]
    turned = 0
    for title, rows in metric.items():
        heads = [("" if h is None else str(h)) for h in us[title][0]]
        for n, (row, other) in enumerate(zip(rows, us[title], strict=True)):
            for head, one, two in zip(heads, row, other, strict=True):
                size = SQUARE_FOOT if "(sq ft)" in head or "sq ft" in other else FOOT if "(ft)" in head else 1.0
                if n and isinstance(one, int | float):
                    assert two * size == pytest.approx(one, rel=1e-6, abs=2e-4 if size == 1.0 else 0.06)
                    turned += size != 1.0
                elif title == "Notes" and row[0] not in ("inputs", "settings"):
                    same_figures(str(one), str(two))
                elif n:
                    assert two in (one, "sq ft")
    assert turned > 60
    # Files for programs stay metric.
    for end in ("csv", "json"):
        one, two = (bid.write(tmp_path / f"{name}.{end}", units=name)[-1].read_bytes() for name in UNITS)
        assert one == two
