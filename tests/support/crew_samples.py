"""Invented results for crew sheets: parcels of many sizes and forms, cut into zones without looking at any ground."""

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from shapely import MultiPolygon, Polygon, affinity, box
from shapely.geometry import LineString, Point
from shapely.geometry.base import BaseGeometry

from slopekit.fleet.model import Fleet
from slopekit.schema.fields import SCHEMA_VERSION
from slopekit.schema.layers import LAYERS
from slopekit.schema.tables import conform, table_of

CRS = "EPSG:25832"
WEST, SOUTH = 500_000.0, 5_600_000.0
LIMITS = {"across_deg": 12.0, "up_down_deg": 14.5, "width_m": 1.5, "speed_kmh": 8.0, "efficiency": 0.8}
FLEET = Fleet.model_validate(
    {
        "schema": 1,
        "conditions": {
            "dry": {"friction": 0.35, "limit_factor": 1.0, "label": "Dry grass"},
            "wet": {"friction": 0.2, "limit_factor": 0.8},
        },
        "machines": {
            "ride_on": LIMITS
            | {"class": "ride-on", "label": "Wide deck", "roll_bar": "folding", "tread": "aggressive"},
            "walk_behind": LIMITS | {"class": "walk-behind"},
            "remote": LIMITS | {"class": "remote-controlled"},
            "crew": {"class": "hand crew", "across_deg": 40.0, "width_m": 0.5, "hand_rate_m2_h": 100.0},
        },
    }
)
CONDITIONS = list(FLEET.conditions)
# A class, who may work under every condition, who refuses the rest and in places also.
_KINDS = (
    ("ride-on", "ride_on,walk_behind,remote,crew", "", ""),
    ("walk-behind", "walk_behind,remote,crew", "reach", "reach,slope"),
    ("remote-controlled", "remote,crew", "above_water", "above_water,stand_off,reach,slope,soft,narrow,no_route"),
    ("hand crew", "crew", "above_drop", "above_drop,stand_off,reach,slope,low_clearance"),
    ("none", "", "unknown_ground", "unknown_ground,no_limit_given,beyond_look,unknown_basin"),
)


def parcel(name: str, shapes: Sequence[BaseGeometry], spots: Sequence[BaseGeometry] = ()) -> dict[str, Any]:
    """Rows of one parcel: a zone a shape and one row for all spots. Metres from the corner of the place."""
    rows: dict[str, list[dict[str, Any]]] = {layer: [] for layer in LAYERS}
    for number, shape in enumerate([*shapes, *([MultiPolygon(list(spots))] if spots else [])]):
        code, ids, reason, reasons = _KINDS[number % len(_KINDS)]
        ident = f"{name}-s1" if number == len(shapes) else f"{name}-z{number + 1}"
        rows["zones"].append(
            {
                "parcel_id": name, "zone_id": ident, "machine_class": code, "way": "either", "permitted": ids,
                "parts": len(getattr(shape, "geoms", [1])), "reason": reason, "reasons": reasons,
                "plan_m2": shape.area, "surface_m2": 1.02 * shape.area, "slope_mean_deg": 6.0,
                "slope_max_deg": 3.0 + number, "slope_max_hv": "4.0:1", "hazard": "none", "short_steep_share": 0.0,
                "channel_share": 0.0, "marginal_share": 0.3 if number % 7 == 1 else 0.04, "note": "",
                "permitted_dry": f"{ids},ride_on" if code == "walk-behind" else ids, "permitted_wet": ids,
                **{f"class_{c}": code for c in CONDITIONS},
                **{f"less_restricted_share_{c}": 0.0 for c in CONDITIONS}, "geometry": shape,
            }
        )  # fmt: skip
        if code in ("walk-behind", "remote-controlled") and number < len(shapes):
            shared = {"parcel_id": name, "zone_id": ident, "machine": "remote", "way": "across", "bearing_deg": 271.0}
            west, south, east, _ = shape.bounds
            length, y = 0.8 * (east - west), south + 0.15 * (shape.bounds[3] - south)
            line = LineString([(west + 0.9 * (east - west), y), (west + 0.1 * (east - west), y)])
            rows["starts"].append({**shared, "corner": "lower right", "geometry": Point(line.coords[0])})
            rows["directions"].append({**shared, "length_m": length, "geometry": line})
    whole = MultiPolygon([part for shape in shapes for part in getattr(shape, "geoms", [shape])]).buffer(0.0)
    west, south, east, north = whole.bounds
    route = {"parcel_id": name, "zone_id": f"{name}-z1", "machine": "crew", "condition": "dry", "entrance": 1}
    into = LineString([(west, south), (west + 0.3 * (east - west), south + 0.3 * (north - south))])
    rows["routes"] = [{**route, "direction": "in", "length_m": into.length, "weighted_length_m": 9.0, "geometry": into}]
    pond = Point(east, north).buffer(0.15 * max(east - west, north - south))
    origins = ("given", "possible water")
    rows["water"] = [
        {
            "parcel_id": name,
            "origin": origin,
            "body": "",
            "area_m2": pond.area,
            "geometry": affinity.translate(pond, dx),
        }
        for dx, origin in zip((0.0, west - east), origins, strict=True)
    ]
    wall = LineString([(west, (south + north) / 2), (west + 0.2 * (east - west), (south + north) / 2)])
    rows["drops"] = [
        {"parcel_id": name, "origin": "ground", "body": "", "height_m": 1.24, "length_m": wall.length, "geometry": wall}
    ]
    area = {"plan_m2": whole.area, "surface_m2": whole.area, "zones": len(shapes), "spots": int(bool(spots))}
    rows["parcels"] = [{"parcel_id": name, **area, "note": "On 12 m2 the ground is not known.", "geometry": whole}]
    return rows


def grid_of(columns: int, rows: int, wide: float, high: float) -> list[Polygon]:
    """Rectangles that fill a larger one."""
    return [
        box(i * wide / columns, j * high / rows, (i + 1) * wide / columns, (j + 1) * high / rows)
        for j in range(rows)
        for i in range(columns)
    ]


def islands() -> list[Polygon]:
    """Parts that lie apart."""
    rng = np.random.default_rng(5)
    return [Point(x * 70.0, y * 60.0).buffer(rng.uniform(4.0, 24.0)) for x in range(4) for y in range(4)]


def result_of(
    *parcels: Mapping[str, Any], crs: str = CRS, corner: tuple[float, float] = (WEST, SOUTH), fleet: Fleet = FLEET
) -> dict[str, Any]:
    """Tables as `screen` returns them."""
    notes = [
        ("inputs", "slopekit", f"0.0, output schema {SCHEMA_VERSION}"), ("ground", "survey date", "2024-04-18"),
        ("ground", "cell", "1 x 1 m, worked at 1 x 1 m"), ("ground", "warning 1", "The survey is old."),
        ("ground", "detection limit 1", "Steps are found from 0.86 m."), ("ground", "detection limit 2", "Counted."),
        ("ground", "detection limit 3", "Lower walls must be looked for on site."),
        ("not assessed", "1", "Holes and roots."), ("cautions", "1", "Walk the ground before work."),
    ]  # fmt: skip
    notes += [("settings", name, value) for name, value in fleet.as_notes()]
    rows = {layer: [row for one in parcels for row in one.get(layer, [])] for layer in LAYERS}
    rows["run_notes"] = [dict(zip(("topic", "name", "value"), note, strict=True)) for note in notes]
    for layer in rows:
        for row in rows[layer]:
            if "geometry" in row:
                row["geometry"] = affinity.translate(row["geometry"], *corner)
    return conform({layer: table_of(layer, some, crs, CONDITIONS) for layer, some in rows.items()}, CONDITIONS)


GREEK, POLISH = "Πάρκο νερού", "Łąka żółta, ćwierć"
"""'Water park' and 'yellow meadow, a quarter': no places."""


def forms() -> list[dict[str, Any]]:
    """Parcels that strain the layout."""
    return [
        parcel("forty zones", grid_of(8, 5, 300.0, 180.0), [box(10 * n, 3, 10 * n + 3, 7) for n in range(1, 28)]),
        parcel("twenty hectares", grid_of(2, 2, 500.0, 400.0)),
        parcel("small", grid_of(2, 1, 16.0, 12.5)),
        parcel("long and thin", grid_of(3, 1, 900.0, 18.0)),
        parcel("thin and tall", grid_of(1, 3, 18.0, 900.0)),
        parcel("many parts", islands()),
        parcel(GREEK, grid_of(1, 2, 60.0, 80.0)),
        parcel(POLISH, grid_of(2, 1, 60.0, 80.0)),
        parcel("long-id-" + 40 * "0123456789", grid_of(1, 1, 40.0, 60.0)),
    ]
