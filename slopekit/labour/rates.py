"""Hours that each machine takes on each zone: field capacity or hand rate, with slope and condition."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from slopekit.fleet.capacity import field_capacity
from slopekit.fleet.figures import Range
from slopekit.fleet.machine import Machine
from slopekit.fleet.model import Fleet
from slopekit.labour.season import Season

Array = NDArray[np.float64]

HOURS_PER_MINUTE = 1.0 / 60.0


@dataclass(frozen=True)
class Crew:
    """The fleet under one condition, in file order; arrays are (machines,) unless said otherwise."""

    ids: tuple[str, ...]
    classes: tuple[str, ...]
    hand: NDArray[np.bool_]
    people: Array
    rate: Array
    """(3, machines): m2/h on level ground, low, expected, high; NaN where a figure is missing."""
    edge_rate: Array
    """(3, machines): metres of edge that one of its people trims in an hour; NaN where it trims none."""
    set_up: Array
    """(3, machines): hours for each visit."""
    rate_h: Array
    """Money an hour without its people; NaN where not given."""


def crew_of(fleet: Fleet, season: Season, condition: str) -> Crew:
    """What the fleet file and the season file say of each machine under one condition."""
    machines = list(fleet.machines.values())
    hand = np.array([m.operator == "hand" for m in machines])
    free = np.where(hand, 0.0, np.nan)
    money = [season.machine_rates_h.get(name, none) for name, none in zip(fleet.machines, free, strict=True)]
    factor = fleet.conditions[condition].work_factor
    return Crew(
        tuple(fleet.machines),
        tuple(m.machine_class for m in machines),
        hand,
        np.array([m.people for m in machines], dtype=float),
        np.array([_rate(m) for m in machines]).T * factor,
        np.array([three(m.edge_rate_m_h) for m in machines]).T,
        np.array([three(m.set_up_min) for m in machines]).T * HOURS_PER_MINUTE,
        np.array(money),
    )


def zone_hours(crew: Crew, fleet: Fleet, season: Season, surface_m2: Array, slope_deg: Array, parts: Array) -> Array:
    """(3, zones, machines): low, expected and high hours, the walk or drive to each piece of the zone included.

    surface_m2: area along the ground. slope_deg: mean slope of the zone; where it is not known, the last band counts.
    parts: separate pieces of the zone, such as the spots of a row.
    """
    machine, by_hand = slope_factors(fleet, slope_deg)
    factor = np.where(crew.hand, by_hand[:, None], machine[:, None])
    # The high rate gives the low hours.
    rate = crew.rate[::-1, None, :] * factor
    trip = three(season.travel.to_zone_min) * HOURS_PER_MINUTE
    return surface_m2[None, :, None] / rate + trip[:, None, None] * parts[:, None]


def slope_factors(fleet: Fleet, slope_deg: Array) -> tuple[Array, Array]:
    """(zones,) each: what is left of a machine's and of a hand rate on ground of a mean slope."""
    bands = fleet.work.slope_factors
    if not bands:
        return np.ones(slope_deg.size), np.ones(slope_deg.size)
    ends = np.array([band.to_deg for band in bands])
    # NaN sorts last of all, which is the last band.
    at = np.minimum(np.searchsorted(ends, slope_deg), ends.size - 1)
    return np.array([b.machine for b in bands])[at], np.array([b.hand for b in bands])[at]


def three(value: Range | None) -> Array:
    """(3,): low, expected, high; NaN where there is none."""
    return np.full(3, np.nan) if value is None else np.array(value.ends)


def _rate(machine: Machine) -> Array:
    if machine.operator == "hand":
        return three(machine.hand_rate_m2_h) * machine.people
    if machine.speed_kmh is None or machine.efficiency is None or machine.width_m is None:
        return np.full(3, np.nan)
    return three(field_capacity(machine.speed_kmh, machine.width_m, machine.efficiency))
