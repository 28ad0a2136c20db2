"""More reasons than there are: a code beyond the 16th refuses, is named, and keeps machines from crossing.

What must hold is the project's own rule: whatever is refused is refused for a reason that is named.
"""

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from child_process import environment

from slopekit.permits.judge import BIT, REASON
from slopekit.schema.reasons import REASON_CODES

# A lawn with a band of trees across it and an entrance in the west. The rule that is made up refuses every machine
# under trees, and the crew nowhere.
CHILD = """
import json, sys
from pathlib import Path
from slopekit.schema import reasons
for n in range(len(reasons.REASONS) + 1, int(sys.argv[1]) + 1):
    words = f"made up, number {n}"
    reasons.REASONS[f"made_{n}"] = reasons.Reason(f"made_{n}", words, words, "everybody")
reasons.REASON_CODES = tuple(reasons.REASONS)

import numpy as np
import shapely
from ground_maker import NORTH, SHORT_LOOK, WEST, answer, box, elevation_of, fleet_of
from slopekit.explain import refusals
from slopekit.explain.why import why
from slopekit.permits import judge
from slopekit.screening import looks
from slopekit.sources.layers import Layer, Layers
from slopekit.sources.parcels import Parcel
from slopekit.zones.keys import cell_keys

code, rules = reasons.REASON_CODES[-1], judge._operator
def one_more(ground, fleet, machine_id, condition, reasons):
    rules(ground, fleet, machine_id, condition, reasons)
    if fleet.machines[machine_id].operator != "hand":
        reasons[ground.canopy] |= judge.BIT[code]
judge._operator = one_more
refusals._TELL[code] = lambda case: ({}, "made up", "", "")

row, col = np.mgrid[:260, :260]
elevation = elevation_of(Path(sys.argv[2]), 100.0 + 0.02 * row)
parcel = Parcel("p", box(100, 100, 60, 40))
band = Layer.of("trees", [box(125, 90, 10, 60)])
layers = Layers(canopy=band, entrances=Layer.of("gates", [shapely.Point(WEST + 100.0, NORTH - 120.0)]))
fleet = fleet_of(settings=SHORT_LOOK, ride_on={"roll_bar": "none"})
def zones(found):
    names = ["machine_class", "permitted", "reason", "reasons", "note"]
    held = found.zones.sort_values("zone_id")
    return [dict(zip(names, row), area=g.area) for row, g in zip(held[names].values.tolist(), held.geometry)]
alone = answer(elevation, parcel, fleet, Layers(canopy=band))
routes = answer(elevation, parcel, fleet, layers)
spot = why(elevation, WEST + 130.0, NORTH - 120.0, fleet, layers, parcels=[parcel])
looks._ONE_LOOK_M2, looks._SQUARE_M = 1.0, 25.0
squares = answer(elevation, parcel, fleet, layers)
# Every code in turn against the ride-on, and every way of the stand-on.
bits = np.array([[judge.REASON.type(1 << n)] * 4 for n in range(len(judge.BIT))])
free = np.zeros_like(bits)
ways = np.broadcast_to(np.arange(4, dtype=np.uint8), bits.shape)
verdict = judge.Verdict(routes.verdict.pairs, np.stack([bits, free, free, free]), np.stack([ways] * 4))
keys = cell_keys(verdict, fleet, np.ones(bits.shape, bool), np.full(bits.shape, -1, np.int8))
beyond = routes.inside & (routes.grid.west + np.arange(routes.grid.width) > WEST + 135.0)
blank = looks.Joint((1, 2))
blank.put(looks.Piece((slice(0, 1), slice(0, 1)), (slice(0, 1), slice(0, 1))), np.zeros((1, 1), judge.REASON))
print(json.dumps({
    "type": routes.verdict.reasons.dtype.name,
    "alone": zones(alone), "routes": zones(routes), "squares": zones(squares),
    "why": {a.machine: [r.code for r in a.refusals] for a in spot.answers},
    "no_route": {m: float(routes.refused(m, "no_route")[beyond].mean()) for m in fleet.machines},
    "keys": np.unique(keys).size,
    "blank": [code for code, bit in judge.BIT.items() if blank.whole[0, 1] & bit],
}))
"""


@pytest.fixture(scope="module", params=[20, 33])
def told(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    file = tmp_path_factory.mktemp("many") / "lawn.tif"
    words = [sys.executable, "-c", CHILD, str(request.param), str(file)]
    folder = Path(__file__).resolve().parents[1] / "support"
    done = subprocess.run(words, env=environment(folder), capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    return {"count": request.param, "code": f"made_{request.param}", **json.loads(done.stdout)}


def test_the_last_code_refuses_and_is_named(told: dict[str, Any]) -> None:
    code = told["code"]
    assert told["type"] == {20: "uint32", 33: "uint64"}[told["count"]]
    (band,) = (zone for zone in told["alone"] if zone["reason"] == code)
    # 10 m of trees across a parcel that is 40 m wide.
    assert band["area"] == pytest.approx(400.0)
    assert band["machine_class"] == "hand crew" and band["permitted"] == "crew"
    assert band["reasons"] == code and f"made up, number {told['count']}" in band["note"]
    others = [zone for zone in told["alone"] if zone is not band]
    assert others and all(zone["machine_class"] == "ride-on" and not zone["reasons"] for zone in others)
    assert told["why"] == {"ride_on": [code], "stand_on": [code], "walk_behind": [code], "crew": []}


def test_no_two_codes_or_ways_share_a_zone(told: dict[str, Any]) -> None:
    assert told["keys"] == told["count"] * 4


def test_no_machine_crosses_it(told: dict[str, Any]) -> None:
    assert told["no_route"] == {"ride_on": 1.0, "stand_on": 1.0, "walk_behind": 1.0, "crew": 0.0}
    beyond = [zone for zone in told["routes"] if "no_route" in zone["reasons"]]
    assert beyond and all(zone["permitted"] == "crew" for zone in beyond)


def test_many_looks_say_the_same_and_what_none_answers_for_is_refused_by_every_code(told: dict[str, Any]) -> None:
    assert told["squares"] == told["routes"]
    assert len(told["blank"]) == told["count"] and told["blank"][-1] == told["code"]


def test_reasons_are_no_wider_than_they_must_be() -> None:
    assert len(BIT) == len(REASON_CODES) and len(set(map(int, BIT.values()))) == len(BIT)
    assert (np.uint16 if len(REASON_CODES) <= 16 else np.uint32) == REASON
