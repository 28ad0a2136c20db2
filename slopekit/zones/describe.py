"""One record a zone: areas, slopes, permits, hazard, words."""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from slopekit.fleet.model import Fleet
from slopekit.permits.judge import ACROSS, BIT, UP_DOWN, Ground, Verdict, local_over, marginal
from slopekit.runout.run_out import HAZARDS
from slopekit.runout.speed import speed_of_head
from slopekit.runout.way import Way
from slopekit.schema.as_text import excluded_id, zone_id
from slopekit.schema.classes import MACHINE_CLASSES, WAYS
from slopekit.schema.reasons import REASON_CODES
from slopekit.terrain.surface import aspect_deg, slope_deg, surface_factor
from slopekit.units import hv_text
from slopekit.zones.join import Rows
from slopekit.zones.keys import NO_CLASS, WAY_OF_BITS
from slopekit.zones.words import EXCLUDED_NOTE, path_sentence, pressure_sentence, zone_note

Array = NDArray[np.float64]
Bool = NDArray[np.bool_]


@dataclass(frozen=True)
class Measures:
    """Figures of the cells of one parcel, (rows, cols) each, beside what the rules looked at."""

    p: Array
    q: Array
    hazard: NDArray[np.int8]
    """Number in `run_out.HAZARDS` of the hazard that takes the least head, -1 where a machine gets to none."""
    head: Array
    """That head under the slipperiest condition, m; inf where a machine gets to none."""
    length: Array
    """Length of the path to it, m."""
    unknown: Bool
    """Cells of which too little is known, or from which a machine gets to such ground."""
    slope_error_deg: Array | None
    """Standard error of the compared slope; None when the survey's error is not known."""
    wetness: Array | None
    """Topographic wetness index, NaN where it is not known; None when it is not asked for."""
    channel: Bool
    """In the channel of a brook or ditch, and not in water."""
    short: Bool
    """Edge and face of drops that are too short to count for the ground above."""


def zone_records(
    parcel_id: str,
    rows: Rows,
    shapes: list[shapely.MultiPolygon],
    inside: Bool,
    ground: Ground,
    measures: Measures,
    verdict: Verdict,
    fleet: Fleet,
    ways: Mapping[int, Way],
    square_metres: float,
) -> dict[int, dict[str, Any]]:
    """Records by row number of the rows that have any area, zones first: fields of layer `zones`, the geometry, and
    `spot`, whether the row gathers spots. Lists are tuples; so is `note`, of sentences.

    ways: by row number the path to a hazard that is shown as evidence. square_metres: area of one square CRS unit.
    Slopes and shares are taken over cells whose centre lies in the parcel, or over all of a row's cells where none
    does; permits over every cell that the row touches.
    """
    if not rows.spot:
        return {}
    cells = cells_by_row(rows.row, len(rows.spot))
    permits = _Permits(cells, verdict, fleet)
    figures = _Figures(ground, measures, fleet)
    pressures, cell_m = pressure_sentence(fleet), max(ground.dx, ground.dy)
    out = {}
    numbers = {False: 0, True: 0}
    for n, geometry in enumerate(shapes):
        if geometry.is_empty:
            continue
        spot = rows.spot[n]
        numbers[spot] += 1
        record = {
            "parcel_id": parcel_id,
            "zone_id": zone_id(parcel_id, numbers[spot], spot=spot),
            "spot": spot,
            "parts": len(geometry.geoms),
            "plan_m2": geometry.area * square_metres,
            "geometry": geometry,
        }
        answer, limits, shares = permits.of(n)
        record |= answer
        record |= figures.of(central(cells[n], inside), record["plan_m2"], limits)
        way = ways.get(n)
        record["fall_m"] = None if way is None else way.fall_m
        nearest_m = record["hazard_m"] or 0.0
        record["note"] = zone_note(
            record,
            shares,
            to_hazard=path_sentence(way, nearest_m, fleet.runout.still_head_m, cell_m),
            itself=figures.itself(central(cells[n], inside)),
            spot=spot,
            short_drop=bool(measures.short.ravel()[cells[n]].any()),
            cell_m=cell_m,
            pressures=pressures,
        )
        out[n] = record
    return out


def excluded_record(
    parcel_id: str, geometry: shapely.MultiPolygon, fleet: Fleet, square_metres: float
) -> dict[str, Any]:
    """The record of the ground that the user's layer leaves out. It is not judged."""
    area = geometry.area * square_metres
    record: dict[str, Any] = {
        "parcel_id": parcel_id,
        "zone_id": excluded_id(parcel_id),
        "spot": False,
        "machine_class": "excluded",
        "way": WAYS[0],
        "permitted": (),
        "parts": len(geometry.geoms),
        "reason": "",
        "reasons": (),
        "plan_m2": area,
        "surface_m2": area,
        "hazard": "none",
        "short_steep_share": 0.0,
        "channel_share": 0.0,
        "slope_max_hv": "",
        "note": EXCLUDED_NOTE,
        "geometry": geometry,
    }
    for condition in fleet.conditions:
        record |= {
            f"permitted_{condition}": (),
            f"class_{condition}": "excluded",
            f"less_restricted_share_{condition}": 0.0,
        }
    return record


def cells_by_row(row: NDArray[np.int32], count: int) -> list[NDArray[np.int64]]:
    """Flat indices of each row's cells."""
    flat = row.ravel()
    order = np.argsort(flat, kind="stable")
    edges = np.searchsorted(flat[order], np.arange(count + 1))
    return [order[edges[n] : edges[n + 1]] for n in range(count)]


def central(cells: NDArray[np.int64], inside: Bool) -> NDArray[np.int64]:
    """Of a row's cells (flat indices) those whose centre lies in the parcel; all where none does."""
    held = cells[inside.ravel()[cells]]
    return held if held.size else cells


class _Permits:
    """What is permitted on every cell of a row, what refuses the rest, and the way that is left."""

    def __init__(self, cells: list[NDArray[np.int64]], verdict: Verdict, fleet: Fleet) -> None:
        self.fleet = fleet
        self.machines, self.conditions = list(fleet.machines), list(fleet.conditions)
        self.rank = np.array([MACHINE_CLASSES.index(m.machine_class) for m in fleet.machines.values()])
        # All rows at once: the cells of a row lie side by side, and one pass reduces every row.
        order = np.concatenate(cells)
        sizes = np.array([c.size for c in cells])
        self.starts = np.cumsum(sizes) - sizes
        self.ends = np.cumsum(sizes)
        shape = (len(self.machines), len(self.conditions), -1)
        self.reasons = verdict.reasons.reshape(len(verdict.pairs), -1)[:, order].reshape(shape)
        ways = verdict.ways.reshape(len(verdict.pairs), -1)[:, order].reshape(shape)
        self.anywhere = np.bitwise_or.reduceat(self.reasons, self.starts, axis=2)
        self.ways = np.bitwise_and.reduceat(ways, self.starts, axis=2)

    def of(self, row: int) -> tuple[dict[str, Any], list[float], dict[str, float]]:
        """Fields of one row, the limits (degrees) that the machines of the governing class are held to there, and the
        part of the row on which each reason refuses a less restricted class."""
        rank, reasons = self.rank, self.anywhere[:, :, row]
        whole = reasons == 0
        by_all = whole.all(axis=1)
        zone_rank = int(rank[by_all].min(initial=NO_CLASS))
        members = by_all & (rank == zone_rank)
        way = int(np.bitwise_and.reduce(self.ways[members, :, row], axis=None)) if members.any() else ACROSS | UP_DOWN
        shares = self._shares(row, rank < zone_rank)
        out: dict[str, Any] = {
            "machine_class": _class_name(zone_rank),
            "way": WAYS[WAY_OF_BITS[way]],
            "permitted": _names(self.machines, by_all),
            "reason": main_reason(shares),
            "reasons": _codes(int(np.bitwise_or.reduce(reasons, axis=None))),
        }
        for k, condition in enumerate(self.conditions):
            whole_rank = int(rank[whole[:, k]].min(initial=NO_CLASS))
            less = rank < whole_rank
            open_ = self.reasons[less, k, self.starts[row] : self.ends[row]] == 0
            out |= {
                f"permitted_{condition}": _names(self.machines, whole[:, k]),
                f"class_{condition}": _class_name(whole_rank),
                f"less_restricted_share_{condition}": float(open_.any(axis=0).mean()) if less.any() else 0.0,
            }
        limits = {
            limit
            for machine, member in zip(self.machines, members, strict=True)
            if member
            for condition in self.conditions
            for limit, bit in zip(self.fleet.limits(machine, condition), (ACROSS, UP_DOWN), strict=True)
            if limit is not None and (way & bit or not way)
        }
        return out, sorted(limits), shares

    def _shares(self, row: int, refused: Bool) -> dict[str, float]:
        """By reason, the gravest first, the part of a row's cells on which it refuses some of the machines."""
        if not refused.any():
            return {}
        bits = np.bitwise_or.reduce(self.reasons[refused, :, self.starts[row] : self.ends[row]], axis=(0, 1))
        codes = _codes(int(np.bitwise_or.reduce(bits)))
        return {code: float((bits & BIT[code] != 0).mean()) for code in codes}


def main_reason(shares: Mapping[str, float]) -> str:
    """The gravest reason of those that hold on more than half of a zone; where none does, the one that holds on most.

    shares: by reason, the gravest first. Empty for none.
    """
    on_most = [code for code, share in shares.items() if share > 0.5]
    return on_most[0] if on_most else max(shares, key=lambda code: shares[code], default="")


def _class_name(rank: int) -> str:
    return MACHINE_CLASSES[rank] if rank < NO_CLASS else "none"


def _names(machines: list[str], chosen: Bool) -> tuple[str, ...]:
    return tuple(m for m, yes in zip(machines, chosen, strict=True) if yes)


def _codes(bits: int) -> tuple[str, ...]:
    return tuple(code for n, code in enumerate(REASON_CODES) if bits >> n & 1)


class _Figures:
    """Slopes, areas and hazards of a set of cells."""

    def __init__(self, ground: Ground, measures: Measures, fleet: Fleet) -> None:
        self.fleet = fleet
        self.p, self.q = measures.p.ravel(), measures.q.ravel()
        self.compared = ground.limit_deg.ravel()
        self.channel = measures.channel.ravel()
        self.error = None if measures.slope_error_deg is None else measures.slope_error_deg.ravel()
        self.hazard, self.head, self.length = (
            values.ravel() for values in (measures.hazard, measures.head, measures.length)
        )
        self.here = {"water": ground.water.ravel(), "drop": ground.drop.ravel(), "hazard": ground.other.ravel()}
        self.unknown = measures.unknown.ravel()

    def of(self, cells: NDArray[np.int64], plan_m2: float, limits: list[float]) -> dict[str, Any]:
        """Fields of one row. limits: degrees, those that its governing class is held to."""
        p, q, compared = self.p[cells], self.q[cells], self.compared[cells]
        local = slope_deg(np.hypot(p, q))
        known = np.sort(local[~np.isnan(local)])
        factor = surface_factor(p, q)
        factor = factor[~np.isnan(factor)]
        limit = compared[~np.isnan(compared)]
        steepest = float(known[-1]) if known.size else None
        z = self.fleet.terrain.marginal_z
        return {
            "surface_m2": plan_m2 * float(factor.mean()) if factor.size else None,
            "slope_mean_deg": float(known.mean()) if known.size else None,
            "slope_p95_deg": _quantile(known, 0.95),
            "slope_max_deg": steepest,
            "machine_slope_max_deg": float(limit.max()) if limit.size else None,
            "short_steep_share": float(local_over(local, compared, limits).mean()),
            "channel_share": float(self.channel[cells].mean()),
            "slope_max_hv": "" if steepest is None else hv_text(steepest),
            "aspect_deg": _mean_aspect(p, q),
            "marginal_share": None
            if self.error is None
            else float(marginal(compared, self.error[cells], limits, z).mean()),
            **self._hazard(cells),
        }

    def itself(self, cells: NDArray[np.int64]) -> str:
        """The hazard that most of the cells are: 'water', 'drop' or 'hazard'; empty where they are none."""
        return next((name for name, mask in self.here.items() if mask[cells].mean() > 0.5), "")

    def _hazard(self, cells: NDArray[np.int64]) -> dict[str, Any]:
        got = cells[self.hazard[cells] >= 0]
        if not got.size:
            return {
                "hazard": "unknown" if self.unknown[cells].any() else "none",
                "hazard_m": None,
                "speed_to_hazard_kmh": None,
            }
        head = self.head[got]
        first = got[head == head.min()]
        still = got[head <= max(float(head.min()), self.fleet.runout.still_head_m)]
        return {
            "hazard": HAZARDS[int(self.hazard[first].min())],
            "hazard_m": float(self.length[still].min()),
            "speed_to_hazard_kmh": float(speed_of_head(head.min())),
        }


def _quantile(ascending: Array, part: float) -> float | None:
    """Quantile of sorted values, linear between them (numpy's default, many times faster for few values)."""
    if not ascending.size:
        return None
    place = part * (ascending.size - 1)
    low = math.floor(place)
    high = min(low + 1, ascending.size - 1)
    return float(ascending[low] + (place - low) * (ascending[high] - ascending[low]))


def _mean_aspect(p: Array, q: Array) -> float | None:
    """Direction of the mean downslope vector, so that 350 and 10 degrees average to north."""
    east, north = np.nansum(-p), np.nansum(q)
    if math.hypot(east, north) == 0.0:
        return None
    return float(aspect_deg(np.array(-east), np.array(north)))
