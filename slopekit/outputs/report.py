"""The result as one JSON file, and as a short table in plain text."""

import datetime
import json
import math
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from slopekit.outputs.atomic import written
from slopekit.schema.classes import CLASSES
from slopekit.schema.fields import FIELDS, SCHEMA_VERSION
from slopekit.schema.layers import ALL_LAYERS
from slopekit.texts import line_of

_CONDITION = "<condition>"


def write_report(path: str | Path, tables: Mapping[str, Any], survey: Mapping[str, Any]) -> None:
    """Write every table without its geometry, and the facts of the survey, as JSON indented by two.

    Layers and columns stand in the order of the registry; what is missing or not a number is null. Raises OutputError
    when the place cannot take the file.
    """
    content = {"schema_version": SCHEMA_VERSION, "survey": _plain(dict(survey))}
    content |= {layer: table_rows(layer, tables[layer]) for layer in ALL_LAYERS if layer in tables}
    with written(path) as (temp,):
        temp.write_text(json.dumps(content, indent=2, ensure_ascii=False, allow_nan=False) + "\n", encoding="utf-8")


def print_table(tables: Mapping[str, Any]) -> str:
    """A text table of plan areas by parcel and class, in square metres and hectares, with a total."""
    zones = tables["zones"]
    areas = zones.groupby(["parcel_id", "machine_class"])["plan_m2"].sum()
    parcels = list(dict.fromkeys([*tables["parcels"]["parcel_id"], *zones["parcel_id"]]))
    names = {parcel: line_of(parcel) for parcel in parcels}
    lines: list[tuple[str, str, float]] = []
    for parcel in parcels:
        lines += [(names[parcel], c.label, float(areas.get((parcel, c.code), 0.0))) for c in CLASSES]
    totals = [("all", c.label, sum(area for _, label, area in lines if label == c.label)) for c in CLASSES]
    whole = sum(area for _, _, area in totals)
    if len(parcels) > 1:
        lines += totals
    shown = [line for line in lines if line[2] > 0.0] + [("all", "Total", whole)]
    wide = max(len("parcel"), *(len(parcel) for parcel, _, _ in shown))
    long = max(len("class"), *(len(label) for _, label, _ in shown))
    text = [f"{'parcel':<{wide}}  {'class':<{long}}  {'m2':>10}  {'ha':>8}"]
    last = ""
    for parcel, label, area in shown:
        name = "" if parcel == last else parcel
        text.append(f"{name:<{wide}}  {label:<{long}}  {area:>10,.0f}  {area / 10_000:>8.3f}")
        last = parcel
    return "\n".join(text) + "\n"


def table_rows(layer: str, table: pd.DataFrame) -> list[dict[str, Any]]:
    """Rows of a table of the registry without geometry, as JSON can hold them."""
    columns = _ordered(layer, table.columns)
    plain = [[_plain(value) for value in table[name].tolist()] for name in columns]
    return [dict(zip(columns, row, strict=True)) for row in zip(*plain, strict=True)]


def _ordered(layer: str, columns: Iterable[str]) -> list[str]:
    """The columns in registry order; a field of the fleet's conditions stands for all columns with its prefix."""
    here = list(columns)
    out: list[str] = []
    for field in FIELDS:
        if field.layer == layer:
            prefix, found, _ = field.name.partition(_CONDITION)
            out += [c for c in here if (c.startswith(prefix) if found else c == field.name) and c not in out]
    return out


def _plain(value: Any) -> Any:
    """A value that JSON can hold."""
    if isinstance(value, Mapping):
        return {str(key): _plain(v) for key, v in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(v) for v in value]
    if isinstance(value, np.generic):
        return _plain(value.item())
    if value is None or value is pd.NA or value is pd.NaT or (isinstance(value, float) and not math.isfinite(value)):
        return None
    if isinstance(value, datetime.date):
        return value.isoformat()
    if isinstance(value, bool | int | float | str):
        return value
    return str(value)
