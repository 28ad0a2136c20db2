"""What is known of every elevation tile without reading its cells: built once, kept in a file."""

import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

from slopekit.errors import InputError
from slopekit.outputs.atomic import written
from slopekit.pool import run
from slopekit.portfolio.version import code_version
from slopekit.sources.checksum import CONTENT_LIMIT, Mark, checksum, file_marks, stamp
from slopekit.sources.files import rasters_of
from slopekit.sources.mosaic import Header, Tile, read_header
from slopekit.sources.raster import session

_BATCH = 100
"""Headers that one process reads at a time."""
_WORTH_A_PROCESS = 400


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


def index_of(paths: Sequence[str], kept: Path | None, workers: int = 1) -> Index:
    """The tiles behind the names: files, folders, tile indexes, names for GDAL.

    kept: file that the index is read from and written to. Only tiles whose files have changed in name, size or time are
    opened; a tile that is not on this machine is known by its name alone, so delete the file if one has changed there.
    Raises InputError for a name that is not there; a tile that cannot be read is an entry with a sentence.
    """
    names = rasters_of(paths)
    known = {} if kept is None else _load(kept)
    fresh = [name for name in names if not _unchanged(known.get(name))]
    batches = [fresh[k : k + _BATCH] for k in range(0, len(fresh), _BATCH)]
    found = dict(known)
    for batch in run(_read, None, batches, workers if len(fresh) >= _WORTH_A_PROCESS else 1):
        found |= {entry.name: entry for entry in batch}
    whole = sum(max(size, 0) for name in names for _, size, _ in found[name].marks) < CONTENT_LIMIT
    entries = tuple(_with_fingerprint(found[name], whole) for name in names)
    if kept is not None and (fresh or [*known.values()] != [*entries]):
        _save(kept, entries)
    return Index(entries, len(fresh))


def _read(_: None, names: list[str]) -> list[Entry]:
    out = []
    with session():
        for name in names:
            try:
                header, fault = read_header(name), ""
            except InputError as error:
                header, fault = None, str(error)
            files = (name,) if header is None else header.files
            out.append(Entry(name, tuple(file_marks(files)), header, fault, ""))
    return out


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
    with written(path) as (temp,):
        temp.write_text(json.dumps({"code": code_version(), "crs": systems, "tiles": rows}), encoding="utf-8")


def _load(path: Path) -> dict[str, Entry]:
    """What an earlier run has found out; nothing where the file is not there, damaged or of other code."""
    try:
        content = json.loads(path.read_text(encoding="utf-8"))
        if content["code"] != code_version():
            return {}
        return {row["name"]: _entry(row, content["crs"]) for row in content["tiles"]}
    except (OSError, ValueError, KeyError, TypeError, IndexError):
        return {}


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
        )
    marks = tuple((name, size, time) for name, size, time in row["marks"])
    return Entry(row["name"], marks, header, row["fault"], row["fingerprint"])
