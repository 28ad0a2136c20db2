"""Whether a folder may take the results of a run: nothing of others may be replaced or taken for ours."""

import os
from collections.abc import Iterable
from pathlib import Path

from slopekit.errors import InputError
from slopekit.outputs.manifest import RECORD
from slopekit.portfolio.index import HEAD as INDEX_HEAD
from slopekit.portfolio.journal import HEAD, LOCK, State
from slopekit.portfolio.parts import leftovers, recorded
from slopekit.portfolio.run import DATASET, INDEX, JOURNAL, RESULTS
from slopekit.sources.checksum import local_file


def check_folder(out: Path, inputs: Iterable[str], *, go_on: bool) -> None:
    """Raise InputError now if an input is, or lies in, what a run into `out` writes, or if `out` holds anything that
    no journal knows.

    inputs: names of files and folders. go_on: whether parts of an earlier run may be taken up where its journal is
    lost. A folder that is not there, is empty, or has a tile index alone will do.
    """
    dataset = out / DATASET
    if not os.path.isdir(out):  # a name that is too long has its sentence where the folder is made
        return
    if os.path.lexists(dataset) and not dataset.is_dir():
        raise InputError(f"{dataset}: this is no folder and the run needs one, so name another folder with --out.")
    _refuse_inputs([out / name for name in (DATASET, *RESULTS, JOURNAL, INDEX)], inputs)
    if b"\n" in _start(out / JOURNAL, len(HEAD)):
        return
    if recorded(dataset, State()):
        if not go_on:
            raise InputError(
                f"{out}: an earlier run left its results here and the journal is lost, so add --resume to take up what "
                "is whole, or name another folder with --out."
            )
        return
    for name in sorted(os.listdir(out)):
        if not _early(out, name):
            raise InputError(
                f"{out}: the folder holds {name} and no journal of a run, so name a new or an empty folder with --out."
            )


def _refuse_inputs(outputs: Iterable[Path], inputs: Iterable[str]) -> None:
    ours = {_identity(path): path for path in outputs if path.exists()}
    seen: dict[str, Path | None] = {}

    def within(path: str) -> Path | None:
        """The output that a path is or lies in, links followed at each step."""
        if path not in seen:
            above = os.path.dirname(path)
            here = ours.get(_identity(path)) if os.path.exists(path) else None
            seen[path] = here or (None if above == path else within(above))
        return seen[path]

    for name in inputs:
        file = local_file(name) or name
        output = within(os.path.abspath(file)) or within(os.path.realpath(file))
        if output is not None:
            raise InputError(
                f"{name}: this input is, or lies in, {output}, which belongs to the run, so move it or name another "
                "folder with --out."
            )


def _identity(path: str | Path) -> tuple[int, int]:
    found = os.stat(path)
    return found.st_dev, found.st_ino


def _early(out: Path, name: str) -> bool:
    """Whether a plan, or a run that was killed before its first line, may have left a file."""
    path = out / name
    if name == INDEX:
        return _start(path, len(INDEX_HEAD)) == INDEX_HEAD
    if name == RECORD:
        return path.is_file()
    if name == LOCK:
        return path.is_file() and path.stat().st_size == 0
    if name == JOURNAL:
        return path.is_file() and HEAD.startswith(path.read_bytes())
    return path in leftovers(out, [INDEX])


def _start(path: Path, size: int) -> bytes:
    if not path.is_file():
        return b""
    with open(path, "rb") as file:
        return file.read(size)
