"""Tighter limits, more hazards and worse data never permit more; and whatever is permitted rests on known ground."""

from pathlib import Path

import numpy as np
import pytest
import shapely
from golden_ground import TWO_CONDITIONS, golden_fleet, golden_heights, golden_parcel
from ground_maker import NORTH, SHORT_LOOK, WEST, answer, box, elevation_of, fleet_of
from hypothesis import given, settings
from hypothesis import strategies as st

from slopekit.fleet.model import Fleet
from slopekit.schema.inputs import INPUTS, SHAPES
from slopekit.schema.reasons import REASON_CODES
from slopekit.sources.elevation import Elevation
from slopekit.sources.layers import Layer, Layers

pytestmark = [pytest.mark.property, pytest.mark.slow]

MACHINES = ("ride_on", "stand_on", "walk_behind", "crew")


@pytest.fixture(scope="module")
def golden(tmp_path_factory: pytest.TempPathFactory) -> Elevation:
    return elevation_of(tmp_path_factory.mktemp("golden") / "golden.tif", golden_heights())


def limited(across: list[float], up_down: list[float], factor: float) -> Fleet:
    keys = {m: {"across_deg": a, "up_down_deg": u} for m, a, u in zip(MACHINES, across, up_down, strict=True)}
    keys["walk_behind"]["above_hazard"] = True
    conditions = {**TWO_CONDITIONS, "wet": {"friction": 0.2, "limit_factor": factor}}
    return fleet_of(conditions=conditions, settings=SHORT_LOOK, **keys)


four = st.lists(st.floats(1.0, 40.0), min_size=4, max_size=4)
four_parts = st.lists(st.floats(0.5, 1.0), min_size=4, max_size=4)


@given(across=four, up_down=four, less_across=four_parts, less_up_down=four_parts, factor=st.floats(0.3, 1.0))
@settings(max_examples=40)
def test_tighter_limits_never_permit_more(
    golden: Elevation,
    across: list[float],
    up_down: list[float],
    less_across: list[float],
    less_up_down: list[float],
    factor: float,
) -> None:
    loose = answer(golden, golden_parcel(), limited(across, up_down, factor))
    tight_across = [a * f for a, f in zip(across, less_across, strict=True)]
    tight_up_down = [u * f for u, f in zip(up_down, less_up_down, strict=True)]
    tight = answer(golden, golden_parcel(), limited(tight_across, tight_up_down, factor * 0.9))
    for n, (machine, condition) in enumerate(tight.verdict.pairs):
        assert not (tight.raw(machine, condition) & ~loose.raw(machine, condition)).any()
        assert not (tight.verdict.ways[n] & ~loose.verdict.ways[n]).any()
        # Zones are joined anew, so zones are not compared with zones: none permits what the looser limits refuse.
        assert not (tight.final(machine, condition) & ~loose.raw(machine, condition)).any()


def test_tighter_limits_permit_less(golden: Elevation) -> None:
    # The test above could not fail if limits did nothing.
    loose, tight = (answer(golden, golden_parcel(), limited([v] * 4, [v] * 4, 0.8)) for v in (20.0, 5.0))
    for machine in MACHINES:
        assert 0 < tight.raw(machine)[tight.inside].sum() < loose.raw(machine)[loose.inside].sum()


def test_larger_error_never_permits_more(golden: Elevation, tmp_path: Path) -> None:
    errors = (None, 0.0, 0.02, 0.1, 0.3, 1.0)
    found = [
        answer(elevation_of(tmp_path / "g.tif", golden_heights(), z_rmse_m=e), golden_parcel(), golden_fleet())
        for e in errors
    ]
    for one in found[1:]:
        assert (one.verdict.reasons == found[0].verdict.reasons).all()
        assert (one.zones.permitted == found[0].zones.permitted).all()
    # Not assessed is not zero.
    assert found[0].zones.marginal_share.isna().all()
    shares = np.array([a.zones.marginal_share for a in found[1:]], float)
    assert (np.diff(shares, axis=0) >= 0.0).all()
    assert shares[0].max() == 0.0 and (np.diff(shares.mean(axis=1)) > 0.0).all()


def thrown(name: str, count: int, seed: int) -> list[Layers]:
    """Layers of one input thrown over the golden parcel: polygons where it may hold them, else lines."""
    random = np.random.default_rng(seed)
    out = []
    for _ in range(count):
        shapes: list[shapely.Geometry] = []
        for _ in range(random.integers(1, 4)):
            x, y = random.uniform(70.0, 200.0), random.uniform(70.0, 190.0)
            if "polygon" not in SHAPES[INPUTS[name].geometry]:
                end = (WEST + x + random.uniform(-30.0, 30.0), NORTH - y + random.uniform(-30.0, 30.0))
                shapes.append(shapely.LineString([(WEST + x, NORTH - y), end]))
            else:
                shapes.append(box(x, y, random.uniform(0.5, 20.0), random.uniform(0.5, 20.0)))
        out.append(Layers(**{name: Layer.of(name, shapes)}))
    return out


@pytest.mark.parametrize("kind", [name for name, row in INPUTS.items() if row.effect == "refuses"])
def test_what_can_only_refuse_never_permits_more(golden: Elevation, kind: str) -> None:
    fleet = golden_fleet()
    without = answer(golden, golden_parcel(), fleet)
    fewer = 0
    for n, layers in enumerate(thrown(kind, 20, 2)):
        more = answer(golden, golden_parcel(), fleet, layers)
        for machine, condition in more.verdict.pairs:
            before, after = without.raw(machine, condition), more.raw(machine, condition)
            fewer += int((before & ~after).sum())
            won = after & ~before & without.inside
            bits = np.bitwise_or.reduce(without.reasons(machine, condition)[won], initial=0)
            lost = [code for k, code in enumerate(REASON_CODES) if bits >> k & 1]
            assert not won.any(), f"layer {n}: {machine} when {condition} gains {won.sum()} cells, no longer {lost}"
    assert fewer > 1000


def test_hazards_everywhere_leave_nothing_to_ride(golden: Elevation) -> None:
    everywhere = Layers(water=Layer.of("water", [box(0.0, 0.0, 262.0, 250.0)]))
    a = answer(golden, golden_parcel(), golden_fleet(), everywhere)
    assert set(a.zones.machine_class) == {"none"} and set(a.zones.reason) == {"above_water"}
