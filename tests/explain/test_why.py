"""One spot explained: against figures worked out by hand."""

import json
import math
from pathlib import Path

import numpy as np
import pytest
import shapely
from ground_maker import NORTH, UTM, WEST, box, elevation_of, fleet_of
from numpy.typing import NDArray

from slopekit.api.demo import demo_job
from slopekit.api.inputs import open_job, read_layers
from slopekit.errors import InputError
from slopekit.explain.refusals import _KIND_OF, _TELL, apart
from slopekit.explain.why import Explanation, why
from slopekit.fleet.load import load_fleet
from slopekit.fleet.model import Fleet
from slopekit.permits.judge import BIT
from slopekit.schema.corrections import Correction
from slopekit.schema.reasons import REASON_CODES
from slopekit.screening.parcel import screen_parcel
from slopekit.sources.corrections import with_corrections
from slopekit.sources.elevation import Elevation
from slopekit.sources.layers import Layer, Layers
from slopekit.sources.parcels import Parcel, read_parcels
from slopekit.wording import DECIDE

Array = NDArray[np.float64]
SIZE = 200


def plane(grade: float, *, rows: int = SIZE, cols: int = SIZE) -> Array:
    """Ground that falls to the south by `grade` metres a metre."""
    return np.repeat(100.0 - grade * np.arange(rows, dtype=float)[:, None], cols, axis=1)


def at(col: float, row: float) -> tuple[float, float]:
    """The centre of a cell of a made ground."""
    return WEST + col + 0.5, NORTH - row - 0.5


def answer_of(found: Explanation, machine: str, condition: str = "dry"):  # type: ignore[no-untyped-def]
    return next(a for a in found.answers if (a.machine, a.condition) == (machine, condition))


def refusal_of(found: Explanation, machine: str, code: str):  # type: ignore[no-untyped-def]
    return next(r for r in answer_of(found, machine).refusals if r.code == code)


@pytest.fixture(scope="module")
def demo() -> tuple[Elevation, list[Parcel], Fleet, Layers]:
    job = demo_job()
    elevation = open_job(job)
    parcels = read_parcels(job.parcels, job.id_column, elevation.survey.grid.crs)
    return elevation, parcels, load_fleet(job.fleet), read_layers(job, elevation.survey)


def test_slope_of_a_plane_in_every_unit(tmp_path: Path) -> None:
    # A 3:1 face is 18.43 degrees and 33.3 % (arithmetic).
    elevation = elevation_of(tmp_path / "z.tif", plane(1.0 / 3.0), z_rmse_m=0.1)
    found = why(elevation, *at(100, 60), fleet_of((10.0, 18.43, 18.44, 30.0)))
    spot = found.spot
    assert spot.slope_deg == pytest.approx(18.4349, abs=1e-4)
    assert spot.machine_slope_deg == pytest.approx(18.4349, abs=1e-3)
    assert spot.slope_percent == pytest.approx(33.3333, abs=1e-3)
    assert spot.slope_hv == "3.0:1"
    assert spot.aspect_deg == pytest.approx(180.0)
    # Horn's weights (Horn 1981) by hand, errors that correlate by exp(-(d / 1.5 m)^2), divided by 1 + (1/3)^2.
    weights = {(i, j): i * (2 - abs(j)) / 8.0 for i in (-1, 0, 1) for j in (-1, 0, 1)}
    variance = sum(
        v * w * math.exp(-((a - c) ** 2 + (b - d) ** 2) / 1.5**2)
        for (a, b), v in weights.items()
        for (c, d), w in weights.items()
    )
    error = math.degrees(0.1 * math.sqrt(variance) / (1.0 + 1.0 / 9.0))
    assert spot.slope_error_deg == pytest.approx(error, rel=1e-3)
    alone = why(elevation, *at(100, 60), fleet_of(settings={"terrain": {"error_correlation_m": 0.0}}))
    # Without correlation sqrt(12) / 8 of the error a metre (the same weights).
    independent = math.degrees(0.1 * math.sqrt(12.0) / 8.0 / (1.0 + 1.0 / 9.0))
    assert alone.spot.slope_error_deg == pytest.approx(independent, rel=1e-3)
    slope = {m: refusal_of(found, m, "slope") for m in ("ride_on", "stand_on")}
    assert slope["ride_on"].words == "the slope of 18.4 degrees is over the limits"
    assert slope["ride_on"].own == "10.0 across, 10.0 up and down"
    # Two numbers that differ are never printed alike.
    assert slope["stand_on"].own.startswith("18.430 across, where it is 18.435")
    assert slope["stand_on"].numbers["across_deg"] == 18.43
    assert "slope" not in {r.code for r in answer_of(found, "walk_behind").refusals}
    assert answer_of(found, "walk_behind").near_limits == (18.44,) and answer_of(found, "crew").near_limits == ()
    said = "\n".join(found.lines())
    assert "slope 18.4 degrees (33 %, 3.0:1), facing south (180 degrees)" in said
    assert f"standard error {error:.1f} degrees" in said
    assert f"within {1.645 * error:.1f} of the limit of 18.4, 18.4 (1.645 standard errors). Measure it on site" in said


POND = Layers(water=Layer.of("pond", [box(60, 120, 80, 20)]))
"""From 20 m south of the spots that are asked about."""


def run_to(found: Explanation, kind: str, condition: str = "dry"):  # type: ignore[no-untyped-def]
    return next(run for run in found.spot.runs if (run.to, run.condition) == (kind, condition))


def test_a_machine_that_rolls_to_a_pond_by_hand(tmp_path: Path) -> None:
    # Ground 1:5 down to a pond 20 m off. The centre of the first wet cell is 20 m south of the spot's.
    elevation = elevation_of(tmp_path / "z.tif", plane(0.2))
    found = why(elevation, *at(100, 100), fleet_of(), POND)
    spot = found.spot
    assert spot.water_m == pytest.approx(19.0)  # from the cell's own edge
    assert spot.drop_m is None and not spot.within_stand_off
    run = run_to(found, "water")
    assert (run.from_kmh, run.stopped_m, run.body, run.found) == (0.0, None, "", False)
    # The length within the error of the moves, -2 % to +1 %.
    assert 0.98 * 20.0 <= run.length_m <= 1.01 * 20.0 and run.fall_m == pytest.approx(4.0, abs=1e-6)
    assert (run.end_x, run.end_y) == at(100, 120) and not run.across
    # Fall less the loss to rolling, as kinetic energy (energy line: Heim 1932, Koerner 1976, from memory).
    arrival = 3.6 * math.sqrt(2.0 * 9.80665 * (4.0 - 0.0875 * run.length_m))
    assert run.arrival_kmh == pytest.approx(arrival, rel=1e-6)
    told = refusal_of(found, "ride_on", "above_water")
    assert told.words == f"a machine that rolls from here gets to the water (given) 20 m on at {arrival:.0f} km/h"
    assert told.lift == "nothing: it is given" and told.numbers["arrival_kmh"] == run.arrival_kmh
    lines = found.lines()
    (line,) = (one for one in lines if one.startswith("above_water: "))
    assert (
        line
        == f"above_water: {told.words}. Refuses ride_on; stand_on; walk_behind (dry). Lifted by: nothing: it is given."
    )
    # Whoever is above it is within reach of it: nothing more to say.
    assert "reach" in {r.code for r in answer_of(found, "ride_on").refusals}
    assert not any(one.startswith("reach: ") for one in lines)
    assert any(one.startswith("A fence lifts none of this; a class that the fleet file lets work") for one in lines)
    beside = why(elevation, *at(100, 118), fleet_of(), POND)
    assert beside.spot.water_m == pytest.approx(1.0)
    assert refusal_of(beside, "ride_on", "stand_off").numbers == {"edge_m": 1.0, "stand_off_m": 1.524}
    assert "Nearest: water 1.00 m away; within the stand-off of 1.524 m" in "\n".join(beside.lines())
    touching = why(elevation, *at(100, 119), fleet_of(), POND)
    assert touching.spot.water_m == 0.0
    assert "Nearest: water (the spot stands at it); within" in "\n".join(touching.lines())
    words = "the spot stands in or at water or the top of a drop, within the stand-off of 1.524 m"
    assert refusal_of(touching, "ride_on", "stand_off").words == words
    wet = why(elevation, *at(100, 125), fleet_of(), POND)
    assert "Nearest: water (the spot stands in it); within" in "\n".join(wet.lines())
    assert wet.spot.here == ("water given",)
    assert refusal_of(wet, "crew", "above_water").words == "this is water"


def test_a_machine_that_is_stopped_by_hand(tmp_path: Path) -> None:
    # Ground of 2 %: the tyres hold. 8 km/h are 0.252 m of head, and each metre takes the friction less the fall.
    elevation = elevation_of(tmp_path / "z.tif", plane(0.02))
    conditions = {"dry": {"friction": 0.35, "limit_factor": 1.0}, "wet": {"friction": 0.2, "limit_factor": 1.0}}
    found = why(elevation, *at(100, 100), fleet_of(conditions=conditions), POND)
    for condition, friction in (("dry", 0.35), ("wet", 0.2)):
        run = run_to(found, "water", condition)
        head = (friction - 0.02) * 20.0
        # The length of the way is off by -2 % to +1 %.
        assert run.from_kmh == pytest.approx(3.6 * math.sqrt(2.0 * 9.80665 * head), rel=0.025)
        assert run.stopped_m == pytest.approx((8.0 / 3.6) ** 2 / (2.0 * 9.80665) / (friction - 0.02), rel=0.05)
        assert run.arrival_kmh == pytest.approx(0.0, abs=0.01)
        assert not {"above_water", "reach"} & {r.code for r in answer_of(found, "ride_on", condition).refusals}
    assert found.spot.runs[0].condition == "dry"
    wet = run_to(found, "water", "wet")
    said = (
        "Run-out, looked 150 m round this spot alone, under wet: at 8 km/h a machine is stopped after 1.4 m, 18 m "
        f"short of the water (given); from {math.floor(10.0 * wet.from_kmh) / 10.0:.1f} km/h it would get there."
    )
    assert said in found.lines()
    # Six metres from the water it takes 4 m/s on wet grass: the machine at 16 km/h gets there, the one at 8 does not.
    fast = fleet_of(conditions=conditions, stand_on={"speed_kmh": 24.0})
    near = why(elevation, *at(100, 114), fast, POND)
    assert "reach" not in {r.code for r in answer_of(near, "ride_on", "wet").refusals}
    told = next(r for r in answer_of(near, "stand_on", "wet").refusals if r.code == "reach")
    least = math.floor(10.0 * run_to(near, "water", "wet").from_kmh) / 10.0
    assert told.words.startswith(
        f"from {least:.1f} km/h on a machine gets to the water (given) 5.9 m on, at under 1 km/h"
    )
    assert (told.own, told.lift) == ("works at 24 km/h", f"work under {least:.1f} km/h")


def test_the_answer_rests_on_the_look_of_the_parcel_or_says_that_it_does_not(tmp_path: Path) -> None:
    elevation = elevation_of(tmp_path / "z.tif", plane(0.2, rows=600))
    parcel = Parcel("p", box(60, 250, 60, 100))
    look = fleet_of(settings={"runout": {"look_m": 60.0}})
    there, alone = (why(elevation, *at(100, 300), look, parcels=given) for given in ((parcel,), ()))
    assert (there.spot.parcel, alone.spot.parcel) == ("p", None)
    told = [run_to(one, "beyond the look").length_m for one in (there, alone)]
    # The look of the parcel ends 79 m to the east, and its rim is two cells wide. A machine rolls there as far from the
    # fall line as its fall makes up for rolling, at an angle of cosine 0.0875 / 0.2. The spot's own ends 60 m below it.
    aside = 78.0 / math.sqrt(1.0 - (0.0875 / 0.2) ** 2)
    assert told == pytest.approx([aside, 59.0], rel=0.03)
    assert "looked 60 m round parcel p" in "\n".join(there.lines())
    assert "looked 60 m round this spot alone" in "\n".join(alone.lines())
    refusal = refusal_of(alone, "ride_on", "beyond_look")
    assert "gets to the edge of the ground that was looked at 58 m on" in refusal.words
    assert refusal.lift == "a runout.look_m over 60, if the ground there stops it"
    elsewhere = why(elevation, *at(20, 300), look, parcels=(parcel,))
    assert elsewhere.spot.parcel is None


def test_a_path_across_the_face_is_called_one(tmp_path: Path) -> None:
    # 20 degrees, one wet cell 20 m to the side and 10 m down: 63 degrees from the fall line.
    elevation = elevation_of(tmp_path / "z.tif", plane(math.tan(math.radians(20.0))))
    beside = Layers(water=Layer.of("pond", [box(120.1, 110.1, 0.8, 0.8)]))
    found = why(elevation, *at(100, 100), fleet_of(), beside)
    assert run_to(found, "water").across
    assert refusal_of(found, "walk_behind", "above_water").words.endswith("km/h, by a path across the face")
    below = Layers(water=Layer.of("pond", [box(104.1, 120.1, 0.8, 0.8)]))
    found = why(elevation, *at(100, 100), fleet_of(), below)
    assert not run_to(found, "water").across
    assert "across the face" not in refusal_of(found, "walk_behind", "above_water").words


@pytest.mark.parametrize("turned", [False, True])
def test_a_wall_is_near_from_above_and_not_from_its_foot(turned: bool, tmp_path: Path) -> None:
    z = np.full((SIZE, SIZE), 50.0)
    z += 0.01 * np.arange(SIZE)[None, :]
    z[100:] -= 2.0
    elevation = elevation_of(tmp_path / "z.tif", z.T.copy() if turned else z)

    def ask(across: int) -> Explanation:
        return why(elevation, *(at(across, 100) if turned else at(100, across)), fleet_of())

    top, foot, off = ask(98), ask(101), ask(90)
    assert top.spot.within_stand_off and top.spot.drop_m == 0.0
    assert refusal_of(top, "stand_on", "stand_off")
    assert not foot.spot.within_stand_off and foot.spot.drop_m is not None and foot.spot.drop_m <= 1.524
    assert "foot side of a drop" in "\n".join(foot.lines())
    # From the cell's own edge to that of the last cell on top, nine cells on.
    assert not off.spot.within_stand_off and off.spot.drop_m == 8.0
    edge = ask(99)
    assert edge.spot.here == ("drop",)
    assert "top of a drop (the spot stands on it); within" in "\n".join(edge.lines())
    assert "top of a drop (the spot stands at it); within" in "\n".join(top.lines())
    assert edge.spot.drop_height_m == pytest.approx(2.0, abs=0.02)
    # The drop runs through all of the ground.
    run = run_to(off, "drop")
    assert "m long" in run.named and run.length_m == pytest.approx(9.0, rel=0.03)
    (body,) = (one for one in off.spot.bodies if one.what == "drop")
    assert body.ends_path and body.length_m is not None and body.length_m >= SIZE


def lawn_with(radius: float, level: float, noise: float) -> Array:
    """A lawn that falls by 2 % to the south, with a round pond in it, bank 1:4, whose surface carries noise."""
    rows, cols = np.mgrid[:400, :400] + 0.5
    # A little askew, so that heights do not look as if they came in steps.
    lawn = 100.0 - 0.02 * (rows - 200.0) - 0.0037 * (cols - 200.0)
    out = np.hypot(rows - 200.0, cols - 200.0) - radius
    bed = np.random.default_rng(5).normal(level, noise, rows.shape) if noise else np.full(rows.shape, level)
    return np.where(out <= 0.0, bed, np.minimum(lawn, level + 0.25 * out))


@pytest.mark.parametrize(("noise", "what"), [(0.0, "water inferred"), (0.01, "possible water")])
def test_water_is_named_as_in_the_layer_of_the_screening(noise: float, what: str, tmp_path: Path) -> None:
    elevation = elevation_of(tmp_path / "z.tif", lawn_with(12.0, 98.6, noise))
    fleet = fleet_of()
    parcel = Parcel("p", box(180, 170, 40, 40))
    water = screen_parcel(elevation, parcel, fleet, Layers()).records["water"]
    (record,) = (row for row in water if row["body"])
    found = why(elevation, *at(200, 180), fleet)
    (body,) = (one for one in found.spot.bodies if one.what != "drop")
    assert (body.body, body.what, body.state) == (record["body"], what, "found")
    assert body.area_m2 == pytest.approx(record["area_m2"])
    # A circle of 12 m radius, a ring of noise more or less.
    assert body.area_m2 == pytest.approx(math.pi * 144.0, rel=0.15)
    assert body.ends_path and (run_to(found, "water").body, run_to(found, "water").found) == (body.body, True)
    assert f"the water ({body.body}, {'possible water' if noise else 'inferred from flat cells'})" in "\n".join(
        found.lines()
    )
    assert f"survey {elevation.survey.checksum[:19]}: " in "\n".join(found.lines())
    close = why(elevation, *at(200, 185), fleet)
    lift = f"a signed correction that rejects {body.body}, if the survey is wrong there"
    assert refusal_of(close, "walk_behind", "above_water").lift == lift
    there = why(elevation, *at(200, 200), fleet)
    assert there.spot.here == (what,) and there.spot.bodies[0].distance_m == 0.0
    given = why(elevation, *at(200, 180), fleet, Layers(water=Layer.of("w", [box(170, 170, 60, 60)])))
    assert [one.state for one in given.spot.bodies if one.body == body.body] == ["given"]


def test_a_statement_that_a_hollow_is_dry(tmp_path: Path) -> None:
    elevation = elevation_of(tmp_path / "z.tif", lawn_with(3.0, 98.0, 0.0))
    fleet = fleet_of()
    survey = elevation.survey.checksum
    signed = {"who": "A. Nobody", "when": "2025-03-01", "why": "drained"}
    whole = box(180, 180, 40, 40)
    for said, floor, effect in (
        (Correction(1, "dry", whole, survey=survey, **signed), "dry", "held to be dry"),
        (Correction(1, "dry", whole, survey="0123456789ab", **signed), "wet", "said of another survey"),
        (Correction(1, "dry", box(199, 199, 2, 2), survey=survey, **signed), "wet", "must cover the whole floor"),
    ):
        found = why(elevation, *at(200, 200), fleet, with_corrections(Layers(), [said], survey))
        assert found.spot.floor == floor
        (one,) = found.spot.said
        assert effect in one.effect and not one.frees
        # Nobody on a seat goes where the floor may hold water (the project's own rule).
        codes = {r.code for r in answer_of(found, "ride_on").refusals}
        assert ("unknown_basin" in codes) == (floor == "wet")
        if floor == "wet":
            told = refusal_of(found, "ride_on", "unknown_basin")
            assert told.words == "this is the floor of a hollow that may hold water" and "known to be dry" in told.lift


def test_what_is_not_known_and_a_void(tmp_path: Path) -> None:
    z = plane(0.2, rows=300)
    z[150:152, 100:102] = np.nan
    elevation = elevation_of(tmp_path / "z.tif", z)
    fleet = fleet_of()
    above = why(elevation, *at(100, 130), fleet)
    told = refusal_of(above, "ride_on", "unknown_ground")
    assert told.words.startswith("a machine that rolls from here gets to ground that is not known 19 m on at ")
    assert told.lift == "a survey without this gap"
    assert "unknown_ground" not in {r.code for r in answer_of(above, "walk_behind").refusals}
    # Beside the void there is a height and no slope; nobody works there.
    beside = why(elevation, *at(100, 149), fleet)
    assert beside.spot.slope_deg is None
    assert all("slope here is not known" in refusal_of(beside, m, "unknown_ground").words for m in fleet.machines)
    assert any("slope not known" in line for line in beside.lines())
    json.dumps(beside.facts(), allow_nan=False)
    with pytest.raises(InputError, match=r"has no elevation in z\.tif"):
        why(elevation, *at(100, 150), fleet)


def test_soft_trees_fit_exclusion_and_what_is_not_given(tmp_path: Path) -> None:
    elevation = elevation_of(tmp_path / "z.tif", plane(0.02))
    layers = Layers(
        soft=Layer.of("soft", [box(20, 20, 20, 20)]),
        canopy=Layer.of("canopy", [box(20, 60, 20, 20)]),
        exclude=Layer.of("exclude", [box(0, 120, 99, 20), box(101, 120, 99, 20)]),
    )
    mute = {"class": "walk-behind", "across_deg": 20.0, "speed_kmh": 4.0}
    fleet = fleet_of(mute=mute, loose={"class": "remote-controlled", "width_m": 1.0, "speed_kmh": 4.0})
    soft = why(elevation, *at(30, 30), fleet, layers)
    assert refusal_of(soft, "ride_on", "soft").numbers == {"ground_pressure_kpa": 80.0, "pressure_limit_kpa": 30.0}
    assert soft.spot.soft and not soft.spot.soft_floor
    assert "soft" not in {r.code for r in answer_of(soft, "walk_behind").refusals}
    assert "width_m is not given" in refusal_of(soft, "mute", "no_limit_given").words
    assert "gives no limit under the condition 'dry'" in refusal_of(soft, "loose", "no_limit_given").words
    trees = why(elevation, *at(30, 70), fleet, layers)
    assert trees.spot.canopy and "the roll bar is fixed" in refusal_of(trees, "ride_on", "low_clearance").own
    # A lane of 2 m between excluded ground: a machine of 1.5 m needs 2.25 m or three cells, whichever is more.
    lane_spot = why(elevation, *at(100, 130), fleet, layers)
    assert refusal_of(lane_spot, "ride_on", "narrow").numbers == {"width_m": 1.5, "fit_m": 3.0}
    assert answer_of(lane_spot, "ride_on").fits is False
    assert answer_of(lane_spot, "crew").fits is None
    out = why(elevation, *at(50, 130), fleet, layers)
    assert out.spot.excluded and out.answers == ()
    assert any("left out by the exclusion layer" in line for line in out.lines())
    plain = why(elevation, *at(100, 50), fleet, layers)
    assert answer_of(plain, "ride_on").fits is True and answer_of(plain, "ride_on").near_limits is None


def test_a_place_may_come_in_another_crs(tmp_path: Path) -> None:
    import pyproj

    elevation = elevation_of(tmp_path / "z.tif", plane(0.05))
    x, y = at(100, 100)
    lon, lat = pyproj.Transformer.from_crs(UTM, "EPSG:4326", always_xy=True).transform(x, y)
    here, there = why(elevation, x, y, fleet_of()), why(elevation, lon, lat, fleet_of(), crs="EPSG:4326")
    assert (there.spot.x, there.spot.y) == pytest.approx((x, y), abs=1e-4)
    assert there.answers == here.answers
    for bad, told in (
        ("EPSG:999999", "'EPSG:999999' is not known"),
        ("moon", "'moon' is not known"),
        ("EPSG:5773", r"'EPSG:5773' \(EGM96 height\) tells no place"),
    ):
        with pytest.raises(InputError, match=told):
            why(elevation, lon, lat, fleet_of(), crs=bad)
    with pytest.raises(InputError, match="has no place in the elevation's CRS"):
        why(elevation, 900.0, 500.0, fleet_of(), crs="EPSG:4326")
    for outside in ((x + 200.0, y), (x, y - 200.0), (lon, lat)):
        with pytest.raises(InputError, match=r"lies outside z\.tif, which spans 500000 to 500200 east"):
            why(elevation, *outside, fleet_of())


def test_a_grid_in_feet_gives_metres(tmp_path: Path) -> None:
    # EPSG:2229 counts in US survey feet; the ground is the pond slope above with cells of 1 m in feet.
    foot = 1200.0 / 3937.0
    crs, west, north = "EPSG:2229", 6_400_000.0, 1_900_000.0
    elevation = elevation_of(
        tmp_path / "z.tif", plane(0.2) / foot, cell=1.0 / foot, crs=crs, west=west, north=north, unit="us-survey-foot"
    )
    pond = shapely.box(west + 60 / foot, north - 140 / foot, west + 140 / foot, north - 120 / foot)
    found = why(
        elevation, west + 100.5 / foot, north - 100.5 / foot, fleet_of(), Layers(water=Layer.of("pond", [pond]))
    )
    assert found.spot.cell_m == pytest.approx((1.0, 1.0))
    assert found.spot.water_m == pytest.approx(19.0, abs=1e-6)
    run = run_to(found, "water")
    assert run.length_m == pytest.approx(20.0, rel=0.02) and run.fall_m == pytest.approx(4.0, abs=1e-6)


def test_facts_are_json_and_lines_promise_nothing(demo: tuple[Elevation, list[Parcel], Fleet, Layers]) -> None:
    elevation, parcels, fleet, layers = demo
    centre = parcels[0].geometry.representative_point()
    found = why(elevation, centre.x, centre.y, fleet, layers, parcels=parcels)
    facts = found.facts()
    assert json.loads(json.dumps(facts, allow_nan=False)) == facts
    assert len(facts["answers"]) == len(fleet.machines) * len(fleet.conditions)
    assert {r["code"] for a in facts["answers"] for r in a["refusals"]} <= set(REASON_CODES)
    lines = found.lines()
    assert lines[-1].endswith(DECIDE)
    assert all(line.rstrip().endswith((".", ":")) for line in lines)
    said = " ".join([*lines, json.dumps(facts)]).lower()
    assert not any(word in said for word in ("safe", "safely", "safety"))


def test_words_are_kept_for_reasons_that_there_are() -> None:
    assert {*_TELL, *_KIND_OF} <= set(REASON_CODES)


@pytest.mark.parametrize(
    ("pair", "shown"),
    [((14.3, 12.0), ("14.3", "12.0")), ((12.04, 12.0), ("12.04", "12.00")), ((5.0, 5.0), ("5.0", "5.0"))],
)
def test_numbers_that_differ_read_differently(pair: tuple[float, float], shown: tuple[str, str]) -> None:
    assert apart(*pair) == shown


def test_each_far_part_of_a_parcel_has_its_own_look(tmp_path: Path) -> None:
    elevation = elevation_of(tmp_path / "z.tif", plane(0.2, rows=600))
    parts = [box(60, 60, 20, 20), box(60, 400, 20, 20)]
    parcel = Parcel("p", shapely.union_all(parts))
    fleet = fleet_of(settings={"runout": {"look_m": 40.0}})
    layers = Layers(water=Layer.of("pond", [box(50, 95, 40, 5)]))
    whole = screen_parcel(elevation, parcel, fleet, layers)
    codes = []
    for row in (70, 410):
        found = why(elevation, *at(70, row), fleet, layers, parcels=[parcel])
        assert found.spot.parcel == "p"
        here = whole.grid.cell_at(*at(70, row))
        for n, answer in enumerate(found.answers):
            told = {refusal.code for refusal in answer.refusals}
            assert told == {code for code, bit in BIT.items() if whole.verdict.reasons[n][here] & bit}
        codes.append({refusal.code for answer in found.answers for refusal in answer.refusals})
    assert "above_water" in codes[0] and "above_water" not in codes[1] and "beyond_look" in codes[1]
