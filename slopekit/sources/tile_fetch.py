"""Bringing what parcels need of the tiles of an index into a cache."""

import math
import os
from collections.abc import Callable, Iterable
from concurrent.futures import ThreadPoolExecutor, as_completed
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
import shapely

from slopekit.errors import InputError, OutputError
from slopekit.sources.cached import HEAD, begin, beside, cached, failed, is_begun
from slopekit.sources.files import selection
from slopekit.sources.mosaic import inverse_of, place, read_header
from slopekit.sources.raster import session
from slopekit.sources.said import Said
from slopekit.sources.tile_bytes import Bytes, write_whole
from slopekit.sources.tile_index import is_address
from slopekit.sources.tile_plan import TilePlan
from slopekit.sources.warp import transformer
from slopekit.sources.web import CONNECTIONS, ChangedError, Web

_EDGE = 4
"""Cells round a look that are brought along: a window is widened to whole working cells and for the filter at "
"its rim."""


@dataclass
class Fetched:
    """What became of the tiles of a plan, by their numbers in the index."""

    names: dict[int, str] = field(default_factory=dict)
    """The file that names each: of the cache, or the tile itself where it lies on this machine."""
    faults: dict[int, str] = field(default_factory=dict)
    """One sentence on each that lacks something."""
    bytes: int = 0
    """That came now, beside the first ones of new tiles."""
    there: int = 0
    """That were wanted and there already."""


def fetch_tiles(
    plan: TilePlan,
    cache: Path,
    most: int,
    progress: Callable[[int, int], None] | None = None,
    *,
    whole: bool = False,
    ask: bool = False,
) -> Fetched:
    """Bring the blocks that the looks of a plan meet.

    most: bytes that may come; InputError before the first of them where more would. whole: all of each tile. ask:
    whether servers are asked if tiles that are known are still the same; those that are not are brought anew. progress:
    called with bytes done and in all. A tile that cannot be had is a sentence among the faults, and nothing half of it
    is kept. Raises OutputError for a cache that takes no more.
    """
    try:
        return _fetched(plan, cache, most, progress, whole, ask, ChangedError)
    except ChangedError:
        # What was known of it is out of date, and forgotten by now: once more from the beginning.
        return _fetched(plan, cache, most, progress, whole, ask, OutputError)


def _fetched(
    plan: TilePlan,
    cache: Path,
    most: int,
    progress: Callable[[int, int], None] | None,
    whole: bool,
    ask: bool,
    ends: type[InputError],
) -> Fetched:
    """ends: what is not a fault of one tile, but raised, beside OutputError."""
    out = Fetched()
    web = plan.index.web
    places = [plan.index.tiles[n].location for n in plan.tiles]
    _agreed(plan, HEAD * sum(is_address(p) and not is_begun(cache, p) for p in places), most)
    far = _begin(plan, cache, web, out, ask)
    wanted: dict[int, Bytes] = {}
    lacking: dict[int, list[tuple[int, int]]] = {}
    with session():
        windows = _windows_of(plan, far, out, ends) if far else {}
    for number, (tile, parts) in windows.items():
        parts = [(0, tile.known.size)] if whole else parts
        # Not the one that reads, which has compared with their sums what it saw before.
        wanted[number] = Bytes(tile.path.parent, tile.known, web)
        lacking[number] = wanted[number].lacking(parts)
        out.there += _length(parts) - _length(lacking[number])
    total = sum(map(_length, lacking.values()))
    _agreed(plan, total, most)
    todo = [(n, part) for n, parts in lacking.items() for part in parts]
    with ThreadPoolExecutor(CONNECTIONS) as crew:
        jobs = {crew.submit(wanted[n].fetch, part): n for n, part in todo if n not in out.faults}
        for job in as_completed(jobs):
            try:
                out.bytes += job.result()
            except (OutputError, ends):
                crew.shutdown(cancel_futures=True)
                raise
            except InputError as error:
                out.faults[jobs[job]] = str(error)
            if progress is not None:
                progress(out.bytes, total)
    return out


def _agreed(plan: TilePlan, total: int, most: int) -> None:
    if total > most:
        raise InputError(
            f"{plan.index.name}: {total:,} bytes would be fetched, more than the {most:,} that are agreed to, so "
            f"confirm with --most {math.ceil(total / 1e8) / 10:g}GB."
        )


def selected(plan: TilePlan, fetched: Fetched, cache: Path) -> Path:
    """The file that names the tiles of a plan as one elevation."""
    names = [fetched.names[n] for n in plan.tiles]
    if not names:
        raise InputError(
            f"{plan.index.name}: no tile of the index reaches a parcel, so check the index and the parcels."
        )
    path, content = selection(cache, names)
    if not path.exists():
        write_whole(path, content)
    return path


def _begin(plan: TilePlan, cache: Path, web: Web, out: Fetched, ask: bool) -> list[int]:
    """Have the first bytes of every tile that is not on this machine; their numbers."""
    far = []
    for number in plan.tiles:
        tile = plan.index.tiles[number]
        if is_address(tile.location):
            far.append(number)
        elif os.path.isfile(tile.location):
            told = replace(tile.said, trusted=False) != Said()
            out.names[number] = str(beside(cache, tile.location, tile.said)) if told else tile.location
        else:
            out.faults[number] = f"{tile.location}: there is no such file, so make the index anew."
            out.names[number] = str(failed(cache, tile.location, out.faults[number]))

    def one(number: int) -> tuple[int, str, str]:
        tile = plan.index.tiles[number]
        try:
            return number, str(begin(cache, tile.location, web, tile.said, ask=ask)), ""
        except InputError as error:
            return number, str(failed(cache, tile.location, str(error))), str(error)

    with ThreadPoolExecutor(CONNECTIONS) as crew:
        for number, name, fault in crew.map(one, far):
            out.names[number] = name
            if fault:
                out.faults[number] = fault
    return [n for n in far if n not in out.faults]


def _windows_of(
    plan: TilePlan, numbers: Iterable[int], out: Fetched, ends: type[InputError]
) -> dict[int, tuple[Bytes, list[tuple[int, int]]]]:
    """Each tile that can be read, with the parts of it under the looks of the parcels that need it."""
    needing: dict[int, list[shapely.Polygon]] = {}
    for one, need in plan.needs.items():
        for number in need.tiles:
            if one in plan.looks:
                needing.setdefault(number, []).append(plan.looks[one])
    found: dict[int, tuple[Bytes, list[tuple[int, int]]]] = {}
    for number in numbers:
        try:
            header = read_header(out.names[number])
            tile = cached(out.names[number])
        except (OutputError, ends):
            raise
        except InputError as error:
            out.faults[number] = str(error)
            continue
        if tile is None:
            continue
        change = transformer(plan.index.crs, header.crs)
        parts: set[tuple[int, int]] = set()
        for look in needing.get(number, ()):
            x, y = change.transform(*shapely.get_coordinates(shapely.segmentize(look, look.length / 32.0)).T)
            col, row = place(inverse_of(header.tile.affine), np.asarray(x), np.asarray(y))
            if not (np.isfinite(col).all() and np.isfinite(row).all()):
                continue
            left, right = math.floor(col.min()) - _EDGE, math.ceil(col.max()) + _EDGE
            top, bottom = math.floor(row.min()) - _EDGE, math.ceil(row.max()) + _EDGE
            if header.tile.flip_rows:
                top, bottom = header.tile.height - bottom, header.tile.height - top
            if header.tile.flip_cols:
                left, right = header.tile.width - right, header.tile.width - left
            parts.update(tile.wanted(top, left, bottom - top, right - left))
        found[number] = tile.bytes, sorted(parts)
    return found


def _length(parts: Iterable[tuple[int, int]]) -> int:
    return sum(last - first for first, last in parts)
