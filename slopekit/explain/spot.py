"""What is known of one spot, and the answer there for one machine under one condition."""

from collections.abc import Mapping
from dataclasses import dataclass

from slopekit.runout.profile import Array, Profile


@dataclass(frozen=True)
class Refusal:
    """One reason code against one machine under one condition, at one spot."""

    code: str
    numbers: Mapping[str, float | None]
    """What was compared, by name with its unit; None where the fleet file does not give it."""
    words: str
    """What is so here, whoever works here: a clause without a full stop."""
    own: str
    """What this machine has against it, such as its limits; empty where nothing."""
    lift: str
    """What would lift the refusal; empty where nothing is said of that."""


@dataclass(frozen=True)
class Body:
    """A piece of water or a drop that the survey shows near the spot, by the name that corrections use."""

    body: str
    """Empty where the ground that was read cuts the body, so that it has no name here."""
    what: str
    """'water inferred', 'possible water' or 'drop'."""
    state: str
    """'found'; 'confirmed' or 'rejected' by a person on site; 'given' where the user's water covers all of it."""
    distance_m: float
    """From the cell; 0 where it is part of the body or touches it."""
    area_m2: float | None
    """None where the body is cut."""
    height_m: float | None
    """Greatest fall of a drop; None for water and for a drop that was rejected."""
    length_m: float | None
    """Length of a drop along its longest piece of crest; None for water and for a drop that was rejected."""
    ends_path: bool
    """Whether a machine out of control gets to it from the spot, with more or less speed."""


@dataclass(frozen=True)
class Said:
    """A correction that speaks of this spot or of a body near it, and what became of it here."""

    number: int
    what: str
    body: str
    who: str
    when: str
    why: str
    frees: bool
    """This rejection alone frees the spot from a hazard or its stand-off."""
    effect: str


@dataclass(frozen=True)
class Run:
    """The path of least head from the spot to one kind of thing that a machine must not get to, under one condition."""

    condition: str
    to: str
    """One of `run_out.KINDS`."""
    named: str
    """More about what it gets to: a body's name, a drop's length; empty where there is nothing to say."""
    body: str
    """Name of the body that it ends in; empty for what was given, and for a body that is cut."""
    found: bool
    """Whether the survey shows what it ends in, rather than the user's layers."""
    end_x: float
    end_y: float
    """In the CRS of the elevation's grid."""
    from_kmh: float
    """Least speed with which a machine gets there."""
    length_m: float
    fall_m: float
    across: bool
    """Whether the path leaves the fall line by more than 45 degrees."""
    arrival_kmh: float
    """Speed at the end, of the machine that starts with `from_kmh`."""
    stopped_m: float | None
    """How far a machine gets that starts with the highest working speed of the fleet; None where it gets to the end."""


@dataclass(frozen=True)
class Trace:
    """Where a run goes: its cells from the spot to the end, and what a machine does on them."""

    x: Array
    y: Array
    """(n,): the cells' centres, in the CRS of the elevation's grid."""
    profile: Profile
    """Of the machine that starts with the least speed that gets there."""


@dataclass(frozen=True)
class Spot:
    """The numbers of the working cell that holds one spot. Lengths in metres, slopes in degrees, None: not known."""

    x: float
    y: float
    """In the CRS of the elevation's grid."""
    cell_m: tuple[float, float]
    """Width and height of the cell."""
    elevation_m: float
    slope_deg: float | None
    """Local slope."""
    slope_percent: float | None
    slope_hv: str | None
    """Run to rise, such as '3.0:1'."""
    machine_slope_deg: float | None
    """Slope over the length of a machine, which is compared with limits."""
    aspect_deg: float | None
    """Downslope direction, clockwise from grid north; None on level ground too."""
    slope_error_deg: float | None
    """Standard error of the compared slope."""
    here: tuple[str, ...]
    """What the cell itself is: some of the keys of `words.HERE`."""
    drop_height_m: float | None
    """Fall of the drop whose upper edge is here."""
    water_m: float | None
    """From the cell to the nearest water; None where there is none within the look."""
    drop_m: float | None
    """From the cell to the nearest top of a drop."""
    within_stand_off: bool
    bodies: tuple[Body, ...]
    """Nearest first: the nearest of each kind, all within the stand-off, and those that a run ends in."""
    said: tuple[Said, ...]
    parcel: str | None
    """The parcel whose look the answer rests on; None: the spot's own."""
    look_m: float
    """How far round the parcel, or the spot, hazards were looked for."""
    runs: tuple[Run, ...]
    """By condition, the least head first; only what a machine gets to at up to `runs.ASKED_KMH`."""
    floor: str
    """Floor of a deep hollow: 'none', 'wet' (may hold water), 'dry' (so stated), 'pond' (has water in it)."""
    soft: bool
    soft_floor: bool
    """Soft since it is a gentle floor of a hollow, whether drawn as soft or not."""
    soft_wet: bool
    """Soft for its wetness index, or since that is asked for and not known."""
    wetness: float | None
    """Topographic wetness index; None where it is not known, and where it is not asked for."""
    channel: bool
    """Likely in the channel of a brook or ditch."""
    canopy: bool
    no_go: bool
    """A person on site said that nobody may work here."""
    excluded: bool


@dataclass(frozen=True)
class Answer:
    """One machine under one condition at one spot."""

    machine: str
    machine_class: str
    condition: str
    permitted: bool
    """No rule that was evaluated refuses it."""
    across_deg: float | None
    up_down_deg: float | None
    """The limits that hold, after factor and ceiling."""
    way: str | None
    """Way of working that is left open: 'either', 'across' or 'up-and-down'; None where refused."""
    fits: bool | None
    """None where the fit is not judged: refused already, or on foot."""
    near_limits: tuple[float, ...] | None
    """Limits (degrees) that the compared slope is too near to call; None where the survey's error is not known."""
    local_over: bool
    """A short steeper place: the local slope is over a limit that the compared slope keeps."""
    refusals: tuple[Refusal, ...]
