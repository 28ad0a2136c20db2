"""slopekit why: every rule evaluated at one spot, with its numbers, in words."""

import json
import math
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from slopekit.cli import console, options
from slopekit.cli.job import layers_from
from slopekit.errors import InputError
from slopekit.wording import UNITS

if TYPE_CHECKING:
    from slopekit.explain.why import Explanation


@click.command(cls=console.Command, short_help="Explain the answer at one spot.")
@click.argument("elevation", nargs=-1, metavar="ZONES.gpkg | [ELEVATION]...")
@click.option("--at", required=True, metavar="X,Y", help="The spot: east and north, or longitude and latitude.")
@click.option("--crs", metavar="CRS", help="CRS of the spot, such as EPSG:4326. Without it, that of the elevation.")
@options.fleet_option_of_result
@options.layer_options()
@options.points_option
@click.option(
    "--parcels",
    metavar="FILE",
    help="The parcels that were screened. Needed with --entrances.",
)
@options.survey_date_option
@options.prescreen_option
@options.reading_options
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    metavar="SPOT.gpkg",
    help="Write the answer as layers too: the spot, the path to each hazard, and the profiles of these paths.",
)
@options.overwrite_option
@click.option("--json", "as_json", is_flag=True, help="JSON instead of sentences, always metric.")
@options.units_option
@options.no_remote_option
@options.quiet_option
def why(
    elevation: tuple[str, ...],
    at: str,
    crs: str | None,
    fleet: Path | None,
    points: str | None,
    parcels: str | None,
    corrections: str | None,
    survey_date: datetime | None,
    prescreen: bool,
    surface: str | None,
    z_unit: str | None,
    z_rmse: float | None,
    cell: float | None,
    out: Path | None,
    overwrite: bool,
    as_json: bool,
    units: str,
    quiet: bool,
    **layers: str | None,
) -> None:
    """Say what every rule finds at one spot, and for each machine what refuses it there, with the numbers.

    ZONES.gpkg is a result of `slopekit screen`, which names all that it was made from: give the spot alone, and --fleet
    where its own has moved.

    Without a result: ELEVATION, the layers, the points and the corrections are named as in `slopekit screen`: give the
    same ones, and the answer is the one that the zones are made from. With --parcels hazards are looked for round the
    parcel that holds the spot, as in the screening; without, round the spot alone. Nothing is written to disk but what
    --out names.
    """
    console.hush(quiet)
    from slopekit.api.given import ground_of
    from slopekit.api.inputs import check_inputs
    from slopekit.api.spot import check_layers, explain_job, explain_result, write_layers
    from slopekit.screening.job import Sources
    from slopekit.sources.results import is_result

    x, y = _numbers(at)
    named = [corrections, parcels, None if fleet is None else str(fleet), *layers.values()]
    read = [*elevation, *(one for one in named if one is not None)]
    if out is not None:
        check_layers(out, read, overwrite)

    def tell(found: "Explanation") -> None:
        if out is not None:
            write_layers(found, out, read, overwrite, units)
        _say(found, as_json, units)

    if len(elevation) == 1 and is_result(elevation[0]):
        given: dict[str, object] = {
            **layers,
            "points": points,
            "parcels": parcels,
            "corrections": corrections,
            "survey_date": survey_date,
        }
        given |= {"prescreen": prescreen or None, "surface": surface, "z_unit": z_unit, "z_rmse": z_rmse, "cell": cell}
        more = [f"--{name.replace('_', '-')}" for name, value in given.items() if value is not None]
        tell(explain_result(elevation[0], (x, y), crs, fleet, more))
        return
    if fleet is None:
        raise click.UsageError("Missing option '--fleet'.")
    job = Sources(
        elevation=ground_of(elevation, points),
        points=points,
        fleet=fleet,
        layers=layers_from(layers),
        corrections=corrections,
        survey_date=None if survey_date is None else survey_date.date(),
        surface=surface,
        z_unit=z_unit,
        z_rmse=z_rmse,
        cell=cell,
        prescreen=prescreen,
    )
    machines, _ = check_inputs(job)
    tell(explain_job(job, machines, (x, y), crs, parcels, None))


def _say(found: "Explanation", as_json: bool, units: str) -> None:
    for sentence in found.warnings:
        console.say(f"Warning: {UNITS[units].sentence(sentence, found.own)}")
    if as_json:
        console.result(*json.dumps(found.facts(), indent=2, ensure_ascii=False, allow_nan=False).split("\n"))
    else:
        console.result(*found.lines(units))


def _numbers(text: str) -> tuple[float, float]:
    try:
        x, y = (float(part) for part in text.split(","))
    except ValueError:
        x = y = math.nan
    if not (math.isfinite(x) and math.isfinite(y)):
        raise InputError(
            f"The spot '{text}' is not a place: give --at two numbers with a comma between, such as 500010.5,5599980."
        )
    return x, y
