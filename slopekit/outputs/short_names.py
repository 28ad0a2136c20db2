"""A result as shapefiles, whose column names hold 10 characters and whose texts 254 bytes: styles that find their
columns all the same, and a text beside them that holds what does not fit."""

import shutil
import tempfile
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

import pyogrio

from slopekit.outputs.atomic import written
from slopekit.outputs.geopackage import MOMENT, disk_faults
from slopekit.outputs.package import told_crs
from slopekit.outputs.qml import qml
from slopekit.outputs.qml_fields import title_of
from slopekit.outputs.symbology import LOOKS, PERMIT_MEANING
from slopekit.schema.fields import Field, fields_of
from slopekit.schema.layers import GEOMETRIES, OUTPUT_LAYERS

NOTES = "notes.txt"
# dBASE III: the field name of a table holds 10 characters, a character field 254 bytes.
MOST_NAME, MOST_TEXT = 10, 254
_MORE = f" ... (more in {NOTES})"
_ENDS = ("shp", "shx", "dbf", "prj", "cpg", "qml")
_DRIVER = "ESRI Shapefile"


def shape_paths(folder: Path, layers: Iterable[str]) -> list[Path]:
    """Every file of some layers, the notes last."""
    return [*(folder / f"{layer}.{end}" for layer in layers for end in _ENDS), folder / NOTES]


def write_shapes(folder: Path, tables: Mapping[str, Any], conditions: Iterable[str], sentences: Iterable[str]) -> None:
    """Write each layer with geometry as LAYER.shp with its style LAYER.qml, and the notes.

    tables: in the registry's types, each with rows. sentences: what must be said with the result. The notes hold these
    sentences, the columns by their short names, and every text that was cut, whole. Nothing appears before all of it is
    written and read back. Raises OutputError when the folder cannot take the files.
    """
    wanted = list(conditions)
    lines = [*sentences, PERMIT_MEANING]
    places = shape_paths(folder, tables)
    with written(*places) as temps, disk_faults(), tempfile.TemporaryDirectory(prefix="slopekit-") as made:
        for layer, table in tables.items():
            fields = fields_of(layer, wanted)
            names = short_names([field.name for field in fields])
            cut, whole = _cut(layer, table)
            _write(Path(made, f"{layer}.shp"), cut.rename(columns=names), layer)
            Path(made, f"{layer}.qml").write_text(qml(LOOKS[layer], wanted, names), encoding="utf-8")
            lines += _told(layer, fields, names, whole)
        Path(made, NOTES).write_text("\n".join(lines) + "\n", encoding="utf-8")
        for temp, place in zip(temps, places, strict=True):
            shutil.copyfile(Path(made, place.name), temp)


def short_names(names: Iterable[str], most: int = MOST_NAME) -> dict[str, str]:
    """Different names of at most `most` characters, by the full ones: words lose their ends, the longest first."""
    out: dict[str, str] = {}
    for name in names:
        words = name.split("_")
        while len("_".join(words)) > most and max(map(len, words)) > 1:
            longest = max(range(len(words)), key=lambda n: len(words[n]))
            words[longest] = words[longest][:-1]
        short = "_".join(words)[:most]
        number = 2
        while short in out.values():
            short = f"{short[: most - len(str(number))]}{number}"
            number += 1
        out[name] = short
    return out


def cut_text(text: str, most: int = MOST_TEXT) -> str:
    """A text of at most `most` bytes in UTF-8: whole sentences, or else whole parts, and where the rest is."""
    if len(text.encode()) <= most:
        return text
    room = most - len(_MORE.encode())
    head = text.encode()[:room].decode(errors="ignore")
    for mark, kept in ((". ", 1), ("; ", 0), (",", 0), (" ", 0)):
        end = head.rfind(mark)
        if end > 0:
            return head[: end + kept] + _MORE
    return _MORE.strip()


def _cut(layer: str, table: Any) -> tuple[Any, list[tuple[str, str, str]]]:
    """The table with texts that fit, and those that were cut: what names the row, the column and the whole text."""
    out, whole = table.copy(), []
    named = next(name for name in ("zone_id", "parcel_id", fields_of(layer)[0].name) if name in table)
    for name in table.columns:
        if str(table[name].dtype) != "string":
            continue
        long = table[name].fillna("").str.encode("utf-8").str.len() > MOST_TEXT
        whole += [(str(row), name, str(text)) for row, text in zip(table[named][long], table[name][long], strict=True)]
        out[name] = table[name].map(cut_text, na_action="ignore")
    return out, whole


def _write(path: Path, table: Any, layer: str) -> None:
    crs = told_crs(table.crs.to_wkt())
    table = table.set_crs(crs, allow_override=True)
    options = {"ENCODING": "UTF-8", "DBF_DATE_LAST_UPDATE": MOMENT[:10]}
    pyogrio.write_dataframe(table, path, driver=_DRIVER, geometry_type=GEOMETRIES[layer], layer_options=options)
    found = pyogrio.read_info(path, force_feature_count=True)
    columns = [name for name in table.columns if name != table.geometry.name]
    if found["features"] != len(table) or list(found["fields"]) != columns:
        raise OSError(f"of {len(table)} rows of {layer} only {found['features']} read back")


def _told(
    layer: str, fields: Iterable[Field], names: Mapping[str, str], whole: Iterable[tuple[str, str, str]]
) -> list[str]:
    lines = ["", f"{layer}.shp: {OUTPUT_LAYERS[layer].meaning}."]
    lines += [f"  {names[field.name]:<{MOST_NAME}}  {title_of(field)}: {field.meaning}" for field in fields]
    return lines + [f"  {row}, {name}: {text}" for row, name, text in whole]
