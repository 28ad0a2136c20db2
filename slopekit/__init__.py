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
    "Season": "slopekit.labour.season",
    "blank_fleet": "slopekit.fleet.load",
    "compare_bids": "slopekit.labour.compare",
    "edge_lengths": "slopekit.labour.edges",
    "load_fleet": "slopekit.fleet.load",
    "load_season": "slopekit.labour.season",
    "one_visit": "slopekit.labour.season",
    "open_elevation": "slopekit.sources.elevation",
    "passes_across": "slopekit.labour.passes",
    "price": "slopekit.bid",
    "read_corrections": "slopekit.sources.corrections",
    "read_layer": "slopekit.sources.layers",
    "read_parcels": "slopekit.sources.parcels",
    "read_result": "slopekit.sources.results",
    "screen": "slopekit.batch",
    "screen_parcel": "slopekit.site",
    "why": "slopekit.explain.why",
    "with_corrections": "slopekit.sources.corrections",
    "work_out": "slopekit.labour.hours",
    "write_bid": "slopekit.outputs.bid",
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
