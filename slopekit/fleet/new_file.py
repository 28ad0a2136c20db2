"""Write a file that people fill in: whole or not at all, and never over one that is there."""

import os
import tempfile
from pathlib import Path

from slopekit.errors import InputError, OutputError
from slopekit.paths import remedy


def write_new(path: str | Path, text: str, holds: str) -> Path:
    """Write a new text file and return its path.

    holds: what an existing file may hold, in words. Raises InputError if the file exists already, and OutputError if it
    cannot be written.
    """
    path = Path(path)
    exists = f"{path}: this file exists and may hold {holds}, so it is not overwritten; name a new file."
    if os.path.exists(path):
        raise InputError(exists)
    try:
        _write(path, text.encode())
    except FileExistsError:
        raise InputError(exists) from None
    except OSError as error:
        fix = remedy(error, "name a file in a folder you can write to")
        raise OutputError(f"{path}: the file cannot be written ({error.strerror}); {fix}.") from None
    return path


def _write(path: Path, content: bytes) -> None:
    handle, name = tempfile.mkstemp(prefix=f".{path.name}.", dir=path.parent)
    temporary = Path(name)
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        temporary.chmod(0o644)
        _move_new(temporary, path)
    finally:
        temporary.unlink(missing_ok=True)


def _move_new(temporary: Path, path: Path) -> None:
    """Give the file its name unless somebody took the name in between."""
    try:
        os.link(temporary, path)
    except FileExistsError:
        raise
    except OSError:
        # A file system without hard links: look, then rename.
        if path.exists():
            raise FileExistsError(str(path)) from None
        temporary.replace(path)
