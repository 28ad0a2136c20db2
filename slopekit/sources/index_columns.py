"""What the columns of an index of tiles say: which tells what, which rows are wanted, and their texts as values."""

import re
from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any

from slopekit.errors import InputError
from slopekit.sources.vectors import as_text

# Names of columns in the order in which they are believed. GDAL's manual, gdaltindex and GTI, names the first of each
# of address and sort; the others are those of published indexes (see presets.toml) and common practice, no source.
_GUESSES: Mapping[str, tuple[str, ...]] = {
    "address": ("location", "dataset_link", "download_url", "downloadurl", "href", "url", "link", "path", "filename",
                "file"),
    "survey": ("survey", "project", "project_name", "collection", "workunit", "dataset", "product"),
    "date": ("acquisition_date", "survey_date", "measured", "flown", "collect_end", "collection_date", "datetime",
             "start_datetime", "capture_date", "acquisition_year", "survey_year", "date", "year"),
    "cell": ("cell_m", "cell", "cellsize", "cell_size", "resolution", "gsd", "pixel_size", "res"),
    "datum": ("vertical_datum", "vert_datum", "vdatum", "height_datum", "vertical_crs"),
    "error": ("vertical_rmse", "rmse_z", "rmsez", "z_rmse", "vert_rmse", "vertical_error"),
    "filled": ("voids_filled", "void_fill", "filled_voids", "voids", "backfill"),
    "bytes": ("bytes", "file_size", "filesize", "size"),
    "credit": ("credit", "attribution", "licence", "license"),
}  # fmt: skip
COLUMNS = tuple(_GUESSES)
_SHOWN = 10
"""Values of a column that a sentence names."""
_LOOKS_LIKE = re.compile(r"(?i)(https?://|/vsi)\S+|\S.*\.tiff?")
_DAY = re.compile(r"\s*((?:18|19|20)\d\d)(?:[-/.]?(\d\d)(?:[-/.]?(\d\d))?)?(?!\d)")


def columns_of(
    names: Sequence[str],
    rows: Sequence[Mapping[str, Any]],
    given: Mapping[str, str],
    told: Mapping[str, str],
    shown: str,
) -> tuple[dict[str, str], tuple[str, ...]]:
    """Which column tells what, and a sentence on what was guessed. Raises InputError where none holds addresses."""
    lower = {name.lower(): name for name in reversed(names)}
    found: dict[str, str] = {}
    guessed = []
    for what, guesses in _GUESSES.items():
        named = given.get(what) or (told.get("LOCATION_FIELD", "") if what == "address" else "")
        if named:
            if named not in names:
                raise InputError(f"{shown}: the index has no column '{named}', so name one of: {', '.join(names)}.")
            found[what] = named
            continue
        column = next((lower[g] for g in guesses if g in lower), None)
        if column is None and what == "address":
            column = next((c for c in names if _all_addresses(rows, c)), None)
        if column is not None:
            found[what] = column
            guessed.append(f"{what} from '{column}'")
    if "address" not in found:
        raise InputError(
            f"{shown}: no column of the index looks like addresses or paths of tiles, so name it with --column "
            "address=NAME,"
            f" one of: {', '.join(names) or 'none'}."
        )
    return found, (f"Guessed from the names of columns: {', '.join(guessed)}.",) if guessed else ()


def _all_addresses(rows: Sequence[Mapping[str, Any]], column: str) -> bool:
    some = [as_text(row[column]) for row in rows[:20]]
    return bool(some) and all(_LOOKS_LIKE.fullmatch(text) for text in some)


def matching(rows: Sequence[Mapping[str, Any]], only: Mapping[str, str], shown: str) -> list[int]:
    """Numbers of the rows whose columns say what --only wants; numbers are compared as such.

    Raises InputError, naming what the columns say, where there are rows and none fits.
    """
    found = [n for n, row in enumerate(rows) if all(_says(row.get(c), wanted) for c, wanted in only.items())]
    if found or not rows:
        return found
    for column, wanted in only.items():
        said = sorted({as_text(row[column]) for row in rows if column in row} - {""})
        if not said:
            names = ", ".join(dict.fromkeys(name for row in rows for name in row))
            raise InputError(f"{shown}: the index has no column '{column}' for --only, so name one of: {names}.")
        if not any(_says(row.get(column), wanted) for row in rows):
            told = ", ".join(said[:_SHOWN]) + (f" and {len(said) - _SHOWN} more" if len(said) > _SHOWN else "")
            raise InputError(
                f"{shown}: no tile near the parcels has '{wanted}' in the column '{column}' of --only, which says: "
                f"{told}."
            )
    raise InputError(f"{shown}: no tile near the parcels has all that --only asks for, so ask for less.")


def _says(value: Any, wanted: str) -> bool:
    if as_text(value) == wanted:
        return True
    try:
        return isinstance(value, int | float) and float(wanted) == value
    except ValueError:
        return False


def orders(values: Sequence[Any], ascending: bool) -> list[float]:
    known = sorted({v for v in values if v is not None}, key=lambda v: (isinstance(v, str), v), reverse=not ascending)
    place = {v: float(n) for n, v in enumerate(known, 1)}
    return [place.get(v, 0.0) for v in values]


def day(text: str) -> str:
    found = _DAY.match(text)
    if found is None:
        return ""
    parts = [p for p in found.groups() if p]
    try:
        date(int(parts[0]), *(int(p) for p in (*parts[1:], *("1",) * (3 - len(parts)))))
    except ValueError:
        return ""
    return "-".join(parts)


def positive(text: str) -> float | None:
    found = re.match(r"\s*([0-9]*\.?[0-9]+(?:[eE][-+]?\d+)?)\s*(m|metres?|meters?)?\s*$", text)
    value = float(found[1]) if found else 0.0
    return value if 0.0 < value < float("inf") else None
