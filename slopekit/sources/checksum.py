"""A fingerprint of the files a survey was read from, so that a statement about a survey holds for that survey only."""

import hashlib
import os
from collections.abc import Iterable
from xml.etree import ElementTree

CONTENT_LIMIT = 2_000_000_000
"""Bytes in all up to which the content is hashed. Above it, reading everything would cost more than the work."""
Mark = tuple[str, int, int]
"""Name, size and modification time (ns) of a file; -1 and -1 for one that is not on this machine."""

# Viewing programs write these beside a raster (statistics, overviews). The ground is the same with and without them,
# but for what else the first may hold: a scale, a nodata value, a unit or a CRS in it changes the heights.
ASIDE = ".aux.xml"
_SQLITE_HEAD, _SQLITE_COUNTS, _PART = 100, ((18, 20), (24, 28), (92, 100)), 1 << 20
_SIDECARS = (ASIDE, ".ovr")


def local_file(name: str) -> str | None:
    """The file on disk behind a name: itself, or the archive of a GDAL path such as /vsizip/a.zip/b.tif."""
    path = name
    while path.startswith("/vsi"):
        cut = path.find("/", 1)
        if cut < 0:
            return None
        path = path[cut + 1 :]
    while path and not os.path.isfile(path):
        parent = os.path.dirname(path)
        if parent == path or os.path.isdir(parent):
            return None
        path = parent
    return os.path.realpath(path) if path else None


def checksum(names: Iterable[str], otherwise: bytes = b"") -> str:
    """Fingerprint of files in the given order, whatever they are called and wherever they lie.

    'sha256:...' is the SHA-256 of the SHA-256 of each file (see `content_of`), and of what its .aux.xml says beside
    statistics.
    'stat:...' is made of sizes and modification times where the files exceed CONTENT_LIMIT together, and of the names
    and `otherwise` (the caller's own sample of the content) for files that are not on this machine.
    """
    found: dict[str, tuple[str, str | None]] = {}
    for name in names:
        if not name.lower().endswith(_SIDECARS):
            path = local_file(name)
            found.setdefault(path or name, (name, path))
    whole = hashlib.sha256()
    paths = [p for _, p in found.values() if p is not None]
    if len(paths) == len(found) and sum(os.path.getsize(p) for p in paths) < CONTENT_LIMIT:
        for name, path in found.values():
            whole.update(content_of(path or name)[1])
            whole.update(said_beside(name))
        return f"sha256:{whole.hexdigest()}"
    for key, (name, local) in found.items():
        if local is None:
            whole.update(key.encode())
        else:
            info = os.stat(local)
            whole.update(f"{info.st_size} {info.st_mtime_ns};".encode())
            whole.update(said_beside(name))
    whole.update(otherwise)
    return f"stat:{whole.hexdigest()}"


def content_of(path: str | os.PathLike[str]) -> tuple[int, bytes]:
    """Size and SHA-256 of a file. What SQLite counts in the head of a database is taken for 0.

    A program that only shows a GeoPackage may change it (sqlite.org/fileformat2.html, 1.3: journal mode, counters,
    version of the library).
    """
    with open(path, "rb") as stream:
        head = bytearray(stream.read(_SQLITE_HEAD))
        if head.startswith(b"SQLite format 3\0"):
            for first, last in _SQLITE_COUNTS:
                head[first:last] = bytes(last - first)
        whole = hashlib.sha256(head)
        while part := stream.read(_PART):
            whole.update(part)
        return stream.tell(), whole.digest()


def said_beside(name: str) -> bytes:
    """Hash of what the .aux.xml beside a raster says of its heights and place; b"" for nothing but statistics."""
    try:
        with open(name + ASIDE, "rb") as stream:
            raw = stream.read()
    except (OSError, ValueError):
        return b""
    try:
        root = ElementTree.fromstring(raw)
    except ElementTree.ParseError:
        return hashlib.sha256(raw).digest()
    told = [line for child in root for line in _told(child, "")]
    return hashlib.sha256("\n".join(told).encode()).digest() if told else b""


def _told(element: ElementTree.Element, path: str) -> list[str]:
    """Texts and attributes of an element, one line each, without statistics and overviews. The format is that of GDAL's
    persistent auxiliary metadata (gdal.org, "PAM")."""
    key = element.get("key", "")
    aside = element.tag == "Histograms" or key.startswith("STATISTICS_") or element.get("domain") == "OVERVIEWS"
    if aside:
        return []
    path = f"{path}/{element.tag} {sorted(element.attrib.items())}"
    text = (element.text or "").strip()
    return [*([f"{path} {text}"] if text else []), *(line for child in element for line in _told(child, path))]


def file_marks(names: Iterable[str]) -> list[Mark]:
    """Marks of the local files behind names, and of an .aux.xml beside each: what changes when a file does. A local
    file that is gone meanwhile raises OSError."""
    out: list[Mark] = []
    for name in dict.fromkeys(names):
        if not name.lower().endswith(_SIDECARS):
            path = local_file(name)
            info = None if path is None else os.stat(path)
            out.append((name, -1, -1) if info is None else (name, info.st_size, info.st_mtime_ns))
            if os.path.isfile(name + ASIDE):
                info = os.stat(name + ASIDE)
                out.append((name + ASIDE, info.st_size, info.st_mtime_ns))
    return out


def stamp(marks: Iterable[Mark]) -> str:
    """Fingerprint 'stat:...' of one raster from the marks of its files, where the content is not to be read."""
    main = [mark for mark in marks if not mark[0].endswith(ASIDE)]
    told = ";".join(f"{name if size < 0 else size} {time}" for name, size, time in main)
    return f"stat:{told}{b''.join(said_beside(name) for name, _, _ in main).hex()}"
