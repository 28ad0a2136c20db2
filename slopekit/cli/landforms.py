"""slopekit landforms: an inventory of basins and berms."""

from datetime import datetime
from pathlib import Path
from typing import Any

import click

from slopekit.cli import console, options
from slopekit.cli.guard import Guard
from slopekit.cli.job import (
    Inventory,
    check_inputs,
    inputs_of,
    open_job,
    read_layers,
    result_files,
    say_cautions,
)
from slopekit.errors import InputError
from slopekit.fields import LANDFORM_LAYERS

_FILE = click.Path(path_type=Path)


@click.command(cls=console.Command, short_help="List the basins and berms of an area.")
@options.elevation_argument
@click.option("--area", metavar="FILE", help="Parcels or a district, as polygons. Without it: all of the elevation.")
@click.option("--id-column", metavar="NAME", help="Column of the areas' ids. Without it they are numbered from 1.")
@click.option("--out", type=_FILE, required=True, metavar="OUT.gpkg", help="The result: .gpkg, or .parquet.")
@click.option(
    "--table", type=_FILE, metavar="FILE", help="Also one row a basin for people: .csv, or .xlsx with sheets."
)
@click.option("--fleet", type=_FILE, metavar="FILE", help="Fleet file whose settings count. Without it: the defaults.")
@click.option("--water", metavar="FILE", help="Water: polygons, or lines with a column 'width' in metres.")
@click.option("--corrections", metavar="FILE", help="What people on site drew: see slopekit corrections new.")
@options.survey_date_option
@options.prescreen_option
@click.option("--workers", type=click.IntRange(min=1), metavar="N", help="Processes to use.")
@options.reading_options
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
    survey_date: datetime | None,
    prescreen: bool,
    workers: int | None,
    z_unit: str | None,
    z_rmse: float | None,
    cell: float | None,
    surface: str | None,
    overwrite: bool,
    quiet: bool,
) -> None:
    """List every basin and berm that shares ground with an area, with the figures that a grounds department asks for.

    ELEVATION is named as in `slopekit screen`. The result opens styled in QGIS. Dry basins may hold water after rain:
    nothing here says that ground can be worked without danger.
    """
    console.hush(quiet)
    job = Inventory(
        elevation=elevation,
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
    if table is not None and table.suffix.lower() not in (".csv", ".xlsx"):
        raise InputError(f"{table}: tables are written as .csv or .xlsx, so give --table one of these endings.")
    from slopekit.inventory import inventory
    from slopekit.outputs.package import write_result
    from slopekit.outputs.sheets import write_landform_table
    from slopekit.sources.parcels import read_parcels

    settings, read = check_inputs(job)
    guard = Guard([*files, *([] if table is None else [table])], read, overwrite, older)
    with open_job(job) as opened:
        survey = opened.survey
        areas = None if area is None else read_parcels(area, id_column, survey.grid.crs)
        with console.Watch("Reading", quiet) as watch:
            tables = inventory(
                opened,
                areas,
                settings,
                read_layers(job, survey),
                workers=workers,
                inputs=inputs_of(job),
                progress=watch,
            )
    guard.again()
    write_result(out, tables, ())
    results = [out]
    if table is not None:
        results += write_landform_table(table, tables, overwrite)
    say_cautions(tables)
    console.result(*summary(tables), "", *map(str, results))


def summary(tables: dict[str, Any]) -> list[str]:
    """Basins, bodies of water and berms in three lines, each piece of ground counted once."""
    basins, water, berms = tables["basins"], tables["water_bodies"], tables["berms"]
    wet = int(basins["wet"].sum())
    # A basin's volume holds that of the basins in it.
    outer = basins[~basins["inside"].isin(basins["basin"])]
    return [
        f"{len(basins)} basin{'' if len(basins) == 1 else 's'}, {wet} of them with water; "
        f"{outer['volume_m3'].sum():,.0f} m3 below their spill levels, basins inside others not added again",
        f"{len(water)} bod{'y' if len(water) == 1 else 'ies'} of water or possible water, "
        f"{water['area_m2'].sum():,.0f} m2",
        f"{len(berms)} berm{'' if len(berms) == 1 else 's'}, {berms['length_m'].sum():,.0f} m of crest",
    ]
