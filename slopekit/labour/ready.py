"""What makes a season fail on any ground, told before there are zones."""

from slopekit.errors import InputError
from slopekit.fleet.model import Fleet
from slopekit.labour.season import Season


def visited(fleet: Fleet, season: Season) -> list[str]:
    """Conditions of the fleet that the season visits. Raises InputError for none."""
    conditions = [c for c in fleet.conditions if season.visits.get(c, 0) > 0]
    if not conditions:
        raise InputError(f"visits: the season visits under none of {', '.join(fleet.conditions)}; type visits for one.")
    return conditions


def check_figures(fleet: Fleet, season: Season) -> None:
    """Raise InputError where no hours can be worked out for any machine, or for any hand crew.

    What hangs on zones is left to `work_out`: a machine without figures counts only where no other one may go.
    """
    visited(fleet, season)
    crews = {name: m for name, m in fleet.machines.items() if m.operator == "hand"}
    machines = {name: m for name, m in fleet.machines.items() if m.operator != "hand"}
    if crews and all(m.hand_rate_m2_h is None for m in crews.values()):
        raise InputError(
            f"machines.{next(iter(crews))}.hand_rate_m2_h is missing in the fleet file, so hand work has no hours, and "
            "slopekit ships no rate; type your own, or leave out the season."
        )
    if machines and all(None in (m.width_m, m.speed_kmh, m.efficiency) for m in machines.values()):
        raise InputError(
            f"No hours can be worked out for {', '.join(machines)}; type width_m, speed_kmh and efficiency in the "
            "fleet file, or leave out the season."
        )
