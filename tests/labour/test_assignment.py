"""Assignment of machines to zones, against full enumeration."""

import itertools
import math

import numpy as np
import pytest

from slopekit.labour.assign import assign

pytestmark = pytest.mark.reference


def enumerated(cost: np.ndarray, set_up: np.ndarray, helper: np.ndarray, counted: np.ndarray | None) -> float:
    """The least total over every choice of a machine for every zone."""
    best = (math.inf, math.inf)
    for choice in itertools.product(range(set_up.size), repeat=len(cost)):
        come = set(choice) | {int(helper[z, m]) for z, m in enumerate(choice)} - {-1}
        total = sum(cost[z, m] for z, m in enumerate(choice)) + sum(set_up[m] for m in come)
        if math.isfinite(total):
            number = 0 if counted is None else sum(bool(counted[m]) for m in come)
            best = min(best, (number, float(total)))
    return best[1]


@pytest.mark.parametrize("number", range(100))
def test_assignment_against_enumeration(number: int) -> None:
    """Every choice of up to 4 machines for up to 5 zones is tried out."""
    random = np.random.default_rng(number)
    n, m = int(random.integers(1, 6)), int(random.integers(1, 5))
    cost = random.uniform(0.1, 3.0, (n, m))
    cost[random.random((n, m)) < 0.4] = np.inf
    cost[np.arange(n), random.integers(0, m, n)] = random.uniform(0.1, 3.0, n)
    set_up = random.uniform(0.0, 2.0, m)
    hand = m - 1
    set_up[hand] *= 2.0
    helper = np.full((n, m), -1)
    helper[random.random(n) < 0.4, :hand] = hand
    for counted in (None, np.arange(m) != hand):
        answer = assign(cost, set_up, np.zeros(n, int), helper, counted)
        assert answer.total == pytest.approx(enumerated(cost, set_up, helper, counted), abs=1e-5)


@pytest.mark.parametrize("number", range(10))
def test_a_parcel_is_assigned_alike_alone_and_among_others(number: int) -> None:
    """Ties on purpose: two machines of the fleet are the same."""
    random = np.random.default_rng(number)
    parcel = random.integers(0, 60, 300)
    cost = random.uniform(0.1, 3.0, (300, 4))
    cost[random.random((300, 4)) < 0.3] = np.inf
    cost[:, 2] = cost[:, 0] = random.uniform(0.1, 3.0, 300)
    set_up = np.array([0.5, 0.4, 0.5, 0.0])
    counted = np.array([True, True, True, False]) if number % 2 else None
    together = assign(cost, set_up, parcel, None, counted)
    for p in np.unique(parcel):
        rows = parcel == p
        alone = assign(cost[rows], set_up, np.zeros(rows.sum(), int), None, counted)
        assert (alone.machine == together.machine[rows]).all()
        assert (alone.brought[0] == together.brought[p]).all()
    assert not together.brought[:, 2].any()


def test_a_helper_that_does_not_come_keeps_its_zones_closed() -> None:
    """The first machine comes for zone 0 anyway; on zone 1 it is cheaper by 0.5, but needs a helper that costs 5."""
    cost = np.array([[1.0, np.inf, np.inf], [1.0, 1.5, np.inf], [np.inf, 1.0, np.inf]])
    helper = np.full((3, 3), -1)
    helper[1, 0] = 2
    answer = assign(cost, np.array([0.0, 0.0, 5.0]), np.zeros(3, int), helper)
    assert answer.machine.tolist() == [0, 1, 1] and answer.total == 3.5
    assert answer.brought.tolist() == [[True, True, False]]
