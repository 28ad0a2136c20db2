"""slopekit landforms: an inventory of basins and berms."""

from datetime import datetime
from pathlib import Path

import click

from slopekit.cli import console, options
from slopekit.cli.job import say_cautions
from slopekit.schema.layers import LANDFORM_LAYERS

_FILE = click.Path(path_type=Path)
_BESIDE_M = 700.0
"""Ground beside an area that the tiles of an index should have: no basin that counts is longer (docs/landforms.md)."""


@click.command(cls=console.Command, short_help="List the basins and berms of an area.")
@options.elevation_or_points
@click.option("--area", metavar="FILE", help="Parcels or a district, as polygons. Without it: all of the elevation.")
@click.option("--id-column", metavar="NAME", help="Column of the areas' ids. Without it they are numbered from 1.")
@click.option("--out", type=_FILE, required=True, metavar="OUT.gpkg", help="The result: .gpkg, or .parquet.")
@click.option(
    "--table", type=_FILE, metavar="FILE", help="Also one row a basin for people: .csv, or .xlsx with sheets."
)
@click.option("--fleet", type=_FILE, metavar="FILE", help="Fleet file whose settings count. Without it: the defaults.")
@options.layer_options("water", "corrections")
@options.points_option
@options.survey_date_option
@options.prescreen_option
@click.option("--workers", type=click.IntRange(min=1), metavar="N", help="Processes to use.")
@options.reading_options
@options.index_options
@options.no_remote_option
@options.overwrite_option
@options.quiet_option
def landforms(
    elevation: tuple[str, ...],
    area: str | None,
    id_column: str | None,
    out: Path,
    table: Path | None,
    fleet: Path | None,
    water: str | None,
    corrections: str | None,
    points: str | None,
    survey_date: datetime | None,
    prescreen: bool,
    workers: int | None,
    z_unit: str | None,
    z_rmse: float | None,
    cell: float | None,
    surface: str | None,
    cache: Path | None,
    most: int,
    trust_index_error: bool,
    overwrite: bool,
    quiet: bool,
) -> None:
    """List every basin and berm that shares ground with an area, with the figures that a grounds department asks for.

    ELEVATION is named as in `slopekit screen`. The result opens styled in QGIS. Dry basins may hold water after rain:
    nothing here says that ground can be worked without danger.
    """
    console.hush(quiet)
    from slopekit.api.forms import list_job
    from slopekit.api.given import ground_of
    from slopekit.api.guard import Guard
    from slopekit.api.inputs import check_inputs
    from slopekit.api.tables import check_ending, result_files
    from slopekit.api.tiles import through_cache
    from slopekit.screening.job import Inventory

    with console.Watch("Fetching", quiet) as watch:
        names = through_cache(
            elevation, cache, area, fleet, id_column=id_column, spare_m=_BESIDE_M, one_survey=True, most=most,
            trust_error=trust_index_error, progress=watch,
        )  # fmt: skip
    job = Inventory(
        elevation=ground_of(names, points),
        points=points,
        fleet=fleet,
        layers={} if water is None else {"water": water},
        corrections=corrections,
        survey_date=None if survey_date is None else survey_date.date(),
        surface=surface,
        z_unit=z_unit,
        z_rmse=z_rmse,
        cell=cell,
        prescreen=prescreen,
        area=area,
        id_column=id_column,
        workers=workers,
    )
    files, older = result_files(out, [*LANDFORM_LAYERS, "run_notes"])
    if table is not None:
        check_ending(table, (".csv", ".xlsx"), "tables are written", "table")
    settings, read = check_inputs(job)
    guard = Guard([*files, *([] if table is None else [table])], read, overwrite, older)
    with console.Watch("Reading", quiet) as watch:
        found = list_job(job, settings, guard, watch)
    found.write(out, overwrite)
    results = [out]
    if table is not None:
        results += found.table(table, overwrite)
    say_cautions(found.layers)
    console.result(*found.summary(), "", *map(str, results))
