"""The names that the package offers lead where they say."""

import subprocess
import sys

import slopekit


def test_every_public_name_loads() -> None:
    assert all(callable(getattr(slopekit, name)) for name in slopekit.__all__)
    assert set(slopekit.__all__) <= set(dir(slopekit))


def test_importing_slopekit_loads_nothing_heavy() -> None:
    code = "import sys, slopekit; print([m for m in ('numpy', 'numba', 'rasterio', 'pandas') if m in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
