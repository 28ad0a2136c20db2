"""The door for analysts: paths, arrays and tables in, a result out. docs/library.md has every name.

The command line is a thin layer on it: it turns options into one call and prints.
"""

from importlib import import_module
from typing import Any

# Loaded when first used, so that a command that is refused at once does not wait for what it would have needed.
_HOME = {
    "Comparison": "labour",
    "Explanation": "spot",
    "Hours": "labour",
    "Landforms": "forms",
    "Raster": "given",
    "Result": "result",
    "compare": "labour",
    "demo_data": "demo",
    "hours": "labour",
    "landforms": "forms",
    "points": "points",
    "portfolio": "many",
    "screen": "screening",
    "why": "spot",
}
__all__ = sorted(_HOME)


def __getattr__(name: str) -> Any:
    if name not in _HOME:
        raise AttributeError(f"module 'slopekit.api' has no attribute '{name}'")
    return getattr(import_module(f"slopekit.api.{_HOME[name]}"), name)
