"""Rows as CSV that spreadsheets cannot take for formulas, and that read back the same."""

import csv
import re
from collections.abc import Iterable, Sequence
from itertools import chain, repeat
from pathlib import Path
from typing import Any

from slopekit.wording import CAUTION

# What begins a formula, as OWASP's page "CSV Injection" lists it; the wide forms are those of East Asian keyboards.
_SIGNS = "=+\\-@\uff1d\uff0b\uff0d\uff20"
# Spreadsheets pass over white space, and some over marks that nobody sees.
_UNSEEN = "\\s\x00-\x1f\x7f-\x9f\u200b-\u200f\u202a-\u202e\u2060-\u2069\ufeff"
# A program that divides cells by tabs, semicolons or lines would begin another cell there.
_FORMULA = re.compile(f"(^|[\t\r\n;])(?=[{_UNSEEN}']*[{_SIGNS}])|^(?='*[\t\r\n])")


def write_csv(path: Path, rows: Iterable[Sequence[Any]]) -> None:
    """Write rows, the heads first, as CSV (RFC 4180) in UTF-8 with a byte order mark, texts made harmless by `as_text`.

    A last column `caution` holds the caution in its first row: unlike a line above the heads or below the rows, it
    leaves a table that every reader takes as it is.
    """
    said = chain(["caution", CAUTION], repeat(""))
    with path.open("w", newline="", encoding="utf-8-sig") as file:
        table = ((*row, told) for row, told in zip(rows, said, strict=False))
        csv.writer(file).writerows([as_text(value) for value in row] for row in table)


def as_text(value: Any) -> Any:
    """A cell's value such that a spreadsheet does not work it out. Numbers stay numbers, a minus in front included.

    A text gets an apostrophe in front of what would begin a formula: at its start, and after a tab, a semicolon or a
    line break in it. One that is there already counts as part of the text. So to read back, take one apostrophe away at
    each such place where only apostrophes and white space follow before one of = + - @.
    """
    return _FORMULA.sub(r"\1'", value) if isinstance(value, str) else value
