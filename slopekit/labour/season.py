"""The season file: visits, the working day, driving, and what people and machines cost."""

from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Any, Literal, Self

from pydantic import Field, model_validator

from slopekit.errors import InputError
from slopekit.fleet.figures import NOTHING, Amount, FrozenModel, nearest, refuse
from slopekit.fleet.machine import ConditionId, MachineId
from slopekit.fleet.model import Fleet, flat_notes
from slopekit.fleet.typed_file import Kind, read_typed, typed_of

Money = Annotated[float, Field(ge=0.0, le=1e6)]


class Day(FrozenModel):
    """The working day of the crew."""

    productive_hours: float = Field(gt=0.0, le=24.0)
    """Hours of a day spent at the work itself, set-up and going between zones included. Required."""
    paid_hours: float = Field(gt=0.0, le=24.0)
    """Hours of a day that are paid. Required."""
    crew_size: int = Field(ge=1, le=1000)
    """People in the crew. Required."""

    @model_validator(mode="after")
    def _agrees(self) -> Self:
        if self.productive_hours > self.paid_hours:
            at_most = f"must be at most paid_hours = {self.paid_hours:g}"
            raise refuse("productive_hours", self.productive_hours, at_most)
        return self


class Travel(FrozenModel):
    """Travel that is not work on a zone."""

    to_zone_min: Amount = NOTHING
    """Minutes for a machine or a hand crew to get to each zone that it works, or each spot of a row. Default 0."""
    to_parcel_min: Amount = NOTHING
    """Minutes of driving for the crew, each visit to a parcel; of the paid hours of a day, not the productive ones.
    Default 0."""
    to_parcel_km: Annotated[float, Field(ge=0.0, le=10_000.0)] = 0.0
    """Kilometres driven for each visit to a parcel. Default 0."""
    cost_per_km: Money = 0.0
    """Money a kilometre. Default 0."""


class Supervisor(FrozenModel):
    """Supervision over the season."""

    hours: float = Field(ge=0.0, le=10_000.0)
    """Hours in the season, outside productive hours. Required."""
    rate_h: Money
    """Money an hour. Required."""


class Season(FrozenModel):
    """Everything in the season file. No rate is shipped: what is absent is not priced, or refused where needed."""

    schema_version: Literal[1] = Field(alias="schema")
    """Version of the file's layout. Required: 1."""
    visits: dict[ConditionId, Annotated[int, Field(ge=0, le=366)]] = Field(min_length=1)
    """Visits in the season under each condition of the fleet file. Required."""
    day: Day | None = None
    """Default absent: no days of the crew are worked out, and nothing that the whole crew does."""
    set_up_visit_min: Amount = NOTHING
    """Minutes of the whole crew at each visit to a parcel, whatever machines are brought. Default 0."""
    travel: Travel = Travel()
    person_rate_h: Money | None = None
    """Money a paid hour of one person. Default absent: no cost."""
    machine_rates_h: dict[MachineId, Money] = Field(default_factory=dict)
    """By machine: money an hour for it without its people. Default absent: no cost (0 for a hand crew)."""
    supervisor: Supervisor | None = None

    @model_validator(mode="after")
    def _whole_crew(self) -> Self:
        by_crew = {
            "set_up_visit_min": self.set_up_visit_min != NOTHING,
            "travel.to_parcel_min": self.travel.to_parcel_min != NOTHING,
            "travel.to_parcel_km": self.travel.to_parcel_km > 0.0,
            "person_rate_h": self.person_rate_h is not None,
        }
        for key, given in by_crew.items():
            if given and self.day is None:
                raise refuse(key, None, "needs the table [day], with productive_hours, paid_hours and crew_size")
        return self

    def as_notes(self) -> list[tuple[str, str]]:
        """Every figure as (key path, value), defaults included; 'not given' where absent."""
        return [(f"season.{name}", value) for name, value in flat_notes(self)]

    @property
    def crew_size(self) -> int:
        """People in the crew; 1 where no day is given, since nothing hangs on it then."""
        return 1 if self.day is None else self.day.crew_size

    @property
    def paid_a_productive_hour(self) -> float:
        """Hours that are paid for each productive one."""
        return 1.0 if self.day is None else self.day.paid_hours / self.day.productive_hours


_SEASON_FILE = Kind(
    name="season file",
    new="slopekit season new",
    models={(): Season, ("day",): Day, ("travel",): Travel, ("supervisor",): Supervisor},
    missing={
        "schema": "type schema = 1 on the first line",
        "visits": "add a table [visits] with the visits in the season under each condition, such as dry = 20",
        "": "type it, since nothing is assumed for it",
    },
    headings={},
    required=("schema", "productive_hours", "paid_hours", "crew_size", "hours", "rate_h"),
)


def load_season(given: str | Path | Mapping[str, Any], *fleets: Fleet) -> Season:
    """The season of a TOML file or a dict with the same keys, for the machines and conditions of one or more fleets.

    Raises InputError for a file that cannot be read or is not TOML, for a key or value that it cannot have, and for a
    condition or machine that they lack.

    >>> import slopekit as sk
    >>> data = sk.demo_data()
    >>> sk.load_season(data / "season.toml", sk.load_fleet(data / "fleet.toml")).visits
    {'dry': 18, 'wet': 6}
    """
    if isinstance(given, Mapping):
        season: Season = typed_of("season", given, _SEASON_FILE)
    else:
        season = read_typed(Path(given), _SEASON_FILE)
    return check_season(season, given if isinstance(given, str | Path) else "season", *fleets)


def check_season(season: Season, name: str | Path, *fleets: Fleet) -> Season:
    """The season, if the fleets have all machines and conditions that it names. Raises InputError."""
    conditions = [name for fleet in fleets for name in fleet.conditions]
    machines = [name for fleet in fleets for name in fleet.machines]
    for table, names in (("visits", conditions), ("machine_rates_h", machines)):
        for key in getattr(season, table):
            if key not in names:
                like = nearest(key, names)
                hint = f"the nearest known one is '{like}'" if like else f"known are {', '.join(names)}"
                raise InputError(f"{name}: {table}.{key} is not in the fleet file: {hint}.")
    return season


def one_visit(fleet: Fleet) -> Season:
    """A season of one visit under each condition, without a day and without money."""
    return Season.model_validate({"schema": 1, "visits": dict.fromkeys(fleet.conditions, 1)})


def season_template(fleet: Fleet) -> str:
    """A commented season file for the conditions and machines of a fleet, with blank figures."""
    visits = "\n".join(f"{condition} = 1" for condition in fleet.conditions)
    machines = "\n".join(f"# {name} =" for name in fleet.machines)
    return _TEMPLATE.format(visits=visits, machines=machines)


_TEMPLATE = """\
# SEASON FILE: what the work of a season is made of. slopekit ships no rate: type your own figures.
#
# Find the line, type the number after the = sign and take away the # in front of the line. A line that keeps its # is
# not read. Times may be ranges, such as {{ low = 5.0, expected = 8.0, high = 15.0 }}, which give low and high hours.
# What machines and hand crews cover in an hour stands in the fleet file.

schema = 1

# Minutes of the whole crew at each visit to a parcel, whatever machines are brought.
# set_up_visit_min = 0.0
# Money for a paid hour of one person. Absent: hours are worked out, and no money.
# person_rate_h =

# Visits in the season under each condition of the fleet file.
[visits]
{visits}

# The working day: hours spent at the work itself, hours that are paid, people in the crew. All three, or none: without
# them no days are worked out, and no money.
# [day]
# productive_hours =
# paid_hours =
# crew_size =

[travel]
# Minutes for a machine or a hand crew to get to each zone that it works, or each spot of a row.
# to_zone_min = 0.0
# Minutes and kilometres of driving for each visit to a parcel, and money a kilometre.
# to_parcel_min = 0.0
# to_parcel_km = 0.0
# cost_per_km = 0.0

# Money an hour for each machine, without its people. A hand crew without a figure costs its people only.
[machine_rates_h]
{machines}

# Supervision over the season: hours, and money an hour.
# [supervisor]
# hours =
# rate_h =
"""
