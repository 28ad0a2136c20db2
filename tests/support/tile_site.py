"""Tiles of a made district on a server, and indexes of them."""

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import geopandas as gpd
import shapely
from district import WEST_CRS
from tile_server import TileServer

SIDE = 600
DAYS = {"t": "2021-03-04", "o": "2012-01-01", "c": "2023-01-01"}
"""Of surveys, by the first letter of their tiles."""


@dataclass(frozen=True)
class Site:
    folder: Path
    """What is served: four tiles of 600 m in a square, an older survey of the first, a coarse one of all."""
    server: TileServer
    parcels: Path
    fleet: Path
    boxes: dict[str, shapely.Polygon]
    """Outlines of the tiles in WEST_CRS."""

    def index(self, path: Path, prefix: str | None = None, crs: str = WEST_CRS, **columns: Any) -> Path:
        """A vector index of all tiles, with addresses on the server unless another prefix is given."""
        names = [*self.boxes]
        table = {
            "location": [f"{self.server.address if prefix is None else prefix}/{name}.tif" for name in names],
            "survey": ["new" if name[0] == "t" else name for name in names],
            "date": [DAYS[name[0]] for name in names],
            "cell": [2.0 if name == "coarse" else 1.0 for name in names],
            **columns,
        }
        frame = gpd.GeoDataFrame(table, geometry=list(self.boxes.values()), crs=WEST_CRS).to_crs(crs)
        frame.to_file(path)
        return path
