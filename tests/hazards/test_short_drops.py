"""Drops that are too short to count for the ground above: boulders, stumps, shrubs left in a survey.

Lengths are checked against distances worked out by hand; the least length of 3 m is common practice, no source. What a
drop keeps whatever its length is the stand-off of 5 ft (OSHA, Dangers of Roll-Overs of Riding Mowers).
"""

import math
from pathlib import Path

import numpy as np
import pytest
import shapely
from ground_maker import SHORT_LOOK, Answer, answer, box, elevation_of, fleet_of
from numpy.typing import NDArray

from slopekit.grid import Grid, Window
from slopekit.hazards.bodies import Bodies, Place
from slopekit.hazards.edges import FULL, context_m
from slopekit.hazards.find import Hazards, find_hazards, find_steps
from slopekit.hazards.pieces import Pieces, pieces_of, short_drops
from slopekit.hazards.settings import HazardSettings
from slopekit.screening.given import given_on
from slopekit.sources.elevation import open_elevation
from slopekit.sources.layers import Layer, Layers
from slopekit.terrain.settings import TerrainSettings
from slopekit.terrain.surface import surface

pytestmark = pytest.mark.reference

Bool = NDArray[np.bool_]
GROUND = Path(__file__).parents[1] / "data" / "ground"
PLACE = Place("sha256:0", 0, 0)


def crest_of(*cells: tuple[int, int], side: int = 20) -> Bool:
    out = np.zeros((side, side), bool)
    for cell in cells:
        out[cell] = True
    return out


def measured(crest: Bool, missing: Bool | None = None, dx: float = 1.0, dy: float = 1.0, near: float = 0.0) -> Pieces:
    missing = np.zeros(crest.shape, bool) if missing is None else missing
    return pieces_of(crest, np.where(crest, 1.0, np.nan), missing, dx, dy, near, 0.9)


def short(crest: Bool, **more: object) -> tuple[bool, bool]:
    """Whether a crest that is a drop by itself is short, and whether a wider window may tell otherwise."""
    body = Bodies("d", np.where(crest, 1, 0).astype(np.int32), PLACE)
    one, other = short_drops(body, crest, measured(crest, **more), 3.0)  # type: ignore[arg-type]
    return bool(one[crest].all()), bool(other[crest].all())


def test_pieces_with_gaps_of_three_metres_are_one() -> None:
    # Cells of 1 m in one row: from column 4 to column 8 there are three empty cells, 3 m.
    assert measured(crest_of((9, 4), (9, 8))).label.max() == 1
    assert measured(crest_of((9, 4), (9, 9))).label.max() == 2
    # Across a corner the gap runs from corner to corner: 2 and 2 cells are 2.83 m, 2 and 3 are 3.61 m.
    assert measured(crest_of((4, 4), (7, 7))).label.max() == 1
    assert measured(crest_of((4, 4), (7, 8))).label.max() == 2
    # The same on cells of 2 m by 1 m.
    assert measured(crest_of((9, 4), (9, 6)), dx=2.0).label.max() == 1
    assert measured(crest_of((9, 4), (9, 7)), dx=2.0).label.max() == 2
    assert measured(crest_of((4, 9), (8, 9)), dx=2.0).label.max() == 1


def test_length_is_from_end_to_end() -> None:
    assert measured(crest_of((9, 9))).length_m[1] == 1.0
    assert measured(crest_of((9, 9), (9, 10))).length_m[1] == 2.0
    # A right angle with legs of 4 and 3 steps: the hypotenuse of Pythagoras, and the two halves of the end cells.
    corner = [(5, c) for c in range(5, 10)] + [(r, 5) for r in range(5, 9)]
    assert measured(crest_of(*corner)).length_m[1] == pytest.approx(5.0 + 1.0)
    # Two pieces of one wall: the gap counts.
    assert measured(crest_of((9, 4), (9, 8))).length_m[1] == 5.0
    # A ring is as long as it is wide.
    ring = [(8, 9), (9, 8), (9, 10), (10, 9)]
    assert measured(crest_of(*ring)).length_m[1] == pytest.approx(3.0)


def test_what_touches_missing_ground_is_not_short_and_the_border_leaves_it_open() -> None:
    two = crest_of((9, 9), (9, 10))
    assert short(two) == (True, False)
    missing = np.zeros(two.shape, bool)
    missing[8, 8] = True
    assert short(two, missing=missing) == (False, False)
    missing = np.roll(missing, -2, axis=1)
    assert short(two, missing=missing) == (True, False)
    # Three cells to the border: beyond it another piece may begin.
    assert short(crest_of((9, 3))) == (False, True)
    assert short(crest_of((9, 4))) == (True, False)
    assert short(crest_of((9, 6)), near=2.0) == (True, False)
    assert short(crest_of((9, 5)), near=2.0) == (False, True)
    # A long one is long there too.
    assert short(crest_of(*((9, c) for c in range(3, 7)))) == (False, False)


def test_pieces_are_the_same_however_the_grid_is_turned() -> None:
    random = np.random.default_rng(5)
    crest = random.random((60, 40)) < 0.02
    first = measured(crest, dx=1.0, dy=1.5)
    key = sorted(first.length_m[1:].round(9))
    assert len(key) > 5 and key[0] < 3.0 < key[-1]
    for turns in range(4):
        for flip in (False, True):
            turned = np.rot90(crest, turns)
            turned = turned[:, ::-1] if flip else turned
            dx, dy = (1.0, 1.5) if turns % 2 == 0 else (1.5, 1.0)
            assert sorted(measured(turned, dx=dx, dy=dy).length_m[1:].round(9)) == key


# One hectare or so of lawn: 1:10 down to the south, a level foot where a run stops, cells of 1 m.
SIZE = 240
TOP = 120


def lawn() -> NDArray[np.float64]:
    rows = np.arange(SIZE, dtype=float)[:, None] + np.zeros(SIZE)
    return 50.0 - 0.3 * np.minimum(rows, TOP + 12.0) - 0.02 * np.maximum(rows - TOP - 12.0, 0.0)


def with_step(width: int, fall: float = 1.0) -> NDArray[np.float64]:
    """A hole cut into the lawn: its head is a step as wide as the hole, whose floor comes out to daylight below."""
    z = lawn()
    first = 120 - width // 2
    here = (slice(TOP, TOP + 5), slice(first, first + width))
    z[here] = np.minimum(z[here], z[TOP - 1, 0] - fall)
    return z


FLEET = {
    length: fleet_of((20.0, 20.0, 20.0, 30.0), settings={**SHORT_LOOK, "hazards": {"drop_length_m": length}})
    for length in (0.0, 3.0)
}


def asked(folder: Path, z: NDArray[np.float64], length: float = 3.0, layers: Layers | None = None) -> Answer:
    return answer(elevation_of(folder / "z.tif", z), box(100, 90, 40, 40), FLEET[length], layers)


def at(found: Answer, row: int, col: int) -> tuple[int, int]:
    """The cell of the answer's grid for a cell of the made ground."""
    x, y = 500_000.0 + col + 0.5, 4_100_000.0 - row - 0.5
    return found.grid.cell_at(x, y)


def test_a_boulder_keeps_its_stand_off_and_its_face(tmp_path: Path) -> None:
    z = lawn()
    z[TOP : TOP + 2, 119:121] += 1.2  # two metres each way
    found = asked(tmp_path, z)
    (drop,) = found.records["drops"]
    assert drop["height_m"] >= 1.2 and drop["length_m"] < 3.0
    assert drop["length_m"] == pytest.approx(math.sqrt(2.0) + 1.0)
    top = at(found, TOP + 1, 119)
    assert found.refused("walk_behind", "above_drop")[top] and found.refused("ride_on", "above_drop")[top]
    assert found.refused("ride_on", "stand_off")[top]
    told = [zone["note"] for zone in found.records["zones"] if "short drop lies here" in zone["note"]]
    assert told and all("boulder" in note and "look on site" in note for note in told)
    assert not any("short drop" in zone["note"] for zone in asked(tmp_path, lawn()).records["zones"])


def test_ground_above_a_short_step_is_not_refused_for_it(tmp_path: Path) -> None:
    z = with_step(2)
    short_, all_count = asked(tmp_path, z), asked(tmp_path, z, length=0.0)
    above = at(short_, TOP - 12, 120)
    for machine in ("walk_behind", "ride_on"):
        assert all_count.refused(machine, "above_drop")[above]
        assert not short_.refused(machine, "above_drop")[above]
        assert short_.refused(machine, "above_drop")[at(short_, TOP - 1, 120)]  # the edge itself
    assert short_.refused("ride_on", "stand_off")[at(short_, TOP - 2, 120)]
    assert (short_.refused("ride_on", "stand_off") == all_count.refused("ride_on", "stand_off")).all()
    assert short_.records["drops"] and all(drop["length_m"] < 3.0 for drop in short_.records["drops"])
    # Nobody is refused more than where every drop counts.
    assert not ((short_.verdict.reasons != 0) & (all_count.verdict.reasons == 0)).any()


def test_a_wall_of_four_metres_counts(tmp_path: Path) -> None:
    found = asked(tmp_path, with_step(4))
    assert max(d["length_m"] for d in found.records["drops"]) >= 3.5
    assert found.refused("walk_behind", "above_drop")[at(found, TOP - 12, 120)]
    assert not any("short drop lies here" in z["note"] for z in found.records["zones"])


def test_a_wall_of_three_and_a_half_metres_counts_on_finer_cells(tmp_path: Path) -> None:
    # Cells of half a metre: 7 of them, and 3 with a corner at each end.
    for cells, counts in ((7, True), (3, False)):
        z = np.kron(lawn(), np.ones((2, 2)))
        rows = np.arange(2 * SIZE) / 2.0
        z[:] = np.interp(rows, np.arange(SIZE) + 0.25, lawn()[:, 0])[:, None]
        here = (slice(2 * TOP, 2 * TOP + 8), slice(240 - cells // 2, 240 - cells // 2 + cells))
        z[here] = np.minimum(z[here], z[2 * TOP - 1, 0] - 1.0)
        found = find_at(z, 0.5)
        assert found.drop.any() and bool((found.drop & ~found.short).any()) == counts


def test_a_drawn_line_always_counts(tmp_path: Path) -> None:
    x, y = 500_000.0 + 120.0, 4_100_000.0 - TOP
    layers = Layers(walls=Layer.of("walls", [shapely.LineString([(x - 1.0, y), (x + 1.0, y)])]))
    found = asked(tmp_path, with_step(2), layers=layers)
    assert found.refused("walk_behind", "above_drop")[at(found, TOP - 12, 120)]


def find_at(z: NDArray[np.float64], cell: float = 1.0) -> Hazards:
    grid = Grid(z.shape[0], z.shape[1], 0.0, 0.0, cell, cell, "")
    settings = HazardSettings()
    nothing = given_on(Layers(), grid, PLACE.survey, settings.stand_off_m).hazards
    return find_hazards(z, grid, z, grid, find_steps(z, grid, settings), False, nothing, settings, PLACE)


@pytest.mark.parametrize(
    ("name", "least", "most"),
    [("village_scarp_1m", 250, 380), ("embankment_2m", 150, 320), ("farmland_channel_1m", 1, 8)],
)
def test_short_ones_on_real_ground_and_no_listed_height_is_far_under_the_least(
    name: str, least: int, most: int
) -> None:
    elevation = open_elevation([GROUND / f"{name}.tif"])
    patch = elevation.read(elevation.survey.grid.bounds)
    top = surface(patch.z, patch.grid, elevation.survey.block, TerrainSettings())
    settings = HazardSettings()
    steps = find_steps(patch.z, patch.grid, settings)
    nothing = given_on(Layers(), top.grid, PLACE.survey, settings.stand_off_m).hazards
    found = find_hazards(patch.z, patch.grid, top.z, top.grid, steps, False, nothing, settings, PLACE)
    number = np.unique(found.drop_bodies.label[found.short])
    print(f"{name}: {number.size} of {found.drop_bodies.label.max()} drops are short")
    assert least <= number.size <= most
    # Some crests are lower, as parts of a wall that shows its height elsewhere.
    assert np.nanmin(found.height) < FULL * settings.drop_height_m
    assert found.pieces.height_m[1:].min() >= FULL * settings.drop_height_m


def test_a_wider_window_never_makes_a_short_drop_long_or_a_long_one_short() -> None:
    elevation = open_elevation([GROUND / "village_scarp_1m.tif"])
    z = elevation.read(elevation.survey.grid.bounds).z
    wide = find_at(z)
    rim = math.ceil(context_m(1.0))
    checked = 0
    for row, col in ((100, 100), (400, 250), (550, 600)):
        at = (slice(row, row + 300), slice(col, col + 300))
        near = find_at(z[at])
        inner = Window(rim, rim, 300 - 2 * rim, 300 - 2 * rim).slices
        settled = (near.drop & ~near.open_bodies)[inner]
        assert (near.short[inner][settled] == wide.short[at][inner][settled]).all()
        checked += int(near.short[inner][settled].sum())
        # What is open lies at the border, and is not short meanwhile.
        assert not (near.short & near.open_bodies).any()
    assert checked > 50
