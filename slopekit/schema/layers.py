"""Every layer and table that slopekit writes, one row each; its fields stand in `field_rows.py` under its name."""

from dataclasses import dataclass
from typing import Literal

Group = Literal["result", "landforms", "passes", "portfolio", "points", "spot", "bid", "comparison", "rasters"]
Geometry = Literal["MultiPolygon", "MultiLineString", "LineString", "Point"]


@dataclass(frozen=True)
class OutputLayer:
    """What a layer is, and where its records come from."""

    name: str
    group: Group
    """With what it is written: every result; landforms, where they are asked for; passes; a portfolio; the folder of a
    survey's points, a file each; the answer for one spot; the sheets of a bid; a comparison of fleets; rasters, whose
    fields are bands."""
    geometry: Geometry | None
    """None: a table."""
    title: str
    """What a layer tree calls it; empty where it is not shown in one."""
    meaning: str
    made_in: str
    """The module, inside the package, that makes its records."""
    of_whole: bool = False
    """It speaks of the whole run, not of one parcel."""


# In the order in which they are written.
_ROWS = (
    OutputLayer(
        "zones", "result", "MultiPolygon", "Zones: class that no rule refuses",
        "Ground by the least restricted machine class that no evaluated rule refuses", "zones/describe.py",
    ),
    OutputLayer(
        "parcels", "result", "MultiPolygon", "Parcels", "The parcels, with areas by class", "screening/parcel.py",
    ),
    OutputLayer(
        "water", "result", "MultiPolygon", "Water",
        "Water that was given, water inferred from flat cells, and ponds that the survey may show unflattened",
        "screening/evidence.py",
    ),
    OutputLayer(
        "drops", "result", "MultiLineString", "Drops", "Crest lines of drops, with height", "screening/evidence.py",
    ),
    OutputLayer(
        "paths", "result", "LineString", "Paths down to hazards",
        "For each refused zone the easiest path for a machine from its highest cell to the hazard",
        "screening/evidence.py",
    ),
    OutputLayer(
        "profiles", "result", None, "Profiles of the paths to hazards",
        "Points along each of these paths: the ground, the energy line of a machine and its speed",
        "screening/evidence.py",
    ),
    OutputLayer(
        "refusals", "result", None, "What refuses each machine",
        "For each zone what refuses each machine under each condition, and on how much of the zone",
        "zones/refusals.py",
    ),
    OutputLayer(
        "routes", "result", "LineString", "Routes in",
        "For each zone the route in for its governing machine, and the route out where it is another",
        "labour/routes_in.py",
    ),
    OutputLayer(
        "starts", "result", "Point", "Starts of the first pass",
        "Where the first pass of a sloped zone begins: at its foot", "labour/starts.py",
    ),
    OutputLayer(
        "directions", "result", "LineString", "First passes", "The first pass of a sloped zone", "labour/starts.py",
    ),
    OutputLayer(
        "corrections", "result", "MultiPolygon", "Corrections from the site",
        "What people on site drew, who said it, and what became of it", "screening/corrections.py", of_whole=True,
    ),
    OutputLayer(
        "run_notes", "result", None, "Notes and cautions",
        "Settings, inputs, what was decided and what was not assessed", "screening/notes.py", of_whole=True,
    ),
    OutputLayer(
        "basins", "landforms", "MultiPolygon", "Basins",
        "Hollows that hold water back, dry or wet, at the level where they spill", "screening/landform_records.py",
    ),
    OutputLayer(
        "basin_floors", "landforms", "MultiPolygon", "Floors of basins",
        "The lowest ground of each basin: likely to be soft where it is gentle and not water",
        "screening/landform_records.py",
    ),
    OutputLayer(
        "berms", "landforms", "MultiLineString", "Berms",
        "Crest lines of raised, elongate forms: berms, levees, embankments", "screening/landform_records.py",
    ),
    OutputLayer(
        "berm_sides", "landforms", "MultiPolygon", "Sides of berms", "The two faces of each berm",
        "screening/landform_records.py",
    ),
    OutputLayer(
        "stage_storage", "landforms", None, "Stage and storage", "Area and volume of each basin by water level",
        "screening/landform_records.py",
    ),
    OutputLayer(
        "water_bodies", "landforms", "MultiPolygon", "Bodies of water",
        "Every body of water: given, inferred from flat cells, or ponds and lakes that may be unflattened",
        "screening/landform_records.py",
    ),
    OutputLayer(
        "passes", "passes", "MultiLineString", "Passes",
        "Passes from the foot upward, where the operator's manual allows work across", "labour/layout.py",
    ),
    OutputLayer(
        "sources", "portfolio", None, "Surveys of the parcels", "Which survey answers each parcel",
        "portfolio/merge.py",
    ),
    OutputLayer(
        "failures", "portfolio", None, "Parcels that failed", "Parcels without an answer, and why",
        "portfolio/merge.py",
    ),
    OutputLayer(
        "point_walls", "points", "MultiLineString", "Walls and edges in points",
        "Steps that the points show, the upper side on the left", "points/walls.py", of_whole=True,
    ),
    OutputLayer(
        "point_water", "points", "MultiPolygon", "Water in points",
        "Water by class, and places without returns as level as a pond", "points/survey.py", of_whole=True,
    ),
    OutputLayer(
        "point_canopy", "points", "MultiPolygon", "Low trees in points",
        "Ground under trees that hang low, or that no pulse got under", "points/survey.py", of_whole=True,
    ),
    OutputLayer(
        "point_exclude", "points", "MultiPolygon", "Buildings and bridges in points",
        "Buildings and bridges by class", "points/survey.py", of_whole=True,
    ),
    OutputLayer(
        "spots", "spot", "Point", "Spot that was asked about", "The answer for one spot, in words",
        "explain/records.py", of_whole=True,
    ),
    OutputLayer(
        "spot_paths", "spot", "LineString", "Paths from the spot",
        "The path of least head from the spot to each kind of thing that a machine must not get to",
        "explain/records.py", of_whole=True,
    ),
    OutputLayer(
        "spot_profiles", "spot", "Point", "Profiles of the paths from the spot",
        "Points along each of these paths: the ground, the energy line of a machine and its speed",
        "explain/records.py", of_whole=True,
    ),
    OutputLayer("work", "bid", None, "", "Every piece of work of one visit", "labour/bid.py"),
    OutputLayer(
        "totals", "bid", None, "", "Sums over the season, by parcel, machine, class and condition", "labour/bid.py",
    ),
    OutputLayer("crew_days", "bid", None, "", "Days of the crew", "labour/bid.py"),
    OutputLayer(
        "not_priced", "bid", None, "", "Ground and edges that nobody is given, or that have no rate", "labour/bid.py",
    ),
    OutputLayer(
        "figures", "bid", None, "", "What the hours rest on: figures of the fleet file and the season file",
        "labour/bid.py",
    ),
    OutputLayer(
        "comparison", "comparison", None, "", "What changes with the second of two fleets", "labour/compare.py",
    ),
    OutputLayer(
        "rasters", "rasters", None, "", "Slope, aspect and run-out of each parcel, one raster a field",
        "screening/parcel.py",
    ),
    OutputLayer(
        "point_rasters", "rasters", None, "", "Bare ground of points, one raster a field", "outputs/points.py",
    ),
)  # fmt: skip

TREE: tuple[str, ...] = (
    "spots", "spot_profiles", "spot_paths", "starts", "directions", "passes", "routes", "paths", "drops",
    "corrections", "failures", "sources", "parcels", "berms", "point_walls", "basins", "water", "water_bodies",
    "point_water", "point_exclude", "point_canopy", "zones", "berm_sides", "basin_floors", "profiles", "refusals",
    "stage_storage", "run_notes",
)  # fmt: skip
"""Those that have a title, from the top of a layer tree down."""

OUTPUT_LAYERS: dict[str, OutputLayer] = {row.name: row for row in _ROWS}
GEOMETRIES: dict[str, Geometry | None] = {row.name: row.geometry for row in _ROWS}


def in_groups(*groups: Group) -> tuple[str, ...]:
    """The names of the layers of some groups, in the order in which they are written."""
    return tuple(row.name for row in _ROWS if row.group in groups)


LAYERS = in_groups("result")
LANDFORM_LAYERS = in_groups("landforms")
ALL_LAYERS = in_groups("result", "landforms")
PASS_LAYERS = in_groups("passes")
PORTFOLIO_LAYERS = in_groups("portfolio")
POINT_LAYERS = in_groups("points")
SPOT_LAYERS = in_groups("spot")
BID_TABLES = in_groups("bid")
PACKAGE_LAYERS = in_groups("result", "landforms", "passes", "portfolio", "points", "spot")
"""Whatever may stand in a GeoPackage of results."""
PARCEL_LAYERS = tuple(name for name in LAYERS if not OUTPUT_LAYERS[name].of_whole)
"""Layers of every result whose records belong to a parcel each."""
