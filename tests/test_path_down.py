"""The path down that is shown as evidence."""

from itertools import pairwise

import numpy as np
import pytest

from slopekit.kernels import descent
from slopekit.kernels.fan import exposed
from slopekit.runout.outcomes import RunOut
from slopekit.runout.path_down import path_down


def bank_above_a_pond() -> RunOut:
    rows, cols = 30, 21
    z = 30.0 - 0.4 * np.arange(rows)[:, None] + 0.02 * np.abs(np.arange(cols) - 10)[None, :]
    kind = np.zeros((rows, cols), np.uint8)
    kind[[0, -1]] = kind[:, [0, -1]] = descent.CUT
    kind[20:24, 5:16] = descent.WATER
    gentle = np.zeros((rows, cols), np.uint8)
    state = descent.outcomes(z, kind, gentle, np.array([0.2]), 1.0, 1.0, 6.0, 150.0)
    return RunOut.of(z, kind, gentle, state, None)


def test_the_way_goes_down_step_by_step_to_the_water() -> None:
    run = bank_above_a_pond()
    for start in ((3, 8), (3, 14), (12, 10)):
        path = path_down(run, *start, 1.0, 1.0)
        assert path[0] == start and run.kind[path[-1]] == descent.WATER
        steps = list(pairwise(path))
        assert all(max(abs(a[0] - b[0]), abs(a[1] - b[1])) == 1 for a, b in steps)
        assert all(run.w[b] < run.w[a] for a, b in steps)
        # Arithmetic: the bank falls along the columns, so the way needs one step a row.
        assert len(path) == 20 - start[0] + 1


def test_ground_beside_the_pond_has_no_way_into_it() -> None:
    run = bank_above_a_pond()
    assert path_down(run, 26, 10, 1.0, 1.0) == []


@pytest.mark.parametrize("turns", range(4))
def test_on_an_even_bank_the_way_is_the_fall_line(turns: int) -> None:
    # Arithmetic: a plane that falls along the columns, turned four ways.
    z = np.rot90(np.repeat(30.0 - 0.4 * np.arange(30)[:, None], 30, axis=1), turns).copy()
    kind = np.zeros((30, 30), np.uint8)
    kind[[0, -1]] = kind[:, [0, -1]] = descent.CUT
    kind[np.rot90(np.arange(30)[:, None].repeat(30, axis=1) == 20, turns)] = descent.WATER
    kind[[0, -1]] = kind[:, [0, -1]] = descent.CUT
    state = descent.outcomes(z, kind, np.zeros((30, 30), np.uint8), np.array([0.2]), 1.0, 1.0, 6.0, 150.0)
    start = tuple(int(v[0]) for v in np.nonzero(np.rot90(np.arange(900).reshape(30, 30) == 5 * 30 + 9, turns)))
    path = np.array(path_down(RunOut.of(z, kind, np.zeros((30, 30), np.uint8), state, None), *start, 1.0, 1.0))
    assert len(path) == 16 and min(np.ptp(path, axis=0)) == 0


def test_a_way_that_strays_from_the_steepest_one() -> None:
    rows, cols = 30, 21
    z = np.repeat(30.0 - 0.4 * np.arange(rows)[:, None], cols, axis=1)
    kind = np.zeros((rows, cols), np.uint8)
    kind[[0, -1]] = kind[:, [0, -1]] = descent.CUT
    kind[20, 10] = descent.WATER
    gentle = np.zeros((rows, cols), np.uint8)
    bank = (z, kind, gentle, 1.0, 1.0, 6.0, 150.0)
    state = descent.outcomes(z, kind, gentle, np.array([0.2]), *bank[3:])
    # The plane falls along the columns: the flow passes by the water at five columns off, a machine that veers may not.
    assert path_down(RunOut.of(z, kind, gentle, state, None), 4, 5, 1.0, 1.0) == []
    run = RunOut.of(z, kind, gentle, state, exposed(*bank, 67.5))
    path = path_down(run, 4, 5, 1.0, 1.0)
    assert path[0] == (4, 5) and path[-1] == (20, 10)
    # Arithmetic: 16 rows down, five of the steps diagonal.
    metres = sum(np.hypot(a[0] - b[0], a[1] - b[1]) for a, b in pairwise(path))
    assert len(path) == 17 and abs(metres - (11 + 5 * np.sqrt(2.0))) < 1e-9
    assert path_down(run, 18, 5, 1.0, 1.0) == []
