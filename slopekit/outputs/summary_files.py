"""A table of one row a parcel as .csv, .xlsx or .json, with units in the header and no clock inside."""

import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from slopekit.outputs.atomic import written
from slopekit.outputs.csv_files import write_csv
from slopekit.outputs.workbook import plain, rows_of, save_workbook


@dataclass(frozen=True)
class Column:
    name: str
    type: str
    """One of str, int, float, bool."""
    unit: str
    meaning: str


def write_summary_file(
    path: Path, columns: Sequence[Column], rows: Sequence[Mapping[str, Any]], about: str, notes: Any
) -> None:
    """Write rows with the columns in order; what a row lacks is empty (null in JSON). Raises OutputError.

    about: one line on the order of the rows. notes: the table `run_notes`, for a sheet of its own and for JSON.
    """
    values = [[plain(row.get(c.name)) for c in columns] for row in rows]
    heads = [c.name if c.unit == "-" else f"{c.name} [{c.unit}]" for c in columns]
    told = [[str(v) for v in note] for note in notes.itertuples(index=False)]
    with written(path) as (temp,):
        if path.suffix == ".csv":
            write_csv(temp, [heads, *values])
        elif path.suffix == ".json":
            content = {
                "about": about,
                "columns": [asdict(c) for c in columns],
                "parcels": [dict(zip((c.name for c in columns), row, strict=True)) for row in values],
                "notes": told,
            }
            text = json.dumps(content, indent=1, ensure_ascii=False, allow_nan=False)
            temp.write_text(text + "\n", encoding="utf-8")
        else:
            told_of = [["column", "unit", "meaning"], *([c.name, c.unit, c.meaning] for c in columns)]
            save_workbook(temp, {"Parcels": [heads, *values], "Columns": told_of, "Notes": rows_of("run_notes", notes)})
