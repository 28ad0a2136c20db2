"""Where a TIFF keeps its cells: just enough of the format to fetch the blocks of a window and nothing else.

TIFF 6.0 (1992), sections 2 and 15; BigTIFF as the raster libraries read it (libtiff's design note).
"""

import struct
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from slopekit.errors import InputError

Read = Callable[[int, int], bytes]
"""Bytes of the file: place and length, to the end of the file at most."""

_SIZES = {1: 1, 2: 1, 3: 2, 4: 4, 5: 8, 6: 1, 7: 1, 8: 2, 9: 4, 10: 8, 11: 4, 12: 8, 13: 4, 16: 8, 17: 8, 18: 8}
"""Bytes of a value by its type."""
_WHOLE = {1: "u1", 3: "u2", 4: "u4", 13: "u4", 16: "u8", 18: "u8"}
_KIND, _WIDTH, _LENGTH, _STRIPS, _ROWS, _STRIP_BYTES = 254, 256, 257, 273, 278, 279
_TILE_WIDTH, _TILE_LENGTH, _TILES, _TILE_BYTES = 322, 323, 324, 325
_MASK = 4
"""Bit of NewSubfileType that says transparency mask."""
_ASIDE = 4
"""Bytes before and after a block in which a cloud-optimised file repeats its size (GDAL's manual, COG)."""
_MOST_DIRECTORIES, _MOST_ENTRIES, _MOST_VALUE = 64, 4096, 1 << 26


@dataclass(frozen=True, eq=False)
class Level:
    """The blocks of one image: the heights, or the mask that belongs to them."""

    height: int
    width: int
    block_height: int
    block_width: int
    offsets: NDArray[np.uint64]
    counts: NDArray[np.uint64]
    """Bytes of each block, rows of blocks one after another; 0 for a block without cells of its own."""


def layout_of(read: Read, size: int, name: str) -> tuple[Level, ...]:
    """The heights, and a mask where there is one. `read` is called for every byte that opening the file needs.

    Raises InputError for what is no TIFF, is damaged, or ends before its blocks do.
    """
    try:
        levels = list(_levels(read, size))
    except (struct.error, ValueError, KeyError, IndexError) as error:
        raise InputError(f"{name}: this is no sound GeoTIFF, so fetch it by hand and check it.") from error
    if not levels:
        raise InputError(f"{name}: this is no sound GeoTIFF, so fetch it by hand and check it.")
    for level in levels:
        if len(level.counts) and int((level.offsets + level.counts).max()) > size:
            raise InputError(
                f"{name}: the file ends before its cells do, so its upload was cut: look for it elsewhere."
            )
    return tuple(levels)


def ranges_of(levels: tuple[Level, ...], row: int, col: int, height: int, width: int) -> list[tuple[int, int]]:
    """Bytes, from and to, of the blocks that meet a window, ascending."""
    out = []
    for level in levels:
        across = -(-level.width // level.block_width)
        rows = range(max(row, 0) // level.block_height, -(-min(row + height, level.height) // level.block_height))
        cols = range(max(col, 0) // level.block_width, -(-min(col + width, level.width) // level.block_width))
        for number in (r * across + c for r in rows for c in cols):
            offset, count = int(level.offsets[number]), int(level.counts[number])
            if count:
                out.append((max(0, offset - _ASIDE), offset + count + _ASIDE))
    return sorted(out)


def _levels(read: Read, size: int) -> Iterator[Level]:
    head = read(0, 16)
    order = {b"II": "<", b"MM": ">"}[head[:2]]
    big = {42: False, 43: True}[struct.unpack(order + "H", head[2:4])[0]]
    at = struct.unpack(order + ("Q" if big else "I"), head[8:16] if big else head[4:8])[0]
    seen: set[int] = set()
    first: Level | None = None
    # Smaller images follow, which are never read; opening the file walks along all of them all the same.
    while at and at not in seen and len(seen) < _MOST_DIRECTORIES:
        seen.add(at)
        tags, at = _directory(read, at, size, order, big)
        wanted = first is None or (
            int(tags.get(_KIND, [0])[0]) & _MASK and (tags[_LENGTH][0], tags[_WIDTH][0]) == (first.height, first.width)
        )
        if wanted:
            level = _level(tags)
            first = first or level
            yield level


def _directory(read: Read, at: int, size: int, order: str, big: bool) -> tuple[dict[int, NDArray[np.uint64]], int]:
    """Whole numbers by tag, and where the next directory is."""
    head, entry, word = (8, 20, "Q") if big else (2, 12, "I")
    count = struct.unpack(order + ("Q" if big else "H"), read(at, head))[0]
    if count > _MOST_ENTRIES:
        raise ValueError("too many entries")
    link = 8 if big else 4
    raw = read(at + head, count * entry + link)
    tags: dict[int, NDArray[np.uint64]] = {}
    for n in range(count):
        one = raw[n * entry : (n + 1) * entry]
        tag, kind, many = struct.unpack(order + ("HHQ" if big else "HHI"), one[: 12 if big else 8])
        value = one[12:] if big else one[8:]
        length = _SIZES.get(kind, 1) * many
        if length > min(size, _MOST_VALUE):
            raise ValueError("a value is longer than the file")
        if length > len(value):
            value = read(struct.unpack(order + word, value)[0], length)
            if len(value) < length:
                raise ValueError("the file ends within its directory")
        if kind in _WHOLE:
            tags[tag] = np.frombuffer(value[:length], order + _WHOLE[kind]).astype(np.uint64)
    return tags, int(struct.unpack(order + word, raw[count * entry : count * entry + link])[0])


def _level(tags: dict[int, NDArray[np.uint64]]) -> Level:
    height, width = int(tags[_LENGTH][0]), int(tags[_WIDTH][0])
    tiled = _TILES in tags
    block_width = int(tags[_TILE_WIDTH][0]) if tiled else width
    block_height = int(tags[_TILE_LENGTH][0]) if tiled else min(int(tags.get(_ROWS, [height])[0]), height)
    offsets, counts = tags[_TILES if tiled else _STRIPS], tags[_TILE_BYTES if tiled else _STRIP_BYTES]
    blocks = -(-height // block_height) * -(-width // block_width)
    # Bands that are stored one after another: the heights are the first.
    if min(len(offsets), len(counts)) < blocks:
        raise ValueError("fewer blocks than the image needs")
    return Level(height, width, block_height, block_width, offsets[:blocks], counts[:blocks])
