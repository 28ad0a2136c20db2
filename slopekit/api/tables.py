"""The tables of an answer, what must be said with them, and how they get to the disk."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from slopekit.api.guard import Guard
from slopekit.api.spoken import in_python
from slopekit.errors import InputError
from slopekit.outputs.package import write_result
from slopekit.outputs.parquet import older_parquet, parquet_paths
from slopekit.screening.job_json import JOB, from_here


@dataclass(frozen=True, eq=False, repr=False)
class Tables:
    """Layers of the registry, in its types."""

    layers: Mapping[str, Any]
    """GeoDataFrames by name, in the CRS of the elevation's grid; DataFrames where a layer has no geometry."""

    @property
    def notes(self) -> Any:
        """The layer `run_notes`: settings, inputs, what was decided and what was not assessed."""
        return self.layers["run_notes"]

    @property
    def cautions(self) -> list[str]:
        """Warnings, what was not assessed and the cautions, one sentence each. Show them wherever you show a figure."""
        return [in_python(sentence) for sentence in sentences_of(self.layers)]


def notes_of(tables: Mapping[str, Any], *topics: str) -> list[str]:
    """What the run notes say on some topics, each sentence once: "warning", "not assessed", "cautions"."""
    notes = tables["run_notes"]
    rows = list(zip(notes["topic"], notes["name"], notes["value"], strict=True))
    found: dict[str, None] = {}
    for topic in topics:
        for where, name, value in rows:
            if where == topic or (topic == "warning" and where == "ground" and name.startswith("warning")):
                found[str(value)] = None
    return list(found)


def sentences_of(tables: Mapping[str, Any], *more: str) -> list[str]:
    """What stands at the foot of a picture: `more`, warnings, what was not assessed, cautions."""
    missing = [f"Not assessed: {sentence}" for sentence in notes_of(tables, "not assessed")]
    return [*more, *notes_of(tables, "warning"), *missing, *notes_of(tables, "cautions")]


def result_files(out: Path, layers: Iterable[str]) -> tuple[list[Path], list[Path]]:
    """Every file that a result with these layers consists of, and those that only one with other layers has.

    Raises InputError for an ending that is not written."""
    check_ending(out, (".gpkg", ".parquet"), "results are written")
    if out.suffix.lower() == ".gpkg":
        return [out], []
    names = list(layers)
    return list(parquet_paths(out, names).values()), older_parquet(out, names)


def _of_here(run_notes: Any, out: Path) -> Any:
    """The notes, whose job tells where its relative paths begin, seen from the result."""
    kept = (run_notes["topic"] == "inputs") & (run_notes["name"] == JOB)
    values = run_notes["value"].copy()
    values[kept] = [from_here(str(text), out) for text in values[kept]]
    return run_notes.assign(value=values)


def check_ending(out: Path, endings: tuple[str, ...], what: str, option: str = "out") -> None:
    """Raise InputError for a name without one of the endings. what: such as "bids are written"."""
    if out.suffix.lower() not in endings:
        listed = " or ".join([", ".join(endings[:-1]), endings[-1]] if len(endings) > 1 else endings)
        one = "this ending" if len(endings) == 1 else "one of these endings"
        raise InputError(f"{out}: {what} as {listed}, so give --{option} {one}.")


def put(
    out: Path, tables: Mapping[str, Any], conditions: Iterable[str], read: Iterable[str], overwrite: bool
) -> list[Path]:
    """Write layers to a GeoPackage or to Parquet files. read: what the answer was made from, which is never replaced.

    Returns every file. Raises InputError for another ending and for what may not be replaced, OutputError for a place
    that cannot take it."""
    tables = {**tables, "run_notes": _of_here(tables["run_notes"], out)}
    files, older = result_files(out, tables)
    Guard(files, (), overwrite, older, others=read)
    write_result(out, tables, conditions)
    return files
