"""A fingerprint of the files a survey was read from, so that a statement about a survey holds for that survey only."""

import hashlib
import os
from collections.abc import Iterable

CONTENT_LIMIT = 2_000_000_000
"""Bytes in all up to which the content is hashed. Above it, reading everything would cost more than the work."""

# Viewing programs write these beside a raster (statistics, overviews). The ground is the same with and without them.
_SIDECARS = (".aux.xml", ".ovr")


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

    'sha256:...' is the SHA-256 of the SHA-256 of each file's content. 'stat:...' is made of sizes and modification
    times where the files exceed CONTENT_LIMIT together, and of the names and `otherwise` (the caller's own sample of
    the content) for files that are not on this machine.
    """
    found: dict[str, str | None] = {}
    for name in names:
        if not name.lower().endswith(_SIDECARS):
            path = local_file(name)
            found.setdefault(path or name, path)
    whole = hashlib.sha256()
    paths = [p for p in found.values() if p is not None]
    if len(paths) == len(found) and sum(os.path.getsize(p) for p in paths) < CONTENT_LIMIT:
        for path in paths:
            with open(path, "rb") as stream:
                whole.update(hashlib.file_digest(stream, "sha256").digest())
        return f"sha256:{whole.hexdigest()}"
    for name, local in found.items():
        if local is None:
            whole.update(name.encode())
        else:
            info = os.stat(local)
            whole.update(f"{info.st_size} {info.st_mtime_ns};".encode())
    whole.update(otherwise)
    return f"stat:{whole.hexdigest()}"


def file_marks(names: Iterable[str]) -> list[tuple[str, int, int]]:
    """Name, size and modification time (ns) of the local files behind names, sidecars left out: what changes when a
    file does. A file that is not on this machine has -1 and -1, a local one that is gone raises OSError."""
    out = []
    for name in dict.fromkeys(names):
        if not name.lower().endswith(_SIDECARS):
            path = local_file(name)
            info = None if path is None else os.stat(path)
            out.append((name, -1, -1) if info is None else (name, info.st_size, info.st_mtime_ns))
    return out
