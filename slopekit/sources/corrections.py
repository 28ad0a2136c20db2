"""What a person on site drew: what the survey does not show, and what it shows wrongly."""

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from typing import Any

import numpy as np
import pyogrio
import shapely
from pyogrio.errors import DataSourceError

from slopekit.errors import InputError
from slopekit.paths import refuse_special
from slopekit.schema.corrections import (
    DRAWN_AS,
    LAYER_START,
    LEAST_DIGITS,
    NEEDED,
    WHAT,
    WIDENED,
    Correction,
    holds_for,
)
from slopekit.sources.frames import Frame
from slopekit.sources.layers import Layer, Layers, length_m
from slopekit.sources.remote import check_local
from slopekit.sources.vectors import LINES, POLYGONS, Features, Source, as_text, in_time, read_features, to_working_crs

_TEXTS = ("what", "body", "survey", "who", "when", "why", "width", "height", "remark")
_POINTS = frozenset({shapely.GeometryType.POINT, shapely.GeometryType.MULTIPOINT})
_NAMED = {"dry": "a statement that a hollow is dry", "confirm": "a confirmation", "reject": "a rejection"}
_ADDS = {
    "water": "water", "wall": "walls", "edge": "walls", "soft ground": "soft", "low clearance": "canopy",
    "no-go": "no_go", "dry": "dry",
}  # fmt: skip
_CHECKSUM = re.compile(rf"(?:(?:sha256|stat|tiles):)?[0-9a-f]{{{LEAST_DIGITS},64}}")


@dataclass(frozen=True)
class _Row:
    """The texts of one feature, and how messages name it."""

    file: str
    label: str
    texts: Mapping[str, str]

    def fault(self, sentence: str) -> InputError:
        return InputError(f"{self.file}: {self.label} {sentence}")


@in_time()
def read_corrections(
    path: Source, crs_wkt: str, *, metres_per_unit: float, today: date | None = None
) -> tuple[Correction, ...]:
    """Read what was drawn, in file order, and reproject it to `crs_wkt`.

    `path` names any vector format, or is a table. Of a file with several layers those whose names begin with
    'corrections' are read
    and empty ones among them passed over. Columns are found whatever the case of their names. Raises InputError, which
    names the feature, for an unknown or missing `what`, a shape that does not fit it, a width or height that is no
    length, an empty column of NEEDED, a checksum that is none, a date that is none or lies after `today` (this
    machine's date when not given), a body that is both confirmed and rejected, a file without corrections, and
    everything that `read_features` and `to_working_crs` name.
    """
    day = today or date.today()
    found: list[Correction] = []
    for source, layer in _sources(path):
        features, crs = read_features(source)
        rows = _rows(features, source, layer)
        whats = [_checked(row, geometry) for row, geometry in zip(rows, features.geometries, strict=True)]
        labels = [row.label for row in rows]
        shapes = to_working_crs(
            features, crs, crs_wkt, POLYGONS | LINES | _POINTS, "a polygon, a line or a point", labels
        )
        for row, what, shape in zip(rows, whats, shapes, strict=True):
            found.append(_correction(len(found) + 1, row, what, shape, metres_per_unit, day))
    if not found:
        raise InputError(f"{path}: nothing is drawn in it, so save what was drawn or leave the file out.")
    _check_conflicts(str(path), found)
    return tuple(found)


def drawn_corrections(path: Source, crs_wkt: str) -> list[tuple[shapely.Geometry, dict[str, str]]]:
    """Every feature that `read_corrections` would take, as it was drawn: its shape in `crs_wkt`, its columns as texts.

    Raises InputError as `read_features` and `to_working_crs`; what the columns say is not checked.
    """
    found = []
    for source, layer in _sources(path):
        features, crs = read_features(source)
        rows = _rows(features, source, layer)
        kinds, labels = POLYGONS | LINES | _POINTS, [row.label for row in rows]
        shapes = to_working_crs(features, crs, crs_wkt, kinds, "a polygon, a line or a point", labels)
        found += [(shape, dict(row.texts)) for row, shape in zip(rows, shapes, strict=True)]
    return found


def with_corrections(layers: Layers, corrections: Iterable[Correction], survey_checksum: str) -> Layers:
    """The layers with what the corrections add. Dry ground is added only where it was said of this very survey.

    Confirmations and rejections add nothing here: they speak of bodies that are found in the ground.
    """
    said = tuple(corrections)
    added: dict[str, list[Correction]] = {}
    for one in said:
        if one.what in _ADDS and (one.what != "dry" or holds_for(one, survey_checksum)):
            added.setdefault(_ADDS[one.what], []).append(one)
    merged: dict[str, Any] = {field: _merged(getattr(layers, field), more) for field, more in added.items()}
    return replace(layers, corrections=said, **merged)


def _merged(layer: Layer | None, more: list[Correction]) -> Layer:
    geometries = [one.geometry for one in more]
    heights = np.array([np.nan if one.height_m is None else one.height_m for one in more])
    if layer is None:
        return Layer.of("corrections", geometries, heights=heights)
    held = np.full(len(layer.geometries), np.nan) if layer.heights is None else layer.heights
    return Layer.of(
        f"{layer.name} and corrections",
        [*layer.geometries, *geometries],
        None if layer.kinds is None else [*layer.kinds, *(one.what for one in more)],
        np.concatenate([held, heights]),
    )


def _sources(source: Source) -> list[tuple[Source, str]]:
    """The layers to read: each as `read_features` takes it, and by its own name."""
    if isinstance(source, Frame):
        return [(source, "")]
    path = str(source)
    file, _, named = path.partition("|layername=")
    check_local([file])
    if named:
        return [(path, named.partition("|")[0])]
    refuse_special(file)
    try:
        layers = [str(name) for name, kind in pyogrio.list_layers(file) if kind is not None]
    except DataSourceError:
        layers = []
    if len(layers) < 2:
        return [(path, "".join(layers))]  # Reading it says what is wrong, if anything is.
    chosen = [name for name in layers if name.lower().startswith(LAYER_START)]
    if not chosen:
        raise InputError(
            f"{path}: none of the layers {', '.join(layers)} has a name that begins with '{LAYER_START}', so name one "
            f"as '{path}|layername={layers[0]}'."
        )
    count = {name: pyogrio.read_info(path, layer=name, force_feature_count=True)["features"] for name in chosen}
    return [(f"{path}|layername={name}", name) for name in chosen if count[name]]


def _rows(features: Features, source: Source, layer: str) -> list[_Row]:
    columns: dict[str, list[str]] = {}
    for name, values in features.columns.items():
        key = name.lower()
        if key in columns:
            raise InputError(f"{source}: the column '{key}' is there twice, so rename or delete one of them.")
        if key in _TEXTS:
            columns[key] = [as_text(v) for v in values.tolist()]
    if "what" not in columns:
        raise InputError(
            f"{source}: there is no column 'what', so add it and say in each feature what it is: {', '.join(WHAT)}."
        )
    count = len(features.geometries)
    if isinstance(source, Frame):
        labels = [f"feature {n}" for n in range(1, count + 1)]
    else:
        labels = _labels(str(source).partition("|layername=")[0], layer, count)
    return [
        _Row(str(source), label, {key: columns[key][n] if key in columns else "" for key in _TEXTS})
        for n, label in enumerate(labels)
    ]


def _labels(file: str, layer: str, count: int) -> list[str]:
    """Features by number and, in formats that show one, by id, since numbers shift when a feature is deleted."""
    column = pyogrio.read_info(file, layer=layer).get("fid_column")
    if not column:
        return [f"feature {n}" for n in range(1, count + 1)]
    fids = pyogrio.raw.read(file, layer=layer, columns=[], read_geometry=False, return_fids=True)[1]
    return [f"feature {n} ({column} {fid})" for n, fid in enumerate(fids, start=1)]


def _checked(row: _Row, geometry: shapely.Geometry) -> str:
    """What a feature says, whose shape and filled columns go with it."""
    said = row.texts["what"]
    what = said.lower()
    if what not in WHAT:
        problem = f"says what = '{said}', which is not known" if said else "does not say what it is"
        raise row.fault(f"{problem}, so fill the column 'what' with one of: {', '.join(WHAT)}.")
    shape = _shape(geometry)
    if shape not in (*DRAWN_AS[what], ""):
        wanted = " or ".join(_with_width(what, name) for name in DRAWN_AS[what])
        raise row.fault(f"is a {shape} and '{what}' is drawn as a {wanted}, so draw it anew or correct 'what'.")
    needed = NEEDED.get(what, ())
    empty = [name for name in needed if not row.texts[name]]
    if empty:
        raise row.fault(
            f"has nothing in {_listed(empty)}, and {_NAMED[what]} needs {_listed(needed)}, so fill in what is missing."
        )
    if "survey" in needed and not _CHECKSUM.fullmatch(row.texts["survey"].lower()):
        raise row.fault(
            f"names the survey '{row.texts['survey']}', which is not a checksum, so give the first {LEAST_DIGITS} "
            f"digits or more of the one that the notes of the result show."
        )
    return what


def _shape(geometry: shapely.Geometry) -> str:
    kind = shapely.GeometryType(shapely.get_type_id(geometry))
    groups = {"polygon": POLYGONS, "line": LINES, "point": _POINTS}
    return next((name for name, kinds in groups.items() if kind in kinds), "")


def _with_width(what: str, shape: str) -> str:
    return f"{shape} with its 'width' in metres" if shape == "line" and what in WIDENED else shape


def _listed(names: Iterable[str]) -> str:
    *most, last = (f"'{name}'" for name in names)
    return f"{', '.join(most)} and {last}" if most else last


def _correction(
    number: int, row: _Row, what: str, shape: shapely.Geometry, metres_per_unit: float, today: date
) -> Correction:
    height = None
    if what in WIDENED and _shape(shape) == "line":
        shape = shape.buffer(_length(row, "width", what) / 2.0 / metres_per_unit)
    if what in ("wall", "edge") and row.texts["height"]:
        height = _length(row, "height", what)
    return Correction(
        number=number,
        what=what,
        geometry=shape,
        body=row.texts["body"].lower(),
        survey=row.texts["survey"].lower(),
        who=row.texts["who"],
        when=_day(row, today),
        why=row.texts["why"],
        height_m=height,
        feature=_place(row),
    )


def _length(row: _Row, column: str, what: str) -> float:
    length = length_m(row.texts[column])
    if not length > 0.0:
        raise row.fault(
            f"is a line of '{what}' whose column '{column}' says '{row.texts[column]}', so give its {column} in "
            f"metres, more than 0."
        )
    return length


def _day(row: _Row, today: date) -> str:
    text = row.texts["when"]
    if not text:
        return ""
    try:
        moment = datetime.fromisoformat(text.replace("/", "-"))
    except ValueError:
        raise row.fault(f"says when = '{text}', which is not a date, so write it as in {today.isoformat()}.") from None
    # A tablet may write the time of Greenwich, where the day can be one ahead.
    latest = today if moment.tzinfo is None else today + timedelta(days=1)
    if moment.date() > latest:
        raise row.fault(f"says when = '{text}', which lies in the future, so correct the date.")
    return moment.date().isoformat()


def _place(row: _Row) -> str:
    layer = row.file.partition("|layername=")[2]
    return f"{row.label} of {layer}" if layer else row.label


def _check_conflicts(path: str, found: list[Correction]) -> None:
    confirmed = {one.body: one for one in reversed(found) if one.what == "confirm"}
    for one in found:
        other = confirmed.get(one.body)
        if one.what == "reject" and other is not None:
            raise InputError(
                f"{path}: {other.feature} confirms '{one.body}' and {one.feature} rejects it, so delete one of them."
            )
