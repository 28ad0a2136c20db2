"""Made results of a screening for the tests of bids: zones are typed in, no ground is looked at."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import geopandas as gpd
import pandas as pd
from shapely import affinity, box
from shapely.geometry.base import BaseGeometry

from slopekit.fleet.load import load_fleet
from slopekit.fleet.model import Fleet
from slopekit.outputs.package import write_result
from slopekit.schema.fields import SCHEMA_VERSION, fields_of
from slopekit.schema.layers import GEOMETRIES, LAYERS

CRS = "EPSG:25832"
WEST, SOUTH = 500_000.0, 5_600_000.0

HEAD = """\
schema = 1
[conditions.dry]
friction = 0.35
limit_factor = 1.0
"""
LIMITS = "across_deg = 12.0\nup_down_deg = 14.0\n"


@dataclass(frozen=True)
class Zone:
    """One zone as it is typed in. Shapes are in metres from the corner of the place."""

    name: str
    shape: BaseGeometry
    permitted: str | Mapping[str, str]
    """Machine ids, under every condition or by condition."""
    slope_deg: float | None = 3.0
    surface_m2: float | None = None
    """Without it, the area on the map."""
    parcel: str = "p"
    machine_class: str = "ride-on"


def square(area_m2: float) -> BaseGeometry:
    return box(0.0, 0.0, area_m2**0.5, area_m2**0.5)


def machine(name: str, machine_class: str, text: str) -> str:
    """A table of the fleet file; hand crews and machines have the same limits."""
    return f'[machines.{name}]\nclass = "{machine_class}"\n{LIMITS}{text}\n'


def fleet_file(path: Path, *machines: str, head: str = HEAD) -> Path:
    path.write_text(head + "".join(machines), encoding="utf-8")
    return path


def made_result(
    fleet: Fleet,
    zones: Sequence[Zone],
    *,
    water: Sequence[BaseGeometry] = (),
    drops: Sequence[BaseGeometry] = (),
    crs: str = CRS,
    version: str = f"output schema {SCHEMA_VERSION}",
    corner: tuple[float, float] = (WEST, SOUTH),
    parcels: bool = False,
) -> dict[str, Any]:
    """Tables as `screen` returns them for a fleet. parcels: whether layer parcels has its rows too."""
    conditions = list(fleet.conditions)
    rows: dict[str, list[dict[str, Any]]] = {layer: [] for layer in LAYERS}
    for zone in zones:
        of = {c: zone.permitted if isinstance(zone.permitted, str) else zone.permitted[c] for c in conditions}
        rows["zones"].append(
            {
                "parcel_id": zone.parcel, "zone_id": f"{zone.parcel}-{zone.name}", "parts": 1,
                "machine_class": zone.machine_class, "plan_m2": zone.shape.area, "slope_mean_deg": zone.slope_deg,
                "surface_m2": zone.shape.area if zone.surface_m2 is None else zone.surface_m2, "geometry": zone.shape,
                **{f"permitted_{c}": ids for c, ids in of.items()},
            }
        )  # fmt: skip
    if parcels:
        whole = gpd.GeoDataFrame(rows["zones"]).dissolve("parcel_id").geometry
        rows["parcels"] = [
            {"parcel_id": name, "plan_m2": shape.area, "geometry": shape} for name, shape in whole.items()
        ]
    rows["water"] = [{"parcel_id": "p", "origin": "given", "body": "", "geometry": shape} for shape in water]
    rows["drops"] = [{"parcel_id": "p", "origin": "ground", "body": "d-1", "geometry": shape} for shape in drops]
    notes = [("inputs", "slopekit", f"0.0, {version}"), ("inputs", "elevation", "ground.tif (sha256:0)")]
    notes += [("ground", "warning 1", "The survey is old."), ("cautions", "1", "Walk the ground before work.")]
    notes += [("settings", name, value) for name, value in fleet.as_notes()]
    rows["run_notes"] = [dict(zip(("topic", "name", "value"), note, strict=True)) for note in notes]
    return {layer: _table(layer, rows[layer], conditions, crs, corner) for layer in LAYERS}


def _table(
    layer: str, rows: list[dict[str, Any]], conditions: list[str], crs: str, corner: tuple[float, float]
) -> pd.DataFrame:
    names = [f.name for f in fields_of(layer, conditions)]
    frame = pd.DataFrame({name: [row.get(name) for row in rows] for name in names}, dtype=object)
    if GEOMETRIES[layer] is None:
        return frame
    return gpd.GeoDataFrame(frame, geometry=[affinity.translate(row["geometry"], *corner) for row in rows], crs=crs)


def write_made(path: Path, fleet: Path, zones: Sequence[Zone], **more: Any) -> Path:
    """A result file for the fleet of a file; `more` as in `made_result`."""
    machines = load_fleet(fleet)
    write_result(path, made_result(machines, zones, **more), machines.conditions)
    return path
