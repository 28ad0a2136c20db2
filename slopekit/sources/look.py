"""A look at input files before the work, to be compared with a second one after it."""

from collections.abc import Iterable
from dataclasses import dataclass

from slopekit.sources.checksum import ASIDE, Mark, checksum, file_marks

_CHEAP = 200_000_000
"""Bytes in all up to which a file that was only touched is told from one that has changed."""


@dataclass(frozen=True)
class Look:
    """What files looked like."""

    names: tuple[str, ...]
    marks: tuple[Mark, ...]
    content: tuple[str, ...]
    """Fingerprint of each; empty where reading all would cost too much."""


def look(names: Iterable[str]) -> Look:
    """Names, sizes, times and, where they are small together, contents of the files."""
    files = tuple(dict.fromkeys(names))
    marks = tuple(file_marks(files))
    cheap = sum(max(size, 0) for _, size, _ in marks) < _CHEAP
    return Look(files, marks, tuple(checksum([file]) for file in files) if cheap else ())


def changed_since(before: Look) -> list[str]:
    """The files that are not what they were, by name."""
    marks = file_marks(before.names)
    if tuple(marks) == before.marks:
        return []
    if before.content and sum(max(size, 0) for _, size, _ in marks) < _CHEAP:
        return [n for n, old in zip(before.names, before.content, strict=True) if checksum([n]) != old]
    changed = {name for name, *_ in {*before.marks} ^ {*marks}}
    return [name for name in before.names if changed & {name, name + ASIDE}]
