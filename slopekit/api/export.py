"""A result for programs that take shapefiles."""

from collections.abc import Sequence
from pathlib import Path

from slopekit.api.given import Name
from slopekit.api.guard import Guard, make_folder
from slopekit.api.phone import check_columns, conditions_of
from slopekit.api.pricing import name_of
from slopekit.api.screened import Screened
from slopekit.api.spoken import speaks_python
from slopekit.api.tables import sentences_of
from slopekit.outputs.short_names import shape_paths, write_shapes
from slopekit.schema.fields import fields_of
from slopekit.schema.layers import GEOMETRIES, in_groups
from slopekit.schema.tables import conform_layer
from slopekit.sources.results import of_parcels, read_result

_DUE = tuple(layer for layer in in_groups("result") if GEOMETRIES[layer])
_IF_THERE = tuple(layer for layer in in_groups("landforms") if GEOMETRIES[layer])


@speaks_python
def export(zones: Name | Screened, folder: Name, overwrite: bool = False, parcels: Sequence[str] = ()) -> list[Path]:
    """Write a result as shapefiles into a folder, which is made, and return the files.

    zones: a `Result`, or the file of one or of a portfolio. parcels: ids, where not all are asked for. Each layer that
    holds something becomes LAYER.shp, with columns of at most 10 characters, and LAYER.qml, its style in QGIS. Texts
    hold 254 bytes there: whole sentences are kept, and notes.txt, the last of the files, has the rest, the cautions and
    what each column means. Raises InputError for a file that is no result, and for one that slopekit did not write or
    that was edited since, unless `overwrite`; OutputError for a place that cannot take it.

    >>> import tempfile, slopekit as sk
    >>> data = sk.demo_data()
    >>> result = sk.screen(data / "office_park.tif", data / "parcels.gpkg", data / "fleet.toml", workers=1)
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     sk.export(result, folder)[0].name
    'zones.shp'
    """
    target = Path(folder)
    if isinstance(zones, Screened):
        read, tables = list(zones.read), dict(zones.layers)
    else:
        read, tables = [str(zones)], read_result(Path(zones), _DUE, _IF_THERE)
    tables = dict(of_parcels(name_of(zones), tables, parcels))
    conditions = conditions_of(tables["zones"])
    check_columns(zones, tables, conditions)
    shown = {
        layer: conform_layer(layer, tables[layer][[*_columns(layer, conditions), "geometry"]], conditions)
        for layer in (*_DUE, *_IF_THERE)
        if layer in tables and len(tables[layer])
    }
    make_folder(target)
    Guard(shape_paths(target, shown), read, overwrite)
    write_shapes(target, shown, conditions, sentences_of(tables))
    return shape_paths(target, shown)


def _columns(layer: str, conditions: list[str]) -> list[str]:
    return [field.name for field in fields_of(layer, conditions)]
