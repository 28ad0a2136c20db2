"""Every field and band that slopekit writes, with type, unit and meaning.

Schemas, documentation, legends and tests read it. Names with `<condition>` stand for one field per condition of the
fleet file.
"""

from collections.abc import Iterable
from dataclasses import dataclass

from slopekit.schema.field_rows import ROWS

SCHEMA_VERSION = 5


@dataclass(frozen=True)
class Field:
    layer: str
    name: str
    type: str
    """One of str, int, float, bool."""
    unit: str
    meaning: str

    def expand(self, conditions: Iterable[str]) -> list["Field"]:
        if "<condition>" not in self.name:
            return [self]
        return [
            Field(self.layer, self.name.replace("<condition>", c), self.type, self.unit,
                  self.meaning.replace("<condition>", f"'{c}'"))
            for c in conditions
        ]  # fmt: skip


def _read(layer: str, rows: str) -> list[Field]:
    return [Field(layer, *(part.strip() for part in row.split("|", 3))) for row in rows.strip().splitlines()]


FIELDS: tuple[Field, ...] = tuple(field for layer, rows in ROWS.items() for field in _read(layer, rows))


def fields_of(layer: str, conditions: Iterable[str] = ()) -> list[Field]:
    """The fields of one layer in output order, with `<condition>` written out."""
    names = list(conditions)
    return [g for f in FIELDS if f.layer == layer for g in f.expand(names)]
