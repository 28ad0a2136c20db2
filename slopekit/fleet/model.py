"""The fleet file as frozen models. Every limit is the company's own; one that is absent refuses."""

import hashlib
from collections.abc import Iterable, Mapping
from itertools import pairwise
from typing import Literal, Self

from pydantic import Field, model_validator

from slopekit.fleet.figures import FrozenModel, Part, nearest, refuse
from slopekit.fleet.machine import Condition, ConditionId, Limits, Machine, MachineId
from slopekit.fleet.settings import RouteSettings, SoftGroundSettings, SurveySettings, ZoneSettings
from slopekit.hazards.settings import HazardSettings
from slopekit.landforms.settings import LandformSettings
from slopekit.runout.settings import USUAL_SPEED_KMH, RunoutSettings
from slopekit.terrain.settings import TerrainSettings

MOST_PAIRS = 600
"""Machines times conditions. Each pair takes 3 bytes a cell and a look at every rule: 0.9 GB for a window of 500,000
cells."""


class SlopeFactor(FrozenModel):
    """What is left of a rate on ground up to a slope. Bands follow each other from level ground to 90 degrees."""

    to_deg: float = Field(gt=0.0, le=90.0)
    """Degrees, upper end of the band, by the mean local slope of the zone. Required."""
    machine: Part = 1.0
    """What field capacity is multiplied by, over 0 and at most 1. Default 1."""
    hand: Part = 1.0
    """What the hand rate is multiplied by, over 0 and at most 1. Default 1."""


class WorkSettings(FrozenModel):
    """Settings of the hours."""

    slope_factors: list[SlopeFactor] = Field(default_factory=list)

    @model_validator(mode="after")
    def _bands(self) -> Self:
        if self.slope_factors and self.slope_factors[-1].to_deg != 90.0:
            last = self.slope_factors[-1].to_deg
            raise refuse("slope_factors", None, f"ends with to_deg = {last:g}: add a band with to_deg = 90.0")
        for lower, upper in pairwise(self.slope_factors):
            if upper.to_deg <= lower.to_deg:
                raise refuse(
                    "slope_factors", None, f"must rise, but to_deg = {upper.to_deg:g} follows {lower.to_deg:g}"
                )
            if upper.machine > lower.machine or upper.hand > lower.hand:
                raise refuse("slope_factors", None, f"must not grow with slope: look at to_deg = {upper.to_deg:g}")
        return self


class Fleet(FrozenModel):
    """Everything in the fleet file: the settings, the conditions, and the machines in file order."""

    schema_version: Literal[1] = Field(alias="schema")
    """Version of the file's layout. Required: 1."""

    terrain: TerrainSettings = TerrainSettings()
    hazards: HazardSettings = HazardSettings()
    runout: RunoutSettings = RunoutSettings()
    zones: ZoneSettings = ZoneSettings()
    landforms: LandformSettings = LandformSettings()
    soft_ground: SoftGroundSettings = SoftGroundSettings()
    survey: SurveySettings = SurveySettings()
    work: WorkSettings = WorkSettings()
    routes: RouteSettings = RouteSettings()
    conditions: dict[ConditionId, Condition] = Field(min_length=1)
    machines: dict[MachineId, Machine] = Field(min_length=1)

    @model_validator(mode="after")
    def _hangs_together(self) -> Self:
        for name, machine in self.machines.items():
            for condition in machine.limits:
                if condition not in self.conditions:
                    like = nearest(condition, self.conditions)
                    hint = f"the nearest known one is '{like}'" if like else f"known are {', '.join(self.conditions)}"
                    raise refuse(
                        f"machines.{name}.limits.{condition}", None, f"names a condition that the file lacks: {hint}"
                    )
        pairs = len(self.machines) * len(self.conditions)
        if pairs > MOST_PAIRS:
            raise refuse(
                "machines",
                None,
                f"and conditions make {pairs:,} pairs, and {MOST_PAIRS:,} at most are judged: let one machine stand "
                "for all that have the same figures",
            )
        if self.soft_ground.wetness_from is not None and self.runout.look_m < self.soft_ground.wetness_length_m:
            raise refuse(
                "runout.look_m",
                self.runout.look_m,
                "is too little to ask for wetness: type at least soft_ground.wetness_length_m, which is "
                f"{self.soft_ground.wetness_length_m:g}",
            )
        if self.terrain.max_margin_m < self.runout.look_m:
            raise refuse(
                "terrain.max_margin_m",
                self.terrain.max_margin_m,
                f"is less than runout.look_m: type {self.runout.look_m:g} or more",
            )
        return self

    @property
    def fastest_kmh(self) -> float:
        """The highest working speed of a machine; one whose speed is not given counts as `USUAL_SPEED_KMH`."""
        speeds = [m.top_speed_kmh for m in self.machines.values() if m.operator != "hand"]
        return max((USUAL_SPEED_KMH if speed is None else speed for speed in speeds), default=0.0)

    @property
    def soft_pressure_kpa(self) -> float | None:
        """Kilopascal; None refuses every machine on soft ground."""
        return self.soft_ground.pressure_limit_kpa

    @property
    def survey_max_age_years(self) -> float | None:
        """Years; None judges no age."""
        return self.survey.max_age_years

    def limits(self, machine_id: str, condition_id: str) -> tuple[float | None, float | None]:
        """Steepest ground in degrees, (across, up and down), for one machine under one condition.

        The condition's own limit if given, else the machine's times the condition's factor, else None, which refuses.
        The mechanical ceiling then lowers what is given and adds nothing. KeyError for an unknown id.
        """
        machine, condition = self.machines[machine_id], self.conditions[condition_id]
        own = machine.limits.get(condition_id, Limits())

        def one(special: float | None, base: float | None) -> float | None:
            limit = special
            if limit is None and base is not None and condition.limit_factor is not None:
                limit = base * condition.limit_factor
            if limit is None or machine.ceiling_deg is None:
                return limit
            return min(limit, machine.ceiling_deg)

        return one(own.across_deg, machine.across_deg), one(own.up_down_deg, machine.up_down_deg)

    def refused_on_soft(self, machine_id: str, condition_id: str) -> bool:
        """Whether soft ground refuses the machine under the condition. Missing pressures refuse; the hand crew may."""
        machine = self.machines[machine_id]
        if machine.operator == "hand" or not self.conditions[condition_id].soft:
            return False
        pressure, limit = machine.ground_pressure_kpa, self.soft_pressure_kpa
        return pressure is None or limit is None or pressure > limit

    def as_notes(self) -> list[tuple[str, str]]:
        """Every setting as (key path, value) for the run notes, defaults included; 'not given' where absent."""
        return flat_notes(self)

    @property
    def checksum(self) -> str:
        """'sha256:' and the hash of the settings: the same for files that differ in comments and layout only."""
        return _hash(self.as_notes())

    @property
    def zones_checksum(self) -> str:
        """The same of what zones and their layers rest on: without what only hours and advice are made from."""
        return _hash(row for row in self.as_notes() if not is_labour(row[0]) and _key(row[0]) not in ADVICE_KEYS)


LABOUR_KEYS = (
    "work_factor", "efficiency", "people", "set_up_min", "overlap_m", "turn_s", "hand_rate_m2_h", "edge_rate_m_h",
)  # fmt: skip
"""Keys that change hours and nothing else."""
ADVICE_KEYS = ("tread",)
"""Keys that change advice on sheets and nothing else."""


def is_labour(name: str) -> bool:
    """Whether a setting, by its key path, changes hours and nothing else."""
    return name.startswith("work.") or _key(name) in LABOUR_KEYS


def _key(name: str) -> str:
    return name.rpartition(".")[2]


def _hash(notes: Iterable[tuple[str, str]]) -> str:
    text = "\n".join(f"{name}={value!r}" for name, value in notes)
    return "sha256:" + hashlib.sha256(text.encode()).hexdigest()


def flat_notes(model: FrozenModel) -> list[tuple[str, str]]:
    """Every value of a model as (key path, value); 'not given' where absent."""
    return list(_flat("", model.model_dump(by_alias=True)))


def _flat(path: str, value: object) -> Iterable[tuple[str, str]]:
    if isinstance(value, Mapping):
        for key, below in value.items():
            yield from _flat(f"{path}.{key}" if path else str(key), below)
    elif isinstance(value, list):
        for number, one in enumerate(value, 1):
            yield from _flat(f"{path}.{number}", one)
    elif value is None:
        yield path, "not given"
    elif isinstance(value, bool):
        yield path, "true" if value else "false"
    else:
        yield path, str(value)
