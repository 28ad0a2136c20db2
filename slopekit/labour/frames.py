"""Zones and lines of a result, each parcel where it can be measured: in its survey's grid, or a local projection."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from slopekit.sources.local_crs import local_crs
from slopekit.sources.units_of import metres_per_unit


@dataclass(frozen=True)
class Frame:
    """The parcels that are measured in one CRS."""

    rows: Any
    """(zones of the frame,): their places in the layer `zones`."""
    zones: Any
    lines: Any
    """Shores and crest lines with parcel_id, origin and geometry."""
    metres_per_unit: float


def frames_of(result: Mapping[str, Any]) -> Iterator[Frame]:
    """Every zone of a result once, whole parcels together.

    result: layers zones, water and drops, and `sources` where parcels have different surveys: its column crs names the
    grid that areas were measured in, and that directions are clockwise from the north of.
    """
    zones = result["zones"]
    layers = [result[layer] for layer in ("water", "drops")]
    lines = gpd.GeoDataFrame(
        pd.concat([layer[["parcel_id", "origin"]] for layer in layers], ignore_index=True),
        geometry=np.concatenate([np.asarray(layer.geometry) for layer in layers]),
        crs=zones.crs,
    )
    parcels = zones["parcel_id"]
    ids, first = np.unique(parcels.astype(str), return_index=True)
    places = shapely.get_coordinates(shapely.point_on_surface(np.asarray(zones.geometry)[first]))
    surveys = result["sources"].set_index("parcel_id")["crs"].to_dict() if "sources" in result else {}
    crs = zones.crs.to_wkt()
    chosen = dict(zip(ids, local_crs(crs, places, [surveys.get(one, "") for one in ids]), strict=True))
    of_zone, of_line = (
        np.array([chosen.get(str(one), "") for one in of], dtype=object) for of in (parcels, lines["parcel_id"])
    )
    for local in dict.fromkeys(chosen.values()):
        rows = np.flatnonzero(of_zone == local)
        here, beside = zones.iloc[rows], lines[of_line == local]
        if local != crs:
            here, beside = here.to_crs(local), beside.to_crs(local)
        yield Frame(rows, here, beside, metres_per_unit(local))
