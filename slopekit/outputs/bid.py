"""A bid as a workbook whose totals are formulas, as CSV, or as JSON."""

import json
from collections.abc import Callable, Iterator, Mapping
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
from xlsxwriter.utility import xl_col_to_name

from slopekit.errors import OutputError
from slopekit.labour.totals import CREW_MODEL, added, work_sums
from slopekit.outputs.atomic import written
from slopekit.outputs.csv_files import write_csv
from slopekit.outputs.report import table_rows
from slopekit.outputs.spill import frames_of
from slopekit.outputs.workbook import (
    METRIC,
    Columns,
    Formula,
    Rows,
    Streamed,
    head_of,
    plain,
    rows_of,
    too_many,
    value_of,
    write_workbook,
)
from slopekit.schema.fields import SCHEMA_VERSION, fields_of
from slopekit.schema.layers import BID_TABLES
from slopekit.texts import line_of
from slopekit.wording import UNITS, Units

ENDINGS = (".xlsx", ".csv", ".json")
_SUMMED_BY = {"parcel": "parcel_id", "machine": "machine", "class": "machine_class", "condition": "condition"}
_UNKNOWN = "not known: a rate is missing"
_WHOLE_CREW = "(whole crew)"
_ENDS = ("_low", "", "_high")
# Sums of the season count ground once a visit, which a header must say.
_EACH_VISIT = ", each visit counted ("
_MOST_FORMULAS = 500
"""Rows of a sheet of sums that are formulas; thousands of them over thousands of pieces take minutes to open."""
# The sheet of pieces of work is of one visit: visits stand in one place, where they can be changed.
_WORK = [f for f in fields_of("work") if f.name != "visits"]
_PIECES = "Work of one visit"
# Sums go by numbers: a spreadsheet takes names that differ in case for one, and signs in them for wildcards.
_COLUMN = {name: xl_col_to_name(n) for n, name in enumerate([*(f.name for f in _WORK), *_SUMMED_BY])}
LONG_SHEETS = (*(f"By {by}" for by in _SUMMED_BY), "Crew days", _PIECES, "Not priced")
"""Those whose rows grow with the parcels."""
_DAYS = {f.name: xl_col_to_name(n) for n, f in enumerate(fields_of("crew_days"))}


def write_bid(
    path: str | Path,
    tables: Mapping[str, Any],
    supervision: float,
    overwrite: bool = False,
    units: Units = UNITS["metric"],
) -> tuple[Path, ...]:
    """Write the tables of a bid (`layers.BID_TABLES` and run_notes) by the ending of the name.

    .xlsx: one sheet a topic, totals as formulas over the pieces of work; such tables may be `Filed` on the disk. .csv:
    the pieces of work. .json: every table. supervision: money in the season. overwrite: see `write_workbook`. units: of
    the workbook; the others are metric. Returns the files that were written, `path` last. Raises OutputError for
    another ending or a place that cannot take them.
    """
    content = {"supervision": supervision}
    named = {n: tables[n] for n in (*BID_TABLES, "run_notes")}
    return _write(path, lambda: _sheets(tables, supervision, units), "work", named, overwrite, content)


def _write(
    path: str | Path,
    sheets: Callable[[], Mapping[str, Rows]],
    main: str,
    tables: Mapping[str, Any],
    overwrite: bool,
    more: Mapping[str, Any] | None = None,
) -> tuple[Path, ...]:
    """Sheets as .xlsx, the main table as .csv, or all tables and more as .json."""
    suffix = Path(path).suffix.lower()
    if suffix not in ENDINGS:
        raise OutputError(f"{path}: this is written as {', '.join(ENDINGS)}, so give the name one of these endings.")
    if suffix == ".xlsx":
        return write_workbook(Path(path), sheets(), overwrite)
    with written(path) as (temp,):
        if suffix == ".csv":
            write_csv(temp, rows_of(main, tables[main]))
        else:
            content = {"schema_version": SCHEMA_VERSION, **(more or {})}
            content |= {name: table_rows(name, table) for name, table in tables.items()}
            text = json.dumps(content, indent=2, ensure_ascii=False, allow_nan=False)
            temp.write_text(text + "\n", encoding="utf-8")
    return (Path(path),)


def print_bid(tables: Mapping[str, Any], units: Units = UNITS["metric"]) -> str:
    """A text table of the hours of the season by class, with low and high, and what is not priced."""
    sums, left = tables["totals"], tables["not_priced"]
    classes = sums[sums["by"] == "class"]
    lines = [f"{'class':<20}  {'hours':>9}  {'low':>9}  {'high':>9}  {'money':>12}"]
    for row in classes.to_dict("records"):
        money = f"{row['cost']:>12,.2f}" if row["cost"] == row["cost"] else f"{'-':>12}"
        hours = f"{row['hours']:>9,.1f}  {row['hours_low']:>9,.1f}  {row['hours_high']:>9,.1f}"
        lines.append(f"{row['name'] or _WHOLE_CREW:<20}  {hours}  {money}")
    for name, area in left.groupby("condition", sort=False)["plan_m2"].sum().items():
        if area > 0.0:
            lines.append(f"Not priced ({line_of(str(name))}): {units.area(area)} that nobody is given, see not_priced")
    return "\n".join(lines) + "\n"


def print_comparison(table: Any) -> str:
    """What changes for all parcels together, as a text table."""
    rows = [("in the season, expected", "first", "second", "change", "unit")]
    for row in table[table["parcel_id"] == ""].to_dict("records"):
        if row["first"] or row["second"]:
            rows.append((row["what"], *(_number(row[name]) for name in ("first", "second", "change")), row["unit"]))
    widths = [max(len(row[n]) for row in rows) for n in range(5)]
    lines = []
    for what, *numbers, unit in rows:
        told = "  ".join(f"{text:>{width}}" for text, width in zip(numbers, widths[1:4], strict=True))
        lines.append(f"{what:<{widths[0]}}  {told}  {unit}".rstrip())
    return "\n".join(lines) + "\n"


def _number(value: float) -> str:
    return "-" if value != value else f"{value:,.1f}"


def write_comparison(path: str | Path, table: Any, run_notes: Any, overwrite: bool = False) -> tuple[Path, ...]:
    """Write a comparison by the ending of the name: .xlsx, .csv or .json. Returns and raises as `write_bid`."""
    tables = {"comparison": table, "run_notes": run_notes}
    return _write(
        path,
        lambda: {"Comparison": rows_of("comparison", table), "Notes": rows_of("run_notes", run_notes)},
        "comparison",
        tables,
        overwrite,
    )


def _sheets(tables: Mapping[str, Any], supervision: float, units: Units) -> dict[str, Rows]:
    shown = units.columns
    work, sums, rounds, left = (tables[name] for name in ("work", "totals", "crew_days", "not_priced"))
    every, visits = work_sums(), dict[str, int]()
    for frame in frames_of(work):
        every.add(frame)
        visits |= frame.groupby("condition", sort=False)["visits"].first().to_dict()
    names: dict[str, list[str]] = {by: [] for by in _SUMMED_BY}
    for frame in frames_of(sums):
        for by, own in frame.groupby("by")["name"]:
            names[by] += own.tolist()
    pieces = Streamed(len(work) + 1, lambda: _pieces(work, names, shown))
    # Formulas need the pieces in a sheet.
    season = None if too_many(pieces) else partial(_over_work, len(work), len(visits))
    days = Streamed(len(rounds) + 1 + (len(rounds) > 0), lambda: _crew_days(frames_of(rounds), list(visits)))
    numbered = enumerate(visits.items(), 1)
    of_all = every.table()
    of_all["visits"] = of_all["condition"].map(visits)
    return {
        "Summary": _summary(of_all, tables, supervision, season, days, units),
        **{f"By {by}": _totals(sums, by, len(names[by]), season, shown) for by in _SUMMED_BY},
        "Visits": [["condition", "no.", "visits in the season"], *([name, n, int(v)] for n, (name, v) in numbered)],
        "Crew days": days,
        _PIECES: pieces,
        "Not priced": Streamed(len(left) + 1, lambda: _every_row("not_priced", frames_of(left), shown)),
        "Figures": rows_of("figures", tables["figures"]),
        "Notes": rows_of("run_notes", _said(tables["run_notes"], units)),
    }


def _said(notes: Any, units: Units) -> Any:
    """The notes in the units of the workbook, but for what the user's own files are called and say."""
    own = notes["topic"].isin(["inputs", "settings"])
    return notes.assign(value=notes["value"].where(own, notes["value"].map(units.sentence)))


def _every_row(layer: str, frames: Iterator[Any], shown: Columns = METRIC) -> Iterator[list[Any]]:
    """Header and rows of a table that comes frame by frame."""
    head: list[list[Any]] = []
    for frame in frames:
        first, *rows = rows_of(layer, frame, shown)
        yield from [*([] if head else [first]), *rows]
        head = head or [first]


def _pieces(work: Any, names: Mapping[str, list[str]], shown: Columns) -> Iterator[list[Any]]:
    """The pieces of work without their visits, and for each the rows of the other sheets that it belongs to."""
    at = [f.name for f in fields_of("work")].index("visits")
    places = {by: {name: n for n, name in enumerate(own, 1)} for by, own in names.items()}
    for first, frame in enumerate(frames_of(work)):
        named = frame.assign(**{c: frame[c].replace("", _WHOLE_CREW) for c in ("machine", "machine_class")})
        head, *rows = [row[:at] + row[at + 1 :] for row in rows_of("work", named, shown)]
        if first == 0:
            yield [*head, *(f"{by} no." for by in _SUMMED_BY)]
        numbers = [[places[by][name] for name in frame[column]] for by, column in _SUMMED_BY.items()]
        yield from ([*row, *of] for row, *of in zip(rows, *numbers, strict=True))


def _crew_days(frames: Iterator[Any], conditions: list[str]) -> Iterator[list[Any]]:
    """The days of a season follow the sheet of visits. Last stands what they rest on."""
    names, number = [f.name for f in fields_of("crew_days")], 0
    for number, row in enumerate(_every_row("crew_days", frames), start=1):
        if number > 1:
            visits, at = conditions.index(row[names.index("condition")]) + 2, names.index("visits")
            row[at] = Formula(f"=Visits!$C${visits}", row[at])
            for end in _ENDS:
                at = names.index(f"days_per_season{end}")
                row[at] = Formula(f"={_DAYS[f'days_per_visit{end}']}{number}*{_DAYS['visits']}{number}", row[at])
        yield row
    if number > 1:
        yield [CREW_MODEL]


def _over_work(pieces: int, conditions: int, field: str, by: str = "", only: str = "") -> str:
    """The sum of a column of the pieces of work over the season: for each condition its visits times one visit."""

    def column(name: str) -> str:
        return f"'{_PIECES}'!${_COLUMN[name]}$2:${_COLUMN[name]}${pieces + 1}"

    also = f",{column(by)},{only}" if by else ""
    parts = [
        f"SUMIFS({column(field)},{column('condition')},Visits!$B${n}{also})*Visits!$C${n}"
        for n in range(2, conditions + 2)
    ]
    return "=" + ("+".join(parts) or "0")


def _totals(sums: Any, by: str, count: int, season: Callable[..., str] | None, shown: Columns) -> Rows:
    """One row a parcel, machine, class or condition. What hangs on a missing rate is said to be unknown, not 0.

    season: `_over_work` for the pieces at hand. With many rows, or without it, the sums are plain numbers.
    """
    fields = [f for f in fields_of("totals") if f.name not in ("by", "name")]
    heads = [head_of(f, shown).replace(" (", _EACH_VISIT if f.unit in ("m", "m2") else " (") for f in fields]
    own = season if count <= _MOST_FORMULAS else None

    def rows() -> Iterator[list[Any]]:
        yield [by, "no.", *heads]
        n, in_all = 0, {f.name: 0.0 for f in fields}
        for frame in frames_of(sums):
            for record in frame[frame["by"] == by].to_dict("records"):
                n += 1
                cells: list[Any] = []
                for f in fields:
                    value = round(record[f.name] * shown.get(f.unit, (1.0, ""))[0], 4)
                    in_all[f.name] += value
                    text = None if own is None else own(f.name, by, f"$B{n + 1}")
                    cells.append(_UNKNOWN if value != value else _cell(text, value))
                yield [record["name"] or _WHOLE_CREW, n, *cells]
        if n:
            letters = [xl_col_to_name(c) for c in range(2, len(fields) + 2)]
            ends = [
                _UNKNOWN if value != value else Formula(f"=SUM({letter}2:{letter}{n + 1})", value)
                for letter, value in zip(letters, in_all.values(), strict=True)
            ]
            yield ["all", None, *ends]

    return Streamed(count + 1 + (count > 0), rows)


def _cell(formula: str | None, value: float) -> Any:
    return value if formula is None else Formula(formula, value)


def _summary(
    work: Any, tables: Mapping[str, Any], supervision: float, season: Callable[..., str] | None, sheet: Rows,
    units: Units,
) -> Rows:  # fmt: skip
    """work: sums over all parcels for one visit, with their visits. sheet: of the crew's days."""
    days = next(frames_of(tables["crew_days"]))
    rounds = days[days["parcel_id"] == ""]

    def three(field: str, what: str = "") -> list[Any]:
        part = work[work["what"] == what] if what else work
        sums = [float((part[f"{field}{end}"] * part["visits"]).sum()) for end in _ENDS]
        texts = [season and season(f"{field}{end}", "what" if what else "", f'"{what}"') for end in _ENDS]
        return [_cell(text, plain(value)) for text, value in zip(texts, sums, strict=True)]

    def of_rounds(field: str) -> list[Any]:
        """Low, expected and high of the rounds of a season."""
        out = []
        for end in _ENDS:
            column, visits = _DAYS[f"{field}{end}"], _DAYS["visits"]
            parts = [f"'Crew days'!{column}{n}*'Crew days'!{visits}{n}" for n in range(2, len(rounds) + 2)]
            text = None if too_many(sheet) else "=" + "+".join(parts)
            out.append(_cell(text, plain(float((rounds[f"{field}{end}"] * rounds["visits"]).sum()))))
        return out

    rows: list[list[Any]] = [["in the season", "low", "expected", "high", "unit"]]
    rows.append(["work of machines and crews", *three("hours"), "h"])
    rows.append(["work of people", *three("person_hours"), "person-hours"])
    rows.append(["of it hand work", *three("person_hours", "hand work"), "person-hours"])
    rows.append(["of it edges", *three("person_hours", "edges"), "person-hours"])
    if len(rounds):
        rows.append(["days of the crew", *of_rounds("days_per_visit"), "days"])
        rows.append(["paid hours of people", *of_rounds("paid_hours_per_visit"), "person-hours"])
        rows.append(["of them idle", *of_rounds("idle_hours_per_visit"), "person-hours"])
    unknown = [_UNKNOWN] * 3
    money: dict[str, list[Any]] = {"cost of the work": three("cost") if work["cost"].notna().all() else unknown}
    if len(rounds):
        paid = rounds["idle_cost_per_visit"].notna().all()
        money["cost of idle hours"] = of_rounds("idle_cost_per_visit") if paid else unknown
    money["supervision"] = [supervision] * 3
    at = range(len(rows) + 1, len(rows) + len(money) + 1)
    in_all: list[Any] = unknown
    if unknown not in money.values():
        worth = np.sum([[value_of(cell) for cell in cells] for cells in money.values()], axis=0)
        texts = ["=" + "+".join(f"{column}{n}" for n in at) for column in "BCD"]
        in_all = [Formula(text, float(value)) for text, value in zip(texts, worth, strict=True)]
    rows += [[name, *cells, "money"] for name, cells in {**money, "cost in all": in_all}.items()]
    areas: dict[str, tuple[float, float]] = {}
    for frame in frames_of(tables["not_priced"]):
        for name, own in frame.groupby("condition", sort=False)["plan_m2"]:
            areas[name] = added(areas.get(name, (0.0, 0.0)), own)
    for name, (area, _) in areas.items():
        if area > 0.0:
            factor, unit = units.columns.get("m2", (1.0, "m2"))
            rows.append([f"ground that nobody is given, {name}", None, round(area * factor, 1), None, unit])
    told = ("Hours are planning figures and permit nothing.", "Read the sheets 'Not priced' and 'Notes'.")
    return [*rows, *([sentence] for sentence in told)]
