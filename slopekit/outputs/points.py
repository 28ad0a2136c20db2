"""What the points show, as a folder: bare ground, what a screening takes beside it, and notes."""

from collections.abc import Mapping
from pathlib import Path

import numpy as np

from slopekit.outputs.atomic import written
from slopekit.outputs.csv_files import write_csv
from slopekit.outputs.package import write_result
from slopekit.outputs.rasters import write_band
from slopekit.points.survey import PointLayers
from slopekit.schema.fields import fields_of
from slopekit.schema.tables import table_of
from slopekit.sources.point_results import GROUND, NOTES, PACKAGES, RASTERS, RETURNS, SEEN, STEPS


def point_paths(folder: Path) -> list[Path]:
    """Every file that is written."""
    return [folder / name for name in (*RASTERS, *PACKAGES.values(), NOTES)]


def write_points(folder: Path, found: PointLayers) -> list[Path]:
    """Write the folder's files, the notes last. Raises OutputError as `write_band` and `write_result`."""
    fields = {field.name: field for field in fields_of("point_rasters")}
    bands: Mapping[str, np.ndarray] = {
        GROUND: found.ground, RETURNS: found.returns, STEPS: found.steps, SEEN: found.seen
    }  # fmt: skip
    for name, band in bands.items():
        write_band(folder / name, band, found.grid, fields[Path(name).stem])
    for layer, name in PACKAGES.items():
        write_result(folder / name, {layer: table_of(layer, found.layers[layer], found.grid.crs)}, ())
    rows = [tuple(note[key] for key in ("topic", "name", "value")) for note in found.notes]
    with written(folder / NOTES) as (temp,):
        write_csv(temp, [("topic", "name", "value"), *rows])
    return point_paths(folder)
