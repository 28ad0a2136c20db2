"""What is known of one spot, and the answer there for one machine under one condition."""

from collections.abc import Mapping
from dataclasses import dataclass

from slopekit.explain.refusals import Refusal


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
    ends_path: bool
    """Whether the path down from the spot ends in it."""


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
class PathDown:
    """The path down from the spot to a hazard that is shown as evidence."""

    end: str
    """'water', 'drop' or 'hazard'."""
    body: str
    """Name of the body that it ends in; empty for what was given, and for a body that is cut."""
    end_x: float
    end_y: float
    """In the CRS of the elevation's grid."""
    length_m: float
    fall_m: float
    landing_m: float
    """Length of the path that is gentle enough to stop on, all together."""


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
    looked_m: float
    """How far round the spot edges were looked for."""
    water_m: float | None
    """From the cell to the nearest water; None where there is none as far as was looked."""
    drop_m: float | None
    """From the cell to the nearest top of a drop."""
    within_stand_off: bool
    bodies: tuple[Body, ...]
    """Nearest first: the nearest of each kind, all within the stand-off, and the one that the path ends in."""
    said: tuple[Said, ...]
    shares: Mapping[str, float]
    """Parts of the paths down by outcome, see `kernels.descent.OUTCOMES`."""
    stray: str | None
    """'water', 'drop' or 'hazard': nearest hazard of the fan of paths that stray from the steepest one."""
    hazard_m: float | None
    """Least path length to the hazard below, of the fan where one was followed."""
    fall_m: float | None
    """Fall to it along that path."""
    path: PathDown | None
    endless: bool
    """Whether some path down goes on for longer than it is followed."""
    gentle_ahead_m: float
    """Least length of gentle ground on the paths down from here on."""
    landing: bool
    floor: str
    """Floor of a deep hollow: 'none', 'wet' (may hold water), 'dry' (so stated), 'pond' (has water in it)."""
    speed_to_hazard_kmh: Mapping[str, float | None]
    """By condition: least speed of a machine out of control that gets to a hazard; None where none is reached."""
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
