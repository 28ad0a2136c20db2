"""Routes in and out for machines, on invented ground small enough to follow by eye.

Drawings: '#' ground that is not crossed, 'E' the entrance, '.' open, 'P' permitted. Expected values are counted by
hand.
"""

import numpy as np
import pytest

from slopekit.access.routes import Crossing, Entrance, Reach, Terrain, crossable, crossing_of, reach_of, route_to
from slopekit.fleet.model import Fleet
from slopekit.kernels.patches import opened
from slopekit.permits.judge import BIT, REASON, fit_diameter

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
    assert route_to(reach, np.flatnonzero(permitted)) is None


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
    way = route_to(reach, np.flatnonzero(permitted))
    # Down two diagonals to the gap's row and straight through it, to the first permitted cell.
    assert way is not None and way.into[0] == (0, 0) and way.into[-1] == (2, 6)
    assert way.into_m == pytest.approx(2 * 2**0.5 + 4)
    assert len(way.into) == 7 and (2, 5) in way.into
    # The same way back is not told twice.
    assert way.out == () and way.out_m == pytest.approx(way.into_m)


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
    way = route_to(reach, np.flatnonzero(permitted))
    assert way is not None and way.into[0] == (0, 0) and way.out[-1] == (3, 7)
    assert way.out[0] == way.into[-1]


def test_a_gate_narrower_than_the_machine_and_no_entrance_let_nothing_in() -> None:
    permitted, free, _ = drawn(GAP.replace("#", "."))
    ground = plane(permitted.shape)
    for doors, none in (([], True), ([Entrance((0, 0), 0.9)], True), ([Entrance((0, 0), 1.0)], False)):
        assert (reach_of(permitted, free, ground, doors, SMALL).no_route == permitted).all() == none


def test_reasons_of_work_do_not_keep_a_machine_from_crossing() -> None:
    codes = ["slope", "narrow", "above_water", "stand_off", "no_limit_given", "soft"]
    reasons = np.array([[BIT[code] for code in codes] + [REASON.type(0)] * 3], REASON)
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
    assert crossable(np.zeros((1, 5), REASON), none, none, ground, SMALL).tolist() == [[True, True, False, True, True]]


def test_slope_without_a_direction_must_keep_every_limit() -> None:
    # Level in its own window, but compared at 16.7 degrees, since the ground about it is steep.
    ground = plane((1, 2), 0.3)
    ground.p[0, 0] = 0.0
    none = np.zeros((1, 2), bool)
    free = [crossable(np.zeros((1, 2), REASON), none, none, ground, Crossing(20.0, 20.0, c, 1.0)) for c in (15.0, 17.0)]
    assert [f.tolist() for f in free] == [[[False, True]], [[True, True]]]


def crossing(**keys: object) -> Crossing | None:
    machine = {"class": "walk-behind", "across_deg": 20.0, "up_down_deg": 25.0, "width_m": 1.2} | keys
    conditions = {"dry": {"friction": 0.6, "limit_factor": 1.0}, "wet": {"friction": 0.3, "limit_factor": 0.5}}
    given = {key: value for key, value in machine.items() if value is not None}
    fleet = Fleet.model_validate({"schema": 1, "conditions": conditions, "machines": {"a": given}}, strict=False)
    return crossing_of(fleet, "a", "wet" if keys.get("limits") else "dry")


def test_a_machine_crosses_what_it_may_work_or_what_is_said_of_crossing() -> None:
    assert crossing() == Crossing(25.0, 25.0, 20.0, 1.2)
    assert crossing(cross_down_deg=30.0) == Crossing(25.0, 30.0, 20.0, 1.2)
    assert crossing(cross_up_deg=28.0, cross_across_deg=20.0, ceiling_deg=26.0) == Crossing(26.0, 25.0, 20.0, 1.2)
    # Wet: half of 30 up; the limit for wet work counts where half of what is said of crossing is less.
    wet = {"wet": {"across_deg": 12.0, "up_down_deg": 18.0}}
    assert crossing(limits=wet, cross_up_deg=30.0, cross_down_deg=40.0) == Crossing(18.0, 20.0, 12.0, 1.2)


def test_a_missing_limit_closes_its_way_of_driving_save_on_level_ground() -> None:
    # 2 degrees count as level (the default of routes.level_deg).
    assert crossing(across_deg=None) == Crossing(25.0, 25.0, 2.0, 1.2)
    assert crossing(up_down_deg=None) == Crossing(2.0, 2.0, 20.0, 1.2)
    assert crossing(up_down_deg=None, cross_down_deg=15.0) == Crossing(2.0, 15.0, 20.0, 1.2)
    assert crossing(across_deg=None, up_down_deg=1.0) == Crossing(1.0, 1.0, 1.0, 1.2)
    assert crossing(across_deg=None, up_down_deg=None, cross_up_deg=20.0) is None
    assert crossing(width_m=None) is None
    assert crossing(**{"class": "hand crew", "width_m": None}) == Crossing(25.0, 25.0, 20.0, 0.0)


@pytest.mark.parametrize("turn", range(0, 91, 15))
def test_a_machine_held_to_straight_up_and_down_climbs_a_face_that_lies_any_way(turn: int) -> None:
    # 25 % (14.04 degrees) is within 15 up and down, and far over 2 across; level ground above and below the face.
    i, j = np.mgrid[:80, :80] - 39.5
    run = i * np.sin(np.radians(turn)) + j * np.cos(np.radians(turn))
    face = np.abs(run) < 12.0
    p, q = (np.where(face, 0.25 * part(np.radians(turn)), 0.0) for part in (np.cos, np.sin))
    slope = np.degrees(np.arctan(np.hypot(p, q)))
    ground = Terrain(0.25 * np.clip(run, -12.0, 12.0), p, q, slope, 1.0, 1.0)
    start, every = (
        Entrance((39 - round(25 * np.sin(np.radians(turn))), 39 - round(25 * np.cos(np.radians(turn))))),
        np.ones(i.shape, bool),
    )
    for up, stuck in ((15.0, False), (14.0, True)):
        reach = reach_of(every, every, ground, [start], Crossing(up, 15.0, 2.0, 1.0))
        assert reach.no_route[run > 20.0].all() == stuck and reach.no_route[run > 20.0].any() == stuck
    # Along the face it does not drive.
    along = reach_of(every, every & face, ground, [Entrance((39, 39))], Crossing(15.0, 15.0, 2.0, 1.0))
    sideways = np.abs(j * np.sin(np.radians(turn)) - i * np.cos(np.radians(turn)))
    assert sideways[along.reached].max() < 12.0 and along.reached.any()


def test_the_middle_keeps_to_the_parcel_and_its_corners_are_worked_all_the_same() -> None:
    # A wall halves the parcel; the way round it lies outside, over open ground.
    free = np.ones((20, 20), bool)
    free[4:16, 9] = False
    permitted = opened(free.astype(np.uint64), 1.0, 1.0, fit_diameter(1.8, 1.0, 1.0)) != 0
    parcel = np.zeros(free.shape, bool)
    parcel[5:15, 5:15] = True
    wide = Crossing(30.0, 30.0, 30.0, 1.8)
    everywhere = reach_of(permitted, free, plane(free.shape), [Entrance((7, 5))], wide)
    assert not everywhere.no_route[parcel].any()
    inside = reach_of(permitted, free, plane(free.shape), [Entrance((7, 5))], wide, within=parcel)
    assert (inside.reached <= parcel).all() and (inside.no_route <= parcel).all()
    near, far = parcel & (np.arange(20) < 9), parcel & (np.arange(20) > 9)
    assert not inside.no_route[near].any() and inside.no_route[far & permitted].all() and (far & permitted).any()


def test_a_strip_whose_fit_hangs_on_the_ground_beside_the_parcel_is_worked() -> None:
    # Columns 13 and 14 lie between a wall and the parcel's edge. The disc of 4.5 m for 3 m of width fits from column 15
    # on, outside; the machine's middle comes to column 14.
    free = np.ones((24, 24), bool)
    free[:, 12] = False
    permitted = opened(free.astype(np.uint64), 1.0, 1.0, fit_diameter(3.0, 1.0, 1.0)) != 0
    parcel = np.zeros(free.shape, bool)
    parcel[4:20, 13:15] = True
    reach = reach_of(permitted, free, plane(free.shape), [Entrance((6, 14))], Crossing(9, 9, 9, 3.0), within=parcel)
    assert permitted[parcel].sum() == 32 and not reach.no_route.any()
    assert not reach_of(
        permitted, free, plane(free.shape), [Entrance((6, 14), 2.9)], Crossing(9, 9, 9, 3.0), within=parcel
    ).reached.any()


def test_people_work_on_a_drop_from_its_edge_and_do_not_cross_it() -> None:
    # A wall two cells thick; the ground behind it has no way, the wall itself is worked from where the crew stands.
    shape = (6, 9)
    every, drop = np.ones(shape, bool), np.zeros(shape, bool)
    drop[:, 4:6] = True
    reach = reach_of(every, ~drop, plane(shape), [Entrance((2, 0))], Crossing(30.0, 30.0, 30.0, 0.0), drop=drop)
    assert not reach.no_route[:, :6].any() and reach.no_route[:, 6:].all()
    assert not reach.reached[:, 4:].any()


def test_the_hand_crew_goes_through_any_gate_and_works_where_it_stands() -> None:
    _, free, _ = drawn(GAP)
    one = np.zeros(free.shape, bool)
    one[0, 9] = True
    reach = reach_of(one, free, plane(free.shape), [Entrance((0, 0), 0.7)], Crossing(30.0, 30.0, 30.0, 0.0))
    assert not reach.no_route.any() and route_to(reach, np.flatnonzero(one)) is not None
    free[2, 5] = False
    walled = reach_of(one, free, plane(free.shape), [Entrance((0, 0), 0.7)], Crossing(30.0, 30.0, 30.0, 0.0))
    assert (walled.no_route == one).all()


def test_every_fit_patch_next_to_open_ground_is_reached_by_a_wide_machine() -> None:
    # On level ground without obstacles nothing that the fit kept is lost to the disc of the route in.
    rng = np.random.default_rng(4)
    ground = plane((40, 40))
    for width in (0.6, 1.0, 1.4, 2.2, 3.5):
        raw = rng.random((40, 40)) < 0.97
        permitted = opened(raw.astype(np.uint64), 1.0, 1.0, fit_diameter(width, 1.0, 1.0)) != 0
        assert 100 < permitted.sum() < 1600
        reach = reach_of(permitted, np.ones((40, 40), bool), ground, [Entrance((0, 0))], Crossing(5, 5, 5, width))
        assert not reach.no_route.any()
