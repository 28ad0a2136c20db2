"""Ground that holds everything at once, for the properties."""

import numpy as np
import shapely
from ground_maker import Array, box
from scipy import ndimage

ROWS, COLS = 250, 262


def golden_heights(*, ties: bool = True, seed: int = 20240531) -> Array:
    """Rough ground (ROWS, COLS), m: a valley side with a pond, a wall, a basin, banks; with `ties`, equally steep ways."""
    random = np.random.default_rng(seed)
    row, col = np.mgrid[:ROWS, :COLS].astype(float)
    z = 120.0 + 0.03 * col + 0.045 * row
    for scale, height in ((4.0, 0.5), (12.0, 1.6), (30.0, 4.0)):
        noise = ndimage.gaussian_filter(random.normal(size=z.shape), scale)
        z += height * noise / noise.std()
    z += random.normal(scale=0.02, size=z.shape)
    if ties:
        # Planes and a cone on round numbers: exactly equal falls to several neighbours.
        z[135:160, 90:115] = 130.0 - 0.125 * (row + col)[135:160, 90:115]
        hill = np.hypot(row - 105.0, col - 160.0) < 12.0
        z[hill] = np.round(8.0 * (z[105, 160] + 3.0 - 0.25 * np.hypot(row - 105.0, col - 160.0)))[hill] / 8.0
    # A basin 1.5 m deep below its rim, about 20 m wide.
    away = np.hypot(row - 150.0, col - 165.0)
    rim = z[150, 165] - 0.5
    z = np.where(away < 11.0, np.minimum(z, rim - 1.5 + 1.5 * (away / 11.0) ** 2 + 0.02 * random.normal(size=z.shape)), z)
    # A pond, flattened by the survey.
    pond = np.hypot((row - 95.0) / 9.0, (col - 105.0) / 14.0) < 1.0
    z[pond] = z[pond].min() - 0.2
    # A wall 1.3 m high that curves.
    z += 1.3 * (row > 120.0 + 8.0 * np.sin(col / 15.0)) * ((col > 85.0) & (col < 190.0))
    return z


def golden_parcel() -> shapely.MultiPolygon:
    """Two parts, one with a hole; no edge along the cells' edges."""
    outer = shapely.Polygon([(84.3, 81.7), (176.6, 87.2), (181.1, 140.4), (150.9, 170.8), (92.2, 166.1)])
    hole = shapely.Point(133.3, 112.8).buffer(7.7, quad_segs=3)
    small = shapely.Polygon([(183.4, 150.2), (195.7, 153.9), (187.1, 168.3)])
    cells = shapely.MultiPolygon([shapely.difference(outer, hole), small])
    west, _, _, north = box(0.0, 0.0, 1.0, 1.0).bounds
    # Sixty-fourths are exact, so that turning the parcel loses nothing.
    return shapely.transform(cells, lambda xy: np.round(64.0 * np.stack([west + xy[:, 0], north - xy[:, 1]], axis=1)) / 64.0)
