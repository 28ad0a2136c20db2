"""The bytes of a tile on a web server, in a folder of this machine: what was fetched once is not asked for again.

They lie in a file with holes; a part counts as there once a file beside it, named by place and length, has its SHA-256.
"""

import contextlib
import hashlib
import os
import re
import threading
from collections.abc import Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

from slopekit.errors import InputError, OutputError
from slopekit.sources.remote import without_keys
from slopekit.sources.web import Answer, ChangedError, Web
from slopekit.windows import is_open_elsewhere, move

GAP = 1 << 14
"""Bytes between two parts that are fetched along with them sooner than asked for apart."""
LONGEST = 8 << 20
"""Bytes of one request."""
_STEP, _ROUNDS = 1 << 14, 3
_AT_ONCE = 2
"""Connections of one process that reads; there are several."""
_MARK = re.compile(r"(\d+)-(\d+)")

Ranges = list[tuple[int, int]]


@dataclass(frozen=True)
class Known:
    """What a server said of a file when it was first asked."""

    address: str
    """Without keys."""
    size: int
    etag: str
    modified: str
    private: bool
    """Whether the index may name this machine and its network."""
    home: tuple[str, ...]

    @property
    def version(self) -> str:
        return hash_of(f"{self.size} {self.etag} {self.modified}")[:8]


class Bytes:
    """The bytes of one tile, in the folder and on the server."""

    def __init__(self, folder: Path, known: Known, web: Web | None = None) -> None:
        self.known = known
        self.path = folder / f"{key_of(known.address)}-{known.version}"
        self.cells = self.path / "cells"
        self._web = web
        self._there: Ranges = []
        self._checked: set[str] = set()
        self._lock = threading.Lock()

    @property
    def shown(self) -> str:
        return without_keys(self.known.address)

    def lacking(self, wanted: Iterable[tuple[int, int]]) -> Ranges:
        """Parts of the wanted ones that are not there, merged where they lie close, none longer than LONGEST."""
        self._look()
        gaps: Ranges = []
        for first, last in wanted:
            last, at = min(last, self.known.size), first
            for start, stop in self._there:
                if stop > at and start < last:
                    if start > at:
                        gaps.append((at, start))
                    at = stop
            if at < last:
                gaps.append((at, last))
        merged: Ranges = []
        for first, last in sorted(gaps):
            if merged and first - merged[-1][1] <= GAP:
                merged[-1] = (merged[-1][0], max(last, merged[-1][1]))
            else:
                merged.append((first, last))
        return [(k, min(k + LONGEST, last)) for first, last in merged for k in range(first, last, LONGEST)]

    def fetch(self, part: tuple[int, int]) -> int:
        """Fetch one part and keep it. Returns the bytes that came. Raises InputError; then nothing of it is there."""
        if self._web is None:
            self._web = Web(self.known.private, frozenset(self.known.home), _AT_ONCE)

        def take(answer: Answer) -> int:
            if version_of(answer) != (self.known.size, self.known.etag, self.known.modified):
                # Whoever begins with it next asks what it is now.
                self.path.with_name(f"{key_of(self.known.address)}.json").unlink(missing_ok=True)
                raise ChangedError(
                    f"{self.shown}: it has changed on the server since parts of it were fetched, so run again, which "
                    f"fetches it anew."
                )
            return self.keep(answer)

        return self._web.ask(self.known.address, take, part[0], part[1] - 1)

    def keep(self, answer: Answer) -> int:
        """Store what an answer brings, then say that it is there."""
        try:
            self.path.mkdir(parents=True, exist_ok=True)
            whole, at = hashlib.sha256(), answer.first
            # Never emptied: others may have put parts there meanwhile.
            with os.fdopen(os.open(self.cells, os.O_RDWR | os.O_CREAT, 0o666), "r+b") as file:
                if os.fstat(file.fileno()).st_size != self.known.size:
                    file.truncate(self.known.size)
                file.seek(at)
                for part in answer.body:
                    at += len(part)
                    if at > self.known.size:
                        raise InputError(
                            f"{self.shown}: the server sends more than the file holds, so check it by hand."
                        )
                    file.write(part)
                    whole.update(part)
            mark = self.path / f"{answer.first}-{at - answer.first}"
            write_whole(mark, whole.hexdigest().encode())
        except OSError as error:
            raise OutputError(
                f"{self.path.parent}: the cache takes no more ({error.strerror}), so free some space or name another "
                f"--cache."
            ) from error
        with self._lock:
            self._checked.add(mark.name)
        return at - answer.first

    def read(self, at: int, length: int) -> bytes:
        """Bytes of the file, fetched where they lack, in steps that save requests."""
        wanted = [(at, min(at + length, self.known.size))]
        if self.lacking(wanted):
            self.bring([(at // _STEP * _STEP, -(-(at + length) // _STEP) * _STEP)])
        with open(self.cells, "rb") as file:
            file.seek(at)
            return file.read(length)

    def bring(self, wanted: Sequence[tuple[int, int]]) -> int:
        """Have parts there. Returns how many parts there are now. Raises InputError as `fetch`."""
        for _ in range(_ROUNDS):
            parts = self.lacking(wanted)
            if not parts:
                return len(self._there)
            with ThreadPoolExecutor(min(_AT_ONCE, len(parts))) as crew:
                list(crew.map(self.fetch, parts))
        if self.lacking(wanted):
            raise InputError(f"{self.shown}: the server sends less than it is asked for, so fetch it by hand.")
        return len(self._there)

    def _look(self) -> None:
        """See which parts are there. Each is compared with its sum once a process."""
        found: Ranges = []
        with self._lock, contextlib.suppress(FileNotFoundError):
            for name in os.listdir(self.path):
                named = _MARK.fullmatch(name)
                if named is None:
                    continue
                first, length = int(named[1]), int(named[2])
                if name not in self._checked:
                    if not self._sound(self.path / name, first, length):
                        (self.path / name).unlink(missing_ok=True)
                        continue
                    self._checked.add(name)
                found.append((first, first + length))
        self._there = sorted(found)

    def _sound(self, mark: Path, first: int, length: int) -> bool:
        whole = hashlib.sha256()
        try:
            with open(self.cells, "rb") as file:
                file.seek(first)
                while length > 0 and (part := file.read(min(length, 1 << 20))):
                    whole.update(part)
                    length -= len(part)
            return length == 0 and mark.read_text(encoding="ascii") == whole.hexdigest()
        except OSError:
            return False


def write_whole(path: Path, content: bytes) -> None:
    """A small file that is there whole or not at all."""
    temp = path.with_name(f".{path.name}.{os.getpid()}.{threading.get_ident()}.part")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with open(temp, "wb") as file:
            file.write(content)
        move(temp, path)
    except OSError as error:
        # Another process reads it just now, which has written the same.
        if is_open_elsewhere(error) and _holds(path, content):
            return
        raise OutputError(
            f"{path.parent}: the cache cannot be written ({error.strerror}), so name another --cache."
        ) from error
    finally:
        temp.unlink(missing_ok=True)


def _holds(path: Path, content: bytes) -> bool:
    try:
        return path.read_bytes() == content
    except OSError:
        return False


def key_of(address: str) -> str:
    return hash_of(address)[:20]


def hash_of(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()


def version_of(answer: Answer) -> tuple[int, str, str]:
    """Size, ETag and time of change: of two answers with the same the file is the same."""
    return answer.size or 0, answer.etag, answer.modified
