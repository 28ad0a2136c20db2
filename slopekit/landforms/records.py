"""The figures of basins and berms as fields of the registry."""

import math
from typing import Any

import numpy as np
import shapely

from slopekit.grid import Grid
from slopekit.landforms.basins import Basin
from slopekit.landforms.berms import Berm

Record = dict[str, Any]


def basin_record(basin: Basin, berm_beside: float) -> Record:
    side, shape = basin.side, basin.shape
    parts = [shape.rectangularity, shape.side_regularity, shape.floor_flatness, berm_beside]
    return {
        "depth_m": basin.depth_m,
        "area_m2": basin.area_m2,
        "volume_m3": basin.volume_m3,
        "low_z_m": basin.low_m,
        "spill_z_m": basin.spill_m,
        "spill_x": basin.spill_xy[0],
        "spill_y": basin.spill_xy[1],
        "perimeter_m": basin.perimeter_m,
        "approach_m": basin.approach_m,
        "floor_m2": basin.floor.area_m2,
        "floor_slope_deg": or_none(basin.floor.slope_deg),
        "soft_m2": basin.floor.soft_m2,
        "side_hv": or_none(side.hv_median),
        "side_hv_p90": or_none(side.hv_p90),
        "side_hv_steepest": or_none(side.hv_steepest),
        "side_over_4_1": or_none(side.over_4_1),
        "side_over_3_1": or_none(side.over_3_1),
        "side_over_2_1": or_none(side.over_2_1),
        "wet": basin.wet,
        "water_m2": basin.water_m2,
        "rectangularity": or_none(shape.rectangularity),
        "side_regularity": or_none(shape.side_regularity),
        "floor_flatness": or_none(shape.floor_flatness),
        "berm_beside": berm_beside,
        # A part that cannot be told counts as none.
        "built_likeness": math.fsum(0.0 if math.isnan(part) else part for part in parts) / len(parts),
        "beside_void": basin.beside_void,
    }


def berm_record(berm: Berm, grid: Grid) -> Record:
    x = grid.west + (berm.crest[:, 1] + 0.5) * grid.step_x
    y = grid.north - (berm.crest[:, 0] + 0.5) * grid.step_y
    points = rounded(np.stack([x, y], axis=1))
    if berm.closed:
        points = np.concatenate([points, points[:1]])
    out: Record = {
        "length_m": rounded(berm.length_m),
        "height_m": rounded(berm.height_m),
        "crest_width_m": rounded(berm.crest_width_m),
        "width_m": rounded(berm.width_m),
        "volume_m3": rounded(berm.volume_m3),
        "closed": berm.closed,
        "open_end": berm.cut,
        "geometry": shapely.multilinestrings([shapely.linestrings(points)]),
    }
    for side, face in (("left", berm.left), ("right", berm.right)):
        out |= {
            f"{side}_height_m": rounded(face.height_m),
            f"{side}_greatest_m": rounded(face.greatest_m),
            f"{side}_hv": or_none(rounded(face.hv)),
            f"{side}_steepest_hv": or_none(rounded(face.steepest_hv)),
        }
    return out


def rounded(value: Any) -> Any:
    """Without the last digits, which depend on where the window begins."""
    return np.round(value, 6)


def or_none(value: float) -> float | None:
    return None if math.isnan(value) else value
