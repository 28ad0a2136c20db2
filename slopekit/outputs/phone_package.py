"""A GeoPackage for the phone: a result, layers to draw corrections in, and the project that opens both."""

import contextlib
import sqlite3
from collections.abc import Mapping, Sequence
from datetime import datetime
from pathlib import Path
from typing import Any

import geopandas as gpd
import pandas as pd
import pyogrio
import shapely

from slopekit.errors import InputError
from slopekit.grid import Bounds
from slopekit.outputs.atomic import written
from slopekit.outputs.corrections_style import COLUMNS
from slopekit.outputs.corrections_template import HELP, LAYERS, MEANINGS, add_columns, add_layers, template_styles
from slopekit.outputs.geopackage import address_of, any_file_name, disk_faults, finishing, write_styles
from slopekit.outputs.manifest import is_ours
from slopekit.outputs.package import describe, fill, sliced, told_crs, verify
from slopekit.outputs.qgis_project import Shown, put_project
from slopekit.outputs.styles import layer_styles
from slopekit.outputs.symbology import LOOKS
from slopekit.schema.layers import OUTPUT_LAYERS, TREE

Drawn = Sequence[tuple[shapely.Geometry, Mapping[str, str]]]
TAKEN = tuple(layer for layer in TREE if layer not in ("corrections", "profiles", "stage_storage"))
"""Layers of a result that go along, from the top of the layer tree down. What was drawn before goes into the layers to
draw in, which alone are read back as corrections."""
_HIDDEN = ("routes", "basins", "berms", "basin_floors", "berm_sides", "water_bodies", "passes")
"""Would bury the zones on a small screen, and say nothing of a hazard that other layers do not."""
_DRAW, _LOOK, _READ = "Draw here", "Result", "Read first"
_MARGIN = 0.1


def write_phone(
    path: str | Path,
    tables: Mapping[str, Any],
    conditions: Sequence[str],
    *,
    surveys: Mapping[str, str],
    drawn: Drawn,
    title: str,
    sentences: Sequence[str],
) -> None:
    """Write a GeoPackage 1.2 whose project QGIS, and field programs that read such projects, open ready to draw in.

    tables: of a result, with the registry's columns, in one CRS; those of TAKEN are written. surveys: checksums of the
    surveys that answered, by the words for the form; one alone stands in every new correction. drawn: earlier
    corrections, shapes in the tables' CRS with the texts of their columns, which go on in the layers to draw in.
    sentences: what must be said with the result. Raises OutputError when the place cannot take the file.
    """
    names = list(conditions)
    crs = tables["zones"].crs.to_wkt()
    target = Path(path)
    with written(target) as (temp,), disk_faults(), any_file_name():
        taken = {layer: sliced(layer, tables[layer], names) for layer in TAKEN if layer in tables}
        counts = fill(temp, taken, crs, names)
        add_layers(temp, told_crs(crs))
        own = {style.layer: style for style in layer_styles(counts, names)}
        forms = template_styles(surveys if len(surveys) > 1 else None)
        meanings = [*(OUTPUT_LAYERS[layer].meaning for layer in own), *MEANINGS]
        write_styles(temp, [*own.values(), *forms], meanings)
        describe(temp, counts, names)
        add_columns(temp, next(iter(surveys.values())) if len(surveys) == 1 else None)
        _put_drawn(temp, drawn, crs)
        qml = {style.layer: style.qml for style in (*own.values(), *forms)}
        with finishing(temp) as db:
            put_project(
                db, target.name, _shown(counts, qml), crs, _extent(tables["parcels"]), title, "\n".join(sentences)
            )
        verify(temp, counts)


def refuse_drawn(target: Path) -> None:
    """Raise InputError for a file that somebody has drawn corrections in, since that may be a day in the field."""
    if not target.is_file() or is_ours(target):
        return
    # Not a change to it, not even of what a journal keeps beside it.
    address = address_of(target.resolve(), "mode=ro&immutable=1")
    with contextlib.suppress(sqlite3.DatabaseError), contextlib.closing(sqlite3.connect(address, uri=True)) as db:
        count = sum(db.execute(f'SELECT count(*) FROM "{layer}"').fetchone()[0] for layer in LAYERS)
        if count:
            raise InputError(
                f"{target}: {count} correction{' is' if count == 1 else 's are'} drawn in it, so it is not "
                "overwritten; screen with it (--corrections) and name a new file."
            )


def _put_drawn(temp: Path, drawn: Drawn, crs: str) -> None:
    for layer, (shape, _, _) in LAYERS.items():
        rows = [(part, texts) for whole, texts in drawn for part in _parts(whole, shape)]
        if not rows:
            continue
        columns = {name: [_value(name, texts.get(name, "")) for _, texts in rows] for name in COLUMNS}
        frame = gpd.GeoDataFrame(pd.DataFrame(columns, dtype=object), geometry=[part for part, _ in rows], crs=crs)
        for name in ("width", "height"):
            frame[name] = frame[name].astype("float64")
        pyogrio.write_dataframe(frame, temp, layer=layer, driver="GPKG", append=True, promote_to_multi=shape != "point")


def _parts(whole: shapely.Geometry, shape: str) -> list[shapely.Geometry]:
    """The features of a drawn shape in the layer of a kind: none in another's, and single ones in that of points."""
    if not whole.geom_type.lower().replace("string", "").endswith(shape):
        return []
    return shapely.get_parts(whole).tolist() if shape == "point" else [whole]


def _value(name: str, text: str) -> Any:
    if not text:
        return None
    if name == "when":
        return datetime.fromisoformat(text.replace("/", "-")).date()
    return float(text) if name in ("width", "height") else text


def _shown(counts: Mapping[str, int], qml: Mapping[str, str]) -> list[Shown]:
    draw = [
        Shown(layer, meaning, shape, _DRAW, qml[layer], drawn_in=True) for layer, (shape, _, meaning) in LAYERS.items()
    ]
    help_ = Shown(HELP, "What a correction can say", "", _READ, "")
    notes = Shown("run_notes", OUTPUT_LAYERS["run_notes"].title, "", _READ, "")
    look = [
        Shown(
            layer, OUTPUT_LAYERS[layer].title, LOOKS[layer].geometry if layer in LOOKS else "", _LOOK,
            qml.get(layer, ""), visible=layer not in _HIDDEN,
        )
        for layer in TAKEN
        if layer in counts and layer != "run_notes"
    ]  # fmt: skip
    return [*draw, notes, help_, *look]


def _extent(parcels: Any) -> Bounds | None:
    if not len(parcels):
        return None
    west, south, east, north = parcels.total_bounds
    margin = _MARGIN * max(east - west, north - south)
    return west - margin, south - margin, east + margin, north + margin
