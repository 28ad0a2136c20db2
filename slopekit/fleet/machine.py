"""A condition and a machine of the fleet file as frozen models."""

from collections.abc import Mapping
from datetime import date
from typing import Annotated, Any, Literal, Self

from pydantic import Field, StringConstraints, model_validator

from slopekit.fleet.figures import NOTHING, Amount, FrozenModel, Part, Rate, Share, Speed, refuse

MachineClass = Literal["ride-on", "stand-on", "walk-behind", "remote-controlled", "hand crew"]
Operator = Literal["seated", "standing", "walking", "remote", "hand"]

OPERATOR_OF: dict[str, str] = {
    "ride-on": "seated",
    "stand-on": "standing",
    "walk-behind": "walking",
    "remote-controlled": "remote",
    "hand crew": "hand",
}

CROSSING: dict[str, str] = {
    "cross_up_deg": "up_down_deg",
    "cross_down_deg": "up_down_deg",
    "cross_across_deg": "across_deg",
}
"""Limits for driving over ground, and the working limit that counts where one is absent."""

Degrees = Annotated[float, Field(ge=0.0, le=90.0)]
# Machine ids stand in comma-separated lists. Condition ids end column names, and GeoPackage columns ignore case.
MachineId = Annotated[str, StringConstraints(pattern=r"^[A-Za-z0-9_-]{1,40}$")]
ConditionId = Annotated[str, StringConstraints(pattern=r"^[a-z0-9_]{1,40}$")]
Words = Annotated[str, StringConstraints(strip_whitespace=True, min_length=1)]


class Condition(FrozenModel):
    """A state of the ground that machines are judged under, such as dry or wet."""

    friction: float = Field(gt=0.0, le=2.0)
    """Coefficient of sliding friction, no unit. Required: the reach test needs it."""

    limit_factor: float | None = Field(None, ge=0.0, le=1.0)
    """What a machine's own limits are multiplied by, 0 to 1. Default absent: they do not count under this condition."""

    soft: bool = True
    """Whether ground marked as soft counts under this condition. Default true."""

    work_factor: Part = 1.0
    """What field capacity and hand rates are multiplied by, over 0 and at most 1. Default 1."""

    label: str = ""
    """Words for reports. Default empty."""


class Limits(FrozenModel):
    """The steepest ground for one machine under one condition."""

    across_deg: Degrees | None = None
    """Degrees, steepest ground worked across the face. Default absent."""

    up_down_deg: Degrees | None = None
    """Degrees, steepest ground worked up and down the face. Default absent."""


class WrittenException(FrozenModel):
    """The company's signed word that a standing operator may work above a hazard. All three are needed."""

    who: Words
    """Who signed."""
    when: date
    """Date of signing."""
    why: Words
    """Why it was granted."""


class Machine(FrozenModel):
    """One machine, or the hand crew."""

    machine_class: MachineClass = Field(alias="class")
    """The class. It fixes where the operator is."""

    operator: Operator
    """Where the operator is. Default: what the class says."""

    label: str = ""
    """Words for reports. Default empty."""

    across_deg: Degrees | None = None
    """Degrees, steepest ground worked across the face, before the condition's factor. Default absent: refused."""

    up_down_deg: Degrees | None = None
    """Degrees, steepest ground worked up and down, before the condition's factor. Default absent: refused."""

    limits: dict[str, Limits] = Field(default_factory=dict)
    """By condition: limits that replace the machine's own times the factor."""

    ceiling_deg: Degrees | None = None
    """Degrees, the mechanical ceiling from the engine manual. It lowers limits and permits nothing. Default absent."""

    cross_up_deg: Degrees | None = None
    """Degrees, steepest ground driven up on the route to work, before the condition's factor. Default: up_down_deg."""

    cross_down_deg: Degrees | None = None
    """Degrees, steepest ground driven down on the route to work. Default: up_down_deg."""

    cross_across_deg: Degrees | None = None
    """Degrees, steepest ground driven across on the route to work. Default: across_deg."""

    discharge: Literal["right", "left"] = "right"
    """Side that it throws the cut grass to. It decides the corner to start from. Default right."""

    tread: Literal["smooth", "aggressive"] | None = None
    """Tread of its tyres or tracks. An aggressive one tears turf in a turn. Default absent: no advice."""

    width_m: float | None = Field(None, gt=0.0, le=30.0)
    """Metres of working width. Default absent: fit cannot be judged, refused everywhere."""

    speed_kmh: Speed | None = None
    """Working speed in km/h; reach is judged at the high end of a range. Default absent: reach is judged at 10 km/h,
    and no hours are worked out."""

    efficiency: Share | None = None
    """Field efficiency, part of the time spent cutting at full width, 0 to 1. Default absent: no hours."""

    people: Annotated[int, Field(ge=1, le=100)] = 1
    """People that it takes, or that a hand crew has. Default 1."""

    set_up_min: Amount = NOTHING
    """Minutes to bring it out and put it away, for each visit on which it is used. Default 0."""

    overlap_m: Annotated[float, Field(ge=0.0, le=10.0)] = 0.0
    """Metres of the working width that run over the pass before. Default 0."""

    turn_s: Amount = NOTHING
    """Seconds for one turn between passes. Default 0."""

    hand_rate_m2_h: Rate | None = None
    """Hand crew only: square metres along the ground that one person clears in an hour. The company's own figure."""

    edge_rate_m_h: Rate | None = None
    """Hand crew only: metres of edge that one person trims in an hour. The company's own figure."""

    ground_pressure_kpa: float | None = Field(None, gt=0.0, le=1000.0)
    """Kilopascal under the tyres. Default absent: refused on soft ground, the hand crew excepted."""

    roll_bar: Literal["fixed", "folding", "none"] | None = None
    """Roll-over bar. Default absent: a seated machine is refused under low trees."""

    above_hazard: bool | None = None
    """Whether the company lets it work above water, a drop or a marked hazard. On foot, remote and hand only."""

    above_hazard_exception: WrittenException | None = None
    """The written exception for a standing operator. A seated operator can have none."""

    @model_validator(mode="before")
    @classmethod
    def _operator_from_class(cls, data: Any) -> Any:
        if isinstance(data, Mapping) and "operator" not in data and isinstance(data.get("class"), str):
            operator = OPERATOR_OF.get(data["class"])
            return {**data, "operator": operator} if operator else data
        return data

    @model_validator(mode="after")
    def _agrees(self) -> Self:
        right = OPERATOR_OF[self.machine_class]
        if self.operator != right:
            raise refuse(
                "operator",
                self.operator,
                f"does not go with class '{self.machine_class}': type \"{right}\" or leave operator out",
            )
        for key in ("hand_rate_m2_h", "edge_rate_m_h"):
            if getattr(self, key) is not None and self.operator != "hand":
                raise refuse(key, None, "is for a hand crew only: delete the line")
        if self.width_m is not None and self.overlap_m >= self.width_m:
            raise refuse(
                "overlap_m", self.overlap_m, f"must be less than width_m = {self.width_m:g}: correct the number"
            )
        for key, working in CROSSING.items():
            crossed, worked = getattr(self, key), getattr(self, working)
            if crossed is not None and worked is not None and crossed < worked:
                raise refuse(
                    key,
                    crossed,
                    f"is under {working} = {worked:g}, and a machine that works such ground drives over it too: type "
                    f"{worked:g} or more, or lower {working}",
                )
        if self.above_hazard_exception and self.operator == "seated":
            raise refuse(
                "above_hazard_exception",
                None,
                "cannot be given for a seated operator, who is never permitted above water, a drop or a marked hazard "
                "and cannot step off: delete this table",
            )
        if self.above_hazard_exception and self.operator != "standing":
            raise refuse(
                "above_hazard_exception",
                None,
                f'is for standing operators only: for operator "{self.operator}" type above_hazard = true instead',
            )
        if self.above_hazard and self.operator == "seated":
            raise refuse(
                "above_hazard",
                True,
                "cannot be granted, since a seated operator is never permitted above water, a drop or a marked hazard: "
                "delete this line",
            )
        if self.above_hazard and self.operator == "standing":
            raise refuse(
                "above_hazard",
                True,
                "is not enough for a standing operator: write the table above_hazard_exception with who, when and why",
            )
        return self

    @property
    def top_speed_kmh(self) -> float | None:
        """The speed that the reach test is held to."""
        return None if self.speed_kmh is None else float(self.speed_kmh.high)

    @property
    def rides(self) -> bool:
        """Whether the operator sits or stands on the machine."""
        return self.operator in ("seated", "standing")

    @property
    def may_work_above_hazard(self) -> bool:
        """Whether the company has said so. Never for a seated operator; silence refuses."""
        if self.operator == "seated":
            return False
        if self.operator == "standing":
            return self.above_hazard_exception is not None
        return self.above_hazard is True

    @property
    def refused_under_low_trees(self) -> bool:
        """A bar that must be folded or cannot be, or a seated machine whose bar is not known."""
        if self.roll_bar is None:
            return self.operator == "seated"
        return self.roll_bar != "none"
