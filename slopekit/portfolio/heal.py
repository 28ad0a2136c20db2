"""After a kill or a loss: what the journal says and what lies in the folder are brought together again."""

import logging
from collections.abc import Iterable
from pathlib import Path

from slopekit.outputs.dataset import RECORDS, part_path, record_path
from slopekit.portfolio.journal import Journal, State
from slopekit.portfolio.parts import files_in, leftovers, recorded, remove, wrong_files

_log = logging.getLogger(__name__)


def heal(journal: Journal, dataset: Path, results: Iterable[Path]) -> set[str]:
    """Bring the journal and the folder together, and return the parcels whose answers are lost.

    results: files that are written whole or not at all. Lines that the journal has lost are added from the parts. What
    a kill left of the parts and of `results` under temporary names is taken away. The log tells what is lost, and of
    files that could be taken for parts. Raises OutputError.
    """
    state = journal.state
    for line in recorded(dataset, state):
        journal.add(**line)
    left = [path for result in results for path in leftovers(result.parent, [result.name])]
    left += [path for folder, names in _known(state).items() for path in leftovers(dataset / folder, names)]
    for path in left:
        remove(path)
    others = _strangers(dataset, state)
    if others:
        _log.warning(
            "%s: no line of the journal names this file%s. It stays, and who reads the dataset will read it too, so "
            "move it away if it is not yours.",
            others[0], f", nor {len(others) - 1} others" if len(others) > 1 else "",
        )  # fmt: skip
    wrong = wrong_files(dataset, state)
    lost = {one for one, answered in state.answered.items() if answered.part in wrong}
    if lost:
        _log.warning(
            "%d parcels are done again, since files of their parts are missing or changed; the first: %s.",
            len(lost), next(iter(wrong.values())),
        )  # fmt: skip
    return lost


def _known(state: State) -> dict[str, set[str]]:
    """Names of the files of all parts, by the folder in the dataset."""
    out: dict[str, set[str]] = {RECORDS: set()}
    for name, part in state.parts.items():
        out[RECORDS].add(record_path(Path(), name).name)
        for layer in part.files:
            out.setdefault(layer, set()).add(part_path(Path(), layer, name).name)
    return out


def _strangers(dataset: Path, state: State) -> list[Path]:
    """Files beside the parts that readers of the dataset take for parts, and that no line of the journal names."""
    return [
        path
        for layer, known in _known(state).items()
        for path in files_in(dataset / layer)
        if path.suffix == ".parquet" and not path.name.startswith(".") and path.name not in known
    ]
