"""Arrays with coordinates, in and out: the one place that knows xarray."""

from collections.abc import Mapping
from typing import Any

import numpy as np
from affine import Affine
from numpy.typing import NDArray

from slopekit.errors import InputError
from slopekit.grid import Grid
from slopekit.outputs.rasters import as_stored
from slopekit.schema.fields import fields_of
from slopekit.sources.held import Raster
from slopekit.sources.mosaic import place

try:
    import rioxarray
    import xarray
except ModuleNotFoundError as error:
    raise InputError("Arrays with coordinates need more: pip install 'slopekit[xarray]'.") from error

_OFF = 1e-3  # of a cell: as far as a coordinate may lie from its place on the grid
_OWN = ("_FillValue", "scale_factor", "add_offset", "units", "long_name", "grid_mapping", "AREA_OR_POINT")


def raster_of(array: "xarray.DataArray") -> Raster:
    """The heights of a DataArray with a CRS and x and y coordinates, as rioxarray opens them: `masked` or not.

    Raises InputError for more than one band, no CRS, and coordinates that are no even grid along the axes.
    """
    if not isinstance(array, xarray.DataArray):
        raise InputError(f"elevation: a {type(array).__name__} cannot be read, so select one DataArray of heights.")
    array = array.squeeze(drop=True)
    if array.ndim != 2:
        shown = ", ".join(f"{name} {size}" for name, size in array.sizes.items())
        raise InputError(f"elevation: the DataArray has the dimensions {shown}, so select one band, rows and columns.")
    try:
        across, down = array.rio.x_dim, array.rio.y_dim
    except rioxarray.exceptions.MissingSpatialDimensionError as error:
        raise InputError("elevation: the DataArray has no dimensions x and y, so name them so.") from error
    crs = array.rio.crs
    if crs is None:
        raise InputError("elevation: the DataArray has no CRS, so give it the right one with .rio.write_crs.")
    array = array.transpose(down, across)
    attrs = array.attrs
    return Raster(
        array.to_numpy(),
        _transform(array, across, down),
        crs.to_wkt(),
        unit=str(attrs["units"]) if attrs.get("units") else None,
        nodata=None if array.rio.nodata is None else float(array.rio.nodata),
        scale=float(attrs.get("scale_factor", 1.0)),
        offset=float(attrs.get("add_offset", 0.0)),
        text=str(attrs.get("long_name", "")),
        tags={str(k): str(v) for k, v in attrs.items() if k not in _OWN and isinstance(v, str | int | float)},
    )


def _transform(array: "xarray.DataArray", across: str, down: str) -> tuple[float, ...]:
    """Coefficients by the coordinates; those of the file where the coordinates say the same, since they are exact."""
    told = array.rio.transform()
    if told.b or told.d:
        raise InputError("elevation: the DataArray's grid is turned, so give the path of its file or resample it.")
    places = []
    for name in (across, down):
        values = array[name].to_numpy().astype(np.float64) if name in array.coords else np.empty(0)
        if values.ndim != 1 or len(values) < 2 or not np.isfinite(values).all() or values[0] == values[-1]:
            raise InputError(
                f"elevation: the DataArray has no coordinates along '{name}', so give the middle of each cell."
            )
        step = (values[-1] - values[0]) / (len(values) - 1)
        if np.abs(values[0] + step * np.arange(len(values)) - values).max() > _OFF * abs(step):
            raise InputError(f"elevation: the cells of the DataArray are not even along '{name}', so resample it.")
        places.append((values[0], step, len(values)))
    (x, step_x, cols), (y, step_y, rows) = places
    exact = (told.a, told.b, told.c, told.d, told.e, told.f)
    corner, far = place(exact, 0.5, 0.5), place(exact, cols - 0.5, rows - 0.5)
    ends = (corner[0] - x, far[0] - x - step_x * (cols - 1), corner[1] - y, far[1] - y - step_y * (rows - 1))
    if max(abs(v) for v in ends[:2]) < _OFF * abs(step_x) and max(abs(v) for v in ends[2:]) < _OFF * abs(step_y):
        return exact
    return step_x, 0.0, x - 0.5 * step_x, 0.0, step_y, y - 0.5 * step_y


def dataset_of(bands: Mapping[str, NDArray[Any]], grid: Grid) -> "xarray.Dataset":
    """Arrays of the registry's layer `rasters` on `grid`, in the types that files hold, each with its unit and its
    meaning."""
    x = grid.west + (np.arange(grid.width) + 0.5) * grid.step_x
    y = grid.north - (np.arange(grid.height) + 0.5) * grid.step_y
    variables = {
        f.name: (("y", "x"), as_stored(bands[f.name], f), {"units": f.unit, "long_name": f.meaning})
        for f in fields_of("rasters")
    }
    out = xarray.Dataset(variables, {"y": y, "x": x})
    return out.rio.write_crs(grid.crs).rio.write_transform(Affine(*grid.affine))
