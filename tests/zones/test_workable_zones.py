"""Real ground in one-hectare parcels gives few enough zones to work with, at a small cost, and never at the wrong side.

Bounds: the project's own, from what people can mark out and keep in mind; common practice, no source.
"""

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
import shapely
from ground_maker import Answer, Bool, answer, fleet_of, permits, tiling_faults

from slopekit.fleet.model import Fleet
from slopekit.permits.judge import ACROSS, UP_DOWN
from slopekit.schema.as_text import is_spot
from slopekit.screening.batch import reach_of
from slopekit.sources.elevation import Elevation, open_elevation
from slopekit.sources.parcels import Parcel
from slopekit.sources.raster import rasterize

pytestmark = pytest.mark.reference

SIDE = 100.0


def hectares(elevation: Elevation, fleet: Fleet) -> list[Parcel]:
    """Every square hectare of a lattice that lies with its margin inside the grid."""
    west, south, east, north = elevation.survey.grid.bounds
    margin = np.ceil(reach_of(elevation.survey, fleet))
    xs = np.arange(west + margin, east - margin - SIDE + 1e-6, SIDE)
    ys = np.arange(south + margin, north - margin - SIDE + 1e-6, SIDE)
    return [
        Parcel(f"{n}-{k}", shapely.box(x, y, x + SIDE, y + SIDE)) for n, y in enumerate(ys) for k, x in enumerate(xs)
    ]


@dataclass(frozen=True)
class Screened:
    fleet: Fleet
    answers: list[Answer]

    @property
    def area_ha(self) -> float:
        return sum(a.parcel.geometry.area for a in self.answers) / 1e4


@pytest.fixture(scope="module")
def screened(open_data: Callable[[str], Path]) -> Screened:
    # Limits of 10, 15, 20 and 30 degrees; hand crews may work above hazards, which makes their zones known ones.
    fleet = fleet_of((10.0, 15.0, 20.0, 30.0))
    elevation = open_elevation([open_data("village_scarp_1m.tif")])
    return Screened(fleet, [answer(elevation, parcel, fleet) for parcel in hectares(elevation, fleet)])


def test_zones_are_few(screened: Screened) -> None:
    assert len(screened.answers) >= 36
    zones = rows = 0
    for a in screened.answers:
        spots = a.zones.zone_id.map(is_spot).to_numpy(bool)
        assert (a.zones.plan_m2[~spots] >= screened.fleet.zones.min_zone_m2 - 1e-6).all()
        zones += int((~spots).sum())
        rows += len(a.zones)
    print(f"{zones / screened.area_ha:.1f} zones and {rows / screened.area_ha:.1f} rows a hectare")
    assert zones / screened.area_ha <= 12.0
    assert rows / screened.area_ha <= 30.0
    # Not because there is little to tell: every class and most reasons are met.
    met = set().union(*(a.zones.machine_class for a in screened.answers))
    assert met == {"ride-on", "stand-on", "walk-behind", "hand crew", "none"}
    reasons = set().union(*(a.zones.reason for a in screened.answers))
    assert {"slope", "above_drop", "stand_off", "unknown_basin"} <= reasons


def test_little_area_moves_and_none_to_a_less_restricted_class(screened: Screened) -> None:
    moved = cells = 0
    for a in screened.answers:
        here = a.inside
        before, after = a.raw_class(fitted=False)[here], a.final_class()[here]
        assert (after >= before).all()
        moved += int((after > before).sum())
        cells += int(here.sum())
    print(f"{100.0 * moved / cells:.2f} % moved to a more restricted class")
    assert 0.0 < moved / cells <= 0.06


def test_no_cell_wins_a_machine(screened: Screened) -> None:
    for a in screened.answers:
        assert tiling_faults(a.zones, a.parcel.geometry) == []
        for machine, condition in a.verdict.pairs:
            won = a.final(machine, condition) & ~a.raw(machine, condition)
            assert not won.any(), (a.parcel.id, machine, condition, int(won.sum()))
        for n, (machine, condition) in enumerate(a.verdict.pairs):
            for way, bits in (("either", ACROSS | UP_DOWN), ("across", ACROSS), ("up-and-down", UP_DOWN)):
                governing = a.zones.machine_class == a.fleet.machines[machine].machine_class
                held = a.zones.geometry[(a.zones.way == way) & governing & permits(a.zones, machine, condition)]
                assert not (bits & ~a.verdict.ways[n][rasterize(list(held), a.grid)]).any()


def hazard_cells(a: Answer) -> Bool:
    """Water, drops and their stand-off, ground above them, and ground of which too little is known."""
    hazards, view = a.window.hazards, a.window.surface.grid.covering(a.grid.bounds).slices
    found = (hazards.water | hazards.drop | hazards.other | hazards.stand_off)[view]
    for head in a.ground.heads.values():
        found = found | (head <= a.fleet.runout.still_head_m).any(axis=0)
    return found


def test_no_hazard_cell_is_in_a_zone_that_permits_a_seated_machine(screened: Screened) -> None:
    seated = hazardous = 0
    for a in screened.answers:
        hazard, permitted = hazard_cells(a), a.final("ride_on")
        assert not (hazard & permitted).any(), a.parcel.id
        seated += int((permitted & a.inside).sum())
        hazardous += int((hazard & a.inside).sum())
    # Both are common on this ground, so that they could meet.
    assert seated > 1e5 and hazardous > 1e4
