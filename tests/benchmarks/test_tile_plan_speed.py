"""How long it takes to tell which of 10 000 tiles serve 1000 parcels. Printed; nothing rests on the time."""

import time

import numpy as np
import shapely

from slopekit.sources.parcels import Lots
from slopekit.sources.said import Said
from slopekit.sources.tile_index import Listed, TileIndex
from slopekit.sources.tile_plan import WHOLE, plan_tiles

CRS = "EPSG:25832"


def test_ten_thousand_tiles_and_a_thousand_parcels() -> None:
    side, across = 1000.0, 100
    west, south = (
        v.ravel() for v in np.meshgrid(np.arange(across) * side + 400_000, np.arange(across) * side + 5_600_000)
    )
    outlines = shapely.box(west, south, west + side, south + side)
    tiles = tuple(Listed(f"https://example.com/{n}.tif", Said("one", "2021"), 1.0, None) for n in range(len(outlines)))
    index = TileIndex("index", CRS, outlines, tiles, (), False)
    x, y = np.random.default_rng(3).uniform(1000.0, (across - 1) * side, (2, 1000))
    shapes = shapely.box(400_000 + x, 5_600_000 + y, 400_200 + x, 5_600_150 + y)
    lots = Lots("lots", CRS, {str(n): shape for n, shape in enumerate(shapes)})
    since = time.perf_counter()
    plan = plan_tiles(index, lots, 150.0)
    took = time.perf_counter() - since
    print(f"\n10 000 tiles, 1000 parcels: {took:.2f} s, {len(plan.tiles):,} tiles needed (aim 5 s)")
    assert all(need.covers == WHOLE and 1 <= len(need.tiles) <= 4 for need in plan.needs.values())
