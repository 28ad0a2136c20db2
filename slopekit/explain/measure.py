"""The numbers of one cell, from the arrays of its window."""

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from slopekit.explain.near import Cell
from slopekit.fleet.model import Fleet
from slopekit.permits.judge import Ground
from slopekit.screening.ground import WindowGround
from slopekit.terrain.surface import aspect_deg, slope_deg
from slopekit.terrain.wetness import is_wet
from slopekit.units import hv_text, percent
from slopekit.zones.describe import Measures


def of_window(window: WindowGround, here: Cell) -> dict[str, Any]:
    """Fields of `Spot` that the window's own arrays give."""
    hazards, floors, top = window.hazards, window.floors, window.surface
    found = hazards.flat | hazards.possible
    masks = {
        "water given": hazards.water & ~found,
        "water inferred": hazards.flat,
        "possible water": hazards.possible,
        "drop": hazards.drop & ~hazards.drawn,
        "wall or edge given": hazards.drawn,
        "hazard": hazards.other,
    }
    kinds = {"wet": floors.wet, "dry": floors.dry, "pond": floors.pond}
    return {
        "cell_m": (top.grid.dx, top.grid.dy),
        "elevation_m": float(top.z[here]),
        "here": tuple(name for name, mask in masks.items() if mask[here]),
        "drop_height_m": number(hazards.height[here]),
        "floor": next((name for name, mask in kinds.items() if mask[here]), "none"),
        "soft_floor": bool(floors.soft[here]),
    }


def of_view(ground: Ground, measures: Measures, at: Cell, fleet: Fleet) -> dict[str, Any]:
    """Fields of `Spot` from what the rules look at. at: the cell on the view's grid."""
    p, q = measures.p[at], measures.q[at]
    slope = number(slope_deg(np.hypot(p, q)))
    error, wetness = measures.slope_error_deg, measures.wetness
    wet_from = fleet.soft_ground.wetness_from
    return {
        "slope_deg": slope,
        "slope_percent": None if slope is None else percent(slope),
        "slope_hv": None if slope is None else hv_text(slope),
        "machine_slope_deg": number(ground.limit_deg[at]),
        "aspect_deg": number(aspect_deg(p, q)),
        "slope_error_deg": None if error is None else number(error[at]),
        "within_stand_off": bool(ground.stand_off[at]),
        "soft": bool(ground.soft[at]),
        "soft_wet": wetness is not None and wet_from is not None and bool(is_wet(wetness[at], wet_from)),
        "wetness": None if wetness is None else number(wetness[at]),
        "channel": bool(measures.channel[at]),
        "canopy": bool(ground.canopy[at]),
        "no_go": bool(ground.no_go[at]),
    }


def number(value: float | np.floating[Any] | NDArray[np.float64]) -> float | None:
    """A plain number, None where it is not finite."""
    found = float(value)
    return found if math.isfinite(found) else None
