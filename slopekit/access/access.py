"""Which permitted ground of a parcel each machine gets to from the entrances, and back."""

from dataclasses import dataclass, replace

import shapely

from slopekit.access.entrances import entrances_at
from slopekit.access.routes import Entrance, Reach, Terrain, crossable, crossing_of, reach_of
from slopekit.fleet.model import Fleet
from slopekit.grid import Grid
from slopekit.permits.judge import BIT, Ground, Verdict
from slopekit.sources.layers import Layers
from slopekit.sources.raster import rasterize_layer, shared


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
    grid: Grid,
    layers: Layers,
    fleet: Fleet,
) -> tuple[Access | None, Verdict]:
    """The routes of every machine under every condition inside `region` (CRS units), and the verdict with `no_route` on
    permitted cells that have none. No entrances given: no routes, and nothing is refused for want of one.

    verdict, ground, terrain: on `grid`. A route keeps to the cells that the region touches, crosses no drop, and
    crosses excluded ground only where it is given as drivable. Everybody needs one, the hand crew too.
    """
    if layers.entrances is None:
        return None, verdict
    within = shared(region, grid)
    blocked = ground.blocked & ~rasterize_layer(layers.drives, grid)
    entrances = entrances_at(layers.entrances, region, within, grid, fleet.routes.entrance_reach_m)
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
