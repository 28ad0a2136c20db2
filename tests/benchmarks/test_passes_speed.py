"""Passes for 200 zones against the plain way: a comb of parallel lines, cut by each zone. Ratios are printed."""

import math

import numpy as np
import shapely
from bench_clock import in_turns
from bench_site import Table
from shapely import affinity

from slopekit.labour.passes import passes_across

ZONES, WIDTH_M = 200, 1.5


def made_zones() -> list[tuple[shapely.Polygon, float]]:
    """Zones of about 0.3 ha whose edges follow cells of 1 m, each with a way downhill."""
    rng = np.random.default_rng(8)
    out = []
    for _ in range(ZONES):
        angle = np.linspace(0.0, 2.0 * math.pi, 40, endpoint=False)
        radius = 31.0 * (1.0 + 0.25 * np.sin(angle * rng.integers(1, 4) + rng.uniform(0.0, 6.0)))
        blob = shapely.Polygon(np.column_stack([radius * np.cos(angle), 0.7 * radius * np.sin(angle)]))
        x, y = np.meshgrid(np.arange(-45.0, 45.0), np.arange(-35.0, 35.0))
        inside = shapely.contains_xy(blob, x + 0.5, y + 0.5)
        cells = shapely.box(x[inside], y[inside], x[inside] + 1.0, y[inside] + 1.0)
        zone = max(shapely.get_parts(shapely.union_all(cells)), key=lambda part: part.area)
        out.append((zone, float(rng.uniform(0.0, 360.0))))
    return out


def comb(zone: shapely.Polygon, downhill_deg: float) -> float:
    """Length of parallel lines in a zone, one a width: no order, no turns, no share covered."""
    turned = affinity.rotate(zone, downhill_deg, origin=(0.0, 0.0))
    west, south, east, north = turned.bounds
    levels = np.arange(south + WIDTH_M / 2.0, north, WIDTH_M)
    lines = shapely.linestrings([[(west - 1.0, y), (east + 1.0, y)] for y in levels])
    return float(shapely.length(shapely.intersection(lines, turned)).sum())


def test_passes(table: Table) -> None:
    zones = made_zones()
    assert min(zone.area for zone, _ in zones) > 1000.0

    def ours() -> float:
        return sum(found.length_m for zone in zones if (found := passes_across(*zone, WIDTH_M)) is not None)

    def theirs() -> float:
        return sum(comb(*zone) for zone in zones)

    # Both cover the same ground; ours has turns too and leaves stretches in notches out.
    assert 0.9 < ours() / theirs() < 1.2
    table.ratio("passes, 200 zones of 0.3 ha", "lines cut by shapely", in_turns(ours, theirs, 1), "aim 12 s")
