"""The results of a run as one state: manifest.json, written last, names every file of it and what it was made of."""

import hashlib
import json
from collections.abc import Iterable, Mapping
from pathlib import Path

from slopekit import __version__
from slopekit.outputs.atomic import written
from slopekit.outputs.manifest import is_ours
from slopekit.portfolio.merge import short
from slopekit.portfolio.prepare import Prepared
from slopekit.portfolio.version import code_version

MANIFEST = "manifest.json"


def told_of_state(
    out: Path, names: Iterable[str], more: Iterable[str], state: str
) -> tuple[dict[str, float], tuple[str, ...]] | None:
    """The totals in the manifest of a folder and which files of `more` it names, if it is of this state and each file
    is as it says; else None. names: the files that it must name. A manifest that was edited is not believed."""
    if not is_ours(out / MANIFEST):
        return None
    try:
        told = json.loads((out / MANIFEST).read_text(encoding="utf-8"))
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
