"""Every field of every table and band: name, type, unit, meaning, one a line. `fields` reads it."""

ROWS: dict[str, str] = {
    "zones": """
parcel_id | str | - | the parcel's id, from the id column
zone_id | str | - | parcel id, then z (zone) or s (spots gathered for one host zone), then a number
machine_class | str | - | the least restricted class permitted on the whole zone under every condition evaluated
way | str | - | way that the governing class is held to: either, across, up-and-down, or differs by machine
permitted | str | - | machine ids permitted on the whole zone under every condition, comma-separated
permitted_<condition> | str | - | machine ids permitted on the whole zone under condition <condition>
class_<condition> | str | - | the class permitted on the whole zone under condition <condition>
less_restricted_share_<condition> | float | 0..1 | part where <condition> permits a less restricted class
parts | int | - | number of separate pieces gathered in this row (1 for a zone)
reason | str | - | why less restricted classes are refused: the gravest reason that holds on most of the zone
reasons | str | - | every reason met anywhere on the zone, comma-separated
plan_m2 | float | m2 | area on the map
surface_m2 | float | m2 | area along the ground
slope_mean_deg | float | degree | mean local slope
slope_p95_deg | float | degree | 95th percentile of the local slope
slope_max_deg | float | degree | steepest local slope
machine_slope_max_deg | float | degree | steepest slope as compared with the limits (machine scale)
short_steep_share | float | 0..1 | part whose local slope is over a limit that the compared slope keeps
channel_share | float | 0..1 | part that likely lies in the channel of a brook or ditch: look on site
slope_max_hv | str | H:V | steepest local slope as horizontal to vertical
aspect_deg | float | degree | mean downslope direction, clockwise from grid north
hazard | str | - | what a machine gets to with the least speed: water, drop, hazard, unknown, none
hazard_m | float | m | length of the shortest path to it from a place where a standstill, or the least speed, is enough
fall_m | float | m | fall of the path that is shown as evidence
speed_to_hazard_kmh | float | km/h | least speed out of control that gets to it; empty: over any of the fleet
marginal_share | float | 0..1 | part whose slope is too near a limit of the governing class to call: measure on site
realisations_share | float | 0..1 | part of the drawn errors of the survey with over 5 % of the zone above a hazard
first_bearing_deg | float | degree | direction of the first pass, clockwise from grid north; missing on level ground
note | str | - | the zone in plain words
""",
    "parcels": """
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
unknown_m2 | float | m2 | plan area of the cells with the reason unknown_ground
marginal_share | float | 0..1 | part of the ground too near a limit to call
look_m | float | m | ground round the parcel within which hazards were looked for
note | str | - | the parcel in plain words, with what was not assessed
""",
    "water": """
parcel_id | str | - | the parcel whose surroundings this was found in
origin | str | - | given, from points, inferred from flat cells, possible water, or confirmed on site
body | str | - | name that corrections use; empty if given, or not all within the parcel's look
area_m2 | float | m2 | area of the part shown
""",
    "drops": """
parcel_id | str | - | the parcel whose surroundings this was found in
origin | str | - | ground (found in the grid), given (the user's wall or edge line), or confirmed on site
body | str | - | name that corrections use; empty if given, or not all within the parcel's look
height_m | float | m | greatest fall of the wall that it is a part of: 95 % of the least height or more
length_m | float | m | from end to end of its crest, pieces within 3 m included; of a drawn line its length
""",
    "paths": """
parcel_id | str | - | the parcel's id
zone_id | str | - | the zone that this path explains
hazard | str | - | what it ends in
length_m | float | m | length on the map
fall_m | float | m | fall from its start to its end
across | bool | - | it leaves the fall line by more than 45 degrees: a path across the face
start_kmh | float | km/h | least speed at its start from which a machine out of control gets to its end
arrival_kmh | float | km/h | speed of that machine at its end
""",
    "profiles": """
parcel_id | str | - | the parcel's id
zone_id | str | - | the zone whose path this point lies on
point | int | - | number of the point, from 1 at the top
distance_m | float | m | distance from the start, on the map
height_m | float | m | height of the ground; at the end that of the hazard
line_m | float | m | energy line of that machine: how high it could still climb
speed_kmh | float | km/h | its speed here
mark | str | - | start, or hazard and its kind
""",
    "refusals": """
parcel_id | str | - | the parcel's id
zone_id | str | - | the zone
machine | str | - | a machine that is not permitted on the whole zone under this condition
condition | str | - | state of the ground
reason | str | - | what refuses it: one row for each reason
share | float | 0..1 | part of the zone's cells that this reason refuses to it
""",
    "routes": """
parcel_id | str | - | the parcel's id
zone_id | str | - | the zone that it leads to
machine | str | - | the machine that governs the zone
condition | str | - | the condition under which its route costs most
direction | str | - | in, or out
entrance | int | - | number of the entrance in its file, from 1
length_m | float | m | length on the map
weighted_length_m | float | m | the same, with slopes counted longer: what the route was chosen by
""",
    "starts": """
parcel_id | str | - | the parcel's id
zone_id | str | - | the zone
machine | str | - | the machine that governs the zone
corner | str | - | lower right or lower left, as seen facing the slope
way | str | - | how the zone is worked: across, or up-and-down
bearing_deg | float | degree | direction of the first pass, clockwise from grid north
""",
    "directions": """
parcel_id | str | - | the parcel's id
zone_id | str | - | the zone
machine | str | - | the machine that governs the zone
way | str | - | how the zone is worked: across, or up-and-down
bearing_deg | float | degree | direction of the first pass, clockwise from grid north
length_m | float | m | length of the first pass on the map
""",
    "corrections": """
number | int | - | number of the correction in its file
what | str | - | what was said: water, wall, edge, soft ground, low clearance, no-go, dry, confirm, reject
body | str | - | name of the body or drop that is spoken of
survey | str | - | checksum of the survey that it was said of
who | str | - | who said it
when | str | - | date
why | str | - | why
effect | str | - | what became of it
""",
    "basins": """
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
approach_m | float | m | length of it from which ground no steeper than the approach limit leads to the floor; 0: none
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
built_likeness | float | 0..1 | mean of these four: how much it looks like a built basin. A description, not a verdict
beside_void | bool | - | it spills beside missing ground, which may make it larger
""",
    "basin_floors": """
basin | str | - | name of the basin
area_m2 | float | m2 | area of the floor
slope_deg | float | degree | median slope of what is not water
soft_m2 | float | m2 | part that is gentle and not water: likely to be soft
wet | bool | - | water lies in the basin
""",
    "berms": """
berm | str | - | name of the berm in this survey
basin | str | - | name of the basin that it belongs to; empty for none
water | str | - | name of the body of water that it stands beside; empty for none
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
""",
    "berm_sides": """
berm | str | - | name of the berm
side | str | - | left or right, seen along the crest line
height_m | float | m | mean height of the crest above this side's toe
hv | float | H:V | median slope, run per unit rise
steepest_hv | float | H:V | steepest place
area_m2 | float | m2 | area on the map
""",
    "stage_storage": """
basin | str | - | name of the basin
level | int | - | number of the level, from 0 at the lowest ground
stage_m | float | m | height above the lowest ground
elevation_m | float | m | elevation of the level
area_m2 | float | m2 | area of ground below the level
volume_m3 | float | m3 | volume below the level
""",
    "water_bodies": """
body | str | - | name of the body in this survey, as corrections use it; of given water a name of its own
basin | str | - | name of the least basin that it lies in; empty in none, as where it has too little freeboard to be one
parcels | str | - | ids of the parcels that it touches, comma-separated
origin | str | - | given, from points, inferred from flat cells, possible water, or confirmed on site
area_m2 | float | m2 | area on the map
level_m | float | m | median elevation of its surface in the survey; missing for given water
open_end | bool | - | it goes on beyond the widest ground that was read
""",
    "work": """
parcel_id | str | - | the parcel's id
zone_id | str | - | the zone; empty for what the visit needs as a whole
condition | str | - | state of the ground
visits | int | - | visits in the season under this condition
machine | str | - | machine or hand crew that does it; empty for the whole crew
machine_class | str | - | its class
what | str | - | mowing, hand work, edges, set-up, set-up of the visit, driving
surface_m2 | float | m2 | area along the ground that is worked
edge_m | float | m | metres of edge that are trimmed
hours_low | float | h | hours of the machine or group for one visit, where all goes well
hours | float | h | the same, expected
hours_high | float | h | the same, where all goes slowly
pass_hours | float | h | expected hours by the length of the passes and their turns, where these were laid out
person_hours_low | float | h | hours of its people for one visit, low
person_hours | float | h | the same, expected
person_hours_high | float | h | the same, high
cost_low | float | money | cost of one visit, low; missing where a rate is
cost | float | money | the same, expected
cost_high | float | money | the same, high
""",
    "totals": """
by | str | - | what is summed by: parcel, machine, class, condition
name | str | - | the parcel, machine, class or condition; empty for the whole crew
surface_m2 | float | m2 | area worked in the season, each visit counted
edge_m | float | m | edges trimmed in the season, each visit counted
hours_low | float | h | hours in the season, low
hours | float | h | the same, expected
hours_high | float | h | the same, high
person_hours_low | float | h | hours of people in the season, low
person_hours | float | h | the same, expected
person_hours_high | float | h | the same, high
cost_low | float | money | cost of the season without supervision, low; missing where a rate is
cost | float | money | the same, expected
cost_high | float | money | the same, high
""",
    "crew_days": """
parcel_id | str | - | the parcel; empty for a round of all of them
condition | str | - | state of the ground
visits | int | - | visits in the season
days_per_visit_low | float | day | days of the whole crew for one visit or round, driving included, low
days_per_visit | float | day | the same, expected
days_per_visit_high | float | day | the same, high
days_per_season_low | float | day | days in the season, low
days_per_season | float | day | the same, expected
days_per_season_high | float | day | the same, high
paid_hours_per_visit_low | float | h | days times people times the paid hours of a day, for one visit or round, low
paid_hours_per_visit | float | h | the same, expected
paid_hours_per_visit_high | float | h | the same, high
idle_hours_per_visit_low | float | h | of the paid hours, those in which people wait for the busiest machine, low
idle_hours_per_visit | float | h | the same, expected
idle_hours_per_visit_high | float | h | the same, high
idle_cost_per_visit_low | float | money | what these hours cost beside the work, low; missing without a rate
idle_cost_per_visit | float | money | the same, expected
idle_cost_per_visit_high | float | money | the same, high
""",
    "not_priced": """
parcel_id | str | - | the parcel's id
zone_id | str | - | the zone
condition | str | - | state of the ground
plan_m2 | float | m2 | area on the map that nobody is given
edge_m | float | m | metres of edge that nobody is given
why | str | - | why
""",
    "figures": """
name | str | - | key in the fleet file or the season file
value | str | - | its value
""",
    "comparison": """
parcel_id | str | - | the parcel; empty for all of them together
what | str | - | what is compared
unit | str | - | its unit
first | float | - | with the first fleet file, in that unit
second | float | - | with the second fleet file
change | float | - | second less first
""",
    "passes": """
parcel_id | str | - | the parcel's id
zone_id | str | - | the zone
machine | str | - | the machine that works it
passes | int | - | number of passes
turns | int | - | turns from one pass to the next, each uphill
length_m | float | m | passes and turns, on the map
spacing_m | float | m | widest distance between two passes
bearing_deg | float | degree | direction of the first pass, clockwise from grid north
covered_share | float | 0..1 | part of the zone that the working width goes over; the rest is left to trimming
hours | float | h | expected hours by length and turns
area_hours | float | h | expected hours by area and field capacity
""",
    "sources": """
parcel_id | str | - | the parcel's id, from the id column
survey | str | - | start of the survey's name
checksum | str | - | all of the survey's name, which corrections give
crs | str | - | CRS of the survey's grid, in which areas and edges are measured and whose north directions are from
cell_m | float | m | side of the survey's cells
survey_date | str | - | date of the survey; empty where nothing tells
covers | str | - | what the survey's tiles cover: whole (parcel and look), look cut, in part
tiles | int | - | tiles of the survey that meet the parcel and its look
named | str | - | the survey's name, as the tile index tells it
vertical_datum | str | - | vertical datum, as the tile index tells it
vertical_error_m | float | m | vertical error (RMSE) that was worked with; empty where none is known
voids_filled | str | - | what the tile index tells of filled voids: heights there may come from coarser cells
credit | str | - | licence and credit to be named with the result, as the tile index tells it
""",
    "failures": """
parcel_id | str | - | the parcel's id, from the id column
sentence | str | - | what is wrong, and what can be done
""",
    "run_notes": """
topic | str | - | inputs, settings, ground, not assessed, cautions
name | str | - | what the entry is about
value | str | - | the value or the sentence
""",
    "point_walls": """
height | float | m | height of the step, the median along it; the upper side is on the left of the line
error_m | float | m | error of one such height (99 %)
length_m | float | m | length on the map
returns_above | int | - | ground returns on the upper side of the window with fewest
returns_below | int | - | ground returns on the lower side of the window with fewest
residual_m | float | m | greatest scatter of the returns about the fitted ground and step (RMS)
sure | str | - | which returns show it: those of the ground alone, or ones that the survey left unclassified too
""",
    "point_water": """
kind | str | - | water by class, or possible water: no return, or weak ones only, level between its shores
area_m2 | float | m2 | area on the map
level_m | float | m | lowest ground within 3 m of it
""",
    "point_canopy": """
kind | str | - | low trees (a return under the height of a roll bar), or not assessed (no pulse got so low)
area_m2 | float | m2 | area on the map
""",
    "point_exclude": """
kind | str | - | building or bridge, by class
area_m2 | float | m2 | area on the map
""",
    "spots": """
spot | str | - | east and north in the CRS of the elevation
parcel_id | str | - | the parcel whose look the answer rests on; empty: the spot's own
permitted | str | - | machine ids that no evaluated rule refuses here under any condition, comma-separated
refused | str | - | machine ids that are refused here under one condition or more, comma-separated
reasons | str | - | every reason that refuses one of them, comma-separated
elevation_m | float | m | height of the ground
slope_deg | float | degree | local slope
machine_slope_deg | float | degree | slope as compared with limits (machine scale)
note | str | - | the answer in plain words
""",
    "spot_paths": """
path | int | - | number of the path, from 1; of a condition the one of least head first
condition | str | - | state of the ground
hazard | str | - | what it ends in
body | str | - | name that corrections use; empty if given, or not all within the look
length_m | float | m | length on the map
fall_m | float | m | fall from its start to its end
across | bool | - | it leaves the fall line by more than 45 degrees: a path across the face
start_kmh | float | km/h | least speed at the spot from which a machine out of control gets to its end
arrival_kmh | float | km/h | speed of that machine at its end
stopped_m | float | m | how far one gets that starts with the fleet's highest working speed; empty: to the end
note | str | - | the path in plain words
""",
    "spot_profiles": """
path | int | - | number of the path that this point lies on
condition | str | - | state of the ground
hazard | str | - | what the path ends in
point | int | - | number of the point, from 1 at the spot
distance_m | float | m | distance from the spot, on the map
height_m | float | m | height of the ground; at the end that of the hazard
line_m | float | m | energy line of the machine with the least speed that gets there: how high it could still climb
speed_kmh | float | km/h | its speed here
note | str | - | the point in plain words
""",
    "point_rasters": """
ground | float | m | bare ground; missing where no return tells
returns | int | count | ground returns in the cell, up to 255; none where the ground is carried over a gap
steps | float | m | no step here is higher (99 %); missing where the returns cannot tell
seen | int | code | 1 where returns came, or water lies; none beyond the points and where no pulse came back: not known
""",
    "rasters": """
slope | float | degree | local slope
machine_slope | float | degree | slope as compared with the limits (machine scale)
aspect | float | degree | downslope direction, clockwise from grid north; missing on level ground
hazard | int | code | hazard that takes the least head: 0 none, 1 water, 2 drop, 3 road or other marked hazard
speed_to_hazard | float | km/h | least speed of a machine out of control that gets to it, slipperiest condition
""",
}  # fmt: skip
