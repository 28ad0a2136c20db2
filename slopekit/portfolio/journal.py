"""The one record of a run: what is done, under which key, in which part. Lines are only ever added.

The line of a part is written before its files, with their sizes and hashes. So no file of ours is ever unknown, and a
part counts when its files are as its line says.
"""

import contextlib
import os
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from types import TracebackType
from typing import Any

from slopekit.errors import InputError, OutputError
from slopekit.grid import Bounds
from slopekit.portfolio.sealed import opened, sealed
from slopekit.windows import lock

try:
    import fcntl
except ImportError:  # Windows has locks of its own.
    fcntl = None  # type: ignore[assignment]

HEAD = sealed({"journal": 2}) + b"\n"

LOCK = ".lock"

Mark = tuple[int, int, str]
"""Rows, bytes and SHA-256 of a file."""


@dataclass(frozen=True)
class Answered:
    part: str
    key: str
    seen: Bounds
    """The ground that was read, in the CRS of the survey."""
    freed: tuple[int, ...] = ()
    """Numbers of the rejections that lift a hazard from its ground."""


@dataclass(frozen=True)
class Part:
    parcels: list[str]
    files: dict[str, Mark]
    """By layer; a layer without rows has no file."""
    record: bytes
    """The line of the journal."""


@dataclass
class State:
    """What the lines add up to."""

    answered: dict[str, Answered] = field(default_factory=dict)
    failures: dict[str, str] = field(default_factory=dict)
    parts: dict[str, Part] = field(default_factory=dict)
    """Each part that a line speaks of, and that has not been taken away."""
    removed: set[str] = field(default_factory=set)
    last: int = 0
    """Highest number of a part so far."""

    def add(self, text: bytes) -> None:
        """Raises ValueError if the line is not as it was written."""
        line = opened(text)
        part = line.get("part", "")
        if part:
            self.last = max(self.last, int(part))
            files = {layer: (rows, size, checksum) for layer, (rows, size, checksum) in line["files"].items()}
            self.parts[part] = Part(list(line["parcels"]), files, text)
        for one, (key, seen) in line.get("parcels", {}).items():
            west, south, east, north = seen
            freed = tuple(map(int, line.get("freed", {}).get(one, ())))
            self.answered[one] = Answered(part, key, (west, south, east, north), freed)
            self.failures.pop(one, None)
        for one, sentence in line.get("failures", {}).items():
            self.failures[one] = sentence
            self.answered.pop(one, None)
        for gone in line.get("removed", ()):
            self.removed.add(gone)
            # A part that was lost has the right keys still.
            for one in self.parts.pop(gone).parcels if gone in self.parts else ():
                if one in self.answered and self.answered[one].part == gone:
                    del self.answered[one]


class Journal:
    """The journal of a folder, read and locked; only one run may have it. Lines are added after `begin`."""

    def __init__(self, path: Path, *, go_on: bool) -> None:
        """go_on: whether a journal may be there already. Nothing but the lock is written. Raises InputError if a
        journal must not be there, or if it is in use or damaged; OutputError where the folder cannot be written to."""
        self._path = path
        self.state = State()
        try:
            with contextlib.ExitStack() as files:
                _hold(files.enter_context(open(path.with_name(LOCK), "ab")), path.parent)
                old = path.read_bytes() if path.exists() else b""
                whole = old[: old.rfind(b"\n") + 1]
                if whole and not go_on:
                    raise InputError(
                        f"{path.parent}: an earlier run left its results here, so add --resume to go on with it or "
                        "name another folder with --out."
                    )
                self._read(whole)
                self._size = len(whole)
                self._files = files.pop_all()
        except OSError as error:
            raise _unwritable(path, error) from error

    def begin(self) -> None:
        """Make the file ready for new lines. Raises OutputError."""
        try:
            self._file = self._files.enter_context(self._path.open("ab"))
            # A line that a kill cut short was never said.
            self._file.truncate(self._size)
            if not self._size:
                self._say(HEAD)
        except OSError as error:
            raise _unwritable(self._path, error) from error

    def _read(self, whole: bytes) -> None:
        for number, text in enumerate(whole.split(b"\n")[:-1], 1):
            try:
                if number == 1 and text + b"\n" != HEAD:
                    raise ValueError("another kind of file")
                self.state.add(text)
            except ValueError as error:
                raise InputError(
                    f"{self._path}: line {number} is not as slopekit wrote it, so move this file away and add "
                    "--resume: what the parts of the dataset still tell is taken up again."
                ) from error

    def add(self, **line: Any) -> None:
        """Add a line; it counts when it is on the disk. Raises OutputError."""
        text = sealed(line)
        try:
            self._say(text + b"\n")
        except OSError as error:
            raise _unwritable(self._path, error) from error
        self.state.add(text)

    def _say(self, text: bytes) -> None:
        start = self._file.tell()
        try:
            self._file.write(text)
            self._file.flush()
            os.fsync(self._file.fileno())
        except OSError:
            self._file.truncate(start)
            raise

    def __enter__(self) -> "Journal":
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self._files.close()


def current(state: State, keys: Mapping[str, str]) -> set[str]:
    """Parcels whose answer in the journal has the key that it must have now."""
    return {one for one, answered in state.answered.items() if keys.get(one) == answered.key}


def parts_to_clean(state: State, keep: Iterable[str]) -> dict[str, list[str]]:
    """Parts that hold rows of other parcels than those to keep, each with those that stay."""
    kept = set(keep)
    out = {}
    for name, part in state.parts.items():
        stay = [one for one in part.parcels if one in kept and state.answered[one].part == name]
        if len(stay) < len(part.parcels):
            out[name] = stay
    return out


def _hold(file: Any, folder: Path) -> None:
    try:
        if fcntl is None:
            lock(file)
        else:
            fcntl.lockf(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        raise InputError(f"{folder}: another run is at work in this folder, so wait for it or name another.") from error


def _unwritable(path: Path, error: OSError) -> OutputError:
    why = os.strerror(error.errno) if error.errno else str(error)
    return OutputError(
        f"{path} cannot be written ({why}): free some space, or name a folder that may be written to; what is done is "
        "kept for --resume."
    )
