"""From patches of equal key to few, workable zones, and spots."""

import heapq
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from slopekit.kernels.patches import label_equal

Bool = NDArray[np.bool_]


@dataclass(frozen=True)
class Rows:
    """The output rows of one parcel as a raster."""

    row: NDArray[np.int32]
    """(rows, cols): number of the output row from 0; -1 outside."""
    spot: tuple[bool, ...]
    """For each row, whether it gathers spots."""


@dataclass
class _Patch:
    key: int
    cells: int
    """Cells whose centre lies in the parcel."""
    permitted: int
    """One bit for each mask of what is permitted, set where that holds on every cell."""
    worked: int
    """One bit a condition, set where somebody may work every cell under it."""
    place: tuple[float, ...]
    """Breaks ties without regard to how the grid is turned."""
    borders: dict[int, int]


def join_patches(
    key: NDArray[np.int64], permitted: Bool, worked: Bool, inside: Bool, z: NDArray[np.float64], least_cells: float
) -> Rows:
    """Join patches smaller than `least_cells` to neighbours that permit nothing they forbid; gather the rest as spots.

    key: (rows, cols), negative outside. permitted: (any, rows, cols), masks of what is permitted: each machine under
    each condition, and in each way of working. worked: (conditions, rows, cols), where somebody may work, alike on
    cells of equal key. inside: cells whose centre lies in the parcel, which make up a patch's size. z: elevation, for
    ties.

    A patch joins the neighbour with the longest common border among those whose permitted set is a subset of its own,
    machine by machine, condition by condition and way by way. So no cell gains a machine or a way. Ground that somebody
    may work under a condition never joins ground that nobody may: a further machine or a looser limit then never gives
    more ground to nobody. A small patch that is more restricted than all around it stays, gathered with its like in one
    row for each host zone and key.
    """
    label = label_equal(key)
    patches = _patches(label, key, permitted, worked, inside, z)
    parent = list(range(len(patches)))
    small = [(p.cells, p.place, n) for n, p in enumerate(patches) if n and p.cells < least_cells]
    heapq.heapify(small)
    while small:
        cells, _, n = heapq.heappop(small)
        if parent[n] != n or patches[n].cells != cells or cells >= least_cells:
            continue
        host = _best_host(patches, n)
        if host is None:
            continue
        _merge(patches, parent, n, host)
        for other in [m for m in patches[host].borders if patches[m].key == patches[host].key]:
            if _may_host(patches[other], patches[host]) or _may_host(patches[host], patches[other]):
                _merge(patches, parent, other, host)
        if patches[host].cells < least_cells:
            heapq.heappush(small, (patches[host].cells, patches[host].place, host))
    return _rows(label, patches, parent, least_cells)


def _patches(
    label: NDArray[np.int32],
    key: NDArray[np.int64],
    permitted: Bool,
    worked: Bool,
    inside: Bool,
    z: NDArray[np.float64],
) -> list[_Patch]:
    count = int(label.max()) + 1
    flat = label.ravel()
    size = np.bincount(flat, minlength=count)
    cells = np.bincount(flat[inside.ravel()], minlength=count)

    def everywhere(masks: Bool) -> list[int]:
        """By patch, one bit for each mask that holds on all its cells."""
        bits = [0] * count
        for n, mask in enumerate(masks):
            for patch in np.flatnonzero(np.bincount(flat[mask.ravel()], minlength=count) == size).tolist():
                bits[patch] |= 1 << n
        return bits

    may, somebody = everywhere(permitted), everywhere(worked)
    keys = np.zeros(count, np.int64)
    keys[flat] = key.ravel()
    low, high = np.full(count, np.inf), np.full(count, -np.inf)
    known = ~np.isnan(z).ravel()
    np.minimum.at(low, flat[known], z.ravel()[known])
    np.maximum.at(high, flat[known], z.ravel()[known])
    borders: list[dict[int, int]] = [{} for _ in range(count)]
    for a, b in ((label[:, :-1], label[:, 1:]), (label[:-1], label[1:])):
        apart = (a != b) & (a > 0) & (b > 0)
        pair, times = np.unique(a[apart].astype(np.int64) * count + b[apart], return_counts=True)
        for code, n in zip(pair.tolist(), times.tolist(), strict=True):
            one, two = divmod(code, count)
            borders[one][two] = borders[one].get(two, 0) + n
            borders[two][one] = borders[two].get(one, 0) + n
    return [
        _Patch(
            int(keys[n]),
            int(cells[n]),
            may[n],
            somebody[n],
            (float(low[n]), float(high[n]), float(size[n])),
            borders[n],
        )
        for n in range(count)
    ]


def _may_host(host: _Patch, patch: _Patch) -> bool:
    return host.permitted & ~patch.permitted == 0 and patch.worked & ~host.worked == 0


def _best_host(patches: list[_Patch], n: int) -> int | None:
    fit = [m for m in patches[n].borders if _may_host(patches[m], patches[n])]
    return max(fit, key=lambda m: (patches[n].borders[m], patches[m].cells, patches[m].place), default=None)


def _merge(patches: list[_Patch], parent: list[int], gone: int, host: int) -> None:
    """Give the cells of `gone` to `host`; what is permitted on both stays permitted."""
    parent[gone] = host
    old, new = patches[gone], patches[host]
    new.cells += old.cells
    new.permitted &= old.permitted
    for m, border in old.borders.items():
        del patches[m].borders[gone]
        if m != host:
            new.borders[m] = new.borders.get(m, 0) + border
            patches[m].borders[host] = new.borders[m]
    old.borders = {}


def _rows(label: NDArray[np.int32], patches: list[_Patch], parent: list[int], least_cells: float) -> Rows:
    alive = [n for n in range(1, len(patches)) if parent[n] == n]
    zones = [n for n in alive if patches[n].cells >= least_cells]
    groups: dict[tuple[int, int], list[int]] = {}
    for n in alive:
        if patches[n].cells >= least_cells:
            continue
        hosts = [m for m in patches[n].borders if patches[m].cells >= least_cells]
        host = max(hosts, key=lambda m: (patches[n].borders[m], patches[m].cells, patches[m].place), default=0)
        groups.setdefault((host, patches[n].key), []).append(n)
    number = np.full(len(patches), -1, np.int32)
    members = [[n] for n in zones] + list(groups.values())
    for row, group in enumerate(members):
        number[group] = row
    for n in range(1, len(patches)):
        root = n
        while parent[root] != root:
            root = parent[root]
        number[n] = number[root]
    return Rows(number[label], tuple([False] * len(zones) + [True] * len(groups)))
