"""The fan of paths down against lists of every path, closed forms, the shares of one way, and turned grids.

Every expected value is made here, in plain Python or by arithmetic; the steepest direction follows Tarboton (1997),
formulas 1 to 5. That a machine may swerve up to 45 degrees is common practice, no source.
"""

import math
from collections.abc import Iterator
from itertools import pairwise

import numpy as np
import pytest
from scipy import ndimage
from turns import ALL, sides, turned

from slopekit.errors import InputError
from slopekit.kernels.descent import (
    CUT,
    DROP,
    DRY_FLOOR,
    FLOOR,
    HAZARD,
    LENGTH,
    LONGEST,
    MISSING,
    PLAIN,
    TO_DROP,
    TO_HAZARD,
    TO_WATER,
    WATER,
    outcomes,
)  # fmt: skip
from slopekit.kernels.fan import exposed, reached
from slopekit.kernels.flood import fill
from slopekit.kernels.order import ascending

Cell = tuple[int, int]
HAZARDS = (WATER, DROP, HAZARD)
AROUND = [(a, b) for a in (-1, 0, 1) for b in (-1, 0, 1) if (a, b) != (0, 0)]
DIAGONALS = [(a, b) for a, b in AROUND if a and b]
NO_FRICTION = np.zeros(0)


def bearing(step: Cell, dx: float, dy: float) -> float:
    """Degrees from the columns' direction towards rows downward."""
    return math.degrees(math.atan2(step[0] * dy, step[1] * dx))


def apart(a: float, b: float) -> float:
    return abs((a - b + 180.0) % 360.0 - 180.0)


def steepest(w: np.ndarray, c: Cell, dx: float, dy: float) -> list[tuple[float, list[Cell]]]:
    """Steepest directions (degrees) of cell c with the one or two steps that each lies between."""
    ways = []
    for diagonal in DIAGONALS:
        for cardinal in ((diagonal[0], 0), (0, diagonal[1])):
            d1, d2 = (dx, dy) if cardinal[0] == 0 else (dy, dx)
            e0, e1, e2 = (w[c[0] + a, c[1] + b] for a, b in ((0, 0), cardinal, diagonal))
            s1, s2 = (e0 - e1) / d1, (e1 - e2) / d2
            r, slope, between = math.atan2(s2, s1), math.hypot(s1, s2), [cardinal, diagonal]
            if r <= 0.0:
                r, slope, between = 0.0, s1, [cardinal]
            elif r >= math.atan2(d2, d1):
                r, slope, between = math.atan2(d2, d1), (e0 - e2) / math.hypot(d1, d2), [diagonal]
            if slope > 0.0:
                from_cardinal, to_diagonal = bearing(cardinal, dx, dy), bearing(diagonal, dx, dy)
                turn = (to_diagonal - from_cardinal + 180.0) % 360.0 - 180.0
                ways.append((slope, from_cardinal + math.copysign(math.degrees(r), turn), between))
    most = max((slope for slope, _, _ in ways), default=0.0)
    return [(direction, between) for slope, direction, between in ways if slope >= most * (1.0 - 1e-12)]


class ByHand:
    """Every path from every cell, written out."""

    def __init__(self, w, kind, gentle, dx, dy, landing, half_angle) -> None:  # type: ignore[no-untyped-def]
        self.w, self.kind, self.gentle, self.dx, self.dy, self.landing = w, kind, gentle, dx, dy, landing
        self.next = {c: self.fan(c, half_angle) for c in np.ndindex(w.shape) if kind[c] in (PLAIN, DRY_FLOOR)}
        self.lands = {
            c: bool(gentle[c]) and self.least_gentle_run(c) >= landing for c, ahead in self.next.items() if ahead
        }

    def fan(self, c: Cell, half_angle: float) -> list[Cell]:
        if math.isnan(self.w[c]):
            return []
        steps = set()
        for direction, between in steepest(self.w, c, self.dx, self.dy):
            steps |= set(between)
            steps |= {s for s in AROUND if apart(bearing(s, self.dx, self.dy), direction) <= half_angle + 1e-7}
        there = [(c[0] + a, c[1] + b) for a, b in steps]
        return [n for n in there if self.w[n] < self.w[c]]

    def step(self, a: Cell, b: Cell) -> float:
        return math.hypot((a[0] - b[0]) * self.dy, (a[1] - b[1]) * self.dx)

    def metres(self, path: list[Cell]) -> float:
        return sum(self.step(a, b) for a, b in pairwise(path))

    def paths(self, c: Cell, stop_at_landings: bool) -> Iterator[list[Cell]]:
        ahead = self.next.get(c, [])
        if not ahead or (stop_at_landings and self.lands[c]):
            yield [c]
            return
        for n in ahead:
            for rest in self.paths(n, stop_at_landings):
                yield [c, *rest]

    def least_gentle_run(self, c: Cell) -> float:
        """Over all paths from c, the least length up to the first cell that is not gentle or has no way on."""
        runs = []
        for path in self.paths(c, stop_at_landings=False):
            ends = [m for m, n in enumerate(path) if not self.gentle[n] or not self.next.get(n)]
            runs.append(self.metres(path[: ends[0] + 1]))
        return min(runs)

    def answer(self, c: Cell) -> tuple[float, float, int, list[tuple[float, int]]]:
        """Least length to a hazard, longest path (m), number of paths; elevation and kind of the nearest hazards."""
        near, far, count = math.inf, 0.0, 0
        ends: list[tuple[float, float, int]] = []
        for path in self.paths(c, stop_at_landings=True):
            length = self.metres(path)
            far = max(far, math.inf if self.kind[path[-1]] == CUT else length)
            if self.kind[path[-1]] in HAZARDS:
                ends.append((length, self.w[path[-1]], int(self.kind[path[-1]])))
                near = min(near, length)
            count += 1
        return near, far, count, [(z, kind) for length, z, kind in ends if length <= near + 1e-9]


def scene(rng: np.random.Generator, rows: int, cols: int, step: float, hazards: float):  # type: ignore[no-untyped-def]
    """Rough sloping ground with every kind of cell: surface, kind, gentle. step: rounding (m), 0 for none."""
    i, j = np.mgrid[0:rows, 0:cols]
    z = ndimage.gaussian_filter(rng.normal(size=i.shape), 1.0) - rng.uniform(0, 0.3) * i - rng.uniform(-0.2, 0.2) * j
    z = np.round(z / step) * step if step else z
    odds = [1.0 - 3 * hazards - 0.03, hazards, hazards, hazards, 0.01, 0.01, 0.01]
    kind = rng.choice([PLAIN, WATER, DROP, HAZARD, FLOOR, DRY_FLOOR, MISSING], i.shape, p=odds).astype(np.uint8)
    edge = np.ones(i.shape, bool)
    edge[1:-1, 1:-1] = False
    kind[edge] = rng.choice([CUT, MISSING, WATER], edge.sum(), p=[0.4, 0.4, 0.2])
    gentle = ndimage.gaussian_filter(rng.normal(size=i.shape), 1.2) > 0.0
    return z, kind, gentle.astype(np.uint8)


@pytest.mark.parametrize(
    ("half_angle", "step", "dx", "dy", "landing", "max_run"),
    [
        (45.0, 0.0, 1.0, 1.0, 2.5, 150.0),
        (45.0, 0.25, 1.0, 1.0, 2.0, 150.0),
        (45.0, 0.25, 1.0, 1.0, 2.5, 4.0),
        (60.0, 0.0, 0.7, 1.1, 1.5, 150.0),
        (90.0, 0.0, 1.0, 1.0, 2.5, 150.0),
        (90.0, 0.25, 2.0, 1.0, 4.0, 6.0),
        (0.0, 0.0, 1.0, 1.0, 2.0, 5.0),
    ],
)
def test_against_every_path_written_out(  # type: ignore[no-untyped-def]
    half_angle, step, dx, dy, landing, max_run
) -> None:
    rng = np.random.default_rng(int(1000 * dx + 10 * half_angle + 100 * step + max_run))
    cells = paths = above = landed = endless = alone = 0
    for _ in range(30):
        w, kind, gentle = scene(rng, 8, 9, step, 0.02)
        got = exposed(w, kind, gentle, dx, dy, landing, max_run, half_angle)
        by_hand = ByHand(w, kind, gentle, dx, dy, landing, half_angle)
        for c in np.ndindex(w.shape):
            near, far, count, nearest = by_hand.answer(c)
            near, far = (math.inf if value > max_run + 1e-6 else value for value in (near, far))
            assert got.length[c] == pytest.approx(near, abs=1e-9), c
            assert got.longest[c] == pytest.approx(far, abs=1e-9), c
            assert got.exposed[c] == math.isfinite(near), c
            if math.isfinite(near):
                # The lowest of those that are equally near; sums of steps may differ in the last digit.
                assert (got.hazard_z[c], got.kind[c]) in nearest, c
                alone += len(nearest) == 1
            else:
                assert math.isnan(got.hazard_z[c]), c
            cells, paths = cells + 1, paths + count
            above += kind[c] == PLAIN and math.isfinite(near)
            endless += math.isinf(far)
        landed += sum(by_hand.lands.values())
    assert cells == 30 * 8 * 9
    assert paths > cells and above > 100 and landed > 25 and endless > 50 and alone > 200


def shares_and_fan(rng, half_angle, max_run, step=0.0, dx=1.0, dy=1.0, hazards=0.003):  # type: ignore[no-untyped-def]
    z, kind, gentle = scene(rng, 70, 80, step, hazards)
    seed = np.where(np.isin(kind, (PLAIN, DRY_FLOOR)), 0, 1).astype(np.uint8)
    w, _, _ = fill(z, seed, ascending(z))
    state = outcomes(w, kind, gentle, NO_FRICTION, dx, dy, 3.0, max_run).reshape(*w.shape, -1)
    return state, exposed(w, kind, gentle, dx, dy, 3.0, max_run, half_angle)


@pytest.mark.parametrize("half_angle", [0.0, 10.0, 45.0, 67.5, 90.0])
@pytest.mark.parametrize(
    ("step", "dx", "dy", "max_run"), [(0, 1, 1, 150), (0.2, 1, 1, 150), (0.2, 1, 1, 8), (0, 2, 1, 9)]
)
def test_never_less_careful_than_shares(  # type: ignore[no-untyped-def]
    half_angle, step, dx, dy, max_run
) -> None:
    rng = np.random.default_rng(7)
    by_shares = more = 0
    for _ in range(6):
        state, fan = shares_and_fan(rng, half_angle, max_run, step, float(dx), float(dy))
        above = state[..., [TO_WATER, TO_DROP, TO_HAZARD]].sum(axis=2) > 0.0
        assert not (above & ~fan.exposed).any()
        assert (fan.length[above] <= state[..., LENGTH][above]).all()
        by_shares += above.sum()
        more += (fan.exposed & ~above).sum()
    assert by_shares > 2000
    assert more > 400 or half_angle < 45.0


@pytest.mark.parametrize("max_run", [150.0, 8.0])
def test_without_an_angle_it_is_the_way_of_the_shares(max_run: float) -> None:
    state, fan = shares_and_fan(np.random.default_rng(3), 0.0, max_run)
    np.testing.assert_array_equal(fan.length, np.where(state[..., :3].sum(axis=2) > 0.0, state[..., LENGTH], np.inf))
    np.testing.assert_array_equal(np.isinf(fan.longest), np.isinf(state[..., LONGEST]))
    assert np.isfinite(fan.length).sum() > 400


def test_a_wider_fan_finds_no_less() -> None:
    before = 0
    for half_angle in (0.0, 30.0, 45.0, 60.0, 75.0, 90.0):
        _, fan = shares_and_fan(np.random.default_rng(9), half_angle, 40.0)
        assert fan.exposed.sum() > before or half_angle == 30.0
        before = fan.exposed.sum()


@pytest.mark.parametrize("half_angle", [30.0, 45.0, 67.5, 90.0])
@pytest.mark.parametrize("azimuth", range(0, 360, 15))
def test_wedge_above_one_cell_of_water_on_a_plane(azimuth: int, half_angle: float) -> None:
    # On a plane every cell has the same fan, so what can reach one cell is the wedge between the outermost steps that
    # lie within the half angle, and the length is the eight-way distance: arithmetic.
    size, middle = 31, 15
    i, j = np.mgrid[0:size, 0:size]
    a = math.radians(azimuth + 0.5)  # between the directions of steps, whose ties hang on rounding
    w = -0.3 * (j * math.cos(a) + i * math.sin(a))
    kind = np.full(w.shape, MISSING, np.uint8)
    kind[1:-1, 1:-1] = PLAIN
    kind[middle, middle] = WATER
    got = exposed(w, kind, np.zeros(w.shape, np.uint8), 1.0, 1.0, 6.0, 1e3, half_angle)
    down = azimuth + 0.5
    lower, upper = 45 * math.floor(down / 45), 45 * math.ceil(down / 45)
    sector = [b for b in range(lower - 90, upper + 91, 45) if lower <= b <= upper or abs(b - down) <= half_angle]
    there = np.degrees(np.arctan2(middle - i, middle - j))
    off = (there - min(sector)) % 360.0
    expected = (off <= max(sector) - min(sector) + 1e-9) | (off >= 360.0 - 1e-9)
    expected[middle, middle] = True
    # Cells whose path down leads outside end there; the wedge itself never leaves the grid.
    expected &= kind != MISSING
    np.testing.assert_array_equal(got.exposed, expected)
    far, near = np.maximum(abs(i - middle), abs(j - middle)), np.minimum(abs(i - middle), abs(j - middle))
    np.testing.assert_allclose(got.length[expected], (far + (math.sqrt(2.0) - 1.0) * near)[expected], atol=1e-9)
    assert expected.sum() > 80


def test_water_beside_the_straight_way() -> None:
    # A plane down the rows: from column 10 the steepest way passes the water in column 11 at one cell's distance.
    w = np.repeat((50.0 - 0.4 * np.arange(30))[:, None], 21, axis=1)
    kind = np.full(w.shape, MISSING, np.uint8)
    kind[1:-1, 1:-1] = PLAIN
    kind[25, 11] = WATER
    nowhere = np.zeros(w.shape, np.uint8)
    state = outcomes(w, kind, nowhere, NO_FRICTION, 1.0, 1.0, 6.0, 150.0).reshape(*w.shape, -1)
    assert not state[5:25, 10, TO_WATER].any()
    assert (state[5:25, 11, TO_WATER] == 1.0).all()
    wide, narrow = (exposed(w, kind, nowhere, 1.0, 1.0, 6.0, 150.0, angle) for angle in (45.0, 44.0))
    assert wide.exposed[5:25, 10].all() and not narrow.exposed[5:25, 10].any()
    assert wide.length[24, 10] == pytest.approx(math.sqrt(2.0))
    assert wide.length[20, 10] == pytest.approx(4.0 + math.sqrt(2.0))


def test_a_ridge_that_leads_past_the_water() -> None:
    # A rounded ridge down the rows: along its crest the steepest way stays on it, while a machine slides off its side.
    i, j = np.mgrid[0:40, 0:31]
    w = 60.0 - 0.4 * i - 0.02 * np.abs(j - 15)
    kind = np.full(w.shape, MISSING, np.uint8)
    kind[1:-1, 1:-1] = PLAIN
    kind[30:33, 16:20] = WATER
    nowhere = np.zeros(w.shape, np.uint8)
    state = outcomes(w, kind, nowhere, NO_FRICTION, 1.0, 1.0, 6.0, 150.0).reshape(*w.shape, -1)
    assert not state[5:30, 14, :3].any()
    fan = exposed(w, kind, nowhere, 1.0, 1.0, 6.0, 150.0)
    assert fan.exposed[5:30, 15].all()
    assert not fan.exposed[5:30, 14].any()  # on the far side the ridge is higher than the ground beside it


def test_a_landing_must_stop_every_way_of_the_fan() -> None:
    # 1 in 3 ground, a bench of 9 rows at 1 in 100, 1 in 3 again. A chute is cut into the bench at column 20.
    fall = np.full(50, 1.0 / 3.0)
    fall[20:29] = 0.01
    w = np.repeat((100.0 - np.concatenate([[0.0], np.cumsum(fall[:-1])]))[:, None], 41, axis=1)
    gentle = np.zeros(w.shape, np.uint8)
    gentle[20:29] = 1
    gentle[20:29, 20] = 0
    kind = np.full(w.shape, MISSING, np.uint8)
    kind[1:-1, 1:-1] = PLAIN
    kind[46, 1:-1] = WATER
    fan = exposed(w, kind, gentle, 1.0, 1.0, 6.0, 150.0)
    state = outcomes(w, kind, gentle, NO_FRICTION, 1.0, 1.0, 6.0, 150.0).reshape(*w.shape, -1)
    assert not state[5:20, 17, :3].any() and fan.exposed[5:20, 17].all()
    assert not fan.exposed[19, 28]  # eight columns off: no way of the fan comes to the chute within the bench
    assert fan.exposed[30:46, 28].all()
    whole = gentle.copy()
    whole[20:29, 20] = 1
    # Nearer to the sides the bench's ways lead out of the ground that is known.
    assert not exposed(w, kind, whole, 1.0, 1.0, 6.0, 150.0).exposed[14:20, 14:27].any()


@pytest.mark.parametrize("kind_below", [PLAIN, WATER, DROP, HAZARD, MISSING, FLOOR, DRY_FLOOR, CUT])
def test_what_ends_a_path(kind_below: int) -> None:
    # One row of some kind across the slope, water below it.
    w = np.repeat((50.0 - 0.4 * np.arange(20))[:, None], 9, axis=1)
    kind = np.full(w.shape, MISSING, np.uint8)
    kind[1:-1, 1:-1] = PLAIN
    kind[10, 1:-1], kind[15, 1:-1] = kind_below, WATER
    fan = exposed(w, kind, np.zeros(w.shape, np.uint8), 1.0, 1.0, 6.0, 150.0)
    assert fan.exposed[5, 4] == (kind_below not in (FLOOR, MISSING, CUT))
    assert fan.exposed[11:15, 4].all()
    assert np.isinf(fan.longest[5, 4]) == (kind_below == CUT)


def test_longest_run() -> None:
    w = np.repeat((100.0 - 0.3 * np.arange(60))[:, None], 9, axis=1)
    kind = np.full(w.shape, MISSING, np.uint8)
    kind[1:-1, 1:-1] = PLAIN
    kind[58, 1:-1] = WATER
    fan = exposed(w, kind, np.zeros(w.shape, np.uint8), 1.0, 1.0, 6.0, 20.0)
    length = np.arange(57, 0, -1)
    np.testing.assert_array_equal(fan.exposed[1:58, 4], length <= 20)
    np.testing.assert_array_equal(fan.length[1:58, 4], np.where(length <= 20, length, np.inf))
    # The longest path goes diagonally all the way: 14 steps are within 20 m, 15 are not.
    np.testing.assert_array_equal(np.isinf(fan.longest[1:58, 4]), length > 14)


@pytest.mark.parametrize(
    ("dx", "dy", "max_run"), [(1.0, 1.0, 150.0), (1.0, 1.0, 12.0), (2.0, 1.0, 30.0), (0.3, 0.7, 9.0)]
)
@pytest.mark.parametrize("half_angle", [45.0, 63.0])
def test_the_same_in_all_eight_ways(dx: float, dy: float, max_run: float, half_angle: float) -> None:
    # Ground rounded to 0.2 m, so that ties abound; filled, and lengths compared to the last bit.
    z, kind, gentle = scene(np.random.default_rng(13), 70, 90, 0.2, 0.004)
    w, _, _ = fill(z, np.where(kind == PLAIN, 0, 1).astype(np.uint8), ascending(z))

    def all_of(way: int) -> tuple[np.ndarray, ...]:
        a, b = sides(dx, dy, way)
        return exposed(*(turned(v, way) for v in (w, kind, gentle)), a, b, 3.0, max_run, half_angle)[:4]

    expected = all_of(0)
    assert 500 < (expected[0] > 0).sum() < 0.95 * w.size
    for way in ALL:
        for got, there in zip(all_of(way), expected, strict=True):
            np.testing.assert_array_equal(got, turned(there, way))


def test_a_wider_window_changes_nothing() -> None:
    # What lies farther off than the longest run and a landing must not matter.
    max_run, landing, half = 12.0, 3.0, 10
    rng = np.random.default_rng(21)
    margin = math.ceil(max_run + landing) + 2
    answers = ends = 0
    for _ in range(8):
        z, kind, gentle = scene(rng, 120, 120, 0.0, 0.002)
        w, _, _ = fill(z, np.where(kind == PLAIN, 0, 1).astype(np.uint8), ascending(z))
        whole = exposed(w, kind, gentle, 1.0, 1.0, landing, max_run)
        inner = slice(60 - half, 60 + half)
        cut = slice(60 - half - margin, 60 + half + margin)
        part_kind = kind[cut, cut].copy()
        part_kind[[0, -1]] = part_kind[:, [0, -1]] = CUT
        part = exposed(
            *(np.ascontiguousarray(a) for a in (w[cut, cut], part_kind, gentle[cut, cut])), 1.0, 1.0, landing, max_run
        )
        kept = slice(margin, margin + 2 * half)
        for whole_field, part_field in zip(whole[:4], part[:4], strict=True):
            np.testing.assert_array_equal(part_field[kept, kept], whole_field[inner, inner])
        answers += whole.exposed[inner, inner].sum()
        ends += np.isinf(whole.longest[inner, inner]).sum()
    assert answers > 300 and ends > 100


def test_only_what_is_asked_for() -> None:
    z, kind, gentle = scene(np.random.default_rng(5), 60, 60, 0.0, 0.005)
    whole = exposed(z, kind, gentle, 1.0, 1.0, 3.0, 150.0)
    start = np.zeros(z.shape, bool)
    start[20:25, 20:25] = True
    part = exposed(z, kind, gentle, 1.0, 1.0, 3.0, 150.0, start=start)
    for a, b in zip(part[:4], whole[:4], strict=True):
        np.testing.assert_array_equal(a[start], b[start])
    assert not part.exposed[:5].any() and whole.exposed[:5].any()


def test_its_walk_gives_the_same_shares() -> None:
    for step in (0.0, 0.2):
        z, kind, gentle = scene(np.random.default_rng(31), 80, 90, step, 0.004)
        w, _, _ = fill(z, np.where(np.isin(kind, (PLAIN, DRY_FLOOR)), 0, 1).astype(np.uint8), ascending(z))
        start = np.zeros(w.shape, bool)
        start[10:60, 10:60] = True
        ground = (w, kind, gentle)
        friction, lengths = np.array([0.35, 0.2]), (1.0, 1.0, 3.0, 40.0)
        alone = outcomes(*ground, friction, *lengths, start)
        fan = exposed(*ground, *lengths, 67.5, start)
        together = outcomes(*ground, friction, *lengths, start, fan.walk)
        asked = start.ravel() & alone.any(axis=1)
        assert asked.sum() > 2000
        np.testing.assert_array_equal(together[asked], alone[asked])


def test_what_an_answer_rests_on() -> None:
    # Ground that the answer is said not to rest on may be anything: here it becomes water, or level.
    rng = np.random.default_rng(4)
    changed = 0
    for _ in range(12):
        z, kind, gentle = scene(rng, 60, 60, 0.0, 0.002)
        w, _, _ = fill(z, np.where(kind == PLAIN, 0, 1).astype(np.uint8), ascending(z))
        start = np.zeros(w.shape, bool)
        start[28:32, 28:32] = True
        lengths = (1.0, 1.0, 3.0, 15.0)
        rests = reached(w, kind, gentle, *lengths, 67.5, start)
        assert rests[start & (w == w) & (kind == PLAIN)].all()
        free = ~rests & ~start & (kind == PLAIN)
        before = exposed(w, kind, gentle, *lengths, 67.5, start)
        for new_kind, new_gentle in ((WATER, 0), (PLAIN, 1), (MISSING, 0)):
            other, level = kind.copy(), gentle.copy()
            other[free], level[free] = new_kind, new_gentle
            after = exposed(w, other, level, *lengths, 67.5, start)
            for a, b in zip(before[:3], after[:3], strict=True):
                np.testing.assert_array_equal(a[start], b[start])
            changed += int(free.sum())
    assert changed > 20_000


@pytest.mark.parametrize("angle", [-1.0, 90.5, math.nan])
def test_an_angle_that_is_none(angle: float) -> None:
    flat = np.zeros((3, 3))
    with pytest.raises(InputError, match=r"half angle of the fan is .* from 0 to 90"):
        exposed(flat, flat.astype(np.uint8), flat.astype(np.uint8), 1.0, 1.0, 6.0, 150.0, angle)
