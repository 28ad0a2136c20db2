"""The machine classes, how they are named and drawn, and the ways in which they work."""

from dataclasses import dataclass


@dataclass(frozen=True)
class ClassMark:
    """How one machine class is named and drawn. `hatch` keeps classes apart in grey print and for colour-blind eyes."""

    code: str
    label: str
    colour: str
    hatch: str
    """'' plain, or one of '/', '\\', '-', '|', 'x', '.'."""


# From the least to the most restricted. The order is the one of `machine_class`: a ride-on is the least restricted
# answer since a company that may ride there may also send anybody else.
CLASSES: tuple[ClassMark, ...] = (
    ClassMark("ride-on", "Ride-on (operator seated)", "#f3ecc8", ""),
    ClassMark("stand-on", "Stand-on (operator standing)", "#d9c58a", "/"),
    ClassMark("walk-behind", "Walk-behind (operator on foot)", "#b39bc8", "\\"),
    ClassMark("remote-controlled", "Remote-controlled (nobody on it)", "#7c83b8", "-"),
    ClassMark("hand crew", "Hand crew (trimmers, on foot)", "#c97b63", "x"),
    ClassMark("none", "No work before a site visit", "#5b2333", "|"),
    ClassMark("excluded", "Left out (your layer)", "#d5d8da", "."),
)
MACHINE_CLASSES: tuple[str, ...] = tuple(c.code for c in CLASSES[:5])
WAYS = ("either", "across", "up-and-down", "differs by machine")
HAZARDS = ("water", "drop", "hazard", "unknown", "none")
"""What the field `hazard` of zones and paths may say."""
