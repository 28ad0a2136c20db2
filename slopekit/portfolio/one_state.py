"""The results of a run as one state: manifest.json, written last, names every file of it and what it was made of."""

import hashlib
import json
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

from slopekit import __version__
from slopekit.outputs.atomic import written
from slopekit.outputs.manifest import is_ours
from slopekit.portfolio.merge import short
from slopekit.portfolio.prepare import Prepared
from slopekit.portfolio.version import code_version

MANIFEST = "manifest.json"
HANDED_OUT = "made of them"
"""Key of the files that are made of an answer, once it is whole."""


def told_of_state(
    out: Path, names: Iterable[str], more: Iterable[str], state: str
) -> tuple[dict[str, float], tuple[str, ...]] | None:
    """The totals in the manifest of a folder and which files of `more` it names, if it is of this state and each file
    is as it says; else None. names: the files that it must name. A manifest that was edited is not believed."""
    told = _manifest(out)
    try:
        beside = tuple(name for name in more if name in told["files"])
        if told["state"] == state and told["files"] == _files(out, (*names, *beside)):
            return {str(name): float(value) for name, value in told["totals"].items()}, beside
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        pass
    return None


def write_manifest(
    out: Path, names: Iterable[str], state: str, prepared: Prepared, totals: Mapping[str, float]
) -> None:
    """Name the files of a state, which are all in place. state: hash of what they are made of. Raises OutputError."""
    content = {
        "about": "Files that slopekit wrote together. Where this file is missing, they may be of several states.",
        "state": state,
        "slopekit": f"{__version__}, code {code_version()}",
        "files": _files(out, names),
        "inputs": _inputs(prepared),
        "totals": dict(totals),
    }
    _write(out, content)


def handed_out(out: Path, name: str, how: str) -> list[Path] | None:
    """The files that were made of the state in the manifest, if each is as it says; else None. name, how: as they were
    noted."""
    told = _manifest(out)
    try:
        own = told[HANDED_OUT][name]
        if own["how"] == how and own["files"] == _files(out, own["files"]):
            return [out / one for one in own["files"]]
    except (OSError, KeyError, TypeError):
        pass
    return None


def note_handed_out(out: Path, name: str, how: str, files: Iterable[Path]) -> None:
    """Name in the manifest files that were made of its state. name: of the main one. how: what else they were made by.
    Raises OutputError."""
    told = _manifest(out)
    others = told.get(HANDED_OUT, {})
    own = {"how": how, "files": _files(out, [path.name for path in files])}
    _write(out, {**told, HANDED_OUT: {**others, name: own}})


def _manifest(out: Path) -> dict[str, Any]:
    """What the manifest says, where it is as it was written; else nothing."""
    if not is_ours(out / MANIFEST):
        return {}
    try:
        told = json.loads((out / MANIFEST).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return told if isinstance(told, dict) else {}


def _write(out: Path, content: Mapping[str, Any]) -> None:
    with written(out / MANIFEST) as (temp,):
        temp.write_text(json.dumps(content, indent=1, ensure_ascii=False) + "\n", encoding="utf-8")


def _files(out: Path, names: Iterable[str]) -> dict[str, dict[str, int | str]]:
    found: dict[str, dict[str, int | str]] = {}
    for name in names:
        with open(out / name, "rb") as file:
            digest = hashlib.file_digest(file, "sha256").hexdigest()
            found[name] = {"size": file.tell(), "sha256": digest}
    return found


def _inputs(prepared: Prepared) -> dict[str, str]:
    """Name and fingerprint by role; of a survey one for all its tiles."""
    told = dict(prepared.order.inputs)
    if prepared.order.season is not None:
        told["season"] = prepared.order.season_file
    for survey in {c.survey.id: c.survey for c in prepared.choices.found.values()}.values():
        told[f"elevation {short(survey.id)}"] = f"{survey.title}: {survey.content}"
    return told
