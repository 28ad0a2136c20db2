"""Compiled loops: arrays in, arrays out."""

import os
import tempfile
from pathlib import Path


def _give_cache_a_home() -> None:
    """Compiled kernels are kept beside the code or in the user's cache. Where neither can be written (a read-only
    installation run without a home) importing them would fail, so they go to the folder for temporary files."""
    here = Path(__file__).parent
    beside = here / "__pycache__"
    home = Path(os.path.expanduser("~"))
    if "NUMBA_CACHE_DIR" in os.environ or os.access(beside if beside.exists() else here, os.W_OK):
        return
    if not os.access(home, os.W_OK):
        user = os.getuid() if hasattr(os, "getuid") else "user"
        os.environ["NUMBA_CACHE_DIR"] = str(Path(tempfile.gettempdir()) / f"slopekit-kernels-{user}")


_give_cache_a_home()
