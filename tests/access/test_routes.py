"""Ways in and out for machines, on invented ground small enough to follow by eye.

Drawings: '#' ground that is not crossed, 'E' the entrance, '.' open, 'P' permitted. Expected values are counted by
hand.
"""

import numpy as np
import pytest

from slopekit.fleet.model import Fleet
from slopekit.kernels.patches import opened
from slopekit.access.routes import Crossing, Entrance, Reach, Terrain, crossable, crossing_of, reach_of, ways_to
from slopekit.permits.judge import BIT, fit_diameter

SMALL = Crossing(30.0, 30.0, 30.0, 1.0)


def drawn(text: str) -> tuple[np.ndarray, np.ndarray, list[Entrance]]:
    """Permitted, open, entrances."""
    cells = np.array([list(line.strip()) for line in text.strip().splitlines()])
    doors = [Entrance((int(i), int(j))) for i, j in np.argwhere(cells == "E")]
    return cells == "P", cells != "#", doors


def plane(shape: tuple[int, int], east: float = 0.0, south: float = 0.0) -> Terrain:
    i, j = np.mgrid[: shape[0], : shape[1]]
    slope = np.full(shape, np.degrees(np.arctan(np.hypot(east, south))))
    return Terrain(east * j + south * i, np.full(shape, east), np.full(shape, south), slope, 1.0, 1.0)


def searched(text: str, crossing: Crossing = SMALL, east: float = 0.0) -> tuple[np.ndarray, Reach]:
    permitted, free, doors = drawn(text)
    return permitted, reach_of(permitted, free, plane(permitted.shape, east), doors, crossing)


ROOMS = """
    E....#PPPP
    .....#PPPP
    .....#PPPP
    .....#PPPP
    """
GAP = """
    E....#PPPP
    .....#PPPP
    ......PPPP
    .....#PPPP
    """


def test_permitted_ground_behind_a_wall_has_no_route() -> None:
    permitted, reach = searched(ROOMS)
    assert (reach.no_route == permitted).all() and permitted.any()
    assert ways_to(reach, permitted.astype(np.int32), [1]) == {}


@pytest.mark.parametrize(("width", "passes"), [(0.8, True), (1.0, True), (1.1, False), (1.8, False)])
def test_a_gap_of_one_metre_lets_a_machine_of_one_metre_through(width: float, passes: bool) -> None:
    permitted, reach = searched(GAP, Crossing(30.0, 30.0, 30.0, width))
    assert reach.no_route.any() != passes
    assert (reach.no_route == permitted).all() != passes


def test_a_machine_does_not_slip_between_corners() -> None:
    permitted, reach = searched("E..#PPP\n...#PPP\n...#PPP\n####PPP\nPPPP...\nPPPP...\nPPPP...")
    assert (reach.no_route == permitted).all()
    permitted, reach = searched("E..####\n...####\n...####\n###PPPP\n###PPPP\n###PPPP")
    assert (reach.no_route == permitted).all()


def test_the_way_in_by_hand() -> None:
    permitted, reach = searched(GAP)
    way = ways_to(reach, permitted.astype(np.int32), [1])[1]
    # A three-cell disc fits round (1..2, 7..8) only. Down two diagonals to the gap's row and straight through it.
    assert way.into[0] == (0, 0) and way.into[-1] == (2, 7)
    assert way.into_m == pytest.approx(2 * 2**0.5 + 5)
    assert len(way.into) == 8 and (2, 5) in way.into
    assert way.out == way.into[::-1] or way.out_m == pytest.approx(way.into_m)


def test_what_can_be_entered_but_not_left_has_no_route() -> None:
    # The ground falls 30 % (16.7 degrees) to the east, away from the entrance.
    text = "E..PPPP\n...PPPP\n...PPPP\n...PPPP"
    for up, down, stuck in ((20.0, 20.0, False), (10.0, 20.0, True), (20.0, 10.0, True)):
        permitted, reach = searched(text, Crossing(up, down, 20.0, 1.0), east=-0.3)
        assert (reach.no_route == permitted).all() == stuck
        assert np.isfinite(reach.into.cost[1, 4]) == (down == 20.0)
        assert np.isfinite(reach.out.cost[1, 4]) == (up == 20.0)


def test_a_second_entrance_below_is_the_way_out() -> None:
    permitted, reach = searched("E..PPPP.\n...PPPP.\n...PPPP.\n...PPPPE", Crossing(10.0, 20.0, 20.0, 1.0), east=-0.3)
    assert not reach.no_route.any()
    way = ways_to(reach, permitted.astype(np.int32), [1])[1]
    assert way.into[0] == (0, 0) and way.out[-1] == (3, 7)
    assert way.out[0] == way.into[-1]


def test_a_gate_narrower_than_the_machine_and_no_entrance_let_nothing_in() -> None:
    permitted, free, _ = drawn(GAP.replace("#", "."))
    ground = plane(permitted.shape)
    for doors, none in (([], True), ([Entrance((0, 0), 0.9)], True), ([Entrance((0, 0), 1.0)], False)):
        assert (reach_of(permitted, free, ground, doors, SMALL).no_route == permitted).all() == none


def test_reasons_of_work_do_not_keep_a_machine_from_crossing() -> None:
    codes = ["slope", "narrow", "above_water", "stand_off", "no_limit_given", "soft"]
    reasons = np.array([[BIT[code] for code in codes] + [np.uint16(0)] * 3], np.uint16)
    drop, blocked = np.zeros((2, 1, 9), bool)
    drop[0, 7] = blocked[0, 8] = True
    free = crossable(reasons, drop, blocked, plane((1, 9), 0.3), SMALL)
    assert free.tolist() == [[True, True, False, False, False, False, True, False, False]]
    steep = crossable(reasons, drop, blocked, plane((1, 9), 0.6), SMALL)
    assert not steep.any()


def test_an_entrance_in_a_corner_lets_a_wide_machine_in_but_not_through_the_wall_beside() -> None:
    open_side = "E....\n.....\n.....\n.PPP.\n.PPP.\n.PPP.\n....."
    permitted, reach = searched(open_side, Crossing(30.0, 30.0, 30.0, 1.5))
    assert not reach.no_route.any()
    behind = "....E\n.....\n#####\n.PPP.\n.PPP.\n.PPP.\n....."
    permitted, reach = searched(behind, Crossing(30.0, 30.0, 30.0, 1.5))
    assert (reach.no_route == permitted).all()
    # Too little room on the side of the door: the nearest room for the machine, 3.2 m off, is behind the wall.
    at_the_wall = "......\nE.....\n######\n" + "PPPPPP\n" * 6
    permitted, reach = searched(at_the_wall, Crossing(30.0, 30.0, 30.0, 3.0))
    assert (reach.no_route == permitted).all()


def test_unknown_ground_is_not_crossed() -> None:
    ground = plane((1, 5), 0.1)
    ground.compared_deg[0, 2] = np.nan
    none = np.zeros((1, 5), bool)
    assert crossable(np.zeros((1, 5), np.uint16), none, none, ground, SMALL).tolist() == [
        [True, True, False, True, True]
    ]


def test_slope_without_a_direction_must_keep_every_limit() -> None:
    # Level in its own window, but compared at 16.7 degrees, since the ground about it is steep.
    ground = plane((1, 2), 0.3)
    ground.p[0, 0] = 0.0
    none = np.zeros((1, 2), bool)
    free = [
        crossable(np.zeros((1, 2), np.uint16), none, none, ground, Crossing(20.0, 20.0, c, 1.0)) for c in (15.0, 17.0)
    ]
    assert [f.tolist() for f in free] == [[[False, True]], [[True, True]]]


@pytest.mark.parametrize("missing", ["across_deg", "up_down_deg", "width_m"])
def test_a_machine_without_a_limit_or_width_crosses_nothing(missing: str) -> None:
    machine = {"class": "walk-behind", "across_deg": 20.0, "up_down_deg": 25.0, "width_m": 1.2}
    whole = {"schema": 1, "conditions": {"dry": {"friction": 0.6, "limit_factor": 1.0}}, "machines": {"a": machine}}
    assert crossing_of(Fleet.model_validate(whole), "a", "dry") == Crossing(25.0, 25.0, 20.0, 1.2)
    del machine[missing]
    assert crossing_of(Fleet.model_validate(whole), "a", "dry") is None


def test_every_fit_patch_next_to_open_ground_is_reached_by_a_wide_machine() -> None:
    # On level ground without obstacles nothing that the fit kept is lost to the disc of the way in.
    rng = np.random.default_rng(4)
    ground = plane((40, 40))
    for width in (0.6, 1.0, 1.4, 2.2, 3.5):
        raw = rng.random((40, 40)) < 0.97
        permitted = opened(raw.astype(np.uint64), 1.0, 1.0, fit_diameter(width, 1.0, 1.0)) != 0
        assert 100 < permitted.sum() < 1600
        reach = reach_of(permitted, np.ones((40, 40), bool), ground, [Entrance((0, 0))], Crossing(5, 5, 5, width))
        assert not reach.no_route.any()
