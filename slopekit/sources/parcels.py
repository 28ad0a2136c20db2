"""The parcels to screen: polygons with an id each."""

from dataclasses import dataclass
from pathlib import Path

import shapely

from slopekit.errors import InputError
from slopekit.sources.vectors import POLYGONS, as_text, read_features, to_working_crs


@dataclass(frozen=True)
class Parcel:
    id: str
    geometry: shapely.Polygon | shapely.MultiPolygon
    """In the working CRS; parts and holes as given."""


def read_parcels(path: str | Path, id_column: str | None, crs_wkt: str) -> list[Parcel]:
    """Read parcels from any vector format and reproject them to `crs_wkt`, in file order.

    The id is the text of `id_column`, or the feature's number from 1 when no column is named. Raises InputError for
    a missing column, an empty or repeated id, and every fault that `to_working_crs` names.
    """
    features, crs = read_features(path)
    count = len(features.geometries)
    if id_column is None:
        ids = [str(n) for n in range(1, count + 1)]
    else:
        if id_column not in features.columns:
            listed = ", ".join(features.columns) or "none"
            raise InputError(f"{path}: there is no column '{id_column}' for the ids, so name one of: {listed}.")
        ids = [as_text(v) for v in features.columns[id_column].tolist()]
    seen: dict[str, int] = {}
    for number, one in enumerate(ids, start=1):
        if not one:
            raise InputError(f"{path}: feature {number} has no id in column '{id_column}', so fill it in.")
        if one in seen:
            raise InputError(
                f"{path}: the id '{one}' is on features {seen[one]} and {number}, so make the ids unique or name "
                f"another column."
            )
        seen[one] = number
    labels = [f"parcel '{one}'" for one in ids]
    geometries = to_working_crs(features, crs, crs_wkt, POLYGONS, "polygons", labels)
    return [Parcel(one, geometry) for one, geometry in zip(ids, geometries, strict=True)]
