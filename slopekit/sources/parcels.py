"""The parcels to screen: polygons with an id each."""

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import shapely

from slopekit.errors import InputError
from slopekit.sources.files import short_name
from slopekit.sources.vectors import POLYGONS, Features, Source, as_text, read_features, to_working_crs


@dataclass(frozen=True)
class Parcel:
    id: str
    geometry: shapely.Polygon | shapely.MultiPolygon
    """In the working CRS; parts and holes as given."""


def read_parcels(source: Source, id_column: str | None, crs_wkt: str) -> list[Parcel]:
    """Read parcels from any vector format or a table and reproject them to `crs_wkt`, in file order.

    The id is the text of `id_column`, or the feature's number from 1 when no column is named. Raises InputError for
    a missing column, an empty or repeated id, and every fault that `to_working_crs` names.
    """
    features, crs = read_features(source)
    ids = _ids(features, source, id_column)
    labels = [f"parcel '{one}'" for one in ids]
    geometries = to_working_crs(features, crs, crs_wkt, POLYGONS, "polygons", labels)
    return [Parcel(one, geometry) for one, geometry in zip(ids, geometries, strict=True)]


@dataclass(frozen=True)
class Lots:
    """Parcels as the file has them, each of which may have a fault."""

    name: str
    crs: str
    """WKT of the file's CRS."""
    geometries: dict[str, shapely.Geometry | None]
    """By id, in file order."""

    def placed(self, ids: Iterable[str], crs_wkt: str) -> tuple[dict[str, Parcel], dict[str, str]]:
        """Some of the parcels in another CRS, and one sentence for each that cannot be used."""
        good: dict[str, Parcel] = {}
        bad: dict[str, str] = {}
        for one in ids:
            shape = self.geometries[one]
            try:
                if shape is None or shape.is_empty:
                    raise InputError(f"{self.name}: parcel '{one}' has no geometry, so draw or delete it.")
                features = Features(self.name, np.array([shape], dtype=object), {})
                moved = to_working_crs(features, self.crs, crs_wkt, POLYGONS, "polygons", [f"parcel '{one}'"])
                good[one] = Parcel(one, moved[0])
            except InputError as error:
                bad[one] = str(error)
        return good, bad


def read_lots(source: Source, id_column: str | None) -> Lots:
    """Read parcels of which some may be faulty. Ids as in `read_parcels`; raises InputError for a missing column, an
    empty or repeated id, and a file that cannot be read."""
    features, crs = read_features(source, gaps=True)
    ids = _ids(features, source, id_column)
    return Lots(short_name(str(source)), crs, dict(zip(ids, features.geometries.tolist(), strict=True)))


def _ids(features: Features, source: Source, id_column: str | None) -> list[str]:
    count = len(features.geometries)
    if id_column is None:
        ids = [str(n) for n in range(1, count + 1)]
    else:
        if id_column not in features.columns:
            listed = ", ".join(features.columns) or "none"
            raise InputError(f"{source}: there is no column '{id_column}' for the ids, so name one of: {listed}.")
        ids = [as_text(v) for v in features.columns[id_column].tolist()]
    seen: dict[str, int] = {}
    for number, one in enumerate(ids, start=1):
        if not one:
            raise InputError(f"{source}: feature {number} has no id in column '{id_column}', so fill it in.")
        if one in seen:
            raise InputError(
                f"{source}: the id '{one}' is on features {seen[one]} and {number}, so make the ids unique or name "
                f"another column."
            )
        seen[one] = number
    return ids
