"""slopekit hours and slopekit season: published figures and hand calculations through the command line, and one
sentence for every fault in what it is given."""

import json
import math
import re
import shutil
import subprocess
import sys
import time
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import openpyxl
import pytest
from cli_samples import write_layer
from listing import names
from result_maker import HEAD, Zone, fleet_file, machine, square, write_made
from shapely import Polygon, box

from slopekit.cli import main
from slopekit.outputs.manifest import note

# International yard and pound agreement (1959): 1 ft = 0.3048 m; 1 mile = 5280 ft, 1 acre = 43 560 ft2.
FOOT_M = 0.3048
KMH = 1.609344
ACRE_M2 = 43_560.0 * FOOT_M**2

RIDE_ON = "width_m = 2.0\nspeed_kmh = 10.0\nefficiency = 0.8\n"
WALK_BEHIND = "width_m = 1.0\nspeed_kmh = 4.0\nefficiency = 0.75\n"
CREW = "width_m = 0.5\nhand_rate_m2_h = 100.0\n"
SEASON = "schema = 1\nvisits = { dry = 10 }\nday = { productive_hours = 6.0, paid_hours = 8.0, crew_size = 2 }\n"

# Width ft, speed mph, field efficiency %, acre/h as printed to 0.1.
# Iowa State University Extension, A3-24 Table 1 and PM-696.
CAPACITIES = [
    (40, 6, 70, 20.4), (50, 6, 70, 25.5), (60, 6, 68, 29.7), (60, 12, 68, 59.3), (80, 6, 68, 39.6), (80, 12, 68, 79.1),
    (10, 5, 63, 3.8), (15, 5, 63, 5.7), (15, 6, 63, 6.9), (20, 6, 63, 9.2), (30, 6, 60, 13.1), (36, 5, 60, 13.1),
    (45, 5, 60, 16.4),
]  # fmt: skip


@dataclass(frozen=True)
class Place:
    """A folder with a fleet file, a result and perhaps a season file."""

    folder: Path
    season: bool = False

    def zones(self, *zones: Zone, name: str = "zones.gpkg", **more: Any) -> Path:
        return write_made(self.folder / name, self.folder / "fleet.toml", zones, **more)

    def fleet(self, *machines: str, head: str = HEAD) -> Path:
        return fleet_file(self.folder / "fleet.toml", *machines, head=head)

    def plan(self, text: str) -> "Place":
        (self.folder / "season.toml").write_text(text)
        return replace(self, season=True)

    def run(self, *more: str, out: str = "bid.json", zones: str = "zones.gpkg", fleet: str = "fleet.toml") -> int:
        given = [str(self.folder / zones), "--fleet", str(self.folder / fleet), "--out", str(self.folder / out)]
        season = ["--season", str(self.folder / "season.toml")] if self.season else []
        return main(["hours", *given, *season, *more])

    def bid(self, *more: str, **names: str) -> dict[str, Any]:
        assert self.run(*more, **names) == 0
        return json.loads((self.folder / names.get("out", "bid.json")).read_text(encoding="utf-8"))

    def files(self) -> list[str]:
        return names(self.folder)


@pytest.fixture
def place(tmp_path: Path) -> Place:
    return Place(tmp_path)


def cutter(feet: float, mph: float, part: float) -> str:
    return f"width_m = {feet * FOOT_M}\nspeed_kmh = {mph * KMH}\nefficiency = {part}\n"


@pytest.mark.parametrize(("feet", "mph", "percent", "printed"), CAPACITIES)
def test_field_capacity_of_the_handbook(feet: float, mph: float, percent: float, printed: float, place: Place) -> None:
    """100 acres. Wide frames of the handbook are up to 80 ft, which is within the 30 m that a fleet file takes."""
    place.fleet(machine("m1", "ride-on", cutter(feet, mph, percent / 100.0)))
    place.zones(Zone("z1", square(100.0 * ACRE_M2), "m1"))
    bid = place.bid()
    (work,) = bid["work"]
    hours = work["hours"]
    assert work["surface_m2"] / ACRE_M2 / hours == pytest.approx(printed, abs=0.06)
    # The metric form of the same rule, ASAE EP496: ha/h = km/h * m * E / 10.
    hectares = (mph * KMH) * (feet * FOOT_M) * (percent / 100.0) / 10.0
    assert work["surface_m2"] / 10_000.0 / hours == pytest.approx(hectares, rel=1e-9)
    (total,) = (row for row in bid["totals"] if row["by"] == "machine")
    assert total["hours"] == hours


def test_field_capacity_in_square_feet(place: Place) -> None:
    """60 in at 8.5 mph and 80 %: 60 / 12 * 8.5 * 5280 * 0.8 = 179 520 ft2/h, over 43 560 4.12 acre/h (arithmetic)."""
    place.fleet(machine("m1", "ride-on", cutter(5.0, 8.5, 0.8)))
    place.zones(Zone("z1", square(10.0 * ACRE_M2), "m1"))
    (work,) = place.bid()["work"]
    assert work["surface_m2"] / FOOT_M**2 / work["hours"] == pytest.approx(179_520.0, rel=1e-9)
    assert 10.0 / work["hours"] == pytest.approx(4.12, abs=0.005)


def test_the_workbook_in_us_units(place: Place, capsys: pytest.CaptureFixture[str]) -> None:
    """10 acres are 435 600 square feet (the acre is 43 560, NIST Handbook 44, appendix C)."""
    place.fleet(machine("m1", "ride-on", cutter(5.0, 8.5, 0.8)))
    place.zones(Zone("z1", square(10.0 * ACRE_M2), "m1"))
    for units, figure, sign, other in (("us", 435_600.0, "sq ft", "m2"), ("metric", 10.0 * ACRE_M2, "m2", "sq ft")):
        assert place.run("--units", units, out=f"{units}.xlsx") == 0
        heads, row = list(openpyxl.load_workbook(place.folder / f"{units}.xlsx")["Work of one visit"].values)[:2]
        shown = {head: value for head, value in zip(heads, row, strict=True) if f"({sign})" in str(head)}
        assert shown and any(value == pytest.approx(figure, rel=1e-6) for value in shown.values())
        assert not any(f"({other})" in str(head) for head in heads)
    capsys.readouterr()
    assert place.run("--units", "feet", out="feet.xlsx") == 2
    assert "metric" in capsys.readouterr().err


def test_crew_hours_of_the_1989_handbook(place: Place, capsys: pytest.CaptureFixture[str]) -> None:
    """TM 5-629 / NAVFAC MO-314 (1989), section 6-6, as one season of 68 trips.

    800 h at 6 productive hours a day are 133.3 days; of 8 hours each they are 1 066 h paid; at 11.53 that is 12 290.98.
    68 trips of 6 miles are 408 miles, at 0.35 a mile 142.80, and 68 h of driving at 11.53 are 784.04. The supervisor's
    80 h at 16.87 are 1 349.60. The handbook keeps the days to 0.1 and rounds the hours down.
    """
    place.fleet(machine("crew", "hand crew", CREW))
    place.zones(Zone("z1", square(80_000.0 / 68.0), "crew"))
    plan = f"""\
schema = 1
person_rate_h = 11.53
visits = {{ dry = 68 }}
day = {{ productive_hours = 6.0, paid_hours = 8.0, crew_size = 1 }}
travel = {{ to_parcel_min = 60.0, to_parcel_km = {6 * KMH}, cost_per_km = {0.35 / KMH} }}
supervisor = {{ hours = 80.0, rate_h = 16.87 }}
"""
    bid = place.plan(plan).bid()
    by_what = {row["what"]: row for row in bid["work"]}
    assert list(by_what) == ["hand work", "driving"]
    assert {row["visits"] for row in bid["work"]} == {68}
    assert 68 * by_what["hand work"]["person_hours"] == pytest.approx(800.0)
    assert 68 * by_what["driving"]["person_hours"] == pytest.approx(68.0)
    everything = next(row for row in bid["crew_days"] if row["parcel_id"] == "")
    # The handbook's days are those of the work. Here the drives of 1 h take their part of a paid day of 8 h beside it.
    assert round(everything["days_per_season"] - 68.0 / 8.0, 1) == 133.3
    paid = 68 * everything["paid_hours_per_visit"] - 68.0
    assert math.floor(paid) == 1066
    assert math.floor(paid) * 11.53 == pytest.approx(12_290.98, abs=0.005)
    assert 68 * by_what["hand work"]["cost"] == pytest.approx(paid * 11.53)
    assert 68 * by_what["driving"]["cost"] == pytest.approx(142.80 + 784.04, abs=0.005)
    assert bid["supervision"] == pytest.approx(1349.60, abs=0.005)
    (season,) = (row["cost"] for row in bid["totals"] if row["by"] == "condition")
    assert season == pytest.approx(paid * 11.53 + 142.80 + 784.04, abs=0.01)
    # 800 h by hand, and the drive beside it.
    out = capsys.readouterr().out
    assert re.search(r"^hand crew +800\.0 +800\.0 +800\.0 ", out, re.MULTILINE)
    assert re.search(r"^\(whole crew\) +68\.0 +68\.0 +68\.0 +926\.8", out, re.MULTILINE)


PARCEL = (
    Zone("z1", box(0, 0, 100, 80), "ride_on,crew", 3.0),
    # A corner where the third zone ends: zones of a parcel share the corners of their common lines.
    Zone("z2", Polygon([(100, 0), (115, 0), (115, 30), (115, 80), (100, 80)]), "walk_behind", 15.0, 1248.0),
    Zone("z3", box(115, 0, 125, 30), "crew", 30.0, 330.0),
)
POND = box(20, 81, 60, 95)
BANDS = "[work]\nslope_factors = [{ to_deg = 10.0 }, { to_deg = 90.0, machine = 0.8, hand = 0.5 }]\n"
RATES = "person_rate_h = 30.0\nmachine_rates_h = { ride_on = 20.0, walk_behind = 10.0 }\n"


def three_zones(place: Place) -> Place:
    place.fleet(
        machine("ride_on", "ride-on", RIDE_ON + "set_up_min = 15.0\n"),
        machine("walk_behind", "walk-behind", WALK_BEHIND + "set_up_min = 6.0\n"),
        machine(
            "crew",
            "hand crew",
            "width_m = 0.5\nhand_rate_m2_h = { low = 100.0, expected = 200.0, high = 300.0 }\nedge_rate_m_h = 162.0\n",
        ),
        BANDS,
    )
    place.zones(*PARCEL, water=[POND])
    return place.plan(SEASON + RATES)


def test_a_parcel_of_three_zones_by_hand(place: Place, capsys: pytest.CaptureFixture[str]) -> None:
    """Worked out on paper, from the shapes on.

    Rates on level ground: ride-on 10 km/h * 2 m * 0.8 = 16 000 m2/h, walk-behind 4 * 1 * 0.75 = 3 000 m2/h, hand
    200 m2/h. Over 10 degrees machines keep 0.8 of it and hands 0.5.
    z1, 100 x 80 m at 3 degrees: 8 000 / 16 000 = 0.5 h by ride-on. Its edge: 100 + 80 + 100 m on the parcel's line. The
    pond lies 1 m beyond: 40 m of shore, and of the two sides the 2 m each that are nearer than 3 m. In all 324 m, which
    the crew trims at 162 m/h in 2 h.
    z2, 1 248 m2 along the ground at 15 degrees: 1 248 / 2 400 = 0.52 h by walk-behind. Its edge of 15 + 15 + 50 m has
    nobody to trim it.
    z3, 330 m2 along the ground at 30 degrees: 330 / 100 = 3.3 h by hand; at 150 and 50 m2/h 2.2 and 6.6 h. Its edge of
    50 m belongs to the hand work.
    Set-up: 15 min are 0.25 h, 6 min are 0.1 h. In all 0.5 + 2 + 0.52 + 3.3 + 0.25 + 0.1 = 6.67 h a visit.
    Paid: 6.67 * 8/6 * 30 = 266.80; ride-on 0.75 h * 20 = 15; walk-behind 0.62 h * 10 = 6.20: 288.00 a visit,
    2 880 in ten.
    A day of two people has 12 productive hours: 6.67 / 12 of a day.
    """
    bid = three_zones(place).bid()
    hours = {(row["zone_id"], row["machine"], row["what"]): row["hours"] for row in bid["work"]}
    assert hours == pytest.approx(
        {
            ("p-z1", "ride_on", "mowing"): 0.5, ("p-z1", "crew", "edges"): 2.0, ("p-z2", "walk_behind", "mowing"): 0.52,
            ("p-z3", "crew", "hand work"): 3.3, ("", "ride_on", "set-up"): 0.25, ("", "walk_behind", "set-up"): 0.1,
        }
    )  # fmt: skip
    edge = next(row for row in bid["work"] if row["what"] == "edges")
    assert edge["edge_m"] == pytest.approx(324.0)
    hand = next(row for row in bid["work"] if row["what"] == "hand work")
    assert (hand["hours_low"], hand["hours_high"]) == pytest.approx((2.2, 6.6))
    (left,) = bid["not_priced"]
    assert (left["zone_id"], left["edge_m"], left["plan_m2"]) == ("p-z2", pytest.approx(80.0), 0.0)
    assert left["why"] == "edge where no hand crew is permitted: site visit"
    sums = {(row["by"], row["name"]): row for row in bid["totals"]}
    assert sums["parcel", "p"]["cost"] == pytest.approx(2880.0)
    assert sums["condition", "dry"]["person_hours"] == pytest.approx(66.7)
    assert sums["machine", "ride_on"]["hours"] == pytest.approx(7.5)
    assert sums["class", "walk-behind"]["hours"] == pytest.approx(6.2)
    assert sums["class", "hand crew"]["edge_m"] == pytest.approx(3240.0)
    assert [row["parcel_id"] for row in bid["crew_days"]] == ["", "p"]
    assert [row["days_per_visit"] for row in bid["crew_days"]] == pytest.approx([6.67 / 12.0] * 2)
    assert bid["supervision"] == 0.0
    out, err = capsys.readouterr()
    assert re.search(r"^ride-on +7\.5 +7\.5 +7\.5 +450\.00$", out, re.MULTILINE)  # 7.5 * (40 + 20)
    assert re.search(r"^hand crew +53\.0 +42\.0 +86\.0 ", out, re.MULTILINE)  # ten times 5.3, 4.2 and 8.6
    assert out.endswith(f"{place.folder / 'bid.json'}\n")
    assert "Warning: The survey is old." in err and "Caution: Walk the ground before work." in err
    assert not re.search(r"\bsafe", out + err, re.IGNORECASE)


@pytest.mark.parametrize("crs", ["EPSG:2229", "EPSG:25832"])
def test_edges_are_metres_in_a_grid_of_feet_too(place: Place, crs: str) -> None:
    """EPSG:2229 counts in US survey feet of 1200/3937 m: 100 units square is 400 units of edge."""
    unit = 1200.0 / 3937.0 if crs == "EPSG:2229" else 1.0
    place.fleet(machine("crew", "hand crew", CREW + "edge_rate_m_h = 50.0\n"), machine("ride_on", "ride-on", RIDE_ON))
    corner = (6_500_000.0, 1_800_000.0) if crs == "EPSG:2229" else (500_000.0, 5_600_000.0)
    place.zones(Zone("z1", box(0, 0, 100, 100), "ride_on,crew"), crs=crs, corner=corner)
    (edge,) = (row for row in place.bid()["work"] if row["what"] == "edges")
    assert edge["edge_m"] == pytest.approx(400.0 * unit)
    assert edge["hours"] == pytest.approx(8.0 * unit)


def test_low_and_high_hours_from_ranges_by_hand(place: Place) -> None:
    """2 m at 8, 10 and 12 km/h with 0.7, 0.8 and 0.9: 11 200, 16 000 and 21 600 m2/h for 302 400 m2: 27, 18.9, 14 h.
    On the way 60, 120 and 180 min are 1, 2 and 3 h. 200 m of edge at 40, 50 and 100 m/h: 5, 4 and 2 h. Set-up of 30, 60
    and 120 min."""
    ends = "{{ low = {}, expected = {}, high = {} }}"
    place.fleet(
        machine(
            "m1",
            "ride-on",
            f"width_m = 2.0\nspeed_kmh = {ends.format(8.0, 10.0, 12.0)}\nefficiency = {ends.format(0.7, 0.8, 0.9)}\n"
            f"set_up_min = {ends.format(30, 60, 120)}\n",
        ),
        machine("crew", "hand crew", CREW + f"edge_rate_m_h = {ends.format(40, 50, 100)}\n"),
    )
    place.zones(Zone("z1", square(2500.0), "m1,crew", surface_m2=302_400.0))
    plan = f"schema = 1\nvisits = {{ dry = 1 }}\ntravel = {{ to_zone_min = {ends.format(60, 120, 180)} }}\n"
    work = place.plan(plan).bid()["work"]
    found = {row["what"]: [row[f"hours{end}"] for end in ("_low", "", "_high")] for row in work}
    assert found == {
        "mowing": pytest.approx([15.0, 20.9, 30.0]),
        "edges": pytest.approx([2.0, 4.0, 5.0]),
        "set-up": pytest.approx([0.5, 1.0, 2.0]),
    }


def test_people_and_bands_by_hand(place: Place) -> None:
    """A band holds up to its slope, that slope included, and an unknown slope counts as the steepest.

    Three people at 100 m2/h each clear 1 200 m2 at 10 degrees in 4 h, 12 of people, and in 8 h where half the rate is
    left. A ride-on with two people takes 0.5 h for 8 000 m2 at 16 000 m2/h, 1 h of people. At 30 a paid hour, 8 of 6:
    12 * 40 = 480 and 24 * 40 = 960 for the crew, 1 * 40 + 0.5 * 20 = 50 for the ride-on.
    Two people trim 200 m at 50 m/h each: 4 h of one person, at 40 and half of the crew's own 10 an hour: 180.
    """
    place.fleet(
        machine("ride_on", "ride-on", RIDE_ON + "people = 2\n"),
        machine("three", "hand crew", CREW + "people = 3\n"),
        machine("two", "hand crew", CREW + "people = 2\nedge_rate_m_h = 50.0\n"),
        BANDS,
    )
    place.zones(
        Zone("z1", box(0, 0, 30, 40), "three", 10.0, parcel="a"),
        Zone("z1", box(0, 0, 30, 40), "three", 10.1, parcel="b"),
        Zone("z1", box(0, 0, 30, 40), "three", None, parcel="c"),
        Zone("z1", box(0, 0, 50, 50), "ride_on,two", 10.0, 8000.0, parcel="d"),
    )
    rates = "person_rate_h = 30.0\nmachine_rates_h = { ride_on = 20.0, two = 10.0 }\n"
    work = place.plan(SEASON + rates).bid()["work"]
    found = {(row["parcel_id"], row["what"]): (row["hours"], row["person_hours"], row["cost"]) for row in work}
    assert found == {
        ("a", "hand work"): pytest.approx((4.0, 12.0, 480.0)),
        ("b", "hand work"): pytest.approx((8.0, 24.0, 960.0)),
        ("c", "hand work"): pytest.approx((8.0, 24.0, 960.0)),
        ("d", "mowing"): pytest.approx((0.5, 1.0, 50.0)),
        ("d", "edges"): pytest.approx((4.0, 4.0, 180.0)),
    }


def test_a_surface_that_is_not_known_is_the_area_on_the_map(place: Place) -> None:
    place.fleet(machine("ride_on", "ride-on", RIDE_ON))
    place.zones(Zone("z1", square(8000.0), "ride_on", surface_m2=float("nan")))
    (work,) = place.bid()["work"]
    assert work["hours"] == pytest.approx(0.5) and work["surface_m2"] == pytest.approx(8000.0)


def test_the_goals_differ_as_they_should(place: Place) -> None:
    """Ride-on and walk-behind may work 30 000 m2, and the walk-behind alone 3 000 m2. Each takes half an hour to bring.

    Least hours: 30 000 / 16 000 = 1.875 h with the ride-on, 3 000 / 3 000 = 1 h with the walk-behind, an hour to bring
    both: 3.875 h.
    Fewest machines: the walk-behind alone, 11 h and half an hour. Least cost: with a ride-on at 400 an hour, 2.375 h
    of it are dearer than 10 more hours of the walk-behind.
    """
    slow = "set_up_min = 30.0\n"
    place.fleet(
        machine("ride_on", "ride-on", RIDE_ON + slow), machine("walk_behind", "walk-behind", WALK_BEHIND + slow)
    )
    place.zones(
        Zone("z1", box(0, 0, 300, 100), "ride_on,walk_behind"),
        Zone("z2", box(300, 0, 330, 100), "walk_behind", surface_m2=3000.0),
    )
    plan = "schema = 1\nvisits = { dry = 1 }\nperson_rate_h = 30.0\n"
    day = "day = { productive_hours = 8.0, paid_hours = 8.0, crew_size = 2 }\n"
    found = {}
    for rate in (0.0, 400.0):
        priced = place.plan(f"{plan}{day}machine_rates_h = {{ ride_on = {rate}, walk_behind = 0.0 }}\n")
        for goal in ("hours", "cost", "machines"):
            bid = priced.bid("--goal", goal)
            found[rate, goal] = sum(row["hours"] for row in bid["work"])
            assert {"topic": "bid", "name": "goal"}.items() <= bid["run_notes"][1].items()
    assert found == pytest.approx(
        {
            (0.0, "hours"): 3.875, (0.0, "cost"): 3.875, (0.0, "machines"): 11.5,
            (400.0, "hours"): 3.875, (400.0, "cost"): 11.5, (400.0, "machines"): 11.5,
        }
    )  # fmt: skip


def test_what_nobody_may_do_is_listed_and_not_priced(place: Place, capsys: pytest.CaptureFixture[str]) -> None:
    """Under one condition only; an exclusion of the user is no work of anybody's."""
    place.fleet(
        machine("ride_on", "ride-on", RIDE_ON), head=HEAD + "[conditions.wet]\nfriction = 0.2\nlimit_factor = 0.5\n"
    )
    place.zones(
        Zone("z1", box(0, 0, 100, 100), {"dry": "ride_on", "wet": ""}),
        Zone("z2", box(100, 0, 150, 100), "", machine_class="none"),
        Zone("z3", box(150, 0, 160, 100), "", machine_class="excluded"),
    )
    bid = place.bid()
    assert [(row["zone_id"], row["condition"]) for row in bid["work"]] == [("p-z1", "dry")]
    ground = [(row["zone_id"], row["condition"], row["plan_m2"]) for row in bid["not_priced"] if row["plan_m2"] > 0.0]
    assert ground == [("p-z2", "dry", 5000.0), ("p-z1", "wet", 10_000.0), ("p-z2", "wet", 5000.0)]
    out = capsys.readouterr().out
    assert "Not priced (dry): 5000 m2" in out and "Not priced (wet): 1.50 ha" in out


@pytest.mark.parametrize("ending", ["json", "xlsx", "csv"])
@pytest.mark.parametrize("plan", ["", SEASON + RATES.replace(", walk_behind = 10.0", "")])
def test_ground_that_nobody_may_work_at_all(place: Place, ending: str, plan: str) -> None:
    place.fleet(machine("ride_on", "ride-on", RIDE_ON))
    place.zones(Zone("z1", box(0, 0, 100, 100), "", machine_class="none"))
    priced = place.plan(plan) if plan else place
    assert priced.run(out=f"bid.{ending}") == 0
    if ending == "json":
        bid = json.loads((place.folder / "bid.json").read_text())
        assert bid["work"] == bid["crew_days"] == bid["totals"] == []
        assert {row["why"] for row in bid["not_priced"]} == {"nobody is permitted: site visit"}
    if ending == "xlsx":
        book = openpyxl.load_workbook(place.folder / "bid.xlsx")
        for sheet in book:
            for cell in (cell for row in sheet.iter_rows() for cell in row):
                # A formula needs something behind its sign, or it is no formula (ISO/IEC 29500-1, 18.17).
                assert cell.value != "=", f"{sheet.title}!{cell.coordinate}"


def test_parquet_reads_as_well_as_geopackage(place: Place) -> None:
    priced = three_zones(place)
    first = priced.bid()
    place.zones(*PARCEL, name="zones.parquet", water=[POND])
    second = priced.bid(zones="zones.parquet", out="again.json")
    named = next(row["value"] for row in second["run_notes"] if row["name"] == "zones")
    assert named.startswith("zones.parquet (")
    for bid in (first, second):
        bid["run_notes"] = [row for row in bid["run_notes"] if row["name"] != "zones"]
    assert first == second


@pytest.mark.parametrize("ending", ["json", "xlsx", "csv"])
def test_the_same_bytes_twice(place: Place, ending: str) -> None:
    priced = three_zones(place)
    before = set(place.files())
    assert priced.run(out=f"a.{ending}") == 0
    # ZIP keeps times in steps of two seconds (PKWARE APPNOTE, 4.4.6).
    time.sleep(2.1 if ending == "xlsx" else 0.0)
    assert priced.run(out=f"b.{ending}") == 0
    assert (place.folder / f"a.{ending}").read_bytes() == (place.folder / f"b.{ending}").read_bytes()
    assert set(place.files()) - before == {f"a.{ending}", f"b.{ending}"}


def test_the_notes_name_the_files_and_the_figures(place: Place) -> None:
    bid = three_zones(place).bid("--quiet")
    inputs = {row["name"]: row["value"] for row in bid["run_notes"] if row["topic"] == "inputs"}
    for role, name in (("zones", "zones.gpkg"), ("fleet", "fleet.toml"), ("season", "season.toml")):
        assert re.fullmatch(rf"{re.escape(name)} \(sha256:[0-9a-f]+\)", inputs[role])
    figures = {row["name"]: row["value"] for row in bid["figures"]}
    assert figures["machines.ride_on.speed_kmh"] == "10.0"
    assert figures["machines.crew.hand_rate_m2_h"] == "200 (100 to 300)"
    assert figures["work.slope_factors.2.machine"] == "0.8"
    assert figures["season.person_rate_h"] == "30.0"
    topics = {row["topic"] for row in bid["run_notes"]}
    assert {"bid", "not assessed", "cautions"} <= topics


SIMPLE = Zone("z1", box(0, 0, 100, 100), "ride_on,walk_behind,crew")
BY_HAND = Zone("z2", box(100, 0, 110, 100), "crew")


def simple(place: Place) -> Place:
    place.fleet(
        machine("ride_on", "ride-on", RIDE_ON),
        machine("walk_behind", "walk-behind", WALK_BEHIND),
        machine("crew", "hand crew", CREW),
    )
    place.zones(SIMPLE, BY_HAND)
    return place


def refused(place: Place, capsys: pytest.CaptureFixture[str], *more: str, **names: str) -> str:
    """One sentence on stderr, exit code 2, and no file more or changed."""
    before = {path: path.read_bytes() for path in place.folder.iterdir() if path.is_file()}
    capsys.readouterr()
    assert place.run(*more, **names) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert re.fullmatch(r"Error: [^\n]+\.\n", err), err
    # No full stop inside, other than in numbers, names and keys.
    assert ". " not in err
    assert {path: path.read_bytes() for path in place.folder.iterdir() if path.is_file()} == before
    return err


def test_a_missing_hand_rate_is_refused(place: Place, capsys: pytest.CaptureFixture[str]) -> None:
    simple(place).fleet(
        machine("ride_on", "ride-on", RIDE_ON),
        machine("walk_behind", "walk-behind", WALK_BEHIND),
        machine("crew", "hand crew", "width_m = 0.5\n"),
    )
    err = refused(place, capsys)
    assert "machines.crew.hand_rate_m2_h is missing in the fleet file: 1 zones (1000 m2, the first is p-z2)" in err
    assert "slopekit ships no rate; type your own" in err
    # Not needed, not asked for.
    place.zones(SIMPLE)
    assert place.run() == 0


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ("width_m = 2.0", "width_m = 0.0", "fleet.toml: machines.ride_on.width_m = 0.0 must be over 0"),
        ("speed_kmh = 10.0", "speed_kmh = 0", "fleet.toml: machines.ride_on.speed_kmh = 0 must be over 0"),
        ("efficiency = 0.8", "efficiency = 80", "fleet.toml: machines.ride_on.efficiency = 80 must be over 0"),
        (
            "across_deg = 12.0",
            "across_deg = 14.0",
            "screened with other limits: machines.ride_on.across_deg was 12.0 and is 14.0",
        ),
        (
            "limit_factor = 1.0",
            "limit_factor = 0.9",
            "screened with other limits: conditions.dry.limit_factor was 1.0 and is 0.9",
        ),
        ("[machines.walk_behind]", "[machines.other]", "with other limits: machines.other.class was not there"),
    ],
)  # fmt: skip
def test_a_fleet_file_that_will_not_do(
    old: str, new: str, told: str, place: Place, capsys: pytest.CaptureFixture[str]
) -> None:
    text = (simple(place).folder / "fleet.toml").read_text()
    assert old in text
    (place.folder / "fleet.toml").write_text(text.replace(old, new, 1))
    assert told in refused(place, capsys)


def test_figures_of_work_may_change_after_the_screening(place: Place) -> None:
    """Rates and times permit nothing, so nobody has to screen again for them."""
    simple(place)
    first = place.bid()
    text = (place.folder / "fleet.toml").read_text()
    text = text.replace("efficiency = 0.8", "efficiency = 0.4\nset_up_min = 60.0\npeople = 2").replace(
        "limit_factor = 1.0", "limit_factor = 1.0\nwork_factor = 0.5"
    )
    (place.folder / "fleet.toml").write_text(text + BANDS)
    second = place.bid()
    hours = [{row["what"]: row["hours"] for row in bid["work"]} for bid in (first, second)]
    assert hours[0]["mowing"] == pytest.approx(10_000.0 / 16_000.0)
    # Half the efficiency, half of it by the condition: four times the hours. The walk-behind keeps its 0.75: 6.67 h for
    # one person, against 2.5 h and an hour to bring for two.
    assert hours[1]["mowing"] == pytest.approx(10_000.0 / 1500.0)


@pytest.mark.parametrize(
    ("plan", "told"),
    [
        (SEASON.replace("dry", "dri"), "visits.dri is not in the fleet file: the nearest known one is 'dry'"),
        (SEASON + "machine_rates_h = { ridr = 3.0 }\n", "machine_rates_h.ridr is not in the fleet file"),
        (SEASON + "crew_siz = 3\n", "season.toml: crew_siz = 3 is not a key of the season file"),
        (SEASON.replace("dry = 10", "dry = 0"), "visits: the season visits under none of dry"),
        (SEASON.replace("6.0", "0"), "season.toml: day.productive_hours = 0 must be over 0"),
    ],
)
def test_a_season_file_that_will_not_do(plan: str, told: str, place: Place, capsys: pytest.CaptureFixture[str]) -> None:
    assert told in refused(simple(place).plan(plan), capsys)


def test_the_least_cost_needs_every_rate(place: Place, capsys: pytest.CaptureFixture[str]) -> None:
    simple(place)
    assert "person_rate_h is missing" in refused(place, capsys, "--goal", "cost")
    assert "person_rate_h is missing" in refused(place.plan(SEASON), capsys, "--goal", "cost")
    partly = place.plan(SEASON + "person_rate_h = 30.0\nmachine_rates_h = { ride_on = 3.0 }\n")
    assert "machine_rates_h.walk_behind is missing in the season file" in refused(partly, capsys, "--goal", "cost")
    assert partly.run("--goal", "hours") == 0
    assert place.run("--goal", "speed") == 2


def test_files_that_are_no_result(place: Place, capsys: pytest.CaptureFixture[str]) -> None:
    simple(place)
    assert "nowhere.gpkg: there is no such file" in refused(place, capsys, zones="nowhere.gpkg")
    assert "nowhere.toml: there is no such fleet file" in refused(place, capsys, fleet="nowhere.toml")
    write_layer(place.folder / "lawns.gpkg", [box(0, 0, 1, 1)])
    assert "lawns.gpkg: it has no layer 'run_notes'" in refused(place, capsys, zones="lawns.gpkg")
    (place.folder / "text.gpkg").write_text("no database")
    assert "text.gpkg: this cannot be read as a GeoPackage" in refused(place, capsys, zones="text.gpkg")
    (place.folder / "text.parquet").write_text("no columns")
    assert "this cannot be read as a result of slopekit" in refused(place, capsys, zones="text.parquet")
    whole = (place.folder / "zones.gpkg").read_bytes()
    (place.folder / "cut.gpkg").write_bytes(whole[: len(whole) // 2])
    assert "cut.gpkg: " in refused(place, capsys, zones="cut.gpkg")


@pytest.mark.parametrize(
    ("version", "told"),
    [("output schema 1", "version 1"), ("output schema 99", "version 99"), ("", "no version")],
)
def test_zones_of_another_version(version: str, told: str, place: Place, capsys: pytest.CaptureFixture[str]) -> None:
    simple(place).zones(SIMPLE, version=version)
    err = refused(place, capsys)
    assert f"zones.gpkg: its tables are of {told} of the output schema" in err and "screen the parcels again" in err


def test_names_that_cannot_be_written(place: Place, capsys: pytest.CaptureFixture[str]) -> None:
    simple(place)
    assert "bid.ods: bids are written as .xlsx, .csv or .json" in refused(place, capsys, out="bid.ods")
    assert "nowhere is not there" in refused(place, capsys, out="nowhere/bid.json")
    # A TOML file may have any name, so it could stand where the bid is to go.
    shutil.copy(place.folder / "fleet.toml", place.folder / "fleet.json")
    err = refused(place, capsys, out="fleet.json", fleet="fleet.json")
    assert "fleet.json: the result would replace a file that it is made from" in err


def test_an_older_bid_stays_where_the_new_one_fails(place: Place, capsys: pytest.CaptureFixture[str]) -> None:
    older = simple(place).folder / "bid.json"
    older.write_text("older")
    note(older, older)
    assert "person_rate_h is missing" in refused(place, capsys, "--goal", "cost")
    assert (place.folder / "bid.json").read_text() == "older"


def test_a_season_file_is_started_and_filled_in(place: Place, capsys: pytest.CaptureFixture[str]) -> None:
    """As it stands it loads: one visit and no money. Every line that offers a key takes one."""
    simple(place)
    new = ["season", "new", str(place.folder / "season.toml"), "--fleet", str(place.folder / "fleet.toml")]
    assert main(new) == 0
    assert capsys.readouterr().out.splitlines()[0] == str(place.folder / "season.toml")
    blank = replace(place, season=True)
    bid = blank.bid()
    assert {row["visits"] for row in bid["work"]} == {1} and bid["crew_days"] == []
    assert all(row["cost"] is None for row in bid["work"])
    text = (place.folder / "season.toml").read_text()
    filled = re.sub(r"^# ([a-z_]+) =( [\d.]+)?$", r"\1 = 2", text, flags=re.MULTILINE)
    filled = re.sub(r"^# (\[[a-z_]+\])$", r"\1", filled, flags=re.MULTILINE)
    (place.folder / "season.toml").write_text(filled)
    bid = blank.bid("--goal", "cost")
    assert bid["supervision"] == 4.0
    assert all(row["cost"] > 0.0 for row in bid["work"])
    assert main(new) == 2
    assert "season.toml: this file exists" in capsys.readouterr().err
    assert (place.folder / "season.toml").read_text() == filled


def test_help_imports_nothing_heavy() -> None:
    show = "import sys; from slopekit.cli import main; main(['hours', '--help']); print(*sys.modules, file=sys.stderr)"
    root = Path(__file__).resolve().parents[2]
    done = subprocess.run([sys.executable, "-c", show], capture_output=True, text=True, cwd=root, check=True)
    loaded = {name.partition(".")[0] for name in done.stderr.split()}
    assert "--season FILE" in done.stdout and "--goal" in done.stdout
    assert not loaded & {"numpy", "pandas", "scipy", "pyproj", "shapely", "pydantic", "openpyxl"}
