"""The one registry of what slopekit writes: every layer, field, band, class and reason, with type, unit and meaning.

Schemas, documentation, legends and tests read it. Names with `<condition>` stand for one field per condition of the
fleet file.
"""

from collections.abc import Iterable
from dataclasses import dataclass

from slopekit.schema.field_rows import ROWS

SCHEMA_VERSION = 5


@dataclass(frozen=True)
class Field:
    layer: str
    name: str
    type: str
    """One of str, int, float, bool."""
    unit: str
    meaning: str

    def expand(self, conditions: Iterable[str]) -> list["Field"]:
        if "<condition>" not in self.name:
            return [self]
        return [
            Field(self.layer, self.name.replace("<condition>", c), self.type, self.unit,
                  self.meaning.replace("<condition>", f"'{c}'"))
            for c in conditions
        ]  # fmt: skip


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

# Code to words. The order is the order of precedence for `reason`: what can kill first, then what cannot be known,
# then what merely cannot be done.
REASONS: dict[str, str] = {
    "no_go": "a person on site marked this ground as no-go",
    "unknown_ground": "the ground here, or ground that a machine could get to, is not known",
    "above_water": "a machine that rolls from here gets to water",
    "above_drop": "a machine that rolls from here gets to a drop",
    "above_hazard": "a machine that rolls from here gets to a road, railway or other marked hazard",
    "beyond_look": "a machine could run on beyond the ground that was looked at",
    "stand_off": "a water's edge or the top of a drop is within the stand-off distance",
    "unknown_basin": "a machine could get to a hollow that may hold water",
    "reach": "a machine at its working speed could get to a hazard",
    "slope": "the slope is over the company's limit",
    "no_limit_given": "the fleet file gives no limit for this",
    "soft": "the ground is likely to be soft and the machine presses harder than the limit",
    "low_clearance": "trees hang low enough that a roll bar would have to be folded",
    "narrow": "the machine does not fit between refused ground",
    "no_route": "there is no way in and out from an entrance",
}
REASON_CODES: tuple[str, ...] = tuple(REASONS)

WAYS = ("either", "across", "up-and-down", "differs by machine")
HAZARDS = ("water", "drop", "hazard", "unknown", "none")

LAYERS: dict[str, str] = {
    "zones": "Ground by the least restricted machine class that no evaluated rule refuses",
    "parcels": "The parcels, with areas by class",
    "water": "Water that was given, water inferred from flat cells, and ponds that the survey may show unflattened",
    "drops": "Crest lines of drops, with height",
    "paths": "For each refused zone the easiest path for a machine from its highest cell to the hazard",
    "profiles": "Points along each of these paths: the ground, the energy line of a machine and its speed",
    "routes": "For each zone the route in for its governing machine, and the route out where it is another",
    "starts": "Where the first pass of a sloped zone begins: at its foot",
    "directions": "The first pass of a sloped zone",
    "corrections": "What people on site drew, who said it, and what became of it",
    "run_notes": "Settings, inputs, what was decided and what was not assessed",
}
# Written when landforms are asked for.
LANDFORM_LAYERS: dict[str, str] = {
    "basins": "Hollows that hold water back, dry or wet, at the level where they spill",
    "basin_floors": "The lowest ground of each basin: likely to be soft where it is gentle and not water",
    "berms": "Crest lines of raised, elongate forms: berms, levees, embankments",
    "berm_sides": "The two faces of each berm",
    "stage_storage": "Area and volume of each basin by water level",
    "water_bodies": "Every body of water: given, inferred from flat cells, or ponds and lakes that may be unflattened",
}
# Written by `slopekit hours`, as sheets and not on the map; `passes` is a layer of its own.
BID_TABLES: dict[str, str] = {
    "work": "Every piece of work of one visit",
    "totals": "Sums over the season, by parcel, machine, class and condition",
    "crew_days": "Days of the crew",
    "not_priced": "Ground and edges that nobody is given, or that have no rate",
    "figures": "What the hours rest on: figures of the fleet file and the season file",
}
PASS_LAYERS: dict[str, str] = {"passes": "Passes from the foot upward, where the operator's manual allows work across"}
ALL_LAYERS: dict[str, str] = {**LAYERS, **LANDFORM_LAYERS}
# Written of a portfolio.
PORTFOLIO_LAYERS: dict[str, str] = {
    "sources": "Which survey answers each parcel",
    "failures": "Parcels without an answer, and why",
}
# Written by `slopekit points`, a file each.
POINT_LAYERS: dict[str, str] = {
    "point_walls": "Steps that the points show, the upper side on the left",
    "point_water": "Water by class, and places without returns as level as a pond",
    "point_canopy": "Ground under trees that hang low, or that no pulse got under",
    "point_exclude": "Buildings and bridges by class",
}


def _read(layer: str, rows: str) -> list[Field]:
    return [Field(layer, *(part.strip() for part in row.split("|", 3))) for row in rows.strip().splitlines()]


FIELDS: tuple[Field, ...] = tuple(field for layer, rows in ROWS.items() for field in _read(layer, rows))


def fields_of(layer: str, conditions: Iterable[str] = ()) -> list[Field]:
    """The fields of one layer in output order, with `<condition>` written out."""
    names = list(conditions)
    return [g for f in FIELDS if f.layer == layer for g in f.expand(names)]
