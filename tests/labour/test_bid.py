"""From a result to a bid: which settings bind it to its screening, and edges along water, walls and parcel lines."""

from copy import deepcopy
from typing import Any

import pandas as pd
import pytest
from labour_maker import CREW, FLEET, RIDE_ON, WALK_BEHIND, fleet, season
from result_maker import Zone, made_result
from shapely import LineString, Polygon, box

from slopekit.errors import InputError
from slopekit.fleet.model import Fleet
from slopekit.labour.bid import RESTS_ON, other_permits, price
from slopekit.labour.season import one_visit
from slopekit.schema.fields import fields_of
from slopekit.schema.layers import BID_TABLES

TRIMMER = CREW | {"edge_rate_m_h": 100.0}
GROUND = {
    "terrain": {"machine_scale_m": 1.0}, "hazards": {"stand_off_m": 2.0}, "runout": {"look_m": 100.0},
    "zones": {"split_by": "machines"}, "soft_ground": {"pressure_limit_kpa": 30.0},
}  # fmt: skip


def notes(of: Fleet) -> pd.DataFrame:
    """Run notes of a screening with that fleet, and rows of other topics that bear the same names."""
    rows = [("settings", name, value) for name, value in of.as_notes()]
    rows += [("ground", "machines.ride_on.across_deg", "99"), ("inputs", "schema", "99")]
    return pd.DataFrame(rows, columns=["topic", "name", "value"])


def full() -> dict[str, Any]:
    """A fleet with every kind of key, as a file would give it."""
    ride_on = RIDE_ON | {
        "label": "Ride_on", "across_deg": 12.0, "up_down_deg": 14.0, "ceiling_deg": 20.0, "roll_bar": "fixed",
        "ground_pressure_kpa": 20.0, "limits": {"wet": {"across_deg": 8.0, "up_down_deg": 9.0}}, "people": 1,
        "set_up_min": 5.0, "overlap_m": 0.1, "turn_s": 8.0,
        "cross_up_deg": 16.0, "cross_down_deg": 16.0, "cross_across_deg": 16.0, "discharge": "left",
        "tread": "smooth",
    }  # fmt: skip
    return GROUND | {
        "schema": 1,
        "work": {"slope_factors": [{"to_deg": 10.0}, {"to_deg": 90.0, "machine": 0.8, "hand": 0.5}]},
        "landforms": {"basin_area_m2": 80.0},
        "routes": {"entrance_reach_m": 5.0},
        "survey": {"max_age_years": 5.0},
        "conditions": {
            "dry": {"friction": 0.35, "limit_factor": 1.0, "work_factor": 0.9, "label": "Dry", "soft": False},
            "wet": {"friction": 0.2},
        },
        "machines": {"ride_on": ride_on, "walk_behind": WALK_BEHIND | {"above_hazard": True}, "crew": TRIMMER},
    }


def changed(path: str, value: Any) -> Fleet:
    table = deepcopy(full())
    at: Any = table
    *parents, key = path.split(".")
    for parent in parents:
        at = at[int(parent) if isinstance(at, list) else parent]
    assert at[key] != value
    at[key] = value
    return Fleet.model_validate(table)


# Keys that change hours and no permit.
WORK_ONLY = [
    ("machines.ride_on.efficiency", 0.5), ("machines.ride_on.people", 2), ("machines.ride_on.set_up_min", 60.0),
    ("machines.ride_on.overlap_m", 0.3), ("machines.ride_on.turn_s", 20.0), ("machines.ride_on.label", "Other"),
    ("machines.crew.hand_rate_m2_h", 1.0), ("machines.crew.edge_rate_m_h", 1.0), ("conditions.dry.work_factor", 0.1),
    ("conditions.dry.label", "Drier"), ("machines.ride_on.discharge", "right"),
    ("machines.ride_on.tread", "aggressive"), ("work.slope_factors", []),
    ("work.slope_factors.1.machine", 0.1),
    ("landforms.basin_area_m2", 5.0), ("survey.max_age_years", 1.0),
]  # fmt: skip

# Keys that decide on a permit, each with the name and the two values that the sentence is to say.
PERMITTING = [
    ("machines.ride_on.across_deg", 13.0, "12.0", "13.0"),
    ("machines.ride_on.up_down_deg", 10.0, "14.0", "10.0"),
    ("machines.ride_on.ceiling_deg", 9.0, "20.0", "9.0"),
    ("machines.ride_on.cross_up_deg", 18.0, "16.0", "18.0"),
    ("machines.ride_on.cross_down_deg", 18.0, "16.0", "18.0"),
    ("machines.ride_on.cross_across_deg", 18.0, "16.0", "18.0"),
    ("routes.entrance_reach_m", 8.0, "5.0", "8.0"),
    ("machines.ride_on.limits.wet.across_deg", 7.0, "8.0", "7.0"),
    ("machines.ride_on.width_m", 1.8, "2.0", "1.8"),
    ("machines.ride_on.speed_kmh", {"low": 8.0, "expected": 10.0, "high": 12.0}, "10", "12"),
    ("machines.ride_on.roll_bar", "none", "fixed", "none"),
    ("machines.ride_on.ground_pressure_kpa", 31.0, "20.0", "31.0"),
    ("machines.walk_behind.above_hazard", False, "true", "false"),
    ("conditions.dry.friction", 0.3, "0.35", "0.3"),
    ("conditions.dry.limit_factor", 0.9, "1.0", "0.9"),
    ("conditions.dry.soft", True, "false", "true"),
    ("terrain.machine_scale_m", 1.5, "1.0", "1.5"),
    ("hazards.stand_off_m", 1.0, "2.0", "1.0"),
    ("runout.look_m", 80.0, "100.0", "80.0"),
    ("zones.split_by", "class", "machines", "class"),
    ("soft_ground.pressure_limit_kpa", 40.0, "30.0", "40.0"),
]  # fmt: skip


@pytest.mark.parametrize(("path", "value"), WORK_ONLY)
def test_figures_of_work_may_differ(path: str, value: Any) -> None:
    screened = Fleet.model_validate(full())
    assert other_permits(notes(screened), changed(path, value)) == ""
    assert other_permits(notes(changed(path, value)), screened) == ""


def test_reach_is_judged_at_the_highest_speed_so_lower_ones_may_differ() -> None:
    slower = changed("machines.ride_on.speed_kmh", {"low": 8.0, "expected": 9.0, "high": 10.0})
    assert other_permits(notes(Fleet.model_validate(full())), slower) == ""


@pytest.mark.parametrize(("path", "value", "was", "now"), PERMITTING)
def test_every_other_key_is_found(path: str, value: Any, was: str, now: str) -> None:
    screened = Fleet.model_validate(full())
    assert other_permits(notes(screened), changed(path, value)) == f"{path} was {was} and is {now}"
    assert other_permits(notes(changed(path, value)), screened) == f"{path} was {now} and is {was}"


def test_no_key_was_left_out_of_these_tests() -> None:
    """Every key of a machine, a condition and the settings is either work or permit; new ones must be put in a list."""
    of_work = {path.rpartition(".")[2] for path, _ in WORK_ONLY} | {"to_deg", "hand"}
    of_permits = {path.rpartition(".")[2] for path, *_ in PERMITTING} | {"class", "operator", "schema"}
    assert not of_work & of_permits
    for name, _ in Fleet.model_validate(full()).as_notes():
        table, _, key = name.rpartition(".")
        if table.startswith(("machines", "conditions", "work")):
            exception = "above_hazard_exception" in name
            assert key in of_work or key in of_permits or exception, name


def test_machines_and_conditions_that_come_and_go() -> None:
    fewer = fleet(ride_on=RIDE_ON, crew=CREW)
    assert other_permits(notes(FLEET), fewer) == "machines.walk_behind.class was walk-behind and is not there"
    assert other_permits(notes(fewer), FLEET) == "machines.walk_behind.class was not there and is walk-behind"
    table = FLEET.model_dump(by_alias=True)
    del table["conditions"]["wet"]
    dry = Fleet.model_validate(table)
    assert other_permits(notes(FLEET), dry).startswith("conditions.wet.friction was 0.2 and is not there")
    assert other_permits(notes(dry), FLEET).startswith("conditions.wet.friction was not there and is 0.2")


def test_a_result_without_settings_is_refused() -> None:
    tables = made_result(FLEET, [Zone("z1", box(0, 0, 10, 10), "ride_on")])
    own = tables["run_notes"]["topic"] == "settings"
    tables["run_notes"] = tables["run_notes"][~own]
    with pytest.raises(InputError, match=r"^The parcels were screened with other limits: schema was not there.*\.$"):
        price(tables, FLEET, one_visit(FLEET))


@pytest.mark.parametrize(
    "name", ["parcel_id", "zone_id", "machine_class", "plan_m2", "slope_mean_deg", "permitted_dry"]
)
def test_a_column_that_somebody_deleted_is_named(name: str) -> None:
    tables = made_result(FLEET, [Zone("z1", box(0, 0, 10, 10), "ride_on")])
    tables["zones"] = tables["zones"].drop(columns=name)
    with pytest.raises(InputError, match=rf"^zones: the column {name} is missing; screen the parcels again"):
        price(tables, FLEET, one_visit(FLEET))


OWN = fleet(ride_on=RIDE_ON, crew=TRIMMER)
WHOLE = "ride_on,crew"


def edges(zones: list[Zone], **more: Any) -> dict[str, float]:
    """Metres that are trimmed or listed, by zone, for one dry visit."""
    priced = price(made_result(OWN, zones, **more), OWN, season())
    found: dict[str, float] = {}
    for table in (priced.tables["work"], priced.tables["not_priced"]):
        for row in table.to_dict("records"):
            if row["edge_m"] > 0.0:
                found[row["zone_id"]] = found.get(row["zone_id"], 0.0) + row["edge_m"]
    return found


def test_edges_along_a_pond_inside_a_parcel() -> None:
    """A lawn of 40 x 30 m round a pond of 10 x 6 m, whose ring is an edge of the zone: 140 m of parcel line, 32 m of
    shore. The pond's own outline, half a metre outside the ring, is the same edge and counts once."""
    lawn = box(0, 0, 40, 30).difference(box(10, 10, 20, 16))
    assert edges([Zone("z1", lawn, WHOLE)], water=[box(10.2, 10.2, 19.8, 15.8)]) == {"p-z1": pytest.approx(172.0)}


def test_edges_along_a_pond_beside_two_zones() -> None:
    """Two lawns of 20 m side by side, and a pond of 40 x 10 m that begins 2 m above them. Each has 60 m of parcel line,
    20 m of shore and the first metre of the pond's side, which is nearer than 3 m."""
    zones = [Zone("z1", box(0, 0, 20, 20), WHOLE), Zone("z2", box(20, 0, 40, 20), WHOLE)]
    assert edges(zones, water=[box(0, 22, 40, 32)]) == {"p-z1": pytest.approx(81.0), "p-z2": pytest.approx(81.0)}
    # The pond 3.5 m off is nobody's.
    assert edges(zones, water=[box(0, 23.5, 40, 32)]) == {"p-z1": pytest.approx(60.0), "p-z2": pytest.approx(60.0)}
    # Two bodies that share a shore have it once.
    twice = [box(0, 22, 40, 32), box(0, 22, 40, 30)]
    assert edges(zones, water=twice) == {"p-z1": pytest.approx(81.0), "p-z2": pytest.approx(81.0)}


def test_edges_of_a_parcel_are_its_own_whatever_lies_beside_it() -> None:
    """A ditch 0.4 m wide in the gap of 2 m between two parcels of 20 x 20 m, found for both: each has its 80 m and the
    ditch's whole outline, which is nearer than 3 m. Alone or together."""
    own = [Zone("z1", box(0, 0, 20, 20), WHOLE, parcel="p"), Zone("z1", box(22, 0, 42, 20), WHOLE, parcel="q")]
    ditch = box(20.8, 0, 21.2, 20)
    for parcels in (own, own[:1], own[1:]):
        result = made_result(OWN, parcels, water=[ditch])
        result["water"] = pd.concat([result["water"].assign(parcel_id=zone.parcel) for zone in parcels])
        work = price(result, OWN, season()).tables["work"]
        edge_m = work.groupby("parcel_id")["edge_m"].sum().to_dict()
        assert edge_m == {zone.parcel: pytest.approx(80.0 + 40.0 + 0.8) for zone in parcels}


def test_edges_along_a_wall() -> None:
    """A wall of 15 m across a lawn of 30 x 30 m, and one on its western line that the parcel line counts already."""
    lawn = [Zone("z1", box(0, 0, 30, 30), WHOLE)]
    assert edges(lawn, drops=[LineString([(10, 10), (25, 10)])]) == {"p-z1": pytest.approx(135.0)}
    assert edges(lawn, drops=[LineString([(0.3, 5), (0.3, 25)])]) == {"p-z1": pytest.approx(120.0)}


def test_distances_are_metres_in_a_grid_of_feet_too() -> None:
    """EPSG:2229 counts in US survey feet of 1200/3937 m. A pond 6 ft off is nearer than 3 m: its shore of 100 ft
    counts, and of either side of 34 ft, seen in 11 pieces, the first. A wall 1 ft inside the parcel line is on it."""
    place = {"crs": "EPSG:2229", "corner": (6_500_000.0, 1_800_000.0)}
    pond, wall = box(0, 106, 100, 140), LineString([(1, 10), (1, 90)])
    found = edges([Zone("z1", box(0, 0, 100, 100), WHOLE)], water=[pond], drops=[wall], **place)
    assert found == {"p-z1": pytest.approx((500.0 + 2.0 * 34.0 / 11.0) * 1200.0 / 3937.0)}


def test_edges_of_exclusions_and_of_ground_that_nobody_may_work() -> None:
    """A shed of 10 x 10 m in the middle of a lawn of 30 x 30 m: 120 + 40 m, and none of the shed's own. Beside a strip
    that nobody may work there is no edge, but the strip's part of the parcel line is listed: 10 + 10 + 30 m."""
    lawn = Polygon([(0, 0), (30, 0), (30, 30), (0, 30)], [[(10, 10), (10, 20), (20, 20), (20, 10)]])
    shed = Zone("z2", box(10, 10, 20, 20), "", machine_class="excluded")
    assert edges([Zone("z1", lawn, WHOLE), shed]) == {"p-z1": pytest.approx(160.0)}
    strip = Zone("z3", box(30, 0, 40, 30), "", machine_class="none")
    both = [Zone("z1", box(0, 0, 30, 30), WHOLE), strip]
    assert edges(both) == {"p-z1": pytest.approx(90.0), "p-z3": pytest.approx(50.0)}
    # A wall in the strip, 1 m from the lawn, is trimmed from the lawn.
    wall = LineString([(31, 5), (31, 25)])
    assert edges(both, drops=[wall])["p-z1"] == pytest.approx(110.0)


def test_parcels_that_touch_are_trimmed_each_on_its_own() -> None:
    """Parcels of two owners: the line between them is a line of both."""
    pair = [Zone("z1", box(0, 0, 10, 10), WHOLE, parcel="a"), Zone("z1", box(10, 0, 20, 10), WHOLE, parcel="b")]
    assert edges(pair) == {"a-z1": pytest.approx(40.0), "b-z1": pytest.approx(40.0)}


def test_tables_follow_the_registry() -> None:
    tables = price(made_result(OWN, [Zone("z1", box(0, 0, 30, 30), WHOLE)]), OWN, season()).tables
    assert set(tables) == {*BID_TABLES, "run_notes"}
    for name in BID_TABLES:
        assert list(tables[name].columns) == [f.name for f in fields_of(name)]
    assert {"zones", "water", "drops"} == set(RESTS_ON)
