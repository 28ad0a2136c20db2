"""A small invented result: two parcels, zones with spots and nulls, water, drops, a path down, what was drawn on site,
and the landforms of the place.

Plain functions, so that a test can also make it in a process of its own.
"""

from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
from pyproj import CRS
from shapely import MultiLineString, MultiPolygon, Point, Polygon, affinity, box
from shapely.geometry import LineString

from slopekit.grid import Grid
from slopekit.schema.fields import fields_of
from slopekit.schema.layers import GEOMETRIES

CONDITIONS = ("dry", "wet")
CRS_WKT = CRS.from_epsg(25832).to_wkt()
WEST, NORTH = 500_000.0, 5_600_000.0
SURVEY = "sha256:" + "0123456789abcdef" * 4
WHY = "a lawn, walked over in March"


def _at(shape: Any) -> Any:
    """From metres east and south of the grid's corner to map coordinates."""
    return affinity.translate(affinity.scale(shape, 1.0, -1.0, origin=(0.0, 0.0)), WEST, NORTH)


def _table(layer: str, rows: list[dict[str, Any]]) -> Any:
    names = [f.name for f in fields_of(layer, CONDITIONS)]
    data = {name: [row.get(name) for row in rows] for name in names}
    if GEOMETRIES[layer] is None:
        return pd.DataFrame(data)
    return gpd.GeoDataFrame(data, geometry=[_at(row["geometry"]) for row in rows], crs=CRS_WKT)


def _zone(parcel: str, number: str, code: str, shape: Any, **more: Any) -> dict[str, Any]:
    row = {
        "parcel_id": parcel,
        "zone_id": f"{parcel}-{number}",
        "machine_class": code,
        "way": "either",
        "permitted": "",
        "parts": len(getattr(shape, "geoms", [1])),
        "plan_m2": shape.area,
        "surface_m2": shape.area * 1.05,
        "reason": None,
        "hazard": "none",
        "note": "Ground with 'quotes', an & and a line about 20° ground.",
    }
    return row | {"geometry": shape} | more


def sample_grid() -> Grid:
    return Grid(160, 240, WEST, NORTH, 1.0, 1.0, CRS_WKT)


def sample_ground(grid: Grid) -> np.ndarray:
    """A bank that falls southward to a pond, a wall in the east, a hole in the data."""
    south, east = np.mgrid[0 : grid.height, 0 : grid.width].astype(float)
    z = 110.0 - 9.0 / (1.0 + np.exp(-(south - 95.0) / 8.0)) + 0.02 * east + 0.6 * np.sin(east / 17.0)
    z[40:, 190:] -= 1.5
    z[:12, :20] = np.nan
    return z


def sample_tables() -> dict[str, Any]:
    north_lawn, east_bank = box(20, 20, 120, 130), box(125, 25, 220, 120)
    pond = Polygon([(30, 128), (60, 122), (100, 126), (110, 138), (70, 146), (35, 142)])
    spots = MultiPolygon([box(40, 40, 44, 43), box(60, 52, 62, 54), box(90, 30, 95, 32)])
    shed = box(70, 60, 90, 75)
    bank = box(20, 86, 120, 106)
    foot = box(20, 106, 120, 118).difference(box(55, 106, 80, 118))
    none = box(20, 118, 120, 130).difference(pond)
    lawn = box(20, 20, 120, 86).difference(shed).difference(spots)
    wall = box(186, 40, 190, 120)
    zones = [
        _zone("north lawn", "z1", "ride-on", lawn, permitted="m1,m2", slope_max_deg=9.5, marginal_share=0.02,
              realisations_share=0.0),
        _zone("north lawn", "z2", "walk-behind", bank, reason="above_water", reasons="above_water,slope",
              hazard="water", hazard_m=31.2, fall_m=8.0, speed_to_hazard_kmh=4.2, marginal_share=0.4, aspect_deg=180.0,
              realisations_share=0.96),
        _zone("north lawn", "z3", "remote-controlled", foot, reason="above_water", hazard="water"),
        _zone("north lawn", "z4", "hand crew", box(55, 106, 80, 118), reason="slope", marginal_share=0.1),
        _zone("north lawn", "z5", "none", none, reason="no_go", reasons="no_go,unknown_ground", hazard="unknown"),
        _zone("north lawn", "z6", "excluded", shed),
        _zone("north lawn", "s1", "hand crew", spots, reason="slope"),
        _zone("east bank", "z1", "ride-on", box(190, 25, 220, 120)),
        _zone("east bank", "z2", "stand-on", box(125, 25, 190, 120).difference(wall), marginal_share=None),
        _zone("east bank", "z3", "hand crew", wall, reason="stand_off", hazard="drop"),
    ]  # fmt: skip
    drop = MultiLineString([[(189, 40), (189, 80), (189.5, 118)]])
    said = {"survey": SURVEY, "who": "A. Example", "when": "2025-03-01"}
    return {
        "zones": _table("zones", zones),
        "parcels": _table("parcels", [
            {"parcel_id": "north lawn", "geometry": north_lawn, "plan_m2": north_lawn.area, "zones": 6, "spots": 1},
            {"parcel_id": "east bank", "geometry": east_bank, "plan_m2": east_bank.area, "zones": 3, "spots": 0},
        ]),
        "water": _table("water", [
            {"parcel_id": "north lawn", "origin": "given", "body": "", "area_m2": pond.area, "geometry": pond},
            {"parcel_id": "east bank", "origin": "inferred from flat cells", "body": "w-3f9a01c2", "area_m2": 300.0,
             "geometry": box(126, 124, 151, 136)},
            {"parcel_id": "east bank", "origin": "possible water", "body": "w-00c41d7e", "area_m2": 300.0,
             "geometry": box(157, 124, 182, 136)},
            {"parcel_id": "east bank", "origin": "confirmed on site", "body": "w-b2907f15", "area_m2": 300.0,
             "geometry": box(188, 124, 213, 136)},
            {"parcel_id": "east bank", "origin": "from points", "body": "w-6a11c0de", "area_m2": 300.0,
             "geometry": box(188, 124, 213, 136)},
        ]),
        "drops": _table("drops", [
            {"parcel_id": "east bank", "origin": "ground", "body": "d-51e6aa08", "height_m": 1.5, "geometry": drop},
            {"parcel_id": "east bank", "origin": "confirmed on site", "body": "d-9c0d12f4", "height_m": None,
             "geometry": LineString([(196, 34), (214, 34)])},
        ]),
        "paths": _table("paths", [
            {"parcel_id": "north lawn", "zone_id": "north lawn-z2", "hazard": "water", "length_m": 38.0,
             "fall_m": 8.0, "across": False, "start_kmh": 5.4, "arrival_kmh": 34.6,
             "geometry": LineString([(66, 88), (67, 100), (72, 112), (73, 126)])},
        ]),
        "profiles": _table("profiles", [
            {"parcel_id": "north lawn", "zone_id": "north lawn-z2", "point": k + 1, "distance_m": x, "height_m": z,
             "line_m": line, "speed_kmh": 3.6 * (2.0 * 9.80665 * (line - z)) ** 0.5, "mark": mark}
            for k, (x, z, line, mark) in enumerate([
                (0.0, 108.0, 108.115, "start"), (12.0, 107.5, 107.5, ""), (25.0, 102.8, 106.0, ""),
                (38.0, 100.0, 104.7, "hazard: water"),
            ])
        ]),
        "refusals": _table("refusals", [
            {"parcel_id": "north lawn", "zone_id": "north lawn-z2", "machine": machine, "condition": condition,
             "reason": reason, "share": share}
            for machine, condition, reason, share in (
                ("m1", "dry", "above_water", 0.92), ("m1", "dry", "slope", 0.4), ("m1", "wet", "above_water", 1.0),
                ("m2", "dry", "above_water", 0.92), ("m2", "wet", "above_water", 1.0),
            )
        ]),
        "routes": _table("routes", [
            {"parcel_id": "north lawn", "zone_id": "north lawn-z1", "machine": "m1", "condition": "wet",
             "direction": "in", "entrance": 1, "length_m": 52.0, "weighted_length_m": 55.5,
             "geometry": LineString([(22, 22), (50, 50), (62, 50)])},
            {"parcel_id": "north lawn", "zone_id": "north lawn-z1", "machine": "m1", "condition": "wet",
             "direction": "out", "entrance": 2, "length_m": 40.0, "weighted_length_m": 40.0,
             "geometry": LineString([(62, 50), (102, 50)])},
        ]),
        "starts": _table("starts", [
            {"parcel_id": "north lawn", "zone_id": "north lawn-z2", "machine": "m3", "corner": "lower right",
             "way": "across", "bearing_deg": 270.0, "geometry": Point(119, 105)},
        ]),
        "directions": _table("directions", [
            {"parcel_id": "north lawn", "zone_id": "north lawn-z2", "machine": "m3", "way": "across",
             "bearing_deg": 270.0, "length_m": 98.0, "geometry": LineString([(119, 105), (21, 105)])},
        ]),
        "corrections": _table("corrections", [
            {"number": 1, "what": "soft ground", "body": "", "survey": "", "who": "", "when": "", "why": "",
             "effect": "counted: it only refuses more", "geometry": box(196, 84, 216, 104)},
            {"number": 2, "what": "reject", "body": "w-7d3320b1", "why": WHY,
             "effect": "lifts a hazard from ground of: east bank", "geometry": box(132, 40, 156, 58)} | said,
            {"number": 3, "what": "confirm", "body": "w-b2907f15", "why": None, "effect": "shown as confirmed",
             "geometry": MultiPolygon([box(190, 126, 198, 134), box(203, 126, 211, 134)])} | said,
        ]),
        "run_notes": _table("run_notes", [
            {"topic": "inputs", "name": "elevation", "value": "ground.tif"},
            {"topic": "not assessed", "name": "soft ground", "value": None},
        ]),
    }  # fmt: skip


def sample_landforms() -> dict[str, Any]:
    """A pond inside a larger hollow, a berm beside it without a figure for its right face, one with a gap in it."""
    hollow, pond = box(20, 100, 120, 150), box(40, 115, 90, 140)
    common = {
        "perimeter_m": 300.0,
        "approach_m": 0.0,
        "floor_slope_deg": 1.5,
        "built_likeness": 0.61,
        "beside_void": False,
    }
    crest = LineString([(20, 96), (70, 95), (120, 96)])
    return {
        "basins": _table("basins", [
            {"basin": "b-0a41c9e2", "inside": "", "parcels": "north lawn,east bank", "depth_m": 2.5, "low_z_m": 97.5,
             "spill_z_m": 100.0, "area_m2": hollow.area, "volume_m3": 6250.0, "wet": True, "water_m2": 1250.0,
             "side_hv": 3.0, "geometry": hollow} | common,
            {"basin": "b-77d0035b", "inside": "b-0a41c9e2", "parcels": "north lawn", "depth_m": 1.0, "low_z_m": 97.5,
             "spill_z_m": 98.5, "area_m2": pond.area, "volume_m3": 625.0, "wet": False, "water_m2": 0.0,
             "side_hv": None, "geometry": pond} | common | {"floor_slope_deg": None, "beside_void": True},
        ]),
        "basin_floors": _table("basin_floors", [
            {"basin": "b-77d0035b", "area_m2": 600.0, "slope_deg": None, "soft_m2": 480.0, "wet": False,
             "geometry": box(45, 118, 75, 138)},
        ]),
        "berms": _table("berms", [
            {"berm": "k-19e6f0aa", "basin": "b-0a41c9e2", "water": "", "parcels": "north lawn",
             "length_m": crest.length, "height_m": 1.2, "closed": False, "left_hv": 2.5, "right_hv": None,
             "open_end": True, "geometry": crest},
            {"berm": "k-c2501b7d", "basin": "", "water": "", "parcels": "", "length_m": 60.0, "height_m": 0.6,
             "closed": False, "open_end": False,
             "geometry": MultiLineString([[(125, 20), (155, 20)], [(160, 20), (190, 20)]])},
        ]),
        "berm_sides": _table("berm_sides", [
            {"berm": "k-19e6f0aa", "side": "left", "height_m": 1.2, "hv": 2.5, "area_m2": 300.0,
             "geometry": box(20, 92, 120, 95)},
            {"berm": "k-19e6f0aa", "side": "right", "height_m": 1.1, "hv": None, "area_m2": 300.0,
             "geometry": MultiPolygon([box(20, 97, 60, 100), box(64, 97, 120, 100)])},
        ]),
        "stage_storage": _table("stage_storage", [
            {"basin": "b-77d0035b", "level": n, "stage_m": 0.5 * n, "elevation_m": 97.5 + 0.5 * n,
             "area_m2": 625.0 * n, "volume_m3": 156.25 * n * n}
            for n in range(3)
        ]),
        "water_bodies": _table("water_bodies", [
            {"body": "w-5d0c2f10", "basin": "b-77d0035b", "parcels": "north lawn", "origin": "inferred from flat cells",
             "area_m2": 600.0, "level_m": 97.8, "open_end": False, "geometry": box(45, 118, 75, 138)},
        ]),
    }  # fmt: skip
