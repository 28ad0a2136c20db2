"""The tables of a result as what a page holds: columns of packed numbers, names and sentences once each."""

from collections.abc import Callable, Mapping, Sequence
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from slopekit.outputs.mapaids import short_id
from slopekit.outputs.page.packed import packed, packed_column, packed_shares, packed_signed
from slopekit.outputs.page.shapes import Frame, lines, points, polygons
from slopekit.outputs.page.texts import shared_texts
from slopekit.outputs.symbology import CLASS_MARKS, WATER_MARKS
from slopekit.schema.classes import HAZARDS, MACHINE_CLASSES, WAYS
from slopekit.schema.reasons import REASON_CODES, REASONS
from slopekit.sources.warp import transformer

CLASS_CODES = (*MACHINE_CLASSES, "none", "excluded")
CLASS_AREAS = [code.replace("-", "_").replace(" ", "_") + "_m2" for code in CLASS_CODES]
ORIGINS = [str(mark.where[2]) for mark in WATER_MARKS if mark.where]
_SQUARE_STEP_M2, _ZONE_STEP_M2, _SHORT_M, _DEGREES, _SPEED_KMH = 0.01, 0.1, 0.01, 0.1, 0.1
_LENGTH_M = 0.1


def marks() -> dict[str, Any]:
    """What the registry says of classes, reasons, hazards and waters, in the order of their numbers on the page."""
    return {
        "classes": [
            {"code": code, "label": mark.label, "fill": mark.fill, "ink": mark.ink, "hatch": mark.hatch}
            for code, mark in ((code, CLASS_MARKS[code]) for code in CLASS_CODES)
        ],
        "reasons": [row.words for row in REASONS.values()],
        "hazards": list(HAZARDS),
        "ways": list(WAYS),
        "waters": [
            {"label": mark.label, "fill": mark.fill, "ink": mark.ink, "hatch": mark.hatch, "line": mark.line}
            for mark in WATER_MARKS
        ],
    }


def fleet_of(tables: Mapping[str, Any]) -> dict[str, Any]:
    """Machines, with label and class, and conditions: as the notes tell of the fleet, then as the tables name them."""
    notes, zones = tables["run_notes"], tables["zones"]
    settings = notes[notes["topic"] == "settings"]
    told = dict(zip(settings["name"].astype(str), settings["value"].astype(str), strict=True))
    named = [name.removeprefix("machines.").removesuffix(".class") for name in told if _is_class(name)]
    met = [one for names in zones["permitted"].dropna().unique() for one in names.split(",") if one]
    machines = list(dict.fromkeys([*named, *met, *tables["refusals"]["machine"].dropna()]))
    prefix = "permitted_"
    return {
        "machines": [
            {
                "id": one,
                "label": ""
                if told.get(f"machines.{one}.label") in (None, "not given")
                else told[f"machines.{one}.label"],
                "class": told.get(f"machines.{one}.class", ""),
            }
            for one in machines
        ],
        "conditions": [name.removeprefix(prefix) for name in zones.columns if name.startswith(prefix)],
    }


def _is_class(name: str) -> bool:
    return name.startswith("machines.") and name.endswith(".class")


def parcels_of(parcels: gpd.GeoDataFrame, hazards: NDArray[np.int64], frame: Frame, hours: Any) -> dict[str, Any]:
    """Columns of the parcels. hazards: (parcels,), a bit for each of `HAZARDS` that a zone has. hours: columns hours,
    hours_low, hours_high by parcel id, or None."""
    shapes = frame.moved(parcels)
    spots = shapely.point_on_surface(shapes)
    out: dict[str, Any] = {
        "id": parcels["parcel_id"].astype(str).tolist(),
        "area": _column(parcels, "plan_m2", _SQUARE_STEP_M2),
        "unknown": _column(parcels, "unknown_m2", _SQUARE_STEP_M2),
        "by_class": [_column(parcels, name, _SQUARE_STEP_M2) for name in CLASS_AREAS],
        "hazards": packed(hazards),
        "place": points(spots, frame),
        "degrees": _degrees(spots, frame),
    }
    if hours is not None:
        own = hours.reindex(parcels["parcel_id"].astype(str))
        out["hours"] = [_column(own, name, _SHORT_M) for name in ("hours", "hours_low", "hours_high")]
    return out


def _degrees(spots: NDArray[Any], frame: Frame) -> str:
    """Latitude and longitude of each spot in steps of 1e-5 degrees (about a metre), from one to the next."""
    x, y = shapely.get_x(spots), shapely.get_y(spots)
    lon, lat = transformer(frame.crs, "EPSG:4326").transform(x, y)
    steps = np.rint(1e5 * np.column_stack([lat, lon])).astype(np.int64)
    return packed_signed(np.diff(steps, axis=0, prepend=np.zeros((1, 2), np.int64)))


def zones_of(
    zones: gpd.GeoDataFrame, parcel: NDArray[np.int64], frame: Frame, sentence: Callable[[str], str]
) -> dict[str, Any]:
    """Columns of the zones. parcel: (zones,), number of the parcel of each, in rising order. sentence: a metric one in
    the units of the page."""
    shapes = frame.moved(zones)
    ids = zip(zones["zone_id"].astype(str), zones["parcel_id"].astype(str), strict=True)
    return {
        "name": [short_id(zone, own) for zone, own in ids],
        "parcel": packed(np.diff(parcel, prepend=0)),
        "class": packed(_codes(zones["machine_class"], CLASS_CODES)),
        "way": packed(_codes(zones["way"], WAYS)),
        "hazard": packed(_codes(zones["hazard"].fillna("none"), HAZARDS)),
        "area": _column(zones, "plan_m2", _ZONE_STEP_M2),
        "slope": _column(zones, "slope_max_deg", _DEGREES),
        "marginal": packed_shares(_numbers(zones["marginal_share"])),
        "note": shared_texts(None if pd.isna(note) else sentence(str(note)) for note in zones["note"]),
        "place": points(shapely.point_on_surface(shapes), frame),
        **polygons(shapes, frame),
    }


def refusals_of(
    refusals: pd.DataFrame, zone: NDArray[np.int64], count: int, fleet: Mapping[str, Any]
) -> dict[str, Any]:
    """`counts`: rows of each zone; then for each row `what` (machine times reasons, plus reason) and `shares`, one for
    each condition. zone: (rows,), number of the zone of each; count: how many zones there are."""
    machines, conditions = [one["id"] for one in fleet["machines"]], fleet["conditions"]
    what = _codes(refusals["machine"], machines) * len(REASON_CODES) + _codes(refusals["reason"], REASON_CODES)
    whole = zone * (len(machines) * len(REASON_CODES)) + what
    rows, place = np.unique(whole, return_inverse=True)
    shares = np.zeros((len(rows), len(conditions)))
    shares[place, _codes(refusals["condition"], conditions)] = _numbers(refusals["share"])
    size = max(len(machines) * len(REASON_CODES), 1)
    return {
        "counts": packed(np.bincount(rows // size, minlength=count)),
        "what": packed(rows % size),
        "shares": packed_shares(shares),
    }


def paths_of(paths: gpd.GeoDataFrame, profiles: pd.DataFrame, zone: Mapping[str, int], frame: Frame) -> dict[str, Any]:
    """Columns of the paths down to hazards, and their profiles point by point."""
    by_zone = {str(name): own for name, own in profiles.groupby("zone_id", sort=False)}
    own = [by_zone.get(name, profiles.iloc[:0]).sort_values("point") for name in paths["zone_id"].astype(str)]
    sizes = [len(one) for one in own]
    every = pd.concat(own, ignore_index=True) if own else profiles.iloc[:0]
    first = np.zeros(len(every), bool)
    first[(np.cumsum(sizes) - sizes)[np.array(sizes) > 0] if len(sizes) else []] = True
    height, line = _numbers(every["height_m"]), _numbers(every["line_m"])
    return {
        "zone": packed(np.array([zone[name] for name in paths["zone_id"].astype(str)], np.int64)),
        "hazard": packed(_codes(paths["hazard"], HAZARDS)),
        "across": packed(paths["across"].fillna(False).astype(bool).to_numpy().astype(np.int64)),
        "length": _column(paths, "length_m", _LENGTH_M),
        # A machine at speed may get to what lies higher.
        "fall": packed_signed(np.rint(_numbers(paths["fall_m"]) / _SHORT_M).astype(np.int64)),
        "start": _column(paths, "start_kmh", _SPEED_KMH),
        "arrival": _column(paths, "arrival_kmh", _SPEED_KMH),
        "sizes": packed(np.array(sizes, np.int64)),
        "distance": _along(_numbers(every["distance_m"]) / _LENGTH_M, first),
        "height": _along(height / _SHORT_M, first),
        # Above the ground, or below it where the machine has stopped.
        "head": packed_signed(np.rint(np.nan_to_num((line - height) / _SHORT_M)).astype(np.int64)),
        "speed": packed_column(_numbers(every["speed_kmh"]), _SPEED_KMH),
        **lines(frame.moved(paths), frame),
    }


def _along(values: NDArray[np.float64], first: NDArray[np.bool_]) -> str:
    """From each point to the next, beginning anew with each profile."""
    whole = np.rint(np.nan_to_num(values)).astype(np.int64)
    steps = np.diff(whole, prepend=0)
    steps[first] = whole[first]
    return packed_signed(steps)


def water_of(water: gpd.GeoDataFrame, frame: Frame) -> dict[str, Any]:
    return {"origin": packed(_codes(water["origin"], ORIGINS)), **polygons(frame.moved(water), frame)}


def drops_of(drops: gpd.GeoDataFrame, frame: Frame) -> dict[str, Any]:
    return {"height": _column(drops, "height_m", _SHORT_M), **lines(frame.moved(drops), frame)}


def numbers_of(names: pd.Series, known: Sequence[str]) -> NDArray[np.int64]:
    """(rows,): place of each name among those that are known; -1 for another."""
    return pd.Index([str(one) for one in known]).get_indexer(names.astype(str)).astype(np.int64)


def _codes(names: pd.Series, known: Sequence[str]) -> NDArray[np.int64]:
    found = numbers_of(names, known)
    if (found < 0).any():
        raise ValueError(f"{names.name}: '{names[(found < 0).tolist()].iloc[0]}' is not known to the registry")
    return found


def _numbers(values: Any) -> NDArray[np.float64]:
    return pd.to_numeric(values, errors="raise").astype("float64").to_numpy()


def _column(table: pd.DataFrame, name: str, step: float) -> str:
    return packed_column(_numbers(table[name]), step)
