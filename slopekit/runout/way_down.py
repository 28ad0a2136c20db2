"""The likeliest way from a cell down to its hazard, so that a person can see why ground is refused."""

from slopekit.kernels import descent
from slopekit.runout.outcomes import RunOut

_AROUND = [(i, j) for i in (-1, 0, 1) for j in (-1, 0, 1) if (i, j) != (0, 0)]


def way_down(run: RunOut, row: int, col: int) -> list[tuple[int, int]]:
    """Cells (row, column) of the way from one cell to the hazard that its flow ends in, both ends included.

    At each cell the way goes on to the lower neighbour with the greatest share that ends in a hazard; of several to the
    lowest. Empty where the flow from the cell has no share in a hazard.
    """
    hazard = run.shares[..., : descent.TO_HAZARD + 1].sum(axis=2)
    ends = (descent.WATER, descent.DROP, descent.HAZARD)
    here = (row, col)
    path = [here]
    while run.kind[here] not in ends:
        lower = [(here[0] + i, here[1] + j) for i, j in _AROUND]
        lower = [n for n in lower if run.w[n] < run.w[here] and hazard[n] > 0.0]
        if not lower:
            return []
        here = max(lower, key=lambda n: (hazard[n], -run.w[n]))
        path.append(here)
    return path
