"""What stands behind a path of the user's, told without opening it."""

import errno
import os
import stat
from pathlib import Path

from slopekit.errors import InputError
from slopekit.windows import is_too_long

_SPECIAL = {
    stat.S_IFIFO: "a pipe",
    stat.S_IFSOCK: "a socket",
    stat.S_IFCHR: "a device",
    stat.S_IFBLK: "a device",
}

HELD = "slopekit-held-"
"""What the name of a folder for heights given in memory begins with."""


def refuse_special(path: str | Path) -> None:
    """Raise InputError for a pipe, a socket or a device: whoever opens it may wait, or read, for ever.

    A file, a folder and a path behind which nothing stands pass.
    """
    if str(path).startswith("/vsistdin"):
        raise InputError(f"{path}: this is what is typed or piped in, so save it as a file and name that.")
    try:
        kind = stat.S_IFMT(os.stat(path).st_mode)
    except (OSError, ValueError):
        return
    if kind in _SPECIAL:
        raise InputError(f"{path}: this is {_SPECIAL[kind]}, so save what comes from it as a file and name that.")


def remedy(error: OSError, otherwise: str) -> str:
    """What to do about a file that cannot be written: a shorter name where that is the cause, else `otherwise`."""
    return "give it a shorter name" if error.errno == errno.ENAMETOOLONG or is_too_long(error) else otherwise
