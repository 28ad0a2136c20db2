"""A bid as workbook, CSV and JSON: formulas give its totals, names stay names, no missing figure becomes a 0."""

import csv
import json
import shutil
from pathlib import Path
from typing import Any

import openpyxl
import pytest
from labour_maker import CREW, RIDE_ON, WALK_BEHIND, fleet, season
from result_maker import Zone, made_result
from shapely import box
from sheet_reader import Worked, by_libreoffice

from slopekit.errors import OutputError
from slopekit.fleet.model import Fleet
from slopekit.labour.bid import price
from slopekit.labour.season import Season
from slopekit.labour.totals import CREW_MODEL, supervision_cost
from slopekit.outputs.bid import write_bid
from slopekit.schema.fields import SCHEMA_VERSION, fields_of
from slopekit.schema.layers import BID_TABLES

Tables = dict[str, Any]
SHEETS = [
    "Summary", "By parcel", "By machine", "By class", "By condition", "Visits", "Crew days", "Work of one visit",
    "Not priced", "Figures", "Notes",
]  # fmt: skip
UNKNOWN = "not known: a rate is missing"
# Parcel ids are the user's own. A spreadsheet takes the first for a formula, the next three for criteria, and the last
# four for two names or one (letters' case does not count in a criterion).
PARCELS = ("=A1", ">5", "lot*", "<>", "lot1", "LOT1", "3", "~lot?")
LIMITS = {"across_deg": 12.0, "up_down_deg": 14.0}


def machines() -> Fleet:
    ends = {"low": 8.0, "expected": 10.0, "high": 12.0}
    return fleet(
        ride_on=RIDE_ON | LIMITS | {"speed_kmh": ends, "set_up_min": 15.0},
        Ride_on=RIDE_ON | LIMITS | {"width_m": 1.5, "set_up_min": 5.0},
        walk_behind=WALK_BEHIND | LIMITS,
        crew=CREW | LIMITS | {"edge_rate_m_h": 120.0},
    )


def plan(**more: Any) -> Season:
    given = {
        "visits": {"dry": 10, "wet": 3},
        "person_rate_h": 30.0,
        "machine_rates_h": {"ride_on": 20.0, "Ride_on": 15.0, "walk_behind": 7.0},
        "set_up_visit_min": 6.0,
        "travel": {"to_parcel_min": 12.0, "to_parcel_km": 5.0, "cost_per_km": 0.4, "to_zone_min": 2.0},
        "supervisor": {"hours": 10.0, "rate_h": 40.0},
    }
    return season(**given | more)


def zones() -> list[Zone]:
    """Three zones a parcel, each parcel larger than the one before it, and one that nobody may work."""
    out = []
    for n, parcel in enumerate(PARCELS, 1):
        out += [
            Zone("z1", box(0, 0, 40 * n, 50), {"dry": "ride_on,Ride_on,crew", "wet": "Ride_on,crew"}, parcel=parcel),
            Zone("z2", box(40 * n, 0, 40 * n + 10, 50), "walk_behind,crew", parcel=parcel),
            Zone("z3", box(40 * n + 10, 0, 40 * n + 13, 50), {"dry": "crew", "wet": ""}, parcel=parcel),
        ]
    return out


def made(season_: Season | None = None, zones_: list[Zone] | None = None) -> tuple[Tables, float]:
    own, given = machines(), season_ or plan()
    priced = price(made_result(own, zones() if zones_ is None else zones_), own, given)
    return priced.tables, supervision_cost(given)


@pytest.fixture(scope="module")
def bid() -> tuple[Tables, float]:
    return made()


@pytest.fixture(scope="module")
def workbook(bid: tuple[Tables, float], tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("book") / "bid.xlsx"
    write_bid(path, *bid)
    return path


def read_csv(path: Path) -> list[list[str]]:
    with path.open(newline="", encoding="utf-8-sig") as file:
        return list(csv.reader(file))


def compare(rows: dict[str, list[list[Any]]], tables: Tables, supervision: float) -> None:
    """The worked-out cells of a workbook against the table of totals, which no formula made.

    Pieces of work are shown to 4 decimals; every total sums up to a few hundred of them, times up to 10 visits.
    """
    sums = tables["totals"]
    near = {"rel": 1e-4, "abs": 0.05}
    fields = [f.name for f in fields_of("totals") if f.name not in ("by", "name")]
    for by in ("parcel", "machine", "class", "condition"):
        table = sums[sums["by"] == by]
        _, *shown, last = rows[f"By {by}"]
        assert [row[0] for row in shown] == [name or "(whole crew)" for name in table["name"]]
        for row, record in zip(shown, table.to_dict("records"), strict=True):
            assert row[2:] == pytest.approx([record[name] for name in fields], **near), row[0]
        assert last[0] == "all"
        assert last[2:] == pytest.approx([table[name].sum() for name in fields], **near)
    summary = {row[0]: row[1:4] for row in rows["Summary"]}
    work = tables["work"]
    ends = ("_low", "", "_high")

    def in_season(name: str, what: str | None = None) -> list[float]:
        part = work if what is None else work[work["what"] == what]
        return [float((part[f"{name}{end}"] * part["visits"]).sum()) for end in ends]

    assert summary["work of machines and crews"] == pytest.approx(in_season("hours"), **near)
    assert summary["work of people"] == pytest.approx(in_season("person_hours"), **near)
    assert summary["of it hand work"] == pytest.approx(in_season("person_hours", "hand work"), **near)
    assert summary["of it edges"] == pytest.approx(in_season("person_hours", "edges"), **near)
    assert summary["cost of the work"] == pytest.approx(in_season("cost"), **near)
    assert summary["supervision"] == [supervision] * 3
    days = tables["crew_days"]
    rounds = days[days["parcel_id"] == ""]

    def of_rounds(name: str) -> list[float]:
        return [float((rounds[f"{name}{end}"] * rounds["visits"]).sum()) for end in ends]

    assert summary["days of the crew"] == pytest.approx([rounds[f"days_per_season{end}"].sum() for end in ends], **near)
    assert summary["paid hours of people"] == pytest.approx(of_rounds("paid_hours_per_visit"), **near)
    assert summary["of them idle"] == pytest.approx(of_rounds("idle_hours_per_visit"), **near)
    assert summary["cost of idle hours"] == pytest.approx(of_rounds("idle_cost_per_visit"), **near)
    parts = zip(in_season("cost"), of_rounds("idle_cost_per_visit"), strict=True)
    assert summary["cost in all"] == pytest.approx([supervision + sum(part) for part in parts], **near)
    names = [f.name for f in fields_of("crew_days")]
    _, *shown, told = rows["Crew days"]
    assert told[0] == CREW_MODEL
    for name in ("visits", "days_per_season_low", "days_per_season", "days_per_season_high", "paid_hours_per_visit"):
        at = names.index(name)
        assert [row[at] for row in shown] == pytest.approx(days[name].tolist(), abs=6e-4), name


def test_formulas_give_the_totals(bid: tuple[Tables, float], workbook: Path) -> None:
    book = Worked(workbook)
    compare({title: book.rows(title) for title in SHEETS}, *bid)


def test_readers_that_calculate_nothing_see_the_totals(workbook: Path) -> None:
    """A preview on a phone shows the values that the file holds."""
    shown, worked = openpyxl.load_workbook(workbook, data_only=True), Worked(workbook)
    compared = 0
    for title in SHEETS:
        for row, values in zip(worked.book[title].iter_rows(), worked.rows(title), strict=True):
            for cell, value in zip(row, values, strict=True):
                if cell.data_type == "f":
                    # Pieces of work, which the formulas add up, are shown to 4 decimals.
                    assert shown[title][cell.coordinate].value == pytest.approx(value, rel=1e-4, abs=0.05), cell
                    compared += 1
    assert compared > 300


@pytest.mark.skipif(shutil.which("soffice") is None, reason="LibreOffice is not installed")
def test_libreoffice_calculates_the_same(bid: tuple[Tables, float], workbook: Path, tmp_path: Path) -> None:
    book = by_libreoffice(workbook, tmp_path)
    assert book.sheetnames == SHEETS
    rows = {}
    for sheet in book:
        # A cell of type "e" holds an error such as #NAME? (ISO/IEC 29500-1, 18.18.11).
        assert "e" not in {cell.data_type for row in sheet.iter_rows() for cell in row}, sheet.title
        whole = [list(row) for row in sheet.iter_rows(values_only=True)]
        rows[sheet.title] = [row for row in whole if any(value is not None for value in row)]
    compare(rows, *bid)


def test_visits_stand_in_one_place(workbook: Path, tmp_path: Path) -> None:
    """Other visits in the sheet give the totals of another season file."""
    book = openpyxl.load_workbook(workbook)
    visits = book["Visits"]
    assert [[cell.value for cell in row] for row in visits.iter_rows(2)] == [["dry", 1, 10], ["wet", 2, 3]]
    visits["C2"], visits["C3"] = 4, 9
    book.save(tmp_path / "other.xlsx")
    other = Worked(tmp_path / "other.xlsx")
    compare({title: other.rows(title) for title in SHEETS}, *made(plan(visits={"dry": 4, "wet": 9})))


def test_sheets_have_units_in_their_headers(workbook: Path) -> None:
    book = openpyxl.load_workbook(workbook)
    assert book.sheetnames == SHEETS
    heads = {sheet.title: [str(cell.value) for cell in sheet[1]] for sheet in book}
    of = {"Work of one visit": "work", "Crew days": "crew_days", "Not priced": "not_priced", "Figures": "figures"}
    for title, layer in of.items():
        fields = [f for f in fields_of(layer) if (layer, f.name) != ("work", "visits")]
        for text, field in zip(heads[title], fields, strict=False):
            assert text.endswith(f" ({field.unit})") is (field.unit != "-"), text
        assert len(heads[title]) >= len(fields)
    units = [f.unit for f in fields_of("totals") if f.name not in ("by", "name")]
    for by in ("parcel", "machine", "class", "condition"):
        assert heads[f"By {by}"][:2] == [by, "no."]
        assert [text.rpartition(" (")[2] for text in heads[f"By {by}"][2:]] == [f"{unit})" for unit in units]
    assert {row[4] for row in Worked(workbook).rows("Summary")[1:-2]} == {"h", "person-hours", "days", "money", "m2"}
    for text in (text for head in heads.values() for text in head):
        assert "_" not in text


def test_formulas_are_formulas_and_names_are_text(workbook: Path) -> None:
    book = openpyxl.load_workbook(workbook)
    kinds = {title: {} for title in SHEETS}
    for sheet in book:
        for cell in (cell for row in sheet.iter_rows(2) for cell in row if cell.value is not None):
            kinds[sheet.title].setdefault(cell.column, set()).add(
                "s" if cell.data_type == "inlineStr" else cell.data_type
            )
    for by in ("parcel", "machine", "class", "condition"):
        fields = len(fields_of("totals")) - 2
        assert kinds[f"By {by}"] == {1: {"s"}, 2: {"n"}} | {n: {"f"} for n in range(3, fields + 3)}
    assert kinds["Work of one visit"][1] == {"s"}
    assert "f" not in {kind for title in ("Work of one visit", "Not priced", "Figures", "Notes", "Visits")
                       for found in kinds[title].values() for kind in found}  # fmt: skip
    names = [row[0].value for row in book["By parcel"].iter_rows(2)]
    assert names == [*PARCELS, "all"]
    assert {row[0].value for row in book["Work of one visit"].iter_rows(2)} == set(PARCELS)
    days = [row[0].value for row in book["Crew days"].iter_rows(2)]
    assert {name for name in days[:-1] if name} == set(PARCELS)


def test_what_hangs_on_a_missing_rate_is_said_and_never_0(tmp_path: Path) -> None:
    """The walk-behind's hour has no price: its own sums are not known, nor are sums over it; other sums are."""
    tables, supervision = made(plan(machine_rates_h={"ride_on": 20.0, "Ride_on": 15.0}))
    write_bid(tmp_path / "bid.xlsx", tables, supervision)
    book = Worked(tmp_path / "bid.xlsx")
    costs = [n for n, f in enumerate(fields_of("totals")) if f.name.startswith("cost")]
    _, *rows = book.rows("By machine")
    for row in rows:
        shown = [row[n] for n in costs]
        if row[0] in ("walk_behind", "all"):
            assert shown == [UNKNOWN] * 3
        else:
            assert min(shown) > 0.0
        assert all(isinstance(value, float) for value in row[2 : costs[0]])
    assert [row[n] for row in book.rows("By parcel")[1:] for n in costs] == [UNKNOWN] * 3 * (len(PARCELS) + 1)
    summary = {row[0]: row[1:4] for row in book.rows("Summary")}
    assert summary["cost of the work"] == summary["cost in all"] == [UNKNOWN] * 3
    assert summary["work of people"][1] > 0.0
    at = [f.name for f in fields_of("work") if f.name != "visits"].index("cost")
    pieces = book.rows("Work of one visit")[1:]
    assert {row[at] for row in pieces if "walk_behind" in row} == {None}
    assert min(row[at] for row in pieces if "walk_behind" not in row) > 0.0
    write_bid(tmp_path / "bid.json", tables, supervision)
    content = json.loads((tmp_path / "bid.json").read_text())
    assert {row["cost"] for row in content["totals"] if row["by"] == "parcel"} == {None}
    assert {row["cost"] for row in content["work"] if row["machine"] == "walk_behind"} == {None}
    write_bid(tmp_path / "bid.csv", tables, supervision)
    head, *lines = read_csv(tmp_path / "bid.csv")
    for line in (dict(zip(head, line, strict=True)) for line in lines):
        assert (line["cost (money)"] == "") is (line["machine"] == "walk_behind")


def test_csv_holds_the_pieces_of_work(bid: tuple[Tables, float], tmp_path: Path) -> None:
    write_bid(tmp_path / "bid.csv", *bid)
    head, *rows = read_csv(tmp_path / "bid.csv")
    fields = fields_of("work")
    assert [text.endswith(f" ({f.unit})") for text, f in zip(head[:-1], fields, strict=True)] == [
        f.unit != "-" for f in fields
    ]
    work = bid[0]["work"]
    at = {f.name: n for n, f in enumerate(fields)}
    for name in ("parcel_id", "zone_id", "condition", "machine", "what"):
        # A text that a spreadsheet would take for a formula has an apostrophe in front (see test_csv_formulas.py).
        assert [row[at[name]].removeprefix("'") for row in rows] == work[name].tolist()
    assert [int(row[at["visits"]]) for row in rows] == work["visits"].tolist()
    for name in ("surface_m2", "edge_m", "hours_low", "hours", "hours_high", "person_hours", "cost"):
        assert [float(row[at[name]]) for row in rows] == pytest.approx(work[name].tolist(), abs=5.1e-5), name
    assert {row[at["pass_hours"]] for row in rows} == {""}
    # Spreadsheets take text without a byte-order mark for another encoding (common practice, no source).
    assert (tmp_path / "bid.csv").read_bytes().startswith(b"\xef\xbb\xbf")


def test_json_holds_every_table(bid: tuple[Tables, float], tmp_path: Path) -> None:
    write_bid(tmp_path / "bid.json", *bid)
    content = json.loads((tmp_path / "bid.json").read_text(encoding="utf-8"))
    assert list(content) == ["schema_version", "supervision", *BID_TABLES, "run_notes"]
    assert (content["schema_version"], content["supervision"]) == (SCHEMA_VERSION, 400.0)
    for name in BID_TABLES:
        assert len(content[name]) == len(bid[0][name]) > 0
        assert all(list(row) == [f.name for f in fields_of(name)] for row in content[name])
    # No rounding here.
    assert [row["hours"] for row in content["work"]] == bid[0]["work"]["hours"].tolist()
    assert {row["pass_hours"] for row in content["work"]} == {None}
    left = {(row["parcel_id"], row["condition"]) for row in content["not_priced"]}
    assert left >= {(parcel, "wet") for parcel in PARCELS}


def test_figures_are_those_of_the_files(bid: tuple[Tables, float]) -> None:
    figures = dict(bid[0]["figures"].itertuples(index=False))
    assert figures["machines.ride_on.speed_kmh"] == "10 (8 to 12)"
    assert figures["machines.crew.edge_rate_m_h"] == "120.0"
    assert figures["season.visits.wet"] == "3"
    assert figures["season.travel.cost_per_km"] == "0.4"
    assert "machines.ride_on.across_deg" not in figures and "hazards.stand_off_m" not in figures


def test_without_a_day_there_are_no_days(tmp_path: Path) -> None:
    alone = Season.model_validate({"schema": 1, "visits": {"dry": 2}})
    tables, supervision = made(alone)
    assert tables["crew_days"].empty
    write_bid(tmp_path / "bid.xlsx", tables, supervision)
    book = Worked(tmp_path / "bid.xlsx")
    assert len(book.rows("Crew days")) == 1
    assert "days of the crew" not in [row[0] for row in book.rows("Summary")]


def test_other_endings_and_bad_places_are_refused(bid: tuple[Tables, float], tmp_path: Path) -> None:
    with pytest.raises(OutputError, match=r"bid\.ods: this is written as \.xlsx, \.csv, \.json"):
        write_bid(tmp_path / "bid.ods", *bid)
    with pytest.raises(OutputError, match="nowhere"):
        write_bid(tmp_path / "nowhere" / "bid.csv", *bid)
    assert list(tmp_path.iterdir()) == []
