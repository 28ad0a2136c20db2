"""Which code made a result: a result of other code is made anew."""

import hashlib
from functools import lru_cache
from pathlib import Path

import slopekit

_NO_ANSWERS = ("cli", "data_demo", "qgis_scripts", "__pycache__")
"""Folders of the package that change no answer. Some are in a wheel alone, whose answers are those of a checkout."""


@lru_cache(maxsize=1)
def code_version() -> str:
    """Hash of the package's own sources but for the command line."""
    root = Path(slopekit.__file__).parent
    whole = hashlib.sha256()
    for path in sorted(root.rglob("*.py")):
        inside = path.relative_to(root)
        if inside.parts[0] not in _NO_ANSWERS:
            whole.update(inside.as_posix().encode() + b"\0" + path.read_bytes() + b"\0")
    return whole.hexdigest()[:16]
