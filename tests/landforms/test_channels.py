"""Channels of brooks and ditches. What makes one is common practice, no source; the ground is made here, and the areas
in it are asked of the masks that made it."""

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from ground_maker import SHORT_LOOK, Answer, answer, box, elevation_of, fleet_of
from labour_maker import season
from pond_ground import Array, noise, plan, read, share
from turns import ALL, sides, turned

from slopekit.labour.hours import CHANNEL, work_out
from slopekit.landforms.channels import find_channels, reach_m
from slopekit.landforms.settings import LandformSettings

pytestmark = pytest.mark.reference

SETTINGS = LandformSettings()


def found(z: Array, dx: float = 1.0, dy: float = 1.0) -> Array:
    return find_channels(z, dx, dy, SETTINGS)


def ditch(
    along: Array, across: Array, *, deep: float = 0.8, wide: float = 5.0, half: float = 40.0
) -> tuple[Array, Array]:
    """How far the ground of a ditch with sides of 1:1 lies below that beside it, and its bottom."""
    depth = np.clip(0.5 * wide - np.abs(across), 0.0, deep) * (np.abs(along) <= half)
    return depth, depth >= deep - 1e-9


def rotated(degrees: float, size: float = 140.0) -> tuple[Array, Array]:
    x, y = plan(size)
    a = np.radians(degrees)
    return x * np.cos(a) + y * np.sin(a), y * np.cos(a) - x * np.sin(a)


@pytest.mark.parametrize("degrees", [0.0, 10.0, 22.5, 45.0, 70.0, 90.0])
@pytest.mark.parametrize(("deep", "wide"), [(0.5, 3.0), (0.8, 5.0), (1.5, 8.0)])
def test_a_ditch_is_a_channel_in_any_direction(degrees: float, deep: float, wide: float) -> None:
    along, across = rotated(degrees)
    depth, bottom = ditch(along, across, deep=deep, wide=wide)
    # Down a slope of 3 %, across and along it.
    for tilt in (0.03 * across, 0.03 * along):
        z = tilt - depth + noise(np.random.default_rng(1), along.shape, 1.0, 0.03, 0.0)
        got = found(z)
        assert share(got, bottom & (np.abs(along) < 38.0)) >= 0.97
        assert not got[np.abs(across) > 0.5 * wide + 1.5].any()


@pytest.mark.parametrize(
    "change",
    [{"deep": 0.25}, {"deep": 1.5, "wide": 14.0}, {"half": 8.0}],
    ids=["shallow", "wide", "short"],
)
@pytest.mark.parametrize("degrees", [0.0, 30.0, 45.0])
def test_near_misses(change: dict[str, float], degrees: float) -> None:
    along, across = rotated(degrees)
    depth, _ = ditch(along, across, **change)
    assert not found(0.02 * along - depth + noise(np.random.default_rng(2), along.shape, 1.0, 0.02, 0.0)).any()


def test_a_bank_a_terrace_and_pits_are_none() -> None:
    x, y = plan(120.0)
    rng = np.random.default_rng(3)
    bank = np.clip(0.5 * x, -3.0, 3.0)
    terrace = np.clip(0.5 * (x - 4.0), 0.0, 2.0) + np.clip(0.5 * (x + 4.0), -2.0, 0.0)
    pits = 0.02 * x - 0.8 * (np.hypot((x + 60.0) % 15.0 - 7.5, (y + 60.0) % 15.0 - 7.5) < 3.0)
    for z in (bank, terrace, pits):
        assert not found(z + noise(rng, x.shape, 1.0, 0.02, 0.0)).any()


def test_a_line_that_the_border_or_missing_ground_cuts_counts_as_long() -> None:
    along, across = rotated(0.0, 60.0)
    depth, bottom = ditch(along, across, half=90.0)
    assert found(-depth[:, 25:40])[bottom[:, 25:40]].all()
    z = np.where(np.abs(along) < 6.0, -depth, np.nan)
    assert found(z)[bottom & (np.abs(along) < 4.0)].all()


def rough(seed: int) -> Array:
    """Rolling ground with a brook that winds, a straight ditch and pits."""
    rng = np.random.default_rng(seed)
    x, y = plan(200.0)
    z = noise(rng, x.shape, 1.0, 1.5, 20.0) + noise(rng, x.shape, 1.0, 0.1, 3.0)
    z -= ditch(x, y - 12.0 * np.sin(x / 20.0) - 30.0, half=200.0, deep=1.0, wide=6.0)[0]
    return np.round(z - ditch(y, x + 0.4 * y, half=35.0)[0], 4)


@pytest.mark.parametrize("seed", range(3))
def test_how_the_grid_is_turned_does_not_matter(seed: int) -> None:
    z = rough(seed)[:, 9:]
    for dx, dy in ((1.0, 1.0), (1.0, 1.25)):
        upright = found(z, dx, dy)
        assert upright.sum() > 300
        for way in ALL:
            np.testing.assert_array_equal(found(turned(z, way), *sides(dx, dy, way)), turned(upright, way))


@pytest.mark.parametrize("seed", range(3))
def test_the_window_does_not_matter(seed: int) -> None:
    z = rough(seed)
    whole, rim = found(z), int(np.ceil(reach_m(SETTINGS)))
    rng = np.random.default_rng(seed)
    for _ in range(20):
        top, left = rng.integers(0, 60, 2)
        at = np.s_[top : top + int(rng.integers(110, 140)), left : left + int(rng.integers(110, 140))]
        np.testing.assert_array_equal(found(z[at])[rim:-rim, rim:-rim], whole[at][rim:-rim, rim:-rim])


def test_the_stream_of_the_village_and_not_the_wide_channel_of_the_farmland(
    open_data: Callable[[str], Path],
) -> None:
    """Their own description: an incised stream; a channel of 1.6 ha, 1.6 m deep. Where they lie was read off shaded
    reliefs: the stream winds from (510, 0) by (480, 530) to (540, 1010), column and row."""
    z, cell = read(open_data("village_scarp_1m.tif"))
    got = found(z, cell, cell)
    for col, row in ((525, 95), (560, 170), (545, 340), (490, 470), (460, 600), (410, 740), (455, 870), (525, 985)):
        assert got[row - 12 : row + 13, col - 25 : col + 26].any(), (col, row)
    # 3 % of the grid when written: the stream, roads and tracks in cuttings, ditches and gullies.
    assert 0.01 < got.mean() < 0.05
    z, cell = read(open_data("farmland_channel_1m.tif"))
    got = found(z, cell, cell)
    assert not got[200:370, 5:140].any() and not got[440:540, 165:300].any()
    assert 0.001 < got.mean() < 0.01


@pytest.fixture(scope="module")
def brook(tmp_path_factory: pytest.TempPathFactory) -> Answer:
    """A meadow of 2 % with a brook through it, 0.8 m deep and 5 m wide."""
    x, y = plan(200.0)
    depth, _ = ditch(y, x, half=200.0)
    z = 50.0 + 0.02 * y - depth + noise(np.random.default_rng(5), x.shape, 1.0, 0.01, 0.0)
    path = tmp_path_factory.mktemp("brook") / "brook.tif"
    with elevation_of(path, z) as elevation:
        crew = {"hand_rate_m2_h": 300.0, "edge_rate_m_h": 200.0}
        machines = {name: {"efficiency": 0.8} for name in ("ride_on", "stand_on", "walk_behind")}
        return answer(elevation, box(75, 80, 50, 40), fleet_of(settings=SHORT_LOOK, crew=crew, **machines))


def test_zones_tell_of_the_channel(brook: Answer) -> None:
    zones = brook.zones
    area = float((zones.channel_share * zones.plan_m2).sum())
    # 40 m of it, from a bottom of 3.4 m to a brim of 5.
    assert 40.0 * 3.0 <= area <= 40.0 * 5.0
    told = zones.note.str.contains("Channel of a brook or ditch likely")
    assert (told == (zones.channel_share > 0.0)).all() and told.any() and not told.all()
    assert "look on site" in zones.note[told].iloc[0]


def test_a_bid_keeps_the_channel_apart(brook: Answer) -> None:
    table = pd.DataFrame(brook.zones.drop(columns="geometry"))
    bid = work_out(table, brook.fleet, season())
    apart = bid.not_priced[bid.not_priced.why == CHANNEL]
    worked = set(bid.lines.zone_id[bid.lines.what.isin(["mowing", "hand work"])])
    in_work = table[(table.permitted_dry != "") & (table.channel_share > 0.0)]
    assert apart.plan_m2.sum() == pytest.approx((in_work.channel_share * in_work.plan_m2).sum()) and len(apart)
    surface = bid.lines.surface_m2[bid.lines.what.isin(["mowing", "hand work"])].sum()
    wanted = table[table.zone_id.isin(worked)]
    assert surface == pytest.approx((wanted.surface_m2 * (1.0 - wanted.channel_share)).sum())
    whole = work_out(table.assign(channel_share=0.0), brook.fleet, season())
    assert surface < whole.lines.surface_m2.sum() and not (whole.not_priced.why == CHANNEL).any()
    # Ground that is all channel is nobody's work, and its edges are not lost.
    only = work_out(table.assign(channel_share=1.0, edge_m=5.0), brook.fleet, season())
    assert not only.lines.what.isin(["mowing", "hand work", "edges"]).any()
    assert only.not_priced.edge_m.sum() == pytest.approx(5.0 * len(table))
