"""Writes one kind of output in a process of its own, so that a test can kill it or take its disk away.

Arguments: kind, folder, what happens: `limit N` allows files of N bytes, `hold` stops before the file is moved into
place, `slow` stops in the middle of writing.
"""

import os
import resource
import signal
import sys
import time
from pathlib import Path
from typing import Any

from output_samples import CONDITIONS, sample_grid, sample_ground, sample_tables

from slopekit.errors import OutputError
from slopekit.schema.fields import fields_of

NAMES = {
    "gpkg": "out.gpkg",
    "parquet": "out.parquet",
    "tif": "out.tif",
    "json": "out.json",
    "png": "out.png",
    "profiles": "out.png",
}


def write(kind: str, folder: Path) -> None:
    path = folder / NAMES[kind]
    tables, grid = sample_tables(), sample_grid()
    if kind in ("gpkg", "parquet"):
        from slopekit.outputs.package import write_result

        write_result(path, tables, CONDITIONS)
    elif kind == "tif":
        from slopekit.outputs.rasters import write_band

        write_band(path, sample_ground(grid), grid, fields_of("rasters")[0])
    elif kind == "json":
        from slopekit.outputs.report import write_report

        write_report(path, tables, {"cell_m": 1.0})
    elif kind == "profiles":
        from slopekit.outputs.profile_plot import draw_profiles
        from slopekit.runout.settings import RunoutSettings

        draw_profiles(path, tables=tables, settings=RunoutSettings(), title="Invented", cautions=[])
    else:
        from slopekit.outputs.map import draw_map

        draw_map(path, z=sample_ground(grid), grid=grid, tables=tables, title="Invented", cautions=[])


def _stop(*_: Any, **__: Any) -> None:
    print("stopped", flush=True)
    time.sleep(600)


def main() -> None:
    kind, folder, mode, *rest = sys.argv[1:]
    if mode == "limit":
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (int(rest[0]), resource.RLIM_INFINITY))
    elif mode == "hold":
        os.replace = _stop
    elif mode == "slow":
        from slopekit.outputs import package

        package.write_styles = _stop
    try:
        write(kind, Path(folder))
    except OutputError as error:
        print(f"refused: {error}", flush=True)


if __name__ == "__main__":
    main()
