"""Tiles on web servers, read through a folder of this machine: what was fetched once is not asked for again.

A tile is named by a small file, `NAME-HASH.tile`, that says where it lies and what its index says of it. Its bytes lie
in `data/`, in a file with holes; a part counts as there once a file beside it, named by place and length, has its
SHA-256.
Heights are only read after all that a window needs is there (`bring`), so a hole is never taken for ground.
"""

import contextlib
import hashlib
import json
import os
import re
import shutil
import threading
from collections.abc import Iterable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import rasterio
from rasterio.windows import Window

from slopekit.errors import InputError, OutputError
from slopekit.sources.keys import kept_apart
from slopekit.sources.remote import without_keys
from slopekit.sources.said import Said
from slopekit.sources.tiff_layout import Level, layout_of, ranges_of
from slopekit.sources.web import Answer, ChangedError, Web
from slopekit.windows import is_open_elsewhere, move

TILE, HEAD_KEY = ".tile", "slopekit_tile"
HEAD = 1 << 15
"""Bytes of the first request: the directory of a cloud-optimised tile and more."""
GAP = 1 << 14
"""Bytes between two parts that are fetched along with them sooner than asked for apart."""
LONGEST = 8 << 20
"""Bytes of one request."""
_STEP, _ROUNDS = 1 << 14, 3
_AT_ONCE = 2
"""Connections of one process that reads; there are several."""
_PAGES = (b"<!doc", b"<html", b"<?xml", b"<head")
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
        return _hash(f"{self.size} {self.etag} {self.modified}")[:8]


class Bytes:
    """The bytes of one tile, in the folder and on the server."""

    def __init__(self, folder: Path, known: Known, web: Web | None = None) -> None:
        self.known = known
        self.path = folder / f"{_key(known.address)}-{known.version}"
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
            if _version(answer) != (self.known.size, self.known.etag, self.known.modified):
                # Whoever begins with it next asks what it is now.
                self.path.with_name(f"{_key(self.known.address)}.json").unlink(missing_ok=True)
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


def begin(cache: Path, address: str, web: Web, said: Said, *, ask: bool = False) -> Path:
    """The file that names a tile, after its first bytes have come. `ask`: also where they are known, whether the server
    still has the same file; if not, what was fetched of it is dropped.

    Raises InputError for what cannot be fetched or is no GeoTIFF.
    """
    data = cache / "data"
    bare = kept_apart(address)
    record = data / f"{_key(bare)}.json"
    known = None if ask else _known(record, web)
    if known is None:
        known = _first(data, record, bare, web)
    return _named(cache, bare, {**vars(known), "home": list(known.home), "said": said.as_row()})


def failed(cache: Path, address: str, sentence: str) -> Path:
    """A file in the place of one by `begin`, for a tile that cannot be had: whoever opens it is told why."""
    return _named(cache, kept_apart(address), {"fault": sentence})


def _named(cache: Path, bare: str, row: dict[str, Any]) -> Path:
    text = json.dumps({HEAD_KEY: 1, **row})
    stem = re.sub(r"[^\w-]+", "_", Path(urlsplit(bare).path).stem)[-80:] or "tile"
    stub = cache / f"{stem}-{_hash(text)[:10]}{TILE}"
    if not stub.exists():
        write_whole(stub, text.encode())
    return stub


def _first(data: Path, record: Path, address: str, web: Web) -> Known:
    shown = without_keys(address)

    def take(answer: Answer) -> Known:
        head = next(answer.body, b"")
        if answer.kind == "text/html" or head[:5].lower() in _PAGES:
            raise InputError(
                f"{shown}: the server answers with a page, not with a tile, so check the address or the key."
            )
        if head[:4] == b"PK\3\4":
            raise InputError(f"{shown}: this is a zipped tile, so fetch and unpack it by hand, and name its folder.")
        if head[:4] not in (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+"):
            raise InputError(f"{shown}: this is no GeoTIFF, and only those are read through a cache: fetch it by hand.")
        if answer.size is None:
            raise InputError(f"{shown}: the server does not tell how long the file is, so fetch it by hand.")
        known = Known(address, *_version(answer), web.private, tuple(sorted(web.home)))
        for older in data.glob(f"{_key(address)}-*"):
            if older.name != f"{_key(address)}-{known.version}":
                shutil.rmtree(older, ignore_errors=True)
        body = _chained(head, answer.body)
        Bytes(data, known).keep(Answer(answer.first, answer.size, answer.etag, answer.modified, answer.kind, body))
        write_whole(record, json.dumps({**vars(known), "home": list(known.home)}).encode())
        return known

    return web.ask(address, take, 0, HEAD - 1)


def _chained(head: bytes, rest: Iterator[bytes]) -> Iterator[bytes]:
    yield head
    yield from rest


def _version(answer: Answer) -> tuple[int, str, str]:
    return answer.size or 0, answer.etag, answer.modified


def _known(record: Path, web: Web) -> Known | None:
    try:
        row = json.loads(record.read_bytes())
        return Known(row["address"], row["size"], row["etag"], row["modified"], web.private, tuple(sorted(web.home)))
    except (OSError, ValueError, KeyError, TypeError):
        return None


def is_tile(name: str) -> bool:
    """Whether a name is that of a file made by `begin`."""
    return name.endswith(TILE) and os.path.isfile(name)


@dataclass(frozen=True, eq=False)
class Cached:
    """One tile as the file says that names it."""

    bytes: Bytes
    levels: tuple[Level, ...]
    said: Said

    def wanted(self, row: int, col: int, height: int, width: int) -> Ranges:
        """Bytes of the blocks under a window of its cells."""
        return ranges_of(self.levels, row, col, height, width)


def cached(name: str) -> Cached:
    """The tile that a file names. Raises InputError where the file is damaged, or the tile no sound GeoTIFF."""
    info = os.stat(name)
    return _cached(name, info.st_mtime_ns, os.getpid())


@lru_cache(maxsize=256)
def _cached(name: str, _: int, __: int) -> Cached:
    try:
        row: dict[str, Any] = json.loads(Path(name).read_bytes())
        if "fault" in row:
            raise InputError(row["fault"])
        said = Said.of_row(row["said"])
        known = Known(
            **{key: row[key] for key in ("address", "size", "etag", "modified", "private")}, home=tuple(row["home"])
        )
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise InputError(
            f"{name}: this does not name a tile as slopekit writes it, so fetch the tiles anew."
        ) from error
    found = Bytes(Path(name).parent / "data", known)
    return Cached(found, layout_of(found.read, known.size, found.shown), said)


def opened(name: str) -> rasterio.DatasetReader:
    """A raster open for reading, which is behind a file of `begin` or is the name itself."""
    if not is_tile(name):
        return rasterio.open(name)
    tile = cached(name)
    # Whatever lies beside the bytes is none of the tile's sidecars.
    with rasterio.Env(GDAL_DISABLE_READDIR_ON_OPEN="EMPTY_DIR"):
        return rasterio.open(tile.bytes.cells, driver="GTiff")


def bring(name: str, window: Window) -> int:
    """Have the blocks under a window there before they are read; nothing to do for a raster that is no cached tile.

    Returns a number that changes with the parts that are there. A dataset that was opened at another number must be
    opened again: the system reads ahead, and may have kept holes that were filled since.
    """
    if not is_tile(name):
        return 0
    tile = cached(name)
    row, col = int(window.row_off), int(window.col_off)
    return tile.bytes.bring(tile.wanted(row, col, int(window.height), int(window.width)))


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


def _key(address: str) -> str:
    return _hash(address)[:20]


def _hash(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()
