"""The blank fleet file: valid as it stands, and refusing everything until the company types its own limits."""

_HEAD = """\
# FLEET FILE: your machines and your own limits.
#
# slopekit ships no limit. Until you type yours, every machine is refused everywhere.
#
# How to fill it in
#   1. Take each machine's operator's manual and, if your company has them, its own slope rules. Where they differ, type
#      the lower figure. Where the manual gives no figure, ask your safety lead before you type one.
#   2. Find the line, type the number after the = sign and take away the # in front of the line.
#      A line that keeps its # is not read: the value is absent, and what is absent refuses.
#   3. Slopes are typed in degrees, never as 3:1 or in percent:
#        10:1 = 10 % = 5.7    6:1 = 16.7 % = 9.4   5:1 = 20 % = 11.3    4:1 = 25 % = 14.0
#         3:1 = 33.3 % = 18.4   2.5:1 = 40 % = 21.8   2:1 = 50 % = 26.5   (rounded down)
#   4. Read back what you typed, in words:   slopekit fleet check THIS_FILE
#
# Cautions
#   - No single figure makes a slope fit to work. Tyres, wetness, treatment, what lies below and skill all count.
#   - What an engine can bear (its oil, its fuel) says nothing about the operator. It is typed as a ceiling, which only
#     lowers your limits.
#   - No seated work on ground that runs down to water, a drop or a marked hazard. No line in this file lifts that.
#   - The operator's manual, local codes and rules, licensed practice and the site supervisor decide. Walk the ground
#     first.

schema = 1


# ---------------------------------------------------------------------------------------------------------------------
# CONDITIONS: the states of the ground that you work in. A zone names the class permitted under every condition listed
# here, so a condition without limits refuses everything. Delete a condition that you do not work in, or add your own,
# such as [conditions.after_treatment]. Names: lower-case letters, digits and _ only.
# ---------------------------------------------------------------------------------------------------------------------

[conditions.dry]
label = "Dry grass"
# Sliding friction of the tyres: what stops a machine out of control on gentle ground. Lower is more careful.
# 0.35 for dry grass is from memory of tables for rebuilding accidents; it is for sliding tyres, not for your machines.
friction = 0.35
# What the limits of every machine are multiplied by, 0 to 1. 1.0: the limits below are typed for dry grass.
limit_factor = 1.0
# Does soft ground count under this condition?
# soft = true
# For hours: what the ground that anybody covers in an hour is multiplied by, over 0 to 1.
# work_factor = 1.0

[conditions.wet]
label = "Wet grass"
# 0.20 is quoted from Noon (1994) for sliding tyres on wet grass: a slide starts at 11.3 degrees.
friction = 0.20
# Type your company's factor for wet grass here, or give each machine its own limits for wet grass below.
# limit_factor =
# soft = true
# work_factor = 1.0


# ---------------------------------------------------------------------------------------------------------------------
# MACHINES: one table each. The name after "machines." is yours: letters, digits, - and _ only. Copy a table for more
# machines of a class; delete what you do not have. The class is one of "ride-on", "stand-on", "walk-behind",
# "remote-controlled", "hand crew".
# ---------------------------------------------------------------------------------------------------------------------
"""

_SLOPES = """\
# Manual, page on slopes or hillsides: the steepest ground worked ACROSS the face, degrees. Absent: not across.
# across_deg =
# Same page: the steepest ground worked UP AND DOWN the face, degrees. Absent: not up and down.
# up_down_deg =
"""

_CEILING = """\
# Engine manual, page on tilt or angle of operation, degrees. It only lowers the two limits above. Absent: none known.
# ceiling_deg =
"""

_CROSSING = """\
# The steepest ground that it may be DRIVEN over without working: up, down, and across, degrees. They count only if
# you give the entrances, and none may be under the limit for work above. Absent: the limits for work.
# cross_up_deg =
# cross_down_deg =
# cross_across_deg =
"""

_DISCHARGE = """\
# Side that it throws the cut grass to, "right" or "left": the first pass on a face starts at that corner of its foot.
# discharge = "right"
"""

_TREAD = """\
# Tread of its tyres or tracks, "smooth" or "aggressive". An aggressive one tears turf in a turn: crew sheets then ask
# for three-point turns. Absent: they say nothing of it.
# tread =
"""

_WIDTH = """\
# Manual, page of specifications: cutting width, metres (60 in = 1.524). Absent: refused everywhere, fit is not known.
# width_m =
"""

_SPEED_RIDES = """\
# Your usual mowing speed, km/h (5 mph = 8). Absent: its reach is judged at 10 km/h, and no hours.
# speed_kmh =
"""

_SPEED_FOOT = """\
# Your usual working speed, km/h (3 mph = 4.8). Absent: its reach is judged at 10 km/h, and no hours.
# speed_kmh =
"""

_EFFICIENCY = """\
# Part of the working time spent cutting at full width, over 0 to 1. Absent: no hours.
# efficiency =
# For hours: minutes to bring it out and put it away at each visit, people that it takes, seconds for a turn, metres of
# the width that run over the pass before. Speed, efficiency and these times may be ranges for low and high hours, such
# as { low = 0.7, expected = 0.8, high = 0.85 }. Reach is judged at the highest speed.
# set_up_min = 0.0
# people = 1
# turn_s = 0.0
# overlap_m = 0.0
"""

_PRESSURE = """\
# Manual, page of specifications or of tyres: pressure on the ground, kPa (1 psi = 6.9). Absent: refused on soft ground.
# ground_pressure_kpa =
"""

_ROLL_BAR_SEATED = """\
# Roll bar: "fixed", "folding" or "none". A bar stays up with the belt fastened, so "fixed" and "folding" are refused
# under low trees. Absent: refused under low trees.
# roll_bar =
"""

_ROLL_BAR_OTHER = """\
# Roll bar, if it has one: "fixed" or "folding" is refused under low trees.
# roll_bar =
"""

_ABOVE = """\
# May it work above water, a drop or a marked hazard? true or false. Absent: no.
# above_hazard =
"""

_WET = """\
# Its own limits for one condition, where the manual or your rules give them. They replace the limit times the factor.
# limits.wet.across_deg =
# limits.wet.up_down_deg =
"""

_EXCEPTION = """\
# A standing operator is refused above water, a drop or a marked hazard. Only a written exception lifts that, with who
# signed it, when (year-month-day without quotes), and why. It holds for this machine everywhere, so think twice.
# above_hazard_exception.who =
# above_hazard_exception.when =
# above_hazard_exception.why =
"""

_DRIVEN = _SLOPES + _CEILING + _CROSSING + _WIDTH + _DISCHARGE + _TREAD

_MACHINES: tuple[tuple[str, str, str, str], ...] = (
    (
        "ride-on-1",
        "ride-on",
        "A ride-on: the operator sits. Never permitted above water, a drop or a marked hazard.",
        _DRIVEN + _SPEED_RIDES + _EFFICIENCY + _PRESSURE + _ROLL_BAR_SEATED + _WET,
    ),
    (
        "stand-on-1",
        "stand-on",
        "A stand-on: the operator stands on it and can step off.",
        _DRIVEN + _SPEED_RIDES + _EFFICIENCY + _PRESSURE + _ROLL_BAR_OTHER + _WET + _EXCEPTION,
    ),
    (
        "walk-behind-1",
        "walk-behind",
        "A walk-behind: the operator is on foot.",
        _DRIVEN + _SPEED_FOOT + _EFFICIENCY + _PRESSURE + _ABOVE + _WET,
    ),
    (
        "remote-1",
        "remote-controlled",
        "A remote-controlled machine: nobody is on it.",
        _DRIVEN + _SPEED_FOOT + _EFFICIENCY + _PRESSURE + _ABOVE + _WET,
    ),
    (
        "crew-1",
        "hand crew",
        "A hand crew with trimmers, on foot. Its limits are the steepest ground that you send people to.",
        """\
# Your own rule: the steepest ground that the crew works moving across the face, degrees. Absent: not across.
# across_deg =
# Your own rule: the steepest ground that the crew works moving up and down, degrees. Absent: not up and down.
# up_down_deg =
# Width that one person cuts, metres.
# width_m =
# For hours, your own figures: what one person clears in an hour along the ground, m2, and trims along edges, metres.
# Numbers, or ranges such as { low = 80.0, expected = 100.0, high = 130.0 }. Absent: hours are refused where needed.
# hand_rate_m2_h =
# edge_rate_m_h =
# For hours: people in the crew, and minutes to bring it out and put it away at each visit.
# people = 1
# set_up_min = 0.0
"""
        + _ABOVE
        + _WET,
    ),
)

_SETTINGS = """\


# ---------------------------------------------------------------------------------------------------------------------
# SETTINGS: what stands here is what slopekit uses if you change nothing. Each run notes them all in its output.
# A figure beside which no source is named is common practice, no source.
# ---------------------------------------------------------------------------------------------------------------------

[soft_ground]
# A machine that presses harder than this is refused on soft ground, kPa. Absent: every machine is refused there.
# pressure_limit_kpa =
# Topographic wetness: ground from this index on is soft, beside floors of hollows and what you draw. The index is
# ln(a / tan b): a is the ground that drains to a place, m2 on each metre of width, b its slope there. Lower is more
# careful. Even ground of 2 % comes to about 8 (1 m cells), and to more the more a place gathers: try it on ground that
# you know. It tells nothing of drains, soil or weather. Absent: wetness is not asked for.
# wetness_from =
# How far uphill ground counts for it, metres.
# wetness_length_m = 100.0

[survey]
# Warn when the elevation survey is older than this, years. Absent: its age is not judged.
# max_age_years =

[routes]
# An entrance within this distance of a parcel leads into it, metres.
# entrance_reach_m = 5.0
# A route over ground of 100 % counts as so many times its length more. It chooses among routes and permits nothing.
# slope_cost = 2.0
# Ground no steeper than this counts as level, degrees: it is driven over at will, and has no foot to start from.
# level_deg = 2.0

[terrain]
# Metres over which the ground is smoothed before it is compared with a limit: a machine tilts over its wheelbase.
# machine_scale_m = 0.75
# The compared slope is at most this much under the steepest local slope, degrees. 0 is the strict setting.
# noise_allowance_deg = 2.5
# Formula for slope: "horn" or "zevenbergen-thorne".
# gradient = "horn"
# Standard errors within which a slope is too near a limit to call, and is marked "measure on site".
# marginal_z = 1.645
# Distance over which the survey's errors are alike, metres. 0: every cell errs for itself.
# error_correlation_m = 1.5
# Hollows no deeper than this, metres, or no larger than this, m2, are taken for noise: they have no floor.
# shallow_depth_m = 0.3
# shallow_area_m2 = 25.0
# How far round a parcel ground may tell whether a hollow is closed, metres. A hollow that reaches farther is not found.
# max_margin_m = 2000.0

[hazards]
# Ground that falls at this grade or steeper, degrees, by this much in all, metres, is a drop.
# drop_grade_deg = 40.0
# drop_height_m = 0.9
# A drop shorter than this along its crest, metres, keeps its stand-off, but the ground above is not refused for it: it
# is a boulder, a stump or a shrub left in the survey as often as a wall (common practice, no source).
# drop_length_m = 3.0
# Cells over which the survey may have smeared a wall, 1 to 3. With less than 3, fewer low banks are taken for walls,
# and walls that are smeared wider are missed: see docs/detection.md.
# smear_cells = 3.0
# Level cells over this area, m2, are taken for water.
# flat_area_m2 = 100.0
# Within this distance of water or of the top of a drop nobody sits or stands on a machine, metres (1.524 m = 5 ft:
# OSHA, Dangers of Roll-Overs of Riding Mowers).
# stand_off_m = 1.524

[runout]
# How a machine out of control is stopped: see docs/run-out.md. On ground steeper than rolls_from_deg, degrees, nothing
# is assumed to brake but rolling: it loses so many metres of height for each metre on the map. tan 5 degrees is not
# the most careful value: tyres on firm soil come down to 0.05. From 2 degrees below rolls_from_deg on down the brakes
# work, with the friction of the condition. A machine whose drive is lost altogether goes on over gentle ground too.
# rolling = 0.0875
# rolls_from_deg = 5.0
# So much head, metres, counts as a standstill: 0.05 m are 3.6 km/h.
# still_head_m = 0.05
# Hazards are looked for up to so many metres round a parcel. A machine that could leave that ground is refused.
# look_m = 150.0
# Ground within this height of the lowest point of a deep hollow, metres, is its floor and may hold water.
# floor_depth_m = 0.5

[zones]
# Patches smaller than this, m2, join a neighbour that permits nothing they forbid. "auto": larger on larger parcels, so
# that zones are few.
# min_zone_m2 = 50.0
# Keep zones apart by "class", or by the whole set of permitted "machines".
# split_by = "class"

[work]
# For hours: what is left of field capacity (machine) and of hand rates (hand) on ground up to a slope, over 0 to 1. The
# last band holds up to 90 degrees. Bands look like { to_deg = 90.0, machine = 0.8, hand = 0.7 }, between commas.
# slope_factors = []

[landforms]
# Hollows at least this deep, metres, and this large, m2, are reported as basins.
# basin_depth_m = 0.3
# basin_area_m2 = 50.0
# Levels in a basin's stage-storage table, at least 10.
# stage_levels = 10
# The inventory counts how much of a basin's rim leads down to the floor over ground no steeper than this, percent
# (25 % = 4:1). It is no limit of any machine and permits nothing.
# approach_percent = 25.0
# Raised forms at least this high above both sides, metres, no wider between their toes, metres, and at least so many
# widths long are reported as berms.
# berm_height_m = 0.5
# berm_width_m = 50.0
# berm_elongation = 3.0
# A line of lowest ground at least this far below both its sides, no wider between them and at least so long, metres, is
# the channel of a brook or ditch: its zone's note says to look on site, and a bid leaves it out. Common practice, no
# source.
# channel_depth_m = 0.4
# channel_width_m = 8.0
# channel_length_m = 20.0
"""


def template_text() -> str:
    """A commented fleet file of five machines, one a class, with blank limits. It loads, and permits nothing."""
    tables = []
    for machine_id, machine_class, words, keys in _MACHINES:
        heading = f'\n# {words}\n[machines.{machine_id}]\nclass = "{machine_class}"\n# label = ""\n'
        tables.append(heading + keys)
    return _HEAD + "".join(tables) + _SETTINGS
