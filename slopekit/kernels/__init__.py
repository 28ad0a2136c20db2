"""Compiled loops: arrays in, arrays out."""

from pathlib import Path

from slopekit.kernels.cache import give_cache_a_home

KEPT = give_cache_a_home(Path(__file__).parent)
"""Whether compiled kernels are kept from one run to the next."""
