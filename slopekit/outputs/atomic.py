"""Files that appear whole or not at all: written under a temporary name, flushed to the disk, then moved into place."""

import contextlib
import os
import re
import shutil
from collections.abc import Iterator
from pathlib import Path

from slopekit.errors import OutputError
from slopekit.outputs.manifest import note
from slopekit.paths import remedy
from slopekit.windows import ON_WINDOWS, cannot_be_named, is_open_elsewhere, move

# What SQLite keeps beside a database while it is open, or after a crash.
SIDECARS = ("-journal", "-wal", "-shm")
_TEMPORARY = re.compile(rf"\.(.+)\.[0-9]+\.partial(?:{'|'.join(SIDECARS)})?", re.DOTALL)
_SCRATCH = re.compile(r"\.(.+)\.[0-9]+\.partial\.d", re.DOTALL)


@contextlib.contextmanager
def written(*targets: str | Path, noted: bool = True) -> Iterator[tuple[Path, ...]]:
    """Temporary paths to write to, one for each target; on leaving without an error they become the targets.

    noted: whether the record of the folder tells that slopekit wrote them, so that it may replace them unasked.

    They are moved in the order given. With several targets the last one is the sign that the set is complete, so an
    older one is taken away first: a reader finds the whole new set or no last file, never a mixture.
    Any OSError inside (full disk, read-only folder, missing folder) becomes one `OutputError`; an older target is
    then untouched and the temporary files are gone.
    """
    # A link keeps pointing where its owner wants it: the file behind it is replaced.
    finals = [Path(os.path.realpath(target)) for target in targets]
    temps = tuple(final.with_name(f".{final.name}.{os.getpid()}.partial") for final in finals)
    try:
        for final, temp in zip(finals, temps, strict=True):
            _refuse_unusable(final)
            _remove(temp)
        yield temps
        for temp in temps:
            _sync(temp)
        for final in finals:
            refuse_open(final)
        for temp, final in zip(temps, finals, strict=True):
            if noted:
                note(final, temp)
        if len(finals) > 1:
            finals[-1].unlink(missing_ok=True)
        for temp, final in zip(temps, finals, strict=True):
            move(temp, final)
        for folder in {final.parent for final in finals}:
            _sync_folder(folder)
    except OSError as error:
        raise OutputError(_sentence(targets[-1], error)) from error
    finally:
        for temp in temps:
            with contextlib.suppress(OSError):
                _remove(temp)


@contextlib.contextmanager
def scratch(target: str | Path) -> Iterator[Path]:
    """An empty hidden folder beside a file that is to be written, gone at the end.

    Any OSError inside becomes an `OutputError` on that file.
    """
    final = Path(os.path.realpath(target))
    folder = final.with_name(f".{final.name}.{os.getpid()}.partial.d")
    try:
        shutil.rmtree(folder, ignore_errors=True)
        folder.mkdir()
        yield folder
    except OSError as error:
        raise OutputError(_sentence(target, error)) from error
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def check_writable(path: str | Path) -> None:
    """Raise `OutputError` now if `path` could not be written later, so that nobody waits for a result in vain."""
    final = Path(os.path.realpath(path))
    # The longest name that will be needed: a database has its log beside it while it is written.
    probe = final.with_name(f".{final.name}.{os.getpid()}.partial{SIDECARS[0]}")
    try:
        _refuse_unusable(final)
        refuse_open(final)
        probe.touch()
        probe.unlink()
    except OSError as error:
        raise OutputError(_sentence(path, error)) from error


def refuse_open(path: Path) -> None:
    """Raise `OutputError` if a file is there and cannot be replaced or removed since a program has it open.

    That is so on Windows alone, which does not move such a file, and says so also of a move to its own name.
    """
    if not ON_WINDOWS or not path.is_file():
        return
    if not os.access(path, os.W_OK):
        raise OutputError(
            f"{path} is marked as read-only: take the mark away in its properties, or give the result another name."
        )
    try:
        move(path, path)
    except OSError as error:
        raise OutputError(_sentence(path, error)) from error


def target_of(temporary: Path) -> str | None:
    """The name of the file for which `written` made a temporary file, or `scratch` a folder; None for all else."""
    if temporary.is_symlink():
        return None
    found = (_SCRATCH if temporary.is_dir() else _TEMPORARY).fullmatch(temporary.name)
    return None if found is None else found[1]


def _refuse_unusable(final: Path) -> None:
    if ON_WINDOWS and cannot_be_named(final.name):
        raise OutputError(f"{final} cannot be written since Windows has no files of this name: name another.")
    # Moving a file over a device such as /dev/null would destroy the device.
    if final.exists() and not final.is_file():
        raise OutputError(f"{final} is not an ordinary file: name a file to write to.")
    if final.parent.exists() and not final.parent.is_dir():
        raise OutputError(f"{final} cannot be written since {final.parent} is a file: name a folder instead.")
    if not final.parent.exists():
        raise OutputError(f"{final} cannot be written since the folder {final.parent} is not there: create it first.")
    for end in SIDECARS[:2]:
        # SQLite would play an old log into the new database and spoil it.
        if Path(f"{final}{end}").exists():
            raise OutputError(
                f"{final} is open in another program or was left by one that crashed ({final.name}{end} lies beside "
                "it): close it there, or give the result another name."
            )


def _remove(temp: Path) -> None:
    fault: OSError | None = None
    for end in ("", *SIDECARS):
        try:
            Path(f"{temp}{end}").unlink(missing_ok=True)
        except OSError as error:
            # One that is locked must not keep the others.
            fault = error
    if fault is not None:
        raise fault


def _sync(temp: Path) -> None:
    with open(temp, "rb+") as file:
        os.fsync(file.fileno())


def _sync_folder(folder: Path) -> None:
    # Windows cannot open a folder; there the move itself is all that can be asked for.
    if os.name == "nt":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _sentence(target: str | Path, error: OSError) -> str:
    if is_open_elsewhere(error):
        return (
            f"{target} is open in another program: close it there (in QGIS remove its layers from the project), or "
            "give the result another name."
        )
    # Arrow wraps the system's words in its own, so the number is asked first.
    lines = (os.strerror(error.errno) if error.errno else str(error)).strip().splitlines()
    why = lines[0].rstrip(".") if lines else type(error).__name__
    fix = remedy(error, "free some space, or name a folder that may be written to")
    return f"{target} cannot be written ({why}): {fix}."
