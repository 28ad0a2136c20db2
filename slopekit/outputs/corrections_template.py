"""The empty GeoPackage in which a person draws corrections, in QGIS or on a tablet."""

import os
from collections.abc import Mapping
from pathlib import Path

import numpy as np
import pandas as pd
import pyogrio
from pyogrio.errors import CRSError

from slopekit.errors import InputError
from slopekit.outputs.atomic import written
from slopekit.outputs.corrections_style import COLUMNS, correction_style
from slopekit.outputs.geopackage import GEOMETRY_COLUMN, VERSION, any_file_name, disk_faults, finishing, write_styles
from slopekit.outputs.styles import Style
from slopekit.schema.corrections import DRAWN_AS, NEEDED, WHAT, WIDENED

LAYERS: dict[str, tuple[str, str, str]] = {
    "corrections_areas": ("polygon", "MultiPolygon", "Corrections that are areas"),
    "corrections_lines": ("line", "MultiLineString", "Corrections that are lines"),
    "corrections_points": ("point", "Point", "Bodies confirmed or rejected by a point"),
}
"""Layer to shape, type of geometry, and what it is for."""
MEANINGS = [meaning for _, _, meaning in LAYERS.values()]
HELP = "corrections_help"
_HELP_MEANING = "What a correction can say, and what must be filled in"
_ANYWHERE = "EPSG:4326"
_SQL_TYPES = {"when": "DATE", "width": "REAL", "height": "REAL"}


def write_template(path: str | Path, crs: str | None = None, survey: str | None = None) -> None:
    """Write a GeoPackage 1.2 with empty layers for areas, lines and points, with forms for QGIS, and a help table.

    `crs` is an EPSG code or WKT; without it, longitude and latitude. `survey` is a checksum that new features carry
    unless somebody types another. Raises InputError for an ending other than .gpkg, a file that exists already, since
    it may hold somebody's day in the field, and a CRS that is not known; OutputError when the place cannot take it.
    """
    target = Path(path)
    check_new(target)
    with written(target, noted=False) as (temp,), disk_faults(), any_file_name():
        try:
            add_layers(temp, crs or _ANYWHERE)
        except CRSError as error:
            raise InputError(f"{target}: the CRS '{crs}' is not known, so give an EPSG code or WKT.") from error
        write_styles(temp, template_styles(), MEANINGS)
        add_columns(temp, survey)
        check_new(target)


def add_layers(temp: Path, crs: str) -> None:
    """Add the empty layers, which have no columns yet, and the help table. Raises CRSError for a CRS that is none."""
    for layer, (_, geometry, meaning) in LAYERS.items():
        _write_layer(temp, layer, geometry, meaning, crs)
    pyogrio.write_dataframe(_help(), temp, layer=HELP, driver="GPKG", layer_options={"DESCRIPTION": _HELP_MEANING})


def template_styles(surveys: Mapping[str, str] | None = None) -> list[Style]:
    """The style and the form of each layer. surveys: as for `correction_style`."""
    return [correction_style(layer, shape, surveys) for layer, (shape, _, _) in LAYERS.items()]


def check_new(target: Path) -> None:
    """Raise InputError if a template cannot have this name: a wrong ending, or a file that exists."""
    if target.suffix.lower() != ".gpkg":
        raise InputError(f"{target}: corrections are drawn in a GeoPackage, so give a name that ends in .gpkg.")
    if os.path.lexists(target):
        raise InputError(
            f"{target}: this file exists and may hold corrections, so it is not overwritten; name a new file."
        )


def _write_layer(temp: Path, layer: str, geometry: str, meaning: str, crs: str) -> None:
    pyogrio.raw.write(
        temp,
        geometry=np.empty(0, object),
        field_data=[],
        fields=[],
        layer=layer,
        driver="GPKG",
        geometry_type=geometry,
        crs=crs,
        dataset_options={"VERSION": VERSION},
        layer_options={"GEOMETRY_NAME": GEOMETRY_COLUMN, "SPATIAL_INDEX": "YES", "DESCRIPTION": meaning},
    )


def _help() -> pd.DataFrame:
    return pd.DataFrame(
        {
            "what": list(WHAT),
            "meaning": list(WHAT.values()),
            "drawn_as": [", ".join(DRAWN_AS[what]) for what in WHAT],
            "must_be_filled": [
                ", ".join(("what", *NEEDED.get(what, ()), *(("width (of a line)",) if what in WIDENED else ())))
                for what in WHAT
            ],
        }
    )


def add_columns(temp: Path, survey: str | None) -> None:
    """Add the columns by SQL, where they can have a default value. survey: as for `write_template`."""
    quoted = "" if survey is None else " DEFAULT '{}'".format(survey.replace("'", "''"))
    with finishing(temp) as db:
        for layer in LAYERS:
            for name in COLUMNS:
                default = quoted if name == "survey" else ""
                db.execute(f'ALTER TABLE "{layer}" ADD COLUMN "{name}" {_SQL_TYPES.get(name, "TEXT")}{default}')
