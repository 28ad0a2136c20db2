"""Tiles of an index as files of this machine: each is named by a small file, `NAME-HASH.tile`.

It says where the tile lies and what the index says of it. The bytes of one that lies on a server are kept in `data/`
beside it (`tile_bytes`). Heights are only read after all that a window needs is there (`bring`), so a hole is never
taken for ground.
"""

import json
import os
import re
import shutil
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import rasterio
from rasterio.windows import Window

from slopekit.errors import InputError
from slopekit.sources.keys import kept_apart
from slopekit.sources.remote import without_keys
from slopekit.sources.said import Said
from slopekit.sources.tiff_layout import Level, layout_of, ranges_of
from slopekit.sources.tile_bytes import Bytes, Known, Ranges, hash_of, key_of, version_of, write_whole
from slopekit.sources.web import Answer, Web

TILE, HEAD_KEY, _FILE = ".tile", "slopekit_tile", "file"
HEAD = 1 << 15
"""Bytes of the first request: the directory of a cloud-optimised tile and more."""
_PAGES = (b"<!doc", b"<html", b"<?xml", b"<head")


def begin(cache: Path, address: str, web: Web, said: Said, *, ask: bool = False) -> Path:
    """The file that names a tile, after its first bytes have come. `ask`: also where they are known, whether the server
    still has the same file; if not, what was fetched of it is dropped.

    Raises InputError for what cannot be fetched or is no GeoTIFF.
    """
    data = cache / "data"
    bare = kept_apart(address)
    record = data / f"{key_of(bare)}.json"
    known = None if ask else _known(record, web)
    if known is None:
        known = _first(data, record, bare, web)
    return _named(cache, bare, {**vars(known), "home": list(known.home), "said": said.as_row()})


def is_begun(cache: Path, address: str) -> bool:
    """Whether the first bytes of a tile are known."""
    return (cache / "data" / f"{key_of(kept_apart(address))}.json").is_file()


def beside(cache: Path, file: str, said: Said) -> Path:
    """The file that names a tile of this machine, with what its index says of it."""
    return _named(cache, file, {_FILE: os.path.abspath(file), "said": said.as_row()})


def failed(cache: Path, address: str, sentence: str) -> Path:
    """A file in the place of one by `begin`, for a tile that cannot be had: whoever opens it is told why."""
    return _named(cache, kept_apart(address), {"fault": sentence})


def _named(cache: Path, bare: str, row: dict[str, Any]) -> Path:
    text = json.dumps({HEAD_KEY: 1, **row})
    stem = re.sub(r"[^\w-]+", "_", Path(urlsplit(bare).path).stem)[-80:] or "tile"
    stub = cache / f"{stem}-{hash_of(text)[:10]}{TILE}"
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
        known = Known(address, *version_of(answer), web.private, tuple(sorted(web.home)))
        for older in data.glob(f"{key_of(address)}-*"):
            if older.name != f"{key_of(address)}-{known.version}":
                shutil.rmtree(older, ignore_errors=True)
        body = _chained(head, answer.body)
        Bytes(data, known).keep(Answer(answer.first, answer.size, answer.etag, answer.modified, answer.kind, body))
        write_whole(record, json.dumps({**vars(known), "home": list(known.home)}).encode())
        return known

    return web.ask(address, take, 0, HEAD - 1)


def _chained(head: bytes, rest: Iterator[bytes]) -> Iterator[bytes]:
    yield head
    yield from rest


def _known(record: Path, web: Web) -> Known | None:
    try:
        row = json.loads(record.read_bytes())
        return Known(row["address"], row["size"], row["etag"], row["modified"], web.private, tuple(sorted(web.home)))
    except (OSError, ValueError, KeyError, TypeError):
        return None


def is_tile(name: str) -> bool:
    """Whether a name is that of a file made by `begin` or `beside`."""
    return name.endswith(TILE) and os.path.isfile(name)


@dataclass(frozen=True, eq=False)
class Cached:
    """One tile on a server as the file says that names it."""

    bytes: Bytes
    levels: tuple[Level, ...]

    def wanted(self, row: int, col: int, height: int, width: int) -> Ranges:
        """Bytes of the blocks under a window of its cells."""
        return ranges_of(self.levels, row, col, height, width)


def cached(name: str) -> Cached | None:
    """The tile on a server that a file names; None for any other raster. Raises InputError where the file is damaged,
    or the tile no sound GeoTIFF."""
    return _cached(name, os.stat(name).st_mtime_ns, os.getpid()) if is_tile(name) else None


def said_of(name: str) -> Said | None:
    """What an index says of the tile that a file names; None for any other raster. Raises InputError as `cached`."""
    return Said.of_row(_row(name)["said"]) if is_tile(name) else None


def own_file(name: str) -> str | None:
    """The raster of this machine that a file by `beside` names; None for any other name. Raises InputError as
    `cached`."""
    return _row(name).get(_FILE) if is_tile(name) else None


def _row(name: str) -> dict[str, Any]:
    try:
        row: dict[str, Any] = json.loads(Path(name).read_bytes())
        if "fault" in row:
            raise InputError(row["fault"])
        Said.of_row(row["said"])
        return row
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise _damaged(name) from error


def _damaged(name: str) -> InputError:
    return InputError(f"{name}: this does not name a tile as slopekit writes it, so fetch the tiles anew.")


@lru_cache(maxsize=256)
def _cached(name: str, _: int, __: int) -> Cached | None:
    row = _row(name)
    if _FILE in row:
        return None
    try:
        known = Known(
            **{key: row[key] for key in ("address", "size", "etag", "modified", "private")}, home=tuple(row["home"])
        )
    except (KeyError, TypeError) as error:
        raise _damaged(name) from error
    found = Bytes(Path(name).parent / "data", known)
    return Cached(found, layout_of(found.read, known.size, found.shown))


def opened(name: str) -> rasterio.DatasetReader:
    """A raster open for reading, which is behind a file of `begin` or `beside`, or is the name itself."""
    tile = cached(name)
    if tile is None:
        return rasterio.open(own_file(name) or name)
    # Whatever lies beside the bytes is none of the tile's sidecars.
    with rasterio.Env(GDAL_DISABLE_READDIR_ON_OPEN="EMPTY_DIR"):
        return rasterio.open(tile.bytes.cells, driver="GTiff")


def bring(name: str, window: Window) -> int:
    """Have the blocks under a window there before they are read; nothing to do for one that lies on no server.

    Returns a number that changes with the parts that are there. A dataset that was opened at another number must be
    opened again: the system reads ahead, and may have kept holes that were filled since.
    """
    tile = cached(name)
    if tile is None:
        return 0
    row, col = int(window.row_off), int(window.col_off)
    return tile.bytes.bring(tile.wanted(row, col, int(window.height), int(window.width)))
