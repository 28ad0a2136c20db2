"""Records of basins and berms as tables, one a layer."""

from collections.abc import Mapping
from typing import Any

import geopandas as gpd
import pandas as pd

from slopekit.fields import LANDFORM_LAYERS, fields_of
from slopekit.outputs.tables import GEOMETRIES


def landform_tables(records: Mapping[str, list[dict[str, Any]]], crs: str) -> dict[str, Any]:
    """The records as tables, one a layer."""
    out: dict[str, Any] = {}
    for layer in LANDFORM_LAYERS:
        names = [f.name for f in fields_of(layer)]
        if GEOMETRIES[layer] is None:
            out[layer] = pd.DataFrame.from_records(records[layer], columns=names)
        else:
            table = pd.DataFrame.from_records(records[layer], columns=[*names, "geometry"])
            out[layer] = gpd.GeoDataFrame(table, geometry="geometry", crs=crs)
    return out
