"""What a person on site says, all the way to the zones: additions only refuse, a rejection lifts only what it names.

The rules are the project's own. A rejection is checked against the same ground screened with the finder switched off by
the settings, which does not pass through the code of the corrections.
"""

import contextlib
import sqlite3
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pytest
import shapely
from golden_ground import golden_fleet, golden_heights, golden_parcel
from ground_maker import NORTH, SHORT_LOOK, UTM, WEST, Answer, Array, answer, box, elevation_of, fleet_of, write_ground
from scipy import ndimage

from slopekit.cli import main
from slopekit.fleet.model import Fleet
from slopekit.grid import Grid
from slopekit.hazards.bodies import Bodies, Place
from slopekit.hazards.find import find_hazards, find_steps
from slopekit.hazards.settings import HazardSettings
from slopekit.schema.corrections import Correction
from slopekit.screening.batch import screen
from slopekit.screening.given import given_on
from slopekit.sources.corrections import with_corrections
from slopekit.sources.elevation import Elevation
from slopekit.sources.layers import Layer, Layers
from slopekit.sources.parcels import Parcel

pytestmark = [pytest.mark.property, pytest.mark.slow]

ROWS, COLS = 240, 270
SIGNED = {"who": "R. Feldmann", "when": "2025-11-19", "why": "walked round it, there is a hedge"}
ANSWER = ("zones", "parcels", "water", "drops", "paths", "profiles")
NOTHING = "lifts nothing"
FLAT_AT, NOISY_AT, WALL_AT = (90, 148), (130, 148), (162, 111)
"""Column and row of what can be rejected."""


EACH = ("flat", "noisy", "wall")


def heights(holds: Sequence[str] = EACH) -> Array:
    """A slope of 18 % with a wall on it, down to a terrace with a flattened pond and a noisy one, and on below."""
    random = np.random.default_rng(7)
    row, col = np.mgrid[:ROWS, :COLS].astype(float)
    z = 200.0 - 0.18 * np.minimum(row, 140.0) - 0.01 * np.clip(row - 140.0, 0.0, 30.0) - 0.18 * np.maximum(row - 170, 0)
    noise = ndimage.gaussian_filter(random.normal(size=z.shape), 2.0)
    z += 0.02 * noise / noise.std()
    wall = (row >= 112) & (row < 140) & (col >= 150) & (col < 175)
    if "wall" in holds:
        z -= wall * 1.3 * (1.0 - (row - 112.0) / 28.0)
    flat = np.hypot(col - FLAT_AT[0], row - FLAT_AT[1]) < 7.0
    if "flat" in holds:
        z[flat] = z[flat].min()
    away = np.hypot(col - NOISY_AT[0], row - NOISY_AT[1])
    bowl = 174.42 + 0.25 * np.maximum(away - 6.5, 0.0) + 0.01 * random.normal(size=z.shape)
    return np.where((away < 10.0) & ("noisy" in holds), np.minimum(z, bowl), z)


def fleet(**settings: Mapping[str, Any]) -> Fleet:
    return fleet_of((15.0, 18.0, 20.0, 30.0), settings={**SHORT_LOOK, **settings})


LAWN = Parcel("lawn", box(75, 96, 115, 34))


@pytest.fixture(scope="module")
def ground(tmp_path_factory: pytest.TempPathFactory) -> Elevation:
    return elevation_of(tmp_path_factory.mktemp("site") / "site.tif", heights())


@pytest.fixture(scope="module")
def first(ground: Elevation) -> dict[str, Any]:
    """The run without a word from site, which names the bodies."""
    return screen(ground, [LAWN], fleet())


@pytest.fixture(scope="module")
def names(first: dict[str, Any]) -> dict[str, str]:
    """Of the flattened pond, the noisy one and the wall."""
    water, drops = first["water"], first["drops"]
    found = {row.origin: row.body for row in water.itertuples()} | {"wall": drops.body.iloc[0]}
    assert len(water) == 2 and len(drops) == 1 and all(found.values())
    return {"flat": found["inferred from flat cells"], "noisy": found["possible water"], "wall": found["wall"]}


def spot(at: tuple[float, float]) -> shapely.Point:
    return shapely.Point(WEST + at[0] + 0.5, NORTH - at[1] - 0.5)


def line(*corners: tuple[float, float]) -> shapely.LineString:
    return shapely.LineString([(WEST + col, NORTH - row) for col, row in corners])


def said(what: str, geometry: shapely.Geometry, survey: str = "", **more: Any) -> Correction:
    return Correction(**{"number": 1, "what": what, "geometry": geometry, "survey": survey, **SIGNED, **more})


def layers_of(elevation: Elevation, *corrections: Correction, given: Layers | None = None) -> Layers:
    numbered = [replace(one, number=n) for n, one in enumerate(corrections, 1)]
    return with_corrections(given or Layers(), numbered, elevation.survey.checksum)


PLACES = {"flat": FLAT_AT, "noisy": NOISY_AT, "wall": WALL_AT}


def rejected(elevation: Elevation, names: Mapping[str, str], which: str, **more: Any) -> Correction:
    keys = {"body": names[which], "survey": elevation.survey.checksum, **more}
    return said("reject", keys.pop("geometry", spot(PLACES[which])), **keys)


def same(a: dict[str, Any], b: dict[str, Any], but: tuple[str, ...] = ()) -> None:
    for layer in ANSWER:
        one, two = (pd.DataFrame(t[layer]).drop(columns=list(but), errors="ignore").astype(object) for t in (a, b))
        pd.testing.assert_frame_equal(one.where(one.notna(), None), two.where(two.notna(), None), obj=layer)


def effects(tables: dict[str, Any]) -> list[str]:
    return list(tables["corrections"].effect)


# Additions ------------------------------------------------------------------------------------------------------------

ADDITIONS = ("water", "wall", "edge", "soft ground", "low clearance", "no-go")


def addition(random: np.random.Generator, what: str, middle: tuple[float, float], spread: float) -> Correction:
    col, row = random.normal(middle, spread)
    if what in ("wall", "edge"):
        turn, half = random.uniform(0.0, np.pi), random.uniform(2.0, 20.0)
        shift = half * np.array([np.cos(turn), np.sin(turn)])
        height = float(random.uniform(0.5, 3.0)) if random.random() < 0.5 else None
        return said(what, line((col - shift[0], row - shift[1]), (col + shift[0], row + shift[1])), height_m=height)
    if random.random() < 0.3:  # a stream, a path
        return said(what, line((col, row), (col + 20.0, row + random.uniform(-20.0, 20.0))).buffer(0.4))
    return said(what, box(col, row, *random.uniform(0.5, 15.0, 2)))


def never_more(before: Answer, after: Answer) -> int:
    """Cells and machines that the second answer refuses and the first does not; fails where it is the other way."""
    fewer = 0
    for machine, condition in before.verdict.pairs:
        won = after.raw(machine, condition) & ~before.raw(machine, condition)
        assert not won.any(), f"{machine} gains {won.sum()} cells"
        fewer += int((before.raw(machine, condition) & ~after.raw(machine, condition)).sum())
    return fewer


@pytest.mark.parametrize("seed", [1, 2, 8])
def test_each_addition_refuses_more(tmp_path: Path, seed: int) -> None:
    # One after the other and close together, on ground with walls, ponds and a basin. A standing operator with a
    # written exception is left out: who may work above a hazard, but not above the unknown, gains where a hazard is
    # nearer.
    random = np.random.default_rng(seed)
    elevation = elevation_of(tmp_path / "g.tif", golden_heights(seed=seed))
    told: list[Correction] = []
    before = answer(elevation, golden_parcel(), golden_fleet())
    fewer = dict.fromkeys(ADDITIONS, 0)
    for n in range(24):
        what = ADDITIONS[n % len(ADDITIONS)]
        told.append(addition(random, what, (130.0, 125.0), 25.0))
        after = answer(elevation, golden_parcel(), golden_fleet(), layers_of(elevation, *told))
        fewer[what] += never_more(before, after)
        before = after
    assert all(fewer.values()), fewer


def test_a_second_line_takes_nothing_from_the_first(tmp_path: Path) -> None:
    # Two terrace walls two cells apart, below ground that falls away from them: only the stand-off refuses there.
    row = np.mgrid[:ROWS, :COLS][0].astype(float)
    z = (
        100.0
        + 0.1 * np.minimum(row - 110.0, 0.0)
        - 1.0 * (row >= 110)
        - 1.0 * (row >= 112)
        - 0.1 * (row - 112.0).clip(0)
    )
    elevation = elevation_of(tmp_path / "g.tif", z)
    upper, lower = (said("wall", line((100.0, at), (140.0, at))) for at in (110.0, 112.0))
    machines = fleet(hazards={"drop_height_m": 9.0})
    parcel = box(100, 95, 40, 30)
    one = answer(elevation, parcel, machines, layers_of(elevation, upper))
    both = answer(elevation, parcel, machines, layers_of(elevation, upper, lower))
    never_more(one, both)
    assert not (one.window.hazards.stand_off & ~both.window.hazards.stand_off).any()
    assert not (one.window.hazards.drop & ~both.window.hazards.drop).any()


def test_additions_need_no_survey_and_say_so(ground: Elevation, first: dict[str, Any]) -> None:
    told = [said("no-go", box(100, 100, 20, 20)), said("edge", line((80, 125), (110, 125)), height_m=1.5)]
    tables = screen(ground, [LAWN], fleet(), layers_of(ground, *told))
    assert effects(tables) == ["counted: it only refuses more"] * 2
    assert "no_go" in ",".join(tables["zones"].reasons) and "no_go" not in ",".join(first["zones"].reasons)
    given = tables["drops"][tables["drops"].origin == "given"]
    assert given.height_m.tolist() == [1.5] and given.body.tolist() == [""]


# Rejections -----------------------------------------------------------------------------------------------------------

SWITCHED_OFF = {
    "flat": {"flat_area_m2": 100_000.0},
    "noisy": {"flat_area_m2": 100_000.0},
    "wall": {"drop_height_m": 9.0},
}


@pytest.mark.parametrize("which", ["flat", "noisy", "wall"])
def test_a_rejection_lifts_its_body_alone(
    ground: Elevation, first: dict[str, Any], names: dict[str, str], which: str
) -> None:
    tables = screen(ground, [LAWN], fleet(), layers_of(ground, rejected(ground, names, which)))
    assert effects(tables) == ["lifts a hazard from ground of: lawn"]
    (kept,) = tables["corrections"].to_dict("records")
    assert {key: kept[key] for key in SIGNED} == SIGNED
    assert (kept["body"], kept["survey"], kept["number"]) == (names[which], ground.survey.checksum, 1)
    told = tables["zones"].note[tables["zones"].note.str.contains("Freed from a hazard")]
    assert len(told) > 0
    for text in (*SIGNED.values(), names[which]):
        assert told.str.contains(text, regex=False).all()
    left = {*tables["water"].body, *tables["drops"].body}
    assert left == {*names.values()} - {names[which]}


@pytest.mark.parametrize("which", EACH)
def test_what_is_freed_is_what_the_body_alone_refused(tmp_path: Path, which: str) -> None:
    elevation = elevation_of(tmp_path / "one.tif", heights([which]))
    plain = screen(elevation, [LAWN], fleet())
    (body,) = {*plain["water"].body, *plain["drops"].body}
    told = layers_of(elevation, rejected(elevation, {which: body}, which))
    without = answer(elevation, LAWN, fleet())
    lifted = answer(elevation, LAWN, fleet(), told)
    off = answer(elevation, LAWN, fleet(hazards=SWITCHED_OFF[which]))
    assert (lifted.verdict.reasons == off.verdict.reasons).all() and (lifted.verdict.ways == off.verdict.ways).all()
    for machine in ("stand_on", "walk_behind"):
        assert never_more(lifted, without) > 0
        assert (lifted.raw(machine) & ~without.raw(machine))[lifted.inside].sum() > 100
    # The zones say so, just where cells are freed for any machine.
    freed = np.any([lifted.raw(m) & ~without.raw(m) for m in fleet().machines], axis=0) & lifted.inside
    assert lifted.over(freed).note.str.contains("Freed from a hazard").all()


def test_three_rejections_in_one_run(ground: Elevation, names: dict[str, str]) -> None:
    told = [rejected(ground, names, which) for which in PLACES]
    tables = screen(ground, [LAWN], fleet(), layers_of(ground, *told))
    assert effects(tables) == ["lifts a hazard from ground of: lawn"] * 3
    assert len(tables["water"]) == len(tables["drops"]) == len(tables["paths"]) == 0


def test_two_people_reject_one_body(ground: Elevation, names: dict[str, str]) -> None:
    told = [rejected(ground, names, "wall"), rejected(ground, names, "wall", who="T. Ede")]
    tables = screen(ground, [LAWN], fleet(), layers_of(ground, *told))
    assert effects(tables) == ["lifts a hazard from ground of: lawn"] * 2
    notes = " ".join(tables["zones"].note)
    assert "R. Feldmann" in notes and "T. Ede" in notes


def test_behind_a_rejected_body_the_way_goes_on(ground: Elevation, names: dict[str, str]) -> None:
    # A ditch below one end of the wall: who is above it, also across the face, stays refused. Others are freed.
    ditch = Layers(water=Layer.of("water", [box(136, 126, 4, 2)]))
    told = layers_of(ground, rejected(ground, names, "wall"), given=ditch)
    machines = fleet()
    before, after = answer(ground, LAWN, machines, ditch), answer(ground, LAWN, machines, told)
    above_wall = np.zeros(after.grid.shape, bool)
    col = np.arange(after.grid.width) + after.grid.west - WEST
    row = after.grid.north * -1 + NORTH + np.arange(after.grid.height)
    above_wall[np.ix_(row == 115, (col >= 137) & (col < 148))] = True
    assert before.refused("walk_behind", "above_drop")[above_wall].all()
    assert after.refused("walk_behind", "above_water")[above_wall].all()
    assert not after.refused("walk_behind", "above_drop")[above_wall].any()
    freed = np.zeros_like(above_wall)
    freed[np.ix_(row == 115, (col >= 184) & (col < 188))] = True
    assert not before.raw("walk_behind")[freed].any() and after.raw("walk_behind")[freed].all()
    # Where the water reaches all along the wall's foot nothing is freed, and nobody is told otherwise.
    ditch = Layers(water=Layer.of("water", [box(135, 126, 55, 2)]))
    tables = screen(ground, [LAWN], fleet(), layers_of(ground, rejected(ground, names, "wall"), given=ditch))
    assert effects(tables)[0].startswith(NOTHING)
    assert not tables["zones"].note.str.contains("Freed").any()
    assert "above_water" in ",".join(tables["zones"].reasons)


def test_who_is_freed_where_another_is_not(ground: Elevation, names: dict[str, str]) -> None:
    # So wide a stand-off from a wall drawn beside the parcel keeps riders off all of it. The walk-behind is freed.
    wall = said("wall", line((128, 95), (128, 130)))
    machines = fleet(hazards={"stand_off_m": 60.0})
    told = layers_of(ground, wall, *(rejected(ground, names, which) for which in EACH))
    lifted = answer(ground, box(80, 105, 40, 20), machines, told)
    assert (
        lifted.refused("ride_on", "stand_off")[lifted.inside].all() and lifted.raw("walk_behind")[lifted.inside].any()
    )
    tables = screen(ground, [Parcel("lower", box(80, 105, 40, 20))], machines, told)
    assert "lifts a hazard from ground of: lower" in effects(tables)
    assert tables["zones"].note.str.contains("Freed from a hazard").any()


@pytest.mark.parametrize("which", ["flat", "noisy"])
def test_given_water_stays_in_the_place_of_a_rejected_body(
    ground: Elevation, names: dict[str, str], which: str
) -> None:
    col, row = PLACES[which]
    for given in (box(col - 9, row - 9, 18, 18), box(col - 2, row - 2, 5, 5)):
        water = Layers(water=Layer.of("water", [given]))
        drawn = layers_of(ground, said("water", given), rejected(ground, names, which))
        told = layers_of(ground, rejected(ground, names, which), given=water)
        for layers in (told, drawn):
            after = answer(ground, LAWN, fleet(), layers)
            hazards = after.window.hazards
            seen = after.window.surface.grid
            cells = box(col - 1, row - 1, 3, 3)
            r, c = seen.cell_at(cells.centroid.x, cells.centroid.y)
            assert hazards.water[r, c] and hazards.stand_off[r, c]
        assert "given" in set(screen(ground, [LAWN], fleet(), told)["water"].origin)


def test_a_drawn_wall_stays_in_the_place_of_a_rejected_one(ground: Elevation, names: dict[str, str]) -> None:
    told = layers_of(ground, said("wall", line((150, 112), (175, 112))), rejected(ground, names, "wall"))
    drawn = layers_of(ground, said("wall", line((150, 112), (175, 112))))
    after, one = answer(ground, LAWN, fleet(), told), answer(ground, LAWN, fleet(), drawn)
    assert after.window.hazards.drawn.any() and (after.window.hazards.drop >= after.window.hazards.drawn).all()
    assert (one.window.hazards.drawn == after.window.hazards.drawn).all()
    middle = after.refused("walk_behind", "above_drop")[12:18, 80:95]
    assert middle.all()


def void(elevation: Elevation, names: dict[str, str], which: str) -> dict[str, Correction]:
    """Rejections that must have no effect."""
    other = {"flat": "noisy", "noisy": "wall", "wall": "flat"}[which]
    checksum = elevation.survey.checksum
    digits = checksum.partition(":")[2]
    flipped = "sha256:" + digits[:-1] + ("0" if digits[-1] != "0" else "1")
    return {
        "another survey": rejected(elevation, names, which, survey="sha256:" + "0" * 64),
        "nearly this survey": rejected(elevation, names, which, survey=flipped),
        "no body of that name": rejected(elevation, names, which, body=names[which][:-1] + "z"),
        "the other body's name": rejected(elevation, names, which, body=names[other]),
        "drawn elsewhere": rejected(elevation, names, which, geometry=spot((20, 20))),
        "drawn beside it": rejected(elevation, names, which, geometry=spot((PLACES[which][0], PLACES[which][1] + 16))),
    }


@pytest.mark.parametrize("which", ["flat", "noisy", "wall"])
def test_a_rejection_that_does_not_hold_changes_nothing(
    ground: Elevation, first: dict[str, Any], names: dict[str, str], which: str
) -> None:
    for why, one in void(ground, names, which).items():
        tables = screen(ground, [LAWN], fleet(), layers_of(ground, one))
        wanted = "not counted: it was said of another survey" if "survey" in why else NOTHING
        assert effects(tables)[0].startswith(wanted), why
        same(tables, first)


def test_a_millimetre_makes_another_survey(
    tmp_path: Path, ground: Elevation, first: dict[str, Any], names: dict[str, str]
) -> None:
    z = heights()
    z[2, 2] += 0.001  # far from everything
    again = elevation_of(tmp_path / "site.tif", z)
    assert again.survey.checksum != ground.survey.checksum
    plain = screen(again, [LAWN], fleet())
    same(plain, first, but=("body",))
    assert not {*plain["water"].body, *plain["drops"].body} & {*names.values()}
    tables = screen(again, [LAWN], fleet(), layers_of(again, *(rejected(ground, names, which) for which in PLACES)))
    assert effects(tables) == ["not counted: it was said of another survey"] * 3
    same(tables, plain)
    # Even where somebody types the new survey's checksum beside the old names.
    told = [rejected(ground, names, which, survey=again.survey.checksum) for which in PLACES]
    tables = screen(again, [LAWN], fleet(), layers_of(again, *told))
    assert all(effect.startswith(NOTHING) for effect in effects(tables))
    same(tables, plain)


def test_a_body_that_has_grown_is_another(ground: Elevation, names: dict[str, str]) -> None:
    # With a lower height the wall's low ends belong to it too.
    machines = fleet(hazards={"drop_height_m": 0.5, "drop_grade_deg": 30.0})
    plain = screen(ground, [LAWN], machines)
    assert names["wall"] not in set(plain["drops"].body)
    tables = screen(ground, [LAWN], machines, layers_of(ground, rejected(ground, names, "wall")))
    assert effects(tables)[0].startswith(NOTHING)
    same(tables, plain)


# Windows --------------------------------------------------------------------------------------------------------------


def test_neighbours_have_the_answer_of_a_window_each(ground: Elevation, names: dict[str, str]) -> None:
    told = layers_of(ground, *(rejected(ground, names, which) for which in PLACES))
    parcels = [Parcel(f"p{n}{k}", box(75 + 23 * n, 96 + 17 * k, 23, 17)) for n in range(5) for k in range(2)]
    together = screen(ground, parcels, fleet(), told, workers=1)
    parted = screen(ground, parcels, fleet(), told, workers=2)
    same(parted, together)
    assert effects(parted) == effects(together)
    freed = {text.partition(": ")[2] for text in effects(together)}
    assert len(freed) == 3 and "" not in freed
    for parcel in parcels[::3]:
        alone = screen(ground, [parcel], fleet(), told, workers=1)
        own = {name: together[name][together[name].parcel_id == parcel.id].reset_index(drop=True) for name in ANSWER}
        same(own, alone)
        for n, text in enumerate(effects(alone)):
            assert (parcel.id in effects(together)[n]) == (parcel.id in text)


def test_no_window_names_a_piece_as_a_body() -> None:
    # Windows cut at random through ground with walls and ponds: a name is the name in the whole ground, or none.
    random = np.random.default_rng(11)
    settings = HazardSettings()

    def found(z: Array, row: int, col: int) -> tuple[Bodies, ...]:
        grid = Grid(*z.shape, float(col), 500.0 - row, 1.0, 1.0, "any")
        place = Place("sha256:0", row, col)
        z = np.ascontiguousarray(z)
        nothing = given_on(Layers(), grid, place.survey, settings.stand_off_m).hazards
        hazards = find_hazards(z, grid, z, grid, find_steps(z, grid, settings), True, nothing, settings, place)
        return hazards.flat_bodies, hazards.possible_bodies, hazards.drop_bodies

    named = 0
    for seed in range(4):
        z = golden_heights(seed=seed) + random.normal(scale=0.06, size=(250, 262))
        whole = {b.id_of(n) for b in found(z, 0, 0) for n in range(1, int(b.label.max()) + 1)}
        for _ in range(8):
            row, col = (int(v) for v in random.integers(0, 110, 2))
            part = found(z[row : row + 140, col : col + 140], row, col)
            ids = {b.id_of(n) for b in part for n in range(1, int(b.label.max()) + 1)} - {""}
            assert ids <= whole
            named += len(ids)
    assert named > 10


# Dry ground -----------------------------------------------------------------------------------------------------------


def basin() -> Array:
    """A hollow of 8 m radius and 1.2 m depth at column 130, row 125, in a slope of 12 %."""
    row, col = np.mgrid[:ROWS, :COLS].astype(float)
    z = 200.0 - 0.12 * row + 0.003 * np.sin(col / 3.0) * np.cos(row / 4.0)
    away = np.hypot(col - 130.0, row - 125.0)
    rim = 200.0 - 0.12 * 135.0
    return np.where(away < 12.0, np.minimum(z, rim - 1.2 + 1.2 * (away / 12.0) ** 2), z)


def test_a_hollow_is_dry_only_by_a_word_of_this_survey_on_the_whole_floor(tmp_path: Path) -> None:
    elevation = elevation_of(tmp_path / "basin.tif", basin())
    parcel = Parcel("lawn", box(110, 90, 40, 30))
    checksum = elevation.survey.checksum
    all_, half = box(115, 110, 30, 30), box(115, 110, 18, 30)  # the lowest cells lie in the half

    def run(*told: Correction) -> tuple[Answer, dict[str, Any]]:
        layers = layers_of(elevation, *told)
        return answer(elevation, parcel, fleet(), layers), screen(elevation, [parcel], fleet(), layers)

    plain, tables = run()
    assert plain.refused("ride_on", "unknown_basin").sum() > 50
    for one in (said("dry", half, checksum), said("dry", all_, "sha256:" + "1" * 64), said("dry", all_, "")):
        told, after = run(one)
        assert (told.verdict.reasons == plain.verdict.reasons).all()
        same(after, tables)
        assert effects(after) == [
            "counted where it covers the whole floor of a hollow without water"
            if one.survey == checksum
            else "not counted: it was said of another survey"
        ]
    dry, _ = run(said("dry", all_, checksum[: len("sha256:") + 12]))
    assert not dry.refused("ride_on", "unknown_basin").any() and dry.raw("ride_on").sum() > plain.raw("ride_on").sum()
    # A puddle on the floor: nobody's word makes it dry.
    wet, _ = run(said("water", box(129, 124, 2, 2)))
    both, _ = run(said("water", box(129, 124, 2, 2)), said("dry", all_, checksum))
    assert (both.verdict.reasons == wet.verdict.reasons).all() and wet.refused("walk_behind", "above_water").sum() > 50


# Confirmations --------------------------------------------------------------------------------------------------------


def test_a_confirmation_shows_and_changes_nothing_else(
    ground: Elevation, first: dict[str, Any], names: dict[str, str]
) -> None:
    told = [said("confirm", spot(PLACES[which]), body=names[which]) for which in ("noisy", "wall")]
    tables = screen(ground, [LAWN], fleet(), layers_of(ground, *told, said("confirm", spot((1, 1)), body="w-00000000")))
    assert effects(tables) == ["shown as confirmed"] * 2 + ["not found: no body of that name lies near these parcels"]
    for layer in ("water", "drops"):
        for row in tables[layer].itertuples():
            confirmed = row.body in (names["noisy"], names["wall"])
            assert (row.origin == "confirmed on site") == confirmed
    same(tables, first, but=("origin",))


# The command line -----------------------------------------------------------------------------------------------------

FLEET = """\
schema = 1
[runout]
look_m = 60.0
[conditions.dry]
friction = 0.35
limit_factor = 1.0
[machines.mower]
class = "walk-behind"
across_deg = 20.0
up_down_deg = 20.0
width_m = 0.9
speed_kmh = 4.0
above_hazard = false
"""


@pytest.fixture
def site(tmp_path: Path) -> Path:
    write_ground(tmp_path / "site.tif", heights())
    gpd.GeoDataFrame({"name": ["lawn"]}, geometry=[LAWN.geometry], crs=UTM).to_file(tmp_path / "parcels.gpkg")
    (tmp_path / "fleet.toml").write_text(FLEET)
    return tmp_path


def run(site: Path, out: str, *more: str) -> int:
    files = ["--parcels", "parcels.gpkg", "--fleet", "fleet.toml", "--out", out]
    files[1::2] = [str(site / name) for name in files[1::2]]
    return main(["screen", str(site / "site.tif"), *files, "--id-column", "name", "--quiet", *more])


def draw(path: Path, layer: str, shape: shapely.Geometry, crs: str = UTM, **texts: object) -> None:
    frame = gpd.GeoDataFrame({name: [text] for name, text in texts.items()}, geometry=[shape], crs=crs)
    pyogrio.write_dataframe(
        frame, path, layer=layer, driver="GPKG", append=True, promote_to_multi="points" not in layer
    )


def template(site: Path, name: str = "field.gpkg") -> tuple[Path, str]:
    """A new file for the survey, and the checksum that its columns carry by default."""
    path = site / name
    assert main(["corrections", "new", str(path), "--for", str(site / "site.tif")]) == 0
    with contextlib.closing(sqlite3.connect(path)) as db:
        columns = {row[1]: row[4] for row in db.execute("PRAGMA table_info(corrections_points)")}
    return path, str(columns["survey"]).strip("'")


def test_from_a_template_to_the_zones(site: Path) -> None:
    assert run(site, "first.gpkg") == 0
    water = gpd.read_file(site / "first.gpkg", layer="water")
    body = water.body[water.origin == "possible water"].iloc[0]
    path, survey = template(site)
    draw(path, "corrections_points", spot(NOISY_AT), what="reject", body=body, survey=survey, **SIGNED)
    draw(path, "corrections_areas", box(180, 100, 5, 5), what="no-go")
    draw(path, "corrections_lines", line((80, 120), (90, 120)), what="wall", height=1.1)
    assert run(site, "second.gpkg", "--corrections", str(path)) == 0
    told = gpd.read_file(site / "second.gpkg", layer="corrections").set_index("what")
    assert told.effect["reject"] == "lifts a hazard from ground of: lawn"
    assert [str(told[key]["reject"])[:33] for key in SIGNED] == list(SIGNED.values())
    assert set(told.effect[["no-go", "wall"]]) == {"counted: it only refuses more"}
    zones = gpd.read_file(site / "second.gpkg", layer="zones")
    assert zones.note.str.contains("rejected " + body).any() and zones.reasons.fillna("").str.contains("no_go").any()
    assert body not in set(gpd.read_file(site / "second.gpkg", layer="water").body)
    notes = pyogrio.read_dataframe(site / "second.gpkg", layer="run_notes", read_geometry=False)
    assert notes.value[notes.name == "corrections"].str.startswith("field.gpkg (sha256:").all()


@pytest.mark.parametrize(
    ("texts", "told"),
    [
        ({"why": None}, "has nothing in 'why', and a rejection needs"),
        ({"who": " "}, "has nothing in 'who', and a rejection needs"),
        ({"when": None}, "has nothing in 'when', and a rejection needs"),
        ({"survey": "the one of 2019"}, "names the survey 'the one of 2019', which is not a checksum"),
        ({"what": "reject it"}, "says what = 'reject it', which is not known"),
    ],
)
def test_a_rejection_that_lacks_something_stops_the_run(
    site: Path, capsys: pytest.CaptureFixture[str], texts: dict[str, Any], told: str
) -> None:
    path, survey = template(site)
    full = {"what": "reject", "body": "w-3f9a01c2", "survey": survey, **SIGNED}
    draw(path, "corrections_points", spot(NOISY_AT), **full)
    draw(path, "corrections_points", spot(NOISY_AT), **{**full, **texts})
    before = sorted(site.iterdir())
    capsys.readouterr()
    assert run(site, "out.gpkg", "--corrections", str(path), "--rasters", str(site / "rasters")) == 2
    out, err = capsys.readouterr()
    assert out == "" and "feature 2 (fid 2)" in err and told in err
    assert sorted(site.iterdir()) == before


def test_a_body_both_confirmed_and_rejected_stops_the_run(site: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path, survey = template(site)
    full = {"body": "w-3f9a01c2", "survey": survey, **SIGNED}
    draw(path, "corrections_points", spot(NOISY_AT), what="reject", **full)
    draw(path, "corrections_areas", box(120, 140, 9, 9), what="confirm", **full)
    capsys.readouterr()
    assert run(site, "out.gpkg", "--corrections", str(path)) == 2
    out, err = capsys.readouterr()
    assert out == "" and "confirms 'w-3f9a01c2' and" in err and not (site / "out.gpkg").exists()


def test_the_result_never_replaces_the_corrections(site: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path, _ = template(site)
    draw(path, "corrections_areas", box(180, 100, 5, 5), what="no-go")
    before = path.read_bytes()
    assert run(site, "field.gpkg", "--corrections", str(path)) == 2
    assert "would replace a file that it is made from" in capsys.readouterr().err and path.read_bytes() == before
