"""What a person on site can say in a correction: the words, how each is drawn, what it needs, and the record."""

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import shapely

WHAT: dict[str, str] = {
    "water": "a pond, ditch or stream",
    "wall": "a wall with lower ground beside it",
    "edge": "the upper edge of a drop",
    "soft ground": "ground that a heavy machine would sink into",
    "low clearance": "branches or beams too low for a roll bar that stands up",
    "no-go": "nobody may work here",
    "dry": "this hollow holds no water",
    "confirm": "the body of water or drop that is named is there",
    "reject": "the body of water or drop that is named is not there",
}
"""What a correction can say, and what that means."""

DRAWN_AS: dict[str, tuple[str, ...]] = {
    "water": ("polygon", "line"),
    "wall": ("line",),
    "edge": ("line",),
    "soft ground": ("polygon", "line"),
    "low clearance": ("polygon", "line"),
    "no-go": ("polygon", "line"),
    "dry": ("polygon",),
    "confirm": ("polygon", "line", "point"),
    "reject": ("polygon", "line", "point"),
}
"""Shapes that each may have."""

NEEDED: dict[str, tuple[str, ...]] = {
    "dry": ("survey", "who", "when", "why"),
    "confirm": ("body", "who", "when"),
    "reject": ("body", "survey", "who", "when", "why"),
}
"""Columns that must be filled. What only adds a hazard needs none, since a person in a hurry must be able to add it."""

WIDENED = ("water", "soft ground", "low clearance", "no-go")
"""Lines of these stand for an area, so they need a width."""

LAYER_START = "corrections"
"""In a file with several layers, those whose names begin like this hold the corrections."""

LEAST_DIGITS = 12
"""Of a survey's checksum that tell it from others."""


@dataclass(frozen=True)
class Correction:
    """One feature that a person on site drew."""

    number: int
    """From 1, over all the layers of the file."""
    what: str
    """One of WHAT."""
    geometry: "shapely.Geometry"
    """In the working CRS; a line that stands for an area is already that wide."""
    body: str = ""
    """Id of the body of water or drop that it speaks of."""
    survey: str = ""
    """Checksum of the survey that it holds for, or the start of it."""
    who: str = ""
    when: str = ""
    """ISO date."""
    why: str = ""
    height_m: float | None = None
    """Height of a wall or an edge, where given."""
    feature: str = ""
    """Where a person finds it in the file, in words."""


def holds_for(correction: Correction, checksum: str) -> bool:
    """Whether a correction names the survey with this checksum: all of it, or at least its first 12 digits."""
    said, true = correction.survey.lower(), checksum.lower()
    if ":" not in said:
        true = true.rpartition(":")[2]
    digits = said.rpartition(":")[2]
    return bool(digits) and (said == true or (len(digits) >= LEAST_DIGITS and true.startswith(said)))
