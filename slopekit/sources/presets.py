"""Public indexes that are known by name. The facts and where they are from stand in presets.toml."""

import importlib.resources
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import lru_cache


@dataclass(frozen=True, kw_only=True)
class Preset:
    """One entry of presets.toml, whose head says what each key is."""

    title: str
    country: str
    index: str
    crs: str
    datum: str
    unit: str
    cell_m: float
    licence: str
    credit: str
    facts: Mapping[str, str]
    layer: str = ""
    columns: Mapping[str, str] = field(default_factory=dict)
    asset: str = ""
    only: Mapping[str, str] = field(default_factory=dict)
    filled: str = ""
    by_hand: str = ""


@lru_cache(maxsize=1)
def presets() -> Mapping[str, Preset]:
    """All presets by name."""
    text = (importlib.resources.files("slopekit") / "sources" / "presets.toml").read_text(encoding="utf-8")
    return {name: Preset(**row) for name, row in tomllib.loads(text).items()}
