"""Rows as CSV."""

import csv
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any


def write_csv(path: Path, rows: Iterable[Sequence[Any]]) -> None:
    """Write rows as CSV (RFC 4180) in UTF-8 with a byte order mark."""
    with path.open("w", newline="", encoding="utf-8-sig") as file:
        csv.writer(file).writerows(rows)
