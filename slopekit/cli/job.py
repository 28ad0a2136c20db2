"""What commands share that turn options into a job and print what came of it."""

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from slopekit.cli import console
from slopekit.schema.inputs import LAYER_INPUTS

if TYPE_CHECKING:
    from slopekit.screening.job import Job


def job_from(given: Mapping[str, Any]) -> "Job":
    """The job of the values of the options, by their names."""
    from slopekit.api.given import ground_of
    from slopekit.screening.job import Job

    rest = {name: given[name] for name in given if name not in LAYER_INPUTS}
    surveyed = rest.pop("survey_date")
    rest["elevation"] = ground_of(rest["elevation"], rest["points"])
    return Job(
        layers=layers_from(given),
        survey_date=None if surveyed is None else surveyed.date(),
        **rest,
    )


def of_index(given: Mapping[str, Any], area: Any, watch: Any, **how: Any) -> dict[str, Any]:
    """Values of options with the tiles of an index in its place, and without the options of `index_options`."""
    from slopekit.api.tiles import through_cache

    rest = dict(given)
    cache, most, trust = (rest.pop(name) for name in ("cache", "most", "trust_index_error"))
    rest["elevation"] = through_cache(
        rest["elevation"], cache, area, rest["fleet"], id_column=rest["id_column"], most=most, trust_error=trust,
        progress=watch, **how,
    )  # fmt: skip
    return rest


def layers_from(given: Mapping[str, Any]) -> dict[str, Any]:
    """The layers among the values of options."""
    return {name: given[name] for name in LAYER_INPUTS if given[name] is not None}


def check_pictures(pictures: Mapping[str, Path | None]) -> list[Path]:
    """The pictures that are asked for. Raises InputError for an ending other than .png.

    pictures: the path by the name of its option.
    """
    from slopekit.api.tables import check_ending

    for option, path in pictures.items():
        if path is not None:
            check_ending(path, (".png",), "this is drawn", option)
    return [path for path in pictures.values() if path is not None]


def say_cautions(tables: Mapping[str, Any], *more: str) -> None:
    """Print warnings, what was not assessed and the cautions, each once, to stderr."""
    from slopekit.api.tables import notes_of

    for head, topics in (("Warning", ("warning",)), ("Not assessed", ("not assessed",)), ("Caution", ("cautions",))):
        for sentence in [*(more if head == "Caution" else ()), *notes_of(tables, *topics)]:
            console.say(f"{head}: {sentence}")
