"""Where compiled kernels are kept: never in a folder that somebody else can write to.

Numba keeps them as pickles, and to read a pickle is to run what it says (its manual, "Notes on Caching").
"""

import logging
import os
import stat
import tempfile
from collections.abc import Iterator
from pathlib import Path

SETTING = "NUMBA_CACHE_DIR"
_OTHERS_WRITE = stat.S_IWGRP | stat.S_IWOTH
_OTHERS = stat.S_IRWXG | stat.S_IRWXO

log = logging.getLogger("slopekit")


def give_cache_a_home(sources: Path) -> bool:
    """Choose a folder for the compiled kernels of a source folder, and tell numba of it. False: there is none.

    In this order: the folder that NUMBA_CACHE_DIR names, and no other then; beside the sources; in the user's cache; in
    the folder for temporary files. Folders that we make are open to their owner alone.
    """
    if not hasattr(os, "geteuid"):
        # Windows keeps what belongs to a user in a folder of the user's, and has no modes that could tell more.
        return True
    named = os.environ.get(SETTING)
    beside = sources / "__pycache__"
    if named:
        if _made(Path(named)) and trusted(Path(named)):
            return True
        log.info(
            "%s: others can write to this folder, or it cannot be used, so compiled kernels are not kept and each run "
            "compiles them anew. Name a folder of your own with %s, or leave it out.", named, SETTING,
        )  # fmt: skip
        return False
    if _made(beside) and trusted(beside, os.stat(sources).st_uid):
        return True
    for folder in _own():
        if _made(folder) and trusted(folder):
            os.environ[SETTING] = str(folder)
            return True
    log.info(
        "No folder is private enough to keep compiled kernels, so each run compiles them: name one with %s.", SETTING
    )
    return False


def trusted(folder: Path, *more_owners: int) -> bool:
    """Whether nobody but us, the system's administrator and `more_owners` can have put a file into a folder.

    That holds where the folder, what is in it, and every folder on the way to it belong to them and are closed to
    others, but for ways such as /tmp, where only an owner may rename and delete.
    """
    owners = {os.geteuid(), 0, *more_owners}
    try:
        real = folder.resolve(strict=True)
        here = os.lstat(real)
        if here.st_uid not in owners or here.st_mode & _OTHERS_WRITE:
            return False
        for above in real.parents:
            way = os.lstat(above)
            if way.st_uid not in owners or (way.st_mode & _OTHERS_WRITE and not way.st_mode & stat.S_ISVTX):
                return False
        # What lies in a folder that is closed today may have been put there before.
        closed = not here.st_mode & _OTHERS
        return all(_ours(os.lstat(path), owners, closed) for path in _within(real))
    except OSError:
        return False


def _ours(found: os.stat_result, owners: set[int], closed: bool) -> bool:
    plain = stat.S_ISREG(found.st_mode) or stat.S_ISDIR(found.st_mode)
    return plain and found.st_uid in owners and (closed or not found.st_mode & _OTHERS_WRITE)


def _within(folder: Path) -> Iterator[str]:
    for at, folders, files in os.walk(folder):
        yield from (os.path.join(at, name) for name in (*folders, *files))


def _made(folder: Path) -> bool:
    """Whether the folder is there and we can write to it; made now if it was not there."""
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    except OSError:
        return False
    return os.access(folder, os.W_OK | os.X_OK)


def _own() -> Iterator[Path]:
    home = os.environ.get("XDG_CACHE_HOME") or os.path.join(os.path.expanduser("~"), ".cache")
    if os.path.isabs(home):
        yield Path(home) / "slopekit" / "kernels"
    yield Path(tempfile.gettempdir()) / f"slopekit-kernels-{os.geteuid()}"
