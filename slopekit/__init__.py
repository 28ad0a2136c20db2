"""slopekit: from open elevation data and parcels, where which mowing machine may work and why not elsewhere.

The library in one breath::

    with slopekit.open_elevation(["ground.tif"]) as elevation:
        crs = elevation.survey.grid.crs
        parcels = slopekit.read_parcels("parcels.gpkg", "parcel_id", crs)
        fleet = slopekit.load_fleet("fleet.toml")
        tables = slopekit.screen(elevation, parcels, fleet)
    slopekit.write_result("zones.gpkg", tables, fleet.conditions)
"""

from importlib import import_module
from typing import Any

__version__ = "0.1.0"

# Loaded when first used, so that importing slopekit, and every command's --help, stays quick.
_HOME = {
    "Fleet": "slopekit.fleet.model",
    "InputError": "slopekit.errors",
    "Layers": "slopekit.sources.layers",
    "Parcel": "slopekit.sources.parcels",
    "blank_fleet": "slopekit.fleet.load",
    "load_fleet": "slopekit.fleet.load",
    "open_elevation": "slopekit.sources.elevation",
    "read_corrections": "slopekit.sources.corrections",
    "read_layer": "slopekit.sources.layers",
    "read_parcels": "slopekit.sources.parcels",
    "screen": "slopekit.batch",
    "screen_parcel": "slopekit.site",
    "why": "slopekit.explain.why",
    "with_corrections": "slopekit.sources.corrections",
    "write_landform_table": "slopekit.outputs.sheets",
    "write_result": "slopekit.outputs.package",
}
__all__ = sorted(_HOME)


def __getattr__(name: str) -> Any:
    if name not in _HOME:
        raise AttributeError(f"module 'slopekit' has no attribute '{name}'")
    return getattr(import_module(_HOME[name]), name)


def __dir__() -> list[str]:
    return [*globals(), *_HOME]
