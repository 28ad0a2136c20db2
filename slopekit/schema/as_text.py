"""Lists and ids as the texts that tables hold: made here, and read back here."""

from collections.abc import Iterable


def joined(values: Iterable[str]) -> str:
    """A list in one field, such as 'a,b'; empty for none."""
    return ",".join(values)


def listed(text: object) -> tuple[str, ...]:
    """The list in a field of a table; none where the field is empty or missing."""
    return tuple(filter(None, text.split(","))) if isinstance(text, str) else ()


def zone_id(parcel_id: str, number: int, *, spot: bool) -> str:
    """The id of a zone, or of a row that gathers spots. Each kind is numbered from 1."""
    return f"{parcel_id}-{'s' if spot else 'z'}{number}"


def excluded_id(parcel_id: str) -> str:
    """The id of the ground that the user's layer leaves out."""
    return f"{parcel_id}-x1"


def is_spot(zone_id: str) -> bool:
    """Whether a row of a table that was read gathers spots: its id alone tells there."""
    return zone_id.rpartition("-")[2].startswith("s")
