"""Which permitted ground of a parcel each machine gets to from the entrances, and back."""

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np
import shapely
from numpy.typing import NDArray

from slopekit.access.entrances import Gate, entrances_at
from slopekit.access.routes import Entrance, Reach, Terrain, crossable, crossing_of, reach_of
from slopekit.fleet.model import Fleet
from slopekit.grid import Grid
from slopekit.permits.judge import BIT, Ground, Verdict


@dataclass(frozen=True)
class Access:
    """The routes in and out of one parcel."""

    entrances: tuple[Entrance, ...]
    reaches: dict[int, Reach]
    """By number of the verdict's pair; a machine that has no limit or no width has none."""
    closed: tuple[int, ...]
    """Numbers of the entrances at the parcel that let nobody in."""

    @property
    def numbers(self) -> tuple[int, ...]:
        """Numbers of the entrances at the parcel, each once."""
        return tuple(sorted({e.number for e in self.entrances}))


def find_access(
    verdict: Verdict,
    ground: Ground,
    terrain: Terrain,
    region: shapely.Geometry,
    within: NDArray[np.bool_],
    grid: Grid,
    gates: Iterable[Gate],
    fleet: Fleet,
) -> tuple[Access, Verdict]:
    """The routes of every machine under every condition inside `region` (CRS units), and the verdict with `no_route` on
    permitted cells that have none.

    verdict, ground, terrain: on `grid`. within: (rows, cols), the cells that share area with the region, which a route
    keeps to. It crosses no drop, and excluded ground only where that is given as drivable. Everybody needs one, the
    hand crew too.
    """
    blocked = ground.blocked & ~ground.drives
    entrances = entrances_at(gates, region, within, grid, fleet.routes.entrance_reach_m)
    reasons, ways = verdict.reasons.copy(), verdict.ways.copy()
    reaches: dict[int, Reach] = {}
    for n, pair in enumerate(verdict.pairs):
        crossing = crossing_of(fleet, *pair)
        if crossing is None:
            continue
        reaches[n] = reach_of(
            (verdict.reasons[n] == 0) & ~ground.blocked,
            crossable(verdict.reasons[n], ground.drop, blocked, terrain, crossing),
            terrain,
            entrances,
            crossing,
            within=within,
            drop=ground.drop,
            allowance_deg=fleet.terrain.noise_allowance_deg,
            slope_factor=fleet.routes.slope_cost,
        )
        reasons[n][reaches[n].no_route] |= BIT["no_route"]
        ways[n][reaches[n].no_route] = 0
    used = {number for reach in reaches.values() for number in reach.doors.values()}
    closed = tuple(sorted({e.number for e in entrances} - used))
    return Access(entrances, reaches, closed), replace(verdict, reasons=reasons, ways=ways)
