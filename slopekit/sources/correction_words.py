"""The vocabulary of corrections: what each can say, how it is drawn, and what must be filled in."""

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
