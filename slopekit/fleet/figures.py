"""Figures as people type them: a number, or a range of low, expected and high."""

import difflib
import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Annotated, Any

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, PlainSerializer
from pydantic_core import PydanticCustomError

RULE = "file_rule"
"""Type of the errors that `refuse` makes."""


class FrozenModel(BaseModel):
    """A table of a file."""

    # Strict: a number in quotes is a typing slip, and a slope typed as text would be read wrongly.
    model_config = ConfigDict(frozen=True, extra="forbid", strict=True, allow_inf_nan=False)


def refuse(key: str, value: object, fix: str) -> PydanticCustomError:
    """An error that names the key (below the table in hand), the value and what to type instead."""
    return PydanticCustomError(RULE, "{fix}", {"key": key, "value": value, "fix": fix})


def nearest(word: str, known: Iterable[str]) -> str | None:
    """The known word that a misspelt one most likely means, or None."""
    found = difflib.get_close_matches(word, list(known), n=1)
    return found[0] if found else None


@dataclass(frozen=True)
class Range:
    """A figure with its doubt: low <= expected <= high, in whatever unit the figure has."""

    low: float
    expected: float
    high: float

    @classmethod
    def exactly(cls, value: float) -> "Range":
        """A figure without doubt."""
        return cls(value, value, value)

    @property
    def ends(self) -> tuple[float, float, float]:
        return self.low, self.expected, self.high

    def __str__(self) -> str:
        if self.low == self.high:
            return f"{self.expected:g}"
        return f"{self.expected:g} ({self.low:g} to {self.high:g})"


NOTHING = Range.exactly(0.0)
_ENDS = ("low", "expected", "high")


def _figure(most: float, zero: bool, fix: str) -> Any:
    """A type that reads a number or a range, each end up to `most` and over 0, or 0 where `zero`."""

    def read(value: Any) -> Range:
        if isinstance(value, Range):
            return value
        ends = value if isinstance(value, Mapping) else dict.fromkeys(_ENDS, value)
        if set(ends) != {*_ENDS}:
            raise refuse("", None, "must be one number, or all of { low = , expected = , high = }")
        for end in ends.values():
            if isinstance(end, bool) or not isinstance(end, int | float) or not math.isfinite(end):
                fix_type = "is not a plain number: type one without quotes, or { low = , expected = , high = }"
                raise refuse("", end, fix_type)
            if not 0.0 <= end <= most or (end == 0.0 and not zero):
                raise refuse("", end, fix)
        low, expected, high = (float(ends[end]) for end in _ENDS)
        if not low <= expected <= high:
            rising = f"must lie between low = {low:g} and high = {high:g}: type them in rising order"
            raise refuse("expected", expected, rising)
        return Range(low, expected, high)

    def plain(value: Range) -> float | str:
        return value.expected if value.low == value.high else str(value)

    return Annotated[Range, BeforeValidator(read), PlainSerializer(plain)]


Amount = _figure(1e6, True, "must be at least 0 and at most 1 000 000: correct the number")
Rate = _figure(1e6, False, "must be over 0 and at most 1 000 000: correct the number, or delete the line")
Speed = _figure(60.0, False, "must be over 0 and at most 60 km/h: correct the number, or delete the line")
Share = _figure(1.0, False, "must be over 0 and at most 1: type 0.8 for 80 %, or delete the line")
Part = Annotated[float, Field(gt=0.0, le=1.0)]
