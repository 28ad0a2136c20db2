"""Processes that tests start run the package that the tests themselves run, installed or not."""

import os
from pathlib import Path

import slopekit


def environment(*folders: Path, **more: str) -> dict[str, str]:
    """This process's environment, whose imports find slopekit and what lies in `folders`."""
    before = filter(None, [os.environ.get("PYTHONPATH")])
    path = os.pathsep.join([*map(str, folders), str(Path(slopekit.__file__).parents[1]), *before])
    return {**os.environ, "PYTHONPATH": path, **more}
