"""Runs command lines for the tests, each in a process of its own, forked from one that has loaded all that they need.

Reads one JSON object a line from stdin: a task to begin (arguments, folder, path, before, variables, out, err),
answered with the process's number, or a process to ask for its end, answered with its exit code or null.
"""

import json
import os
import signal
import sys
import tempfile
import traceback
from contextlib import redirect_stderr, redirect_stdout
from pathlib import Path
from typing import Any

from ground_maker import box, write_ground

import slopekit.labour.bid
import slopekit.portfolio.run  # noqa: F401
from slopekit.cli import main

WARM = """\
schema = 1
[conditions.dry]
friction = 0.35
limit_factor = 1.0
[machines.m1]
class = "walk-behind"
across_deg = 15.0
up_down_deg = 15.0
width_m = 0.9
speed_kmh = 4.0
above_hazard = false
"""


def _warm() -> None:
    """One small screening, which leaves every library and kernel of a screening in memory."""
    import geopandas as gpd
    import numpy as np

    rows, cols = np.mgrid[:100, :100]
    with tempfile.TemporaryDirectory() as place, open(os.devnull, "w") as nowhere:
        folder = Path(place)
        write_ground(folder / "ground.tif", 100.0 - 0.08 * rows + 0.1 * np.sin(cols / 5.0) * np.cos(rows / 7.0))
        gpd.GeoDataFrame({"name": ["lawn"]}, geometry=[box(40, 40, 20, 20)], crs="EPSG:32617").to_file(
            folder / "parcels.gpkg"
        )
        (folder / "fleet.toml").write_text(WARM)
        files = {"parcels": "parcels.gpkg", "fleet": "fleet.toml", "out": "zones.gpkg"}
        words = [word for name, file in files.items() for word in (f"--{name}", str(folder / file))]
        with redirect_stdout(nowhere), redirect_stderr(nowhere):
            code = main(["screen", str(folder / "ground.tif"), *words, "--workers", "1", "--quiet"])
    assert code == 0, code


def _become(task: dict[str, Any]) -> None:
    os.setsid()
    for number, name, flags in ((0, os.devnull, os.O_RDONLY), (1, task["out"], os.O_WRONLY | os.O_CREAT),
                                (2, task["err"], os.O_WRONLY | os.O_CREAT)):  # fmt: skip
        handle = os.open(name, flags, 0o600)
        os.dup2(handle, number)
        os.close(handle)
    os.chdir(task["folder"])
    os.environ.update(task["variables"])
    sys.path[:0] = task["path"]
    signal.signal(signal.SIGINT, signal.default_int_handler)


def _run(task: dict[str, Any]) -> None:
    """End as a fresh interpreter would."""
    code: Any = 70
    try:
        _become(task)
        exec(task["before"], {})
        code = main(task["arguments"])
    except SystemExit as stop:
        code = stop.code
    except BaseException:
        traceback.print_exc()
        code = 1
    finally:
        sys.stdout.flush()
        sys.stderr.flush()
        os._exit(code if isinstance(code, int) else 0 if code is None else 1)


def serve() -> None:
    _warm()
    for line in sys.stdin:
        task = json.loads(line)
        if "pid" in task:
            ended, status = os.waitpid(task["pid"], os.WNOHANG)
            print(json.dumps(os.waitstatus_to_exitcode(status) if ended else None), flush=True)
            continue
        child = os.fork()
        if child == 0:
            _run(task)
        print(child, flush=True)


if __name__ == "__main__":
    serve()
