"""slopekit: from open elevation data and parcels, where which mowing machine may work and why not elsewhere.

The library in one breath (docs/library.md has every name)::

    result = slopekit.screen("ground.tif", "parcels.gpkg", "fleet.toml", z_rmse_m=0.05)
    result.write("zones.gpkg")
    print(result)
"""

import sys
from importlib import import_module
from types import ModuleType
from typing import Any

__version__ = "0.1.0"

# Loaded when first used, so that importing slopekit, and every command's --help, stays quick. Types: __init__.pyi.
_HOME = {
    "Comparison": "slopekit.api.comparing",
    "FetchedTiles": "slopekit.api.tiles",
    "FoundTiles": "slopekit.api.tiles",
    "Explanation": "slopekit.explain.why",
    "Fleet": "slopekit.fleet.model",
    "Hours": "slopekit.api.pricing",
    "InputError": "slopekit.errors",
    "Landforms": "slopekit.api.forms",
    "Outcome": "slopekit.portfolio.run",
    "OutputError": "slopekit.errors",
    "Raster": "slopekit.sources.held",
    "Result": "slopekit.api.result",
    "Season": "slopekit.labour.season",
    "compare": "slopekit.api.comparing",
    "demo_data": "slopekit.api.demo",
    "export": "slopekit.api.export",
    "fetch_tiles": "slopekit.api.tiles",
    "find_tiles": "slopekit.api.tiles",
    "hours": "slopekit.api.pricing",
    "landforms": "slopekit.api.forms",
    "load_fleet": "slopekit.fleet.load",
    "load_season": "slopekit.labour.season",
    "page": "slopekit.api.page",
    "phone": "slopekit.api.phone",
    "points": "slopekit.api.points",
    "portfolio": "slopekit.api.many",
    "screen": "slopekit.api.screening",
    "sheets": "slopekit.api.sheets",
    "why": "slopekit.api.spot",
}
__all__ = sorted(_HOME)


def __getattr__(name: str) -> Any:
    if name not in _HOME:
        raise AttributeError(f"module 'slopekit' has no attribute '{name}'")
    return getattr(import_module(_HOME[name]), name)


def __dir__() -> list[str]:
    return [*globals(), *_HOME]


class _Door(ModuleType):
    def __setattr__(self, name: str, value: Any) -> None:
        # Three rooms have the name of a function. Python would put the room in its place once it is loaded.
        if name not in _HOME or not isinstance(value, ModuleType):
            super().__setattr__(name, value)


sys.modules[__name__].__class__ = _Door
