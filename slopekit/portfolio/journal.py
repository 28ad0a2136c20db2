"""The one record of a run: what is done, under which key, in which part. Lines are only ever added."""

import json
import os
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from types import TracebackType
from typing import Any

from slopekit.errors import InputError, OutputError
from slopekit.grid import Bounds

try:
    import fcntl
except ImportError:  # Windows has no such locks; there nothing keeps two runs out of one folder.
    fcntl = None  # type: ignore[assignment]

_HEAD = {"journal": 1}


@dataclass(frozen=True)
class Answered:
    part: str
    key: str
    seen: Bounds
    """The ground that was read, in the CRS of the survey."""


@dataclass
class State:
    """What the lines add up to."""

    answered: dict[str, Answered] = field(default_factory=dict)
    failures: dict[str, str] = field(default_factory=dict)
    parts: dict[str, list[str]] = field(default_factory=dict)
    """Parcels of each part that a line speaks of, and that has not been taken away."""
    last: int = 0
    """Highest number of a part so far."""

    def add(self, line: Mapping[str, Any]) -> None:
        part = line.get("part", "")
        if part:
            self.last = max(self.last, int(part))
            self.parts[part] = list(line["parcels"])
        for one, (key, seen) in line.get("parcels", {}).items():
            west, south, east, north = seen
            self.answered[one] = Answered(part, key, (west, south, east, north))
            self.failures.pop(one, None)
        for one, sentence in line.get("failures", {}).items():
            self.failures[one] = sentence
            self.answered.pop(one, None)
        for gone in line.get("removed", ()):
            self.parts.pop(gone, None)


class Journal:
    """The journal of a folder, open for adding; only one run may have it open."""

    def __init__(self, path: Path, *, go_on: bool) -> None:
        """go_on: whether a journal may be there already. Raises InputError if one must not, or if it is in use or
        damaged; OutputError where it cannot be written."""
        self._path = path
        self.state = State()
        try:
            self._lock = open(path.with_name(".lock"), "a")  # noqa: SIM115
            _hold(self._lock, path.parent)
            old = path.read_bytes() if path.exists() else b""
            if old and not go_on:
                raise InputError(
                    f"{path.parent}: an earlier run left its results here, so add --resume to go on with it or name "
                    "another folder with --out."
                )
            whole = old[: old.rfind(b"\n") + 1]
            self._read(whole)
            self._file = open(path, "ab")  # noqa: SIM115
            # A line that a kill cut short was never said.
            self._file.truncate(len(whole))
            if not whole:
                self._say(_HEAD)
        except OSError as error:
            raise _unwritable(path, error) from error

    def _read(self, whole: bytes) -> None:
        for number, text in enumerate(whole.decode("utf-8", "replace").splitlines(), 1):
            try:
                line = json.loads(text)
                if number == 1 and line != _HEAD:
                    raise ValueError("another kind of file")
                self.state.add(line)
            except (ValueError, KeyError, TypeError, AttributeError) as error:
                raise InputError(
                    f"{self._path}: line {number} is not one that slopekit wrote, so name another folder with --out."
                ) from error

    def add(self, **line: Any) -> None:
        """Add a line; it counts when it is on the disk. Raises OutputError."""
        try:
            self._say(line)
        except OSError as error:
            raise _unwritable(self._path, error) from error
        self.state.add(json.loads(json.dumps(line)))

    def _say(self, line: Mapping[str, Any]) -> None:
        start = self._file.tell()
        try:
            self._file.write(json.dumps(line, separators=(",", ":")).encode() + b"\n")
            self._file.flush()
            os.fsync(self._file.fileno())
        except OSError:
            self._file.truncate(start)
            raise

    def __enter__(self) -> "Journal":
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self._file.close()
        self._lock.close()


def current(state: State, keys: Mapping[str, str]) -> set[str]:
    """Parcels whose answer in the journal has the key that it must have now."""
    return {one for one, answered in state.answered.items() if keys.get(one) == answered.key}


def parts_to_clean(state: State, keep: Iterable[str]) -> dict[str, list[str]]:
    """Parts that hold rows of other parcels than those to keep, each with those that stay."""
    kept = set(keep)
    out = {}
    for part, parcels in state.parts.items():
        stay = [one for one in parcels if one in kept and state.answered[one].part == part]
        if len(stay) < len(parcels):
            out[part] = stay
    return out


def _hold(file: Any, folder: Path) -> None:
    if fcntl is None:
        return
    try:
        fcntl.lockf(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        raise InputError(f"{folder}: another run is at work in this folder, so wait for it or name another.") from error


def _unwritable(path: Path, error: OSError) -> OutputError:
    why = os.strerror(error.errno) if error.errno else str(error)
    return OutputError(
        f"{path} cannot be written ({why}): free some space, or name a folder that may be written to; what is done is "
        "kept for --resume."
    )
