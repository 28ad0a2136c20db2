"""A table of one row a parcel as .csv, .xlsx or .json, with units in the header and no clock inside."""

import json
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass
from itertools import chain
from pathlib import Path
from typing import Any

from slopekit.outputs.atomic import written
from slopekit.outputs.csv_files import write_csv
from slopekit.outputs.workbook import Rows, Streamed, plain, rows_of, write_workbook

LONG_SHEET = "Parcels"


@dataclass(frozen=True)
class Column:
    name: str
    type: str
    """One of str, int, float, bool."""
    unit: str
    meaning: str


def write_summary_file(
    path: Path, columns: Sequence[Column], rows: Callable[[], Iterable[Mapping[str, Any]]], count: int, about: str,
    notes: Any, overwrite: bool = False,
) -> tuple[Path, ...]:  # fmt: skip
    """Write rows with the columns in order; what a row lacks is empty (null in JSON). Raises OutputError.

    rows: gives them, `count` of them, again with each call. about: one line on the order of the rows. notes: the table
    `run_notes`, for a sheet of its own and for JSON. overwrite: see `write_workbook`. Returns the files that were
    written, `path` last.
    """

    def values() -> Iterator[list[Any]]:
        return ([plain(row.get(c.name)) for c in columns] for row in rows())

    heads = [c.name if c.unit == "-" else f"{c.name} [{c.unit}]" for c in columns]
    if path.suffix not in (".csv", ".json"):
        told_of = [["column", "unit", "meaning"], *([c.name, c.unit, c.meaning] for c in columns)]
        parcels = Streamed(count + 1, lambda: chain([heads], values()))
        sheets: dict[str, Rows] = {LONG_SHEET: parcels, "Columns": told_of, "Notes": rows_of("run_notes", notes)}
        return write_workbook(path, sheets, overwrite)
    with written(path) as (temp,):
        if path.suffix == ".csv":
            write_csv(temp, chain([heads], values()))
        else:
            named = ({c.name: value for c, value in zip(columns, row, strict=True)} for row in values())
            told = [[str(v) for v in note] for note in notes.itertuples(index=False)]
            with temp.open("w", encoding="utf-8") as file:
                file.writelines(
                    _json({"about": about, "columns": [asdict(c) for c in columns]}, named, {"notes": told})
                )
    return (path,)


def _json(before: Mapping[str, Any], parcels: Iterable[Mapping[str, Any]], after: Mapping[str, Any]) -> Iterator[str]:
    """The text of one object, its list `parcels` row by row."""
    yield _text(before).removesuffix("\n}") + ',\n "parcels": ['
    between = ""
    for row in parcels:
        yield between + "\n  " + _text(row).replace("\n", "\n  ")
        between = ","
    yield ("\n ]" if between else "]") + "," + _text(after).removeprefix("{") + "\n"


def _text(content: Any) -> str:
    return json.dumps(content, indent=1, ensure_ascii=False, allow_nan=False)
