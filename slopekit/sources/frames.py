"""Features that are held as a table instead of a file."""

import hashlib
from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import shapely


@dataclass(frozen=True, eq=False)
class Frame:
    """A table of features under the name that messages and notes call it by."""

    name: str
    table: gpd.GeoDataFrame

    def __str__(self) -> str:
        return self.name

    def stored(self) -> tuple[npt.NDArray[np.object_], dict[str, npt.NDArray[Any]], str]:
        """Geometries without heights, the other columns with None for what is missing, and the CRS as WKT, '' for none.

        All in the order of the rows.
        """
        active = self.table.geometry
        geometries = shapely.force_2d(np.asarray(active.to_numpy(), dtype=object))
        columns = {}
        for name in self.table.columns:
            if name != active.name:
                values = self.table[name].astype(object)
                columns[str(name)] = values.where(values.notna(), None).to_numpy(dtype=object)
        return geometries, columns, "" if active.crs is None else active.crs.to_wkt()

    def checksum(self) -> str:
        """'sha256:...' of CRS, geometries and columns: the same rows have the same one, in whatever session."""
        geometries, columns, crs = self.stored()
        whole = hashlib.sha256(crs.encode())
        for wkb in shapely.to_wkb(geometries, flavor="iso"):
            whole.update(b"" if wkb is None else wkb)
        for name, values in columns.items():
            whole.update(repr((name, [str(v) for v in values.tolist()])).encode())
        return f"sha256:{whole.hexdigest()}"
