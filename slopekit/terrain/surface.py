"""Slope of the ground at the working cell: local, at machine scale, and as compared with limits."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from slopekit.grid import Grid, Window
from slopekit.kernels import gradient
from slopekit.terrain.settings import TerrainSettings
from slopekit.units import grade

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Surface:
    """The ground on the working grid. All arrays are (rows, cols), float64, NaN where not known."""

    grid: Grid
    z: Array
    """Elevation, m."""
    smooth: Array
    """The same at machine scale, missing cells left out of the smoothing: the surface that machines move on, m."""
    limit_grade: Array
    """Tangent of the slope that is compared with limits."""


def surface(z: Array, grid: Grid, block: int, settings: TerrainSettings) -> Surface:
    """The surface of a window of native cells, averaged over `block` x `block` of them.

    z: (rows, cols) on `grid`, m; both sides multiples of `block`. A working cell with a missing native cell is missing.

    The allowance for noise is the company's setting and does not grow with the survey's error: a figure typed for the
    quality of the data can then never permit more.
    """
    z = averaged(z, block)
    grid = grid.coarser(block)
    p, q = local_gradient(z, grid, settings)
    ps, qs, moved_on = p, q, z
    if settings.machine_scale_m > 0.0:
        sigma = settings.machine_scale_m / grid.dy, settings.machine_scale_m / grid.dx
        smooth = gradient.gaussian(z, *sigma)
        ps, qs = local_gradient(smooth, grid, settings)
        moved_on = gradient.completed(smooth, z, *sigma)
    return Surface(grid, z, moved_on, gradient.compared_grade(p, q, ps, qs, grade(settings.noise_allowance_deg)))


def averaged(z: Array, block: int) -> Array:
    """Means of `block` x `block` cells; missing where one of them is."""
    if block == 1:
        return z
    rows, cols = z.shape
    return z.reshape(rows // block, block, cols // block, block).mean(axis=(1, 3))


def gradient_in(surface: Surface, view: Window, settings: TerrainSettings) -> tuple[Array, Array]:
    """Local gradient (p, q) of the cells of a view: dz/dx, columns to the right, and dz/dy, rows downward."""
    # The formulas look at one cell round each.
    top, left = min(1, view.row), min(1, view.col)
    part = surface.z[view.row - top : view.row + view.height + 1, view.col - left : view.col + view.width + 1]
    p, q = local_gradient(np.ascontiguousarray(part), surface.grid, settings)
    inside = slice(top, top + view.height), slice(left, left + view.width)
    return p[inside], q[inside]


def local_gradient(z: Array, grid: Grid, settings: TerrainSettings) -> tuple[Array, Array]:
    """Gradient (p, q) by the formula that the settings name."""
    formula = gradient.horn if settings.gradient == "horn" else gradient.zevenbergen_thorne
    return formula(z, grid.dx, grid.dy)


def slope_deg(grade: Array) -> Array:
    """Slope in degrees of a gradient's magnitude."""
    return np.degrees(np.arctan(grade))


def aspect_deg(p: Array, q: Array) -> Array:
    """Downslope direction in degrees clockwise from grid north, [0, 360). NaN on level ground."""
    aspect = np.degrees(np.arctan2(-p, q)) % 360.0
    return np.where((p == 0.0) & (q == 0.0), np.nan, aspect)


def surface_factor(p: Array, q: Array) -> Array:
    """Area along the ground over area on the map: sqrt(1 + p^2 + q^2)."""
    return np.sqrt(1.0 + p * p + q * q)
