"""The files of the dataset against what the journal says of them."""

import hashlib
import os
import shutil
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

from slopekit.errors import InputError, OutputError
from slopekit.outputs.atomic import target_of
from slopekit.outputs.dataset import PARCEL, RECORDS, part_path, record_path, write_record
from slopekit.outputs.geopackage import selected
from slopekit.portfolio.journal import Mark, Part, State
from slopekit.portfolio.sealed import opened
from slopekit.schema.layers import PARCEL_LAYERS


def free_part(dataset: Path, last: int, layers: Iterable[str]) -> str:
    """The next number after `last` under which no file lies, whoever made it."""
    names = list(layers)
    while True:
        last += 1
        part = f"{last:06d}"
        paths = [record_path(dataset, part), *(part_path(dataset, layer, part) for layer in names)]
        if not any(os.path.lexists(path) for path in paths):
            return part


def marks_of(files: Mapping[str, tuple[int, bytes]]) -> dict[str, Mark]:
    """What the journal keeps of each file: rows, bytes, SHA-256. files: rows and content by layer."""
    return {
        layer: (rows, len(content), hashlib.sha256(content).hexdigest()) for layer, (rows, content) in files.items()
    }


def recorded(dataset: Path, state: State) -> list[dict[str, Any]]:
    """Lines that the journal has lost and that parts carry themselves, by number.

    A record that does not hold, or has another part's name, is left out.
    """
    out = []
    for path in sorted((dataset / RECORDS).glob("part-*.json")):
        try:
            line = opened(path.read_bytes())
        except (OSError, ValueError):
            continue
        part = line.get("part", "")
        if record_path(dataset, part) == path and part not in state.parts and part not in state.removed:
            out.append(line)
    return out


def mend_records(dataset: Path, state: State) -> None:
    """Let every part carry its line again. Raises OutputError."""
    for name, part in state.parts.items():
        path = record_path(dataset, name)
        if not path.is_file() or path.read_bytes() != part.record:
            write_record(dataset, name, part.record)


def wrong_file(dataset: Path, name: str, part: Part) -> Path | None:
    """The first file of a part that is missing, cut or changed; None where all are as they were written."""
    for layer, (_, size, checksum) in part.files.items():
        path = part_path(dataset, layer, name)
        try:
            if path.stat().st_size != size:
                return path
            with open(path, "rb") as file:
                if hashlib.file_digest(file, "sha256").hexdigest() != checksum:
                    return path
        except OSError:
            return path
    return None


def wrong_files(dataset: Path, state: State) -> dict[str, Path]:
    """The first wrong file of each part that has any."""
    found = {name: wrong_file(dataset, name, part) for name, part in state.parts.items()}
    return {name: path for name, path in found.items() if path is not None}


def check_parts(dataset: Path, state: State) -> None:
    """Raise InputError if a part is not as it was written."""
    for path in wrong_files(dataset, state).values():
        raise InputError(f"{path}: the file has gone or changed since it was written, so run again with --resume.")


def check_merged(package: Path, dataset: Path, state: State, done: set[str]) -> None:
    """Raise InputError, and take the package away, if it has not every row of the parts and every parcel in `done`.

    Layers of landforms are left out: several parcels may have found one, and it stands there once.
    """
    told = []
    for layer in PARCEL_LAYERS:
        due = sum(part.files[layer][0] for part in state.parts.values() if layer in part.files)
        found = selected(package, "count(*)", layer)[0]
        if found != due:
            told.append(f"{found:,} of {due:,} rows of {layer}")
    parcels = set(selected(package, PARCEL, "parcels"))
    if parcels != done:
        told.append(f"{len(parcels & done):,} of {len(done):,} answered parcels")
    if told:
        package.unlink()
        raise InputError(f"{dataset}: {' and '.join(told)} came into {package.name}, so run again with --resume.")


def remove_part(dataset: Path, name: str, part: Part) -> None:
    """Take the files of a part away, its record last. Raises OutputError."""
    for path in (*(part_path(dataset, layer, name) for layer in part.files), record_path(dataset, name)):
        remove(path)


def remove(path: Path) -> None:
    """Take away a file, or a folder of files, if it is there. Raises OutputError."""
    try:
        if path.is_dir() and not path.is_symlink():
            shutil.rmtree(path)
        else:
            path.unlink(missing_ok=True)
    except OSError as error:
        raise OutputError(
            f"{path} cannot be taken away ({error.strerror}): move it to another place, then go on with --resume."
        ) from error


def leftovers(folder: Path, names: Iterable[str]) -> list[Path]:
    """Files and folders that a run which was killed has left in a folder under temporary names of the files `names`."""
    known = set(names)
    return [path for path in (sorted(folder.iterdir()) if folder.is_dir() else ()) if target_of(path) in known]


def files_in(folder: Path) -> list[Path]:
    """Everything in a folder but folders, by name; nothing where there is no folder."""
    return sorted(path for path in folder.iterdir() if not path.is_dir()) if folder.is_dir() else []
