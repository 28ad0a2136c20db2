"""Passes across a slope: what they must hold for any convex zone, and rectangles by hand.

That one starts at the foot, turns uphill, and on the first pass holds the discharge side uphill is common practice, no
source. Areas and distances are shapely's.
"""

import math

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st
from scipy import spatial

from slopekit.errors import InputError
from slopekit.grid import Grid
from slopekit.labour.passes import Passes, passes_across
from slopekit.sources.raster import outlines
from slopekit.zones.shapes import row_shapes

CORNER = (431_000.0, 5_312_000.0)


def moved(zone: shapely.Geometry) -> shapely.Geometry:
    return shapely.transform(zone, lambda xy: xy + np.array(CORNER))


def heights(run: shapely.Geometry, downhill_deg: float) -> np.ndarray:
    """How far up the face each point of a run lies, m."""
    down = np.array([math.sin(math.radians(downhill_deg)), math.cos(math.radians(downhill_deg))])
    return -(np.array(run.coords) - np.array(CORNER)) @ down


def swath(passes: Passes, width: float) -> shapely.Geometry:
    """The ground that the machine goes over: a strip along every straight piece, nothing round its ends."""
    strips = []
    for run in passes.runs:
        ends = np.array(run.coords)
        pieces = shapely.linestrings(np.stack([ends[:-1], ends[1:]], axis=1))
        strips.extend(shapely.buffer(pieces, width / 2.0, cap_style="flat"))
    return shapely.union_all(strips)


@st.composite
def faces(draw: st.DrawFn) -> shapely.Polygon:
    """Convex zones in which a disc of eight metres, or of fifty, fits."""
    number = draw(st.integers(3, 12))
    points = draw(st.lists(st.tuples(st.floats(0, 120), st.floats(0, 120)), min_size=number, max_size=number))
    disc = shapely.get_coordinates(shapely.Point(60, 60).buffer(draw(st.sampled_from([4.0, 25.0]))))
    # By Qhull: the hull of GEOS 3.14 is now and then not convex (of this disc with (65, 0), (6, 120) and (65, 61)).
    corners = np.concatenate([disc, points])
    return moved(shapely.Polygon(corners[spatial.ConvexHull(corners).vertices]))


@given(faces(), st.floats(0.0, 360.0), st.sampled_from(["right", "left"]), st.floats(0.5, 2.0), st.floats(0.0, 0.3))
def test_convex_zones_are_covered_from_the_foot_up(
    zone: shapely.Polygon, downhill: float, discharge: str, width: float, part: float
) -> None:
    passes = passes_across(zone, downhill, width, part * width, discharge)
    assert passes is not None
    (run,) = passes.runs
    assert zone.buffer(1e-6).covers(run)
    assert np.diff(heights(run, downhill)).min() >= -1e-6
    assert passes.spacing_m <= width * (1.0 - part) + 1e-9
    assert passes.turns == passes.passes - 1
    assert passes.length_m == pytest.approx(run.length)
    covered = shapely.intersection(swath(passes, width), zone).area
    assert passes.covered_share == pytest.approx(covered / zone.area)
    # Beyond the end of a pass a slanting edge leaves triangles at most half a width high. The feet of all of them fit
    # into the edge's run to and fro, twice how far the zone reaches along the slope; so do the ends of foot and top.
    along = heights(zone.exterior, downhill + 90.0)
    reach = along.max() - along.min()
    assert zone.area - covered <= 2.0 * reach * width / 4.0 + width * width
    # That is little where the zone is many widths high.
    if zone.area >= 12.5 * width * reach:
        assert covered >= 0.98 * zone.area


@pytest.mark.parametrize("downhill", [0.0, 90.0, 180.0, 270.0, 35.0])
@pytest.mark.parametrize("discharge", ["right", "left"])
def test_the_discharge_side_of_the_first_pass_faces_uphill(downhill: float, discharge: str) -> None:
    zone = moved(shapely.Point(0, 0).buffer(20.0))
    passes = passes_across(zone, downhill, 1.5, 0.1, discharge)
    # Right of the bearing, or left of it, must be the way uphill.
    side = passes.bearing_deg + (90.0 if discharge == "right" else -90.0)
    assert math.cos(math.radians(side - (downhill + 180.0))) == pytest.approx(1.0)
    # Facing the slope one looks along downhill + 180; the right hand is 90 degrees clockwise of that.
    right = math.radians(downhill + 270.0)
    offset = (passes.start.x - CORNER[0]) * math.sin(right) + (passes.start.y - CORNER[1]) * math.cos(right)
    assert (offset > 0.0) == (discharge == "right")
    foot = heights(zone.exterior, downhill).min()
    assert heights(passes.runs[0], downhill)[0] == pytest.approx(foot + 0.75, abs=1e-6)


def test_a_bank_by_hand() -> None:
    # 30 m along, 6 m up, falling to the south; 2 m wide without overlap: three passes of 30 m at 1, 3 and 5 m, and two
    # turns of 2 m. Facing north the lower right is the south-eastern corner, and the first pass goes west.
    zone = moved(shapely.box(0, 0, 30, 6))
    passes = passes_across(zone, 180.0, 2.0)
    expected = [(30, 1), (0, 1), (0, 3), (30, 3), (30, 5), (0, 5)]
    np.testing.assert_allclose(np.array(passes.runs[0].coords) - np.array(CORNER), expected, atol=1e-6)
    assert (passes.passes, passes.turns) == (3, 2)
    assert passes.length_m == pytest.approx(94.0)
    assert passes.covered_share == pytest.approx(1.0)
    assert passes.bearing_deg == pytest.approx(270.0)
    # With 0.5 m of overlap it takes ceil((6 - 2) / 1.5) + 1 = 4 passes, 4/3 m apart.
    four = passes_across(zone, 180.0, 2.0, 0.5)
    assert four.passes == 4 and four.spacing_m == pytest.approx(4.0 / 3.0)


def test_feet_and_metres_agree() -> None:
    foot = 0.3048
    metric = passes_across(shapely.box(0, 0, 30, 6), 180.0, 2.0, 0.2)
    feet = passes_across(shapely.box(0, 0, 30 / foot, 6 / foot), 180.0, 2.0, 0.2, metres_per_unit=foot)
    assert (feet.passes, feet.turns) == (metric.passes, metric.turns)
    assert feet.length_m == pytest.approx(metric.length_m) and feet.spacing_m == pytest.approx(metric.spacing_m)


def test_a_zone_with_a_hole_and_notched_edges_is_never_left() -> None:
    i, j = np.mgrid[:60, :80]
    cells = (((i - 30) / 24.0) ** 2 + ((j - 40) / 36.0) ** 2 < 1.0) & ~(((i - 28) ** 2 + (j - 45) ** 2) < 64)
    grid = Grid(60, 80, CORNER[0], CORNER[1] + 60.0, 1.0, 1.0, "")
    whole = shapely.box(*grid.bounds)
    (zone,) = row_shapes(*outlines(cells.astype(np.int32), grid), 1, whole, grid)[0].geoms
    for downhill in (0.0, 20.0, 145.0, 250.0):
        passes = passes_across(zone, downhill, 1.2, 0.1)
        for run in passes.runs:
            assert zone.buffer(1e-6).covers(run)
            assert np.diff(heights(run, downhill)).min() >= -1e-6
        # Round the hole there must be more than one run; the longest hold nearly all.
        assert len(passes.runs) >= 2
        lengths = sorted((run.length for run in passes.runs), reverse=True)
        assert sum(lengths[:4]) > 0.9 * sum(lengths)
        assert shapely.intersection(swath(passes, 1.2), zone).area >= 0.95 * zone.area


def test_a_zone_too_low_for_the_machine_has_no_pass() -> None:
    assert passes_across(shapely.box(0, 0, 30, 1.5), 180.0, 2.0) is None
    one = passes_across(shapely.box(0, 0, 30, 2.0), 180.0, 2.0)
    assert (one.passes, one.turns, one.length_m) == (1, 0, pytest.approx(30.0))


@pytest.mark.parametrize(
    ("downhill", "width", "overlap", "words"),
    [
        (180.0, 0.0, 0.0, "working width is 0 m"),
        (180.0, math.nan, 0.0, "working width is nan m"),
        (180.0, 1.0, 1.0, "overlap is 1 m"),
        (180.0, 1.0, -0.1, "overlap is -0.1 m"),
        (math.nan, 1.0, 0.0, "downhill direction"),
    ],
)
def test_bad_figures_are_refused(downhill: float, width: float, overlap: float, words: str) -> None:
    with pytest.raises(InputError, match=words):
        passes_across(shapely.box(0, 0, 30, 6), downhill, width, overlap)
