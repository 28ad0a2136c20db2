"""The one registry of what slopekit writes: every layer, field, band, class and reason, with type, unit and meaning.

Schemas, documentation, legends and tests read it. Names with `<condition>` stand for one field per condition of the
fleet file.
"""

from collections.abc import Iterable
from dataclasses import dataclass

SCHEMA_VERSION = 2


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
    ClassMark("none", "Nobody without a site visit", "#5b2333", "|"),
    ClassMark("excluded", "Excluded by the user's layer", "#d5d8da", "."),
)
MACHINE_CLASSES: tuple[str, ...] = tuple(c.code for c in CLASSES[:5])

# Code to words. The order is the order of precedence for `reason`: what can kill first, then what cannot be known,
# then what merely cannot be done.
REASONS: dict[str, str] = {
    "no_go": "a person on site marked this ground as no-go",
    "unknown_ground": "the ground here, or where the way down from it ends, is not known",
    "above_water": "the ground below runs on down to water",
    "above_drop": "the ground below runs on down to a drop",
    "above_hazard": "the ground below runs on down to a road, railway or other marked hazard",
    "stand_off": "a water's edge or the top of a drop is within the stand-off distance",
    "unknown_basin": "the ground below runs down to a hollow that may hold water",
    "reach": "a machine at its working speed could run on to the hazard below",
    "slope": "the slope is over the company's limit",
    "no_limit_given": "the fleet file gives no limit for this",
    "soft": "the ground is likely to be soft and the machine presses harder than the limit",
    "low_clearance": "trees hang low enough that a roll bar would have to be folded",
    "narrow": "the machine does not fit between refused ground",
    "no_route": "no way in for the machine",
}
REASON_CODES: tuple[str, ...] = tuple(REASONS)

WAYS = ("either", "across", "up-and-down", "by machine")
HAZARDS = ("water", "drop", "hazard", "unknown", "none")

LAYERS: dict[str, str] = {
    "zones": "Ground by the least restricted machine class that no evaluated rule refuses",
    "parcels": "The parcels, with areas by class",
    "water": "Water that was given, water inferred from flat cells, and ponds that the survey may show unflattened",
    "drops": "Crest lines of drops, with height",
    "paths": "For each refused zone the path from its highest cell down to the hazard",
    "profiles": "Points along each of these paths, with the height of the ground",
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
}
ALL_LAYERS: dict[str, str] = {**LAYERS, **LANDFORM_LAYERS}
# Written of a portfolio.
PORTFOLIO_LAYERS: dict[str, str] = {
    "sources": "Which survey answers each parcel",
    "failures": "Parcels without an answer, and why",
}


def _fields(layer: str, rows: str) -> list[Field]:
    out = []
    for row in rows.strip().splitlines():
        name, kind, unit, meaning = (part.strip() for part in row.split("|", 3))
        out.append(Field(layer, name, kind, unit, meaning))
    return out


FIELDS: tuple[Field, ...] = tuple(
    _fields("zones", """
parcel_id | str | - | the parcel's id, from the id column
zone_id | str | - | parcel id, then z (zone) or s (spots gathered for one host zone), then a number
machine_class | str | - | the least restricted class permitted on the whole zone under every condition evaluated
way | str | - | way that the governing class is held to: either, across, up-and-down, or by machine
permitted | str | - | machine ids permitted on the whole zone under every condition, comma-separated
permitted_<condition> | str | - | machine ids permitted on the whole zone under condition <condition>
class_<condition> | str | - | the class permitted on the whole zone under condition <condition>
share_<condition> | float | 0..1 | part of the zone where a less restricted class would be permitted under <condition>
parts | int | - | number of separate pieces gathered in this row (1 for a zone)
reason | str | - | governing reason for the classes refused
reasons | str | - | every reason met anywhere on the zone, comma-separated
plan_m2 | float | m2 | area on the map
surface_m2 | float | m2 | area along the ground
slope_mean_deg | float | degree | mean local slope
slope_p95_deg | float | degree | 95th percentile of the local slope
slope_max_deg | float | degree | steepest local slope
limit_slope_max_deg | float | degree | steepest slope as compared with the limits (machine scale)
local_over_share | float | 0..1 | part whose local slope is over a limit that the compared slope keeps
slope_max_hv | str | H:V | steepest local slope as horizontal to vertical
aspect_deg | float | degree | mean downslope direction, clockwise from grid north
hazard | str | - | what the ground runs down to: water, drop, hazard, unknown, none
hazard_m | float | m | least path length down to the hazard
fall_m | float | m | greatest fall to the hazard along that path
hazard_share | float | 0..1 | greatest share of the flow that ends in a hazard
reach_kmh | float | km/h | least speed from which a machine out of control would arrive at the hazard
marginal_share | float | 0..1 | part whose slope is too near a limit of the governing class to call: measure on site
realisations_share | float | 0..1 | part of the drawn errors of the survey with over 5 % of the zone above a hazard
note | str | - | the zone in plain words
""")
    + _fields("parcels", """
parcel_id | str | - | the parcel's id, from the id column
plan_m2 | float | m2 | area on the map
surface_m2 | float | m2 | area along the ground
zones | int | - | number of zones
spots | int | - | number of rows that gather spots
ride_on_m2 | float | m2 | plan area of class ride-on
stand_on_m2 | float | m2 | plan area of class stand-on
walk_behind_m2 | float | m2 | plan area of class walk-behind
remote_controlled_m2 | float | m2 | plan area of class remote-controlled
hand_crew_m2 | float | m2 | plan area of class hand crew
none_m2 | float | m2 | plan area that no class may work
excluded_m2 | float | m2 | plan area of the user's exclusions
unknown_m2 | float | m2 | plan area with the reason unknown_ground
marginal_share | float | 0..1 | part of the ground too near a limit to call
margin_m | float | m | least margin of ground read round the parcel
note | str | - | the parcel in plain words, with what was not assessed
""")
    + _fields("water", """
parcel_id | str | - | the parcel whose surroundings this was found in
origin | str | - | given, inferred from flat cells, possible water, or confirmed on site
body | str | - | name that corrections use; empty if given, or not all within the parcel's margin
area_m2 | float | m2 | area of the part shown
""")
    + _fields("drops", """
parcel_id | str | - | the parcel whose surroundings this was found in
origin | str | - | ground (found in the grid), given (the user's wall or edge line), or confirmed on site
body | str | - | name that corrections use; empty if given, or not all within the parcel's margin
height_m | float | m | greatest fall of the run of steep steps
""")
    + _fields("paths", """
parcel_id | str | - | the parcel's id
zone_id | str | - | the zone that this path explains
hazard | str | - | what it ends in
length_m | float | m | length on the map
fall_m | float | m | fall from its start to its end
""")
    + _fields("profiles", """
parcel_id | str | - | the parcel's id
zone_id | str | - | the zone whose path this point lies on
point | int | - | number of the point, from 1 at the top
distance_m | float | m | distance from the start, on the map
height_m | float | m | height of the ground
filled_m | float | m | the same with its shallow hollows filled, as the way down is followed
landing | bool | - | the ground here is gentle enough to stop on
reach_kmh | float | km/h | least speed with which a machine out of control arrives, by this path or an easier one
mark | str | - | start, or hazard and its kind
""")
    + _fields("corrections", """
number | int | - | number of the correction in its file
what | str | - | what was said: water, wall, edge, soft ground, low clearance, no-go, dry, confirm, reject
body | str | - | name of the body or drop that is spoken of
survey | str | - | checksum of the survey that it was said of
who | str | - | who said it
when | str | - | date
why | str | - | why
effect | str | - | what became of it
""")
    + _fields("basins", """
basin | str | - | name of the basin in this survey
inside | str | - | name of the least basin that it lies in; empty in none
parcels | str | - | ids of the parcels that it touches, comma-separated
depth_m | float | m | from the lowest ground to the spill level
area_m2 | float | m2 | area on the map below the spill level
volume_m3 | float | m3 | between the ground and the spill level
low_z_m | float | m | elevation of the lowest ground
spill_z_m | float | m | elevation at which it spills
spill_x | float | CRS unit | where it spills, east
spill_y | float | CRS unit | where it spills, north
perimeter_m | float | m | length of the line at the spill level
approach_m | float | m | length of it with a way down to the floor no steeper than the approach limit; 0: none
floor_m2 | float | m2 | area of the floor
floor_slope_deg | float | degree | median slope of the floor
soft_m2 | float | m2 | part of the floor that is gentle and not water: likely to be soft
side_hv | float | H:V | median side slope, run per unit rise
side_hv_p90 | float | H:V | a tenth of the side is steeper than this
side_hv_steepest | float | H:V | steepest place of the side
side_over_4_1 | float | 0..1 | part of the side steeper than 4:1
side_over_3_1 | float | 0..1 | part of the side steeper than 3:1
side_over_2_1 | float | 0..1 | part of the side steeper than 2:1
wet | bool | - | water lies in it
water_m2 | float | m2 | area of that water
rectangularity | float | 0..1 | its area over that of the least rectangle round it
side_regularity | float | 0..1 | how much alike its side slopes are
floor_flatness | float | 0..1 | part of the floor no steeper than 5 %
berm_beside | float | 0..1 | part of its rim that lies on berms
likeness | float | 0..1 | mean of these four: how much it looks like a built basin. A description, not a verdict
beside_void | bool | - | it spills beside missing ground, which may make it larger
""")
    + _fields("basin_floors", """
basin | str | - | name of the basin
area_m2 | float | m2 | area of the floor
slope_deg | float | degree | median slope of what is not water
soft_m2 | float | m2 | part that is gentle and not water: likely to be soft
wet | bool | - | water lies in the basin
""")
    + _fields("berms", """
berm | str | - | name of the berm in this survey
basin | str | - | name of the basin that it belongs to; empty for none
parcels | str | - | ids of the parcels that it touches, comma-separated
length_m | float | m | length of the crest line
height_m | float | m | mean height of the crest above the line between its toes
crest_width_m | float | m | median width of the crest
width_m | float | m | median width between the toes
volume_m3 | float | m3 | volume above the line between its toes
closed | bool | - | it goes all round
left_height_m | float | m | mean height above the left toe, seen along the line
left_greatest_m | float | m | greatest height above the left toe
left_hv | float | H:V | median slope of the left face, run per unit rise
left_steepest_hv | float | H:V | steepest place of the left face
right_height_m | float | m | mean height above the right toe
right_greatest_m | float | m | greatest height above the right toe
right_hv | float | H:V | median slope of the right face, run per unit rise
right_steepest_hv | float | H:V | steepest place of the right face
open_end | bool | - | it meets missing ground or the widest ground that was read: it may go on there
""")
    + _fields("berm_sides", """
berm | str | - | name of the berm
side | str | - | left or right, seen along the crest line
height_m | float | m | mean height of the crest above this side's toe
hv | float | H:V | median slope, run per unit rise
steepest_hv | float | H:V | steepest place
area_m2 | float | m2 | area on the map
""")
    + _fields("stage_storage", """
basin | str | - | name of the basin
level | int | - | number of the level, from 0 at the lowest ground
stage_m | float | m | height above the lowest ground
elevation_m | float | m | elevation of the level
area_m2 | float | m2 | area of ground below the level
volume_m3 | float | m3 | volume below the level
""")
    + _fields("sources", """
parcel_id | str | - | the parcel's id, from the id column
survey | str | - | start of the survey's name
crs | str | - | the survey's coordinate reference system, in which areas are measured
cell_m | float | m | side of the survey's cells
survey_date | str | - | date of the survey; empty where nothing tells
covers | str | - | what the survey's tiles cover: whole (parcel and margin), margin cut, in part
tiles | int | - | tiles of the survey that meet the parcel and its margin
""")
    + _fields("failures", """
parcel_id | str | - | the parcel's id, from the id column
sentence | str | - | what is wrong, and what can be done
""")
    + _fields("run_notes", """
topic | str | - | inputs, settings, ground, not assessed, cautions
name | str | - | what the entry is about
value | str | - | the value or the sentence
""")
    + _fields("rasters", """
slope | float | degree | local slope
limit_slope | float | degree | slope as compared with the limits
aspect | float | degree | downslope direction, clockwise from grid north; missing on level ground
outcome | int | code | where the greatest share of the flow ends: 1 water, 2 drop, 3 hazard, 4 level, 5 basin, 6 unknown
reach | float | km/h | least speed that arrives at a hazard out of control, in the slipperiest condition
""")
)  # fmt: skip


def fields_of(layer: str, conditions: Iterable[str] = ()) -> list[Field]:
    """The fields of one layer in output order, with `<condition>` written out."""
    names = list(conditions)
    return [g for f in FIELDS if f.layer == layer for g in f.expand(names)]
