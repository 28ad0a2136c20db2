"""What slopekit has written in a folder, by name, size and hash: nothing else is ever replaced unless the user says so.

The record is a file of JSON lines in the folder itself. A line is added before a file is put in place, so that a kill
between the two leaves a file that is known. A line that was cut or damaged counts for nothing.
"""

import contextlib
import json
import os
from collections.abc import Iterable
from pathlib import Path

from slopekit.errors import InputError, OutputError
from slopekit.sources.checksum import content_of

RECORD = ".slopekit_outputs.jsonl"
Mark = tuple[int, str]
"""Size and SHA-256 of a content (see `sources.checksum.content_of`)."""


def note(final: Path, content: Path) -> None:
    """Note in the record of the folder of `final` that slopekit puts this content there."""
    size, digest = _mark(content)
    line = json.dumps({"name": final.name, "size": size, "sha256": digest}).encode() + b"\n"
    # A record that cannot be written costs a question later; the result is whole without it.
    with contextlib.suppress(OSError):
        # Not through a link, which may lead to somebody's file.
        flags = os.O_RDWR | os.O_APPEND | os.O_CREAT | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_BINARY", 0)
        handle = os.open(final.with_name(RECORD), flags, 0o666)
        try:
            end = os.lseek(handle, 0, os.SEEK_END)
            if end:
                os.lseek(handle, end - 1, os.SEEK_SET)
                # What was cut off must not spoil this line too.
                line = line if os.read(handle, 1) == b"\n" else b"\n" + line
            os.write(handle, line)
        finally:
            os.close(handle)


def is_ours(target: Path) -> bool:
    """Whether a file is there and is, byte for byte, what slopekit wrote there once."""
    place = Path(os.path.realpath(target))
    return place.is_file() and _mark(place) in _known(place, {})


def refuse_foreign(targets: Iterable[Path], overwrite: bool) -> None:
    """Raise InputError for a target that is there and is not, byte for byte, what slopekit wrote there once."""
    known: dict[Path, dict[str, set[Mark]]] = {}
    for target in [] if overwrite else targets:
        place = Path(os.path.realpath(target))
        if place.is_file() and _mark(place) not in _known(place, known):
            raise InputError(
                f"{target}: this file is not one that slopekit wrote here, or it was edited since; move it away, name "
                "another, or have it replaced with --overwrite."
            )


def refuse_edited(older: Iterable[Path], overwrite: bool) -> None:
    """Raise InputError for a result of an earlier run that was edited since and that the new results have not.

    A file that slopekit never wrote is nobody's result, and stays.
    """
    for path in [] if overwrite else older:
        if path.is_file() and (marks := _known(path, {})) and _mark(path) not in marks:
            raise InputError(
                f"{path}: slopekit wrote this file, it was edited since, and beside the new results it would be taken "
                "for one of them; move it away, or have it removed with --overwrite."
            )


def take_away(older: Iterable[Path], overwrite: bool = False) -> None:
    """Remove results of an earlier run: those that are as slopekit wrote them, and with `overwrite` edited ones too.

    Raises OutputError."""
    for path in older:
        if path.is_file() and (marks := _known(path, {})) and (overwrite or _mark(path) in marks):
            try:
                path.unlink()
            except OSError as error:
                raise OutputError(
                    f"{path} is a result of an earlier run and cannot be taken away ({error.strerror}): close it where "
                    "it is open, or remove it by hand."
                ) from error


def _mark(path: Path) -> Mark:
    size, digest = content_of(path)
    return size, digest.hex()


def _known(place: Path, folders: dict[Path, dict[str, set[Mark]]]) -> set[Mark]:
    """Every content that slopekit has put in a place. folders: what was read already."""
    if place.parent not in folders:
        folders[place.parent] = _read(place.with_name(RECORD))
    return folders[place.parent].get(place.name, set())


def _read(record: Path) -> dict[str, set[Mark]]:
    found: dict[str, set[Mark]] = {}
    with contextlib.suppress(OSError):
        for text in record.read_bytes().splitlines():
            with contextlib.suppress(ValueError, TypeError, KeyError):
                line = json.loads(text)
                found.setdefault(line["name"], set()).add((line["size"], line["sha256"]))
    return found
