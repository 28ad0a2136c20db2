"""What is known of every elevation tile without reading its cells: built once, kept in a file."""

import re
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Any

from slopekit.errors import InputError
from slopekit.outputs.atomic import written
from slopekit.pool import each, run
from slopekit.portfolio.sealed import opened, sealed
from slopekit.portfolio.version import code_version
from slopekit.sources.checksum import CONTENT_LIMIT, Mark, checksum, file_marks, local_file, stamp
from slopekit.sources.files import is_virtual
from slopekit.sources.mosaic import Header, Tile, read_header
from slopekit.sources.raster import session
from slopekit.sources.remote import local_rasters
from slopekit.sources.said import Said

HEAD = b'{"index":1,'
"""How the file begins."""
_BATCH = 100
"""Headers that one process reads at a time."""
_WORTH_A_PROCESS = 400
_HEADER_S = 60.0
"""For a header that is not on this machine."""
_AT_ONCE = 16
"""Such headers that are waited for at a time, and that hang in a row before a server is given up."""


@dataclass(frozen=True)
class Entry:
    """One tile: its header, or one sentence on why there is none."""

    name: str
    marks: tuple[Mark, ...]
    """Name, size and time of each of its files when the header was read."""
    header: Header | None
    fault: str
    fingerprint: str
    """Of its content, or of sizes and times where there is much (see `sources.checksum`)."""


@dataclass(frozen=True)
class Index:
    entries: tuple[Entry, ...]
    """In the order in which the tiles were named: where tiles of one survey overlap, the first wins."""
    read: int
    """Headers that were read now; the others were known."""

    @property
    def faults(self) -> dict[str, str]:
        return {e.name: e.fault for e in self.entries if e.header is None}


def index_of(
    paths: Sequence[str],
    kept: Path | None,
    workers: int = 1,
    progress: Callable[[int, int], None] | None = None,
) -> Index:
    """The tiles behind the names: files, folders, tile indexes, names for GDAL.

    kept: file that the index is read from and written to. Only tiles whose files have changed in name, size or time are
    opened; a tile that is not on this machine is known by its name alone, so delete the file if one has changed there.
    progress: called with the headers read and all to read.
    Raises InputError for a name that is not there; a tile that cannot be read is an entry with a sentence.
    """
    names = local_rasters(paths)
    known = {} if kept is None else _load(kept)
    fresh = [name for name in names if not _unchanged(known.get(name))]
    found = dict(known)
    for done, entry in enumerate(_entries(fresh, workers), start=1):
        found[entry.name] = entry
        if progress is not None:
            progress(done, len(fresh))
    whole = sum(max(size, 0) for name in names for _, size, _ in found[name].marks) < CONTENT_LIMIT
    entries = tuple(_with_fingerprint(found[name], whole) for name in names)
    if kept is not None and (fresh or [*known.values()] != [*entries]):
        _save(kept, entries)
    return Index(entries, len(fresh))


def _entries(names: Sequence[str], workers: int) -> Iterator[Entry]:
    """An entry for each name. Names on this machine are read by the hundred, the others wait side by side."""
    far = [name for name in names if is_virtual(name) and local_file(name) is None]
    distant = set(far)
    near = [name for name in names if name not in distant]
    batches = [near[k : k + _BATCH] for k in range(0, len(near), _BATCH)]
    for batch in run(_read_all, None, batches, workers if len(near) >= _WORTH_A_PROCESS else 1):
        yield from batch
    servers = _Servers()
    for name, entry in each(_read_far, None, servers.worth_asking(far), _AT_ONCE, _HEADER_S):
        servers.heard(name, entry is not None)
        yield entry or _fault(name, f"{name}: no answer came within {_HEADER_S:g} s, so check the address and go on.")
    for name in servers.given_up:
        yield _fault(name, f"{name}: it was not asked for, since its server did not answer for {_AT_ONCE} others.")


@dataclass
class _Servers:
    """Which servers still answer."""

    silent: "Counter[str]" = field(default_factory=Counter)
    """Names in a row that a server did not answer for."""
    given_up: list[str] = field(default_factory=list)

    def worth_asking(self, names: Sequence[str]) -> Iterator[str]:
        for name in names:
            if self.silent[_server(name)] < _AT_ONCE:
                yield name
            else:
                self.given_up.append(name)

    def heard(self, name: str, answered: bool) -> None:
        self.silent[_server(name)] = 0 if answered else self.silent[_server(name)] + 1


def _server(name: str) -> str:
    """The host of an address, or what GDAL's name begins with: the store and its bucket."""
    host = re.search(r"://([^/?]+)", name)
    return host[1] if host else "/".join(name.split("/")[:3])


def _fault(name: str, sentence: str) -> Entry:
    return Entry(name, tuple(file_marks((name,))), None, sentence, "")


def _read_all(_: None, names: list[str]) -> list[Entry]:
    with session():
        return [_read(name) for name in names]


def _read_far(_: None, name: str, say: Callable[[object], None]) -> Entry:
    return _read(name)


def _read(name: str) -> Entry:
    try:
        header = read_header(name)
    except InputError as error:
        return _fault(name, str(error))
    return Entry(name, tuple(file_marks(header.files)), header, "", "")


def _unchanged(entry: Entry | None) -> bool:
    if entry is None or entry.header is None:
        # What could not be read may have been out of reach for a moment.
        return False
    try:
        return tuple(file_marks(mark[0] for mark in entry.marks)) == entry.marks
    except OSError:
        return False


def _with_fingerprint(entry: Entry, whole: bool) -> Entry:
    kind = "sha256:" if whole and all(size >= 0 for _, size, _ in entry.marks) else "stat:"
    if entry.fingerprint.startswith(kind):
        return entry
    text = checksum(mark[0] for mark in entry.marks) if kind == "sha256:" else stamp(entry.marks)
    return Entry(entry.name, entry.marks, entry.header, entry.fault, text)


def changed_since(index: Index) -> list[str]:
    """The tiles whose files are not what they were when the index was made, by name."""
    out = []
    for entry in index.entries:
        if entry.header is None or _unchanged(entry):
            continue
        try:
            fresh = replace(entry, marks=tuple(file_marks(mark[0] for mark in entry.marks)), fingerprint="")
            if _with_fingerprint(fresh, entry.fingerprint.startswith("sha256:")).fingerprint == entry.fingerprint:
                continue
        except OSError:
            pass
        out.append(entry.name)
    return out


def _save(path: Path, entries: Sequence[Entry]) -> None:
    systems = list(dict.fromkeys(e.header.crs for e in entries if e.header is not None))
    number = {crs: n for n, crs in enumerate(systems)}
    rows = []
    for entry in entries:
        row = asdict(entry)
        if entry.header is not None:
            row["header"]["crs"] = number[entry.header.crs]
        rows.append(row)
    with written(path, noted=False) as (temp,):
        temp.write_bytes(sealed({"index": 1, "code": code_version(), "crs": systems, "tiles": rows}))


def _load(path: Path) -> dict[str, Entry]:
    """What an earlier run has found out; nothing where the file is not there, damaged or of other code."""
    try:
        content = opened(path.read_bytes())
    except (OSError, ValueError):
        return {}
    if content["code"] != code_version():
        return {}
    return {row["name"]: _entry(row, content["crs"]) for row in content["tiles"]}


def _entry(row: dict[str, Any], systems: list[str]) -> Entry:
    header = row["header"]
    if header is not None:
        tile = header["tile"]
        header = Header(
            tile=Tile(**{**tile, "affine": tuple(tile["affine"])}),
            crs=systems[header["crs"]],
            dtype=header["dtype"],
            bands=header["bands"],
            unit=header["unit"],
            texts=tuple(header["texts"]),
            tags=tuple((key, text) for key, text in header["tags"]),
            files=tuple(header["files"]),
            said=None if header["said"] is None else Said.of_row(header["said"]),
        )
    marks = tuple((name, size, time) for name, size, time in row["marks"])
    return Entry(row["name"], marks, header, row["fault"], row["fingerprint"])
