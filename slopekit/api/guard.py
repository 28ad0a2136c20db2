"""What is read and written: checked before the work, and again before the first result is put in place."""

import os
from collections.abc import Iterable
from pathlib import Path

from slopekit.errors import InputError
from slopekit.paths import remedy


class Guard:
    """Keeps results off everything that is not ours, and answers off inputs that changed while they were read."""

    def __init__(
        self,
        targets: Iterable[Path],
        inputs: Iterable[str],
        overwrite: bool = False,
        older: Iterable[Path] = (),
        others: Iterable[str] = (),
    ) -> None:
        """targets: every file that will be written. inputs: files and folders that are read. older: files that an
        earlier run may have left and that this one does not write. others: inputs that somebody else looks at
        again. Raises InputError for a target that is an input, is
        named twice, would be read as elevation by a next run, or is not ours; OutputError for one that cannot be
        written."""
        from slopekit.outputs.atomic import refuse_open
        from slopekit.sources.look import look

        self.overwrite = overwrite
        watched = list(inputs)
        self.inputs = [*watched, *others]
        self._targets: list[Path] = []
        self._older = list(older)
        self._look = look(watched)
        self.add(targets)
        for path in self._older:
            refuse_open(path)

    def add(self, targets: Iterable[Path]) -> None:
        """Check more targets, and keep them in mind. Raises as the class does."""
        from slopekit.outputs.atomic import check_writable

        new = list(targets)
        _refuse_mixed([*self._targets, *new], self.inputs)
        for target in new:
            check_writable(target)
        self._targets += new
        self._refuse_foreign()

    def again(self) -> None:
        """Raise InputError if an input has changed since, or somebody has put a file in the place of a result."""
        from slopekit.sources.look import changed_since

        changed = changed_since(self._look)
        if changed:
            raise InputError(f"{changed[0]}: this file changed while it was worked on, so nothing was kept; run again.")
        self._refuse_foreign()

    def _refuse_foreign(self) -> None:
        from slopekit.outputs.manifest import refuse_edited, refuse_foreign

        refuse_foreign(self._targets, self.overwrite)
        refuse_edited(self._older, self.overwrite)


def _refuse_mixed(targets: Iterable[Path], inputs: Iterable[str]) -> None:
    from slopekit.sources.files import RASTER_SUFFIXES

    read = {key for name in inputs for key in _same(name)}
    folders = {os.path.realpath(name) for name in inputs if os.path.isdir(name)}
    seen: set[str] = set()
    for target in targets:
        real = os.path.realpath(target)
        if read & _same(target):
            raise InputError(f"{target}: the result would replace a file that it is made from, so give another name.")
        if os.path.dirname(real) in folders and target.suffix.lower() in RASTER_SUFFIXES:
            raise InputError(f"{target}: a next run would read this result as elevation, so name another folder.")
        if real in seen:
            raise InputError(f"{target}: two results would go to this file, so give one of them another name.")
        seen.add(real)


def _same(name: str | Path) -> set[str | tuple[int, int]]:
    """What two names of one file have in common: the place that links lead to, or the file itself under two names."""
    place: set[str | tuple[int, int]] = {os.path.realpath(name)}
    try:
        info = os.stat(name)
    except (OSError, ValueError):
        return place
    return place | ({(info.st_dev, info.st_ino)} if info.st_ino else set())


def make_folder(folder: Path) -> None:
    """Create a folder for results, with its parents, if it is not there. Raises InputError when that cannot be."""
    if os.path.exists(folder) and not os.path.isdir(folder):
        raise InputError(f"{folder}: this is a file and a folder is due, so name a folder.")
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        fix = remedy(error, "name one in a place that you can write to")
        raise InputError(f"{folder}: the folder cannot be created ({error.strerror}), so {fix}.") from error
