"""What is known of a screening, whatever is asked of it later."""

from dataclasses import dataclass

from slopekit.api.tables import Tables
from slopekit.fleet.model import Fleet
from slopekit.screening.job import Job


@dataclass(frozen=True, eq=False, repr=False)
class Screened(Tables):
    """The tables of a screening, and what it was made from."""

    job: Job
    fleet: Fleet
    read: tuple[str, ...]
    """The files that it was made from, which it never replaces."""
