"""What lies beyond the least margin and still decides: a dam far down a level valley, a pan that the border cuts.

The grounds are made so that their answer follows from the definitions (arithmetic): the wide window holds all of it.
"""

from pathlib import Path

import numpy as np
import pytest
from ground_maker import SHORT_LOOK, Array, answer, box, elevation_of, fleet_of

from slopekit.ground import ALL_SETTLED, least_margin, open_sides, read_ground
from slopekit.sources.layers import Layers
from slopekit.sources.parcels import Parcel

LENGTH, WIDTH = 440, 250
MIDDLE = WIDTH // 2


def valley(dam_m: float) -> Array:
    """A valley that falls 0.2 % to the west, its floor 1 % to its line, banks of 25 %; a dam near its west end."""
    x, y = np.meshgrid(np.arange(LENGTH, dtype=float), np.arange(WIDTH, dtype=float) - MIDDLE)
    off = np.abs(y)
    z = 50.0 + 0.002 * x + 0.01 * np.minimum(off, 12.0) + 0.25 * np.clip(off - 12.0, 0.0, 20.0)
    z += 0.01 * np.maximum(off - 32.0, 0.0)
    crest = 50.0 + dam_m - 0.3 * np.maximum(np.abs(x - 20.0) - 2.0, 0.0)
    z = np.maximum(z, np.where(off < 40.0, crest, -np.inf))
    # West of the dam the ground goes on falling.
    return np.where(x < 10.0, z - 0.05 * (10.0 - x), z)


@pytest.mark.parametrize("turns", [0, 1, 2, 3])
def test_a_dam_beyond_the_margin_makes_the_floor_a_basin(tmp_path: Path, turns: int) -> None:
    fleet = fleet_of(settings=SHORT_LOOK)
    least = least_margin(fleet, 1.0)
    west = 150  # 120 m and more from the dam, past the margin of 94 m; the floor there lies 0.2 m above its foot
    assert west - 30 > least + 20
    place = {
        0: box(west, MIDDLE - 4, 30, 8),
        1: box(MIDDLE - 4, LENGTH - west - 30, 8, 30),
        2: box(LENGTH - west - 30, WIDTH - MIDDLE - 4, 30, 8),
        3: box(WIDTH - MIDDLE - 4, west, 8, 30),
    }[turns]
    parcel = Parcel("p", place)
    dammed = elevation_of(tmp_path / "dammed.tif", np.ascontiguousarray(np.rot90(valley(2.0), turns)))
    free = elevation_of(tmp_path / "free.tif", np.ascontiguousarray(np.rot90(valley(-9.0), turns)))

    # The least window cannot tell the two apart, says so, and says where to look.
    narrow = read_ground(dammed, [place], Layers(), fleet, least)
    towards_the_dam = {0: (1, 0, 0, 0), 1: (0, 1, 0, 0), 2: (0, 0, 1, 0), 3: (0, 0, 0, 1)}[turns]
    assert open_sides(narrow, place, fleet) == tuple(bool(side) for side in towards_the_dam)
    assert not narrow.floors.wet.any()

    a = answer(dammed, parcel, fleet)
    assert a.refused("rider", "unknown_basin")[a.inside].all() and a.inside.sum() == 240
    assert open_sides(a.window, place, fleet) == ALL_SETTLED
    wide = answer(dammed, parcel, fleet, margin_m=200.0)
    assert (wide.verdict.reasons == a.verdict.reasons).all()
    b = answer(free, parcel, fleet)
    assert b.raw("rider")[b.inside].all()


def test_what_the_widest_margin_leaves_open_is_unknown(tmp_path: Path) -> None:
    # A round hollow of 60 m with sides of 12 % (steeper than a landing), on ground that falls 1 %.
    x, y = np.meshgrid(np.arange(300.0), np.arange(240.0))
    far = np.hypot(x - 130.0, y - 120.0)
    z = 50.0 - 0.01 * x - 0.12 * np.maximum(60.0 - far, 0.0)
    elevation = elevation_of(tmp_path / "hollow.tif", z)
    parcel = Parcel("p", box(78, 115, 10, 10))
    # All of the hollow is read: its floor is a basin.
    closed = answer(elevation, parcel, fleet_of(settings=SHORT_LOOK))
    assert closed.refused("rider", "unknown_basin")[closed.inside].all()
    assert not closed.refused("rider", "unknown_ground")[closed.inside].any()
    # The border cuts the hollow 72 m east of the parcel and may not be moved: what lies there is not known.
    margin = least_margin(fleet_of(settings=SHORT_LOOK), 1.0)
    held = fleet_of(settings={**SHORT_LOOK, "terrain": {"max_margin_m": margin}})
    cut = answer(elevation, parcel, held)
    assert cut.window.last and cut.window.cut.any()
    assert cut.refused("rider", "unknown_ground")[cut.inside].all()
    assert cut.raw("walker")[cut.inside].all() and closed.raw("walker")[closed.inside].all()
