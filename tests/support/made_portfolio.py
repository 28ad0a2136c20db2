"""A portfolio of any number of parcels whose answers are copies of a few that were screened: the rest is watched.

Run it to do one: python tests/support/made_portfolio.py TEMPLATE ARGUMENTS..., where TEMPLATE is the folder of a
portfolio that is done and ARGUMENTS are those of `slopekit portfolio`.
"""

import io
import re
import subprocess
import sys
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq
import rasterio
import shapely
from child_process import environment
from district import WEST_CRS, District, corners, make_district
from rasterio.transform import Affine

HERE = Path(__file__).resolve().parent
LOT_M, APART_M, CELL_M = 127.0, 140.0, 4.0
"""Squares of 1.6 ha on a lattice."""
SEASON = """\
schema = 1
person_rate_h = 20.0
visits = { dry = 3, wet = 1 }
day = { productive_hours = 6.0, paid_hours = 8.0, crew_size = 2 }
machine_rates_h = { ride_on = 5.0, walk_behind = 2.0 }
travel = { to_zone_min = 1.0, to_parcel_min = 10.0 }
"""
"""Invented figures."""


def make_template(folder: Path) -> District:
    """Four parcels of 1.6 ha on ground that is there, with a fleet that hours can be worked out for."""
    made = make_district(folder, parcels=4, across=2, side=320, lot=LOT_M, run=30.0, corrupt=False, gap=False)
    text = made.fleet.read_text().replace("speed_kmh", "efficiency = 0.8\nspeed_kmh")
    made.fleet.write_text(text + "hand_rate_m2_h = 90.0\nedge_rate_m_h = 150.0\n")
    (folder / "season.toml").write_text(SEASON)
    return made


def make_parcels(folder: Path, template: District, count: int, seed: int = 5) -> District:
    """`count` parcels, their ids in no order, on one tile that has a header and no heights."""
    folder.mkdir()
    (x, y), _ = corners()
    side = int(np.ceil(np.sqrt(count)))
    places = [(x + APART_M * (n % side), y - APART_M * (n // side)) for n in range(count)]
    shapes = [shapely.box(west, north - LOT_M, west + LOT_M, north) for west, north in places]
    ids = [f"m{n:07d}" for n in np.random.default_rng(seed).permutation(count)]
    gpd.GeoDataFrame({"pid": ids}, geometry=shapes, crs=WEST_CRS).to_file(folder / "parcels.gpkg")
    (folder / "tiles").mkdir()
    cells = int(np.ceil((side * APART_M + 4000.0) / CELL_M))
    profile: dict[str, Any] = {"driver": "GTiff", "height": cells, "width": cells, "count": 1, "dtype": "float32"}
    profile |= {"crs": WEST_CRS, "transform": Affine(CELL_M, 0, x - 2000.0, 0, -CELL_M, y + 2000.0), "nodata": -9999.0}
    with rasterio.open(folder / "tiles" / "wide.tif", "w", **profile, sparse_ok=True, tiled=True) as file:
        file.update_tags(SURFACE="bare earth")
    return District(folder, folder / "tiles", folder / "parcels.gpkg", template.fleet, None)


def season_line(made: District, template: District, out: str = "out") -> list[str]:
    """The words of a run with hours."""
    return made.line(out, "--workers", "1", "--quiet", "--season", str(template.folder / "season.toml"))


def peak_of(folder: Path, template: District, count: int) -> tuple[float, float]:
    """MB before the merge and at the end, of a whole run with hours whose screening gives copies.

    template: a district whose folder has a finished run in `out`.
    """
    line = season_line(make_parcels(folder, template, count), template)[1:]
    done = subprocess.run(
        [sys.executable, str(HERE / "made_portfolio.py"), str(template.folder / "out"), *line],
        env=environment(HERE), text=True, capture_output=True,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert f"{count:,} of {count:,} parcels answered" in done.stdout
    found = re.search(r"PEAK (\S+) (\S+)", done.stdout)
    assert found is not None
    return float(found[1]), float(found[2])


class _Copies:
    """The rows of the template's parcels, to be had under any name at any place."""

    def __init__(self, out: Path) -> None:
        layers: dict[str, list[pa.Table]] = {}
        for path in sorted((out / "dataset").glob("*/*.parquet")):
            layers.setdefault(path.parent.name, []).append(pq.read_table(path))
        self._tables = {layer: pa.concat_tables(tables) for layer, tables in layers.items()}
        parcels = self._tables["parcels"]
        shapes = shapely.from_wkb(parcels["geometry"].to_numpy())
        self._own = list(zip(parcels["parcel_id"].to_pylist(), shapely.bounds(shapes)[:, [0, 3]], strict=True))

    def of(self, number: int, parcel: Any) -> dict[str, pa.Table]:
        """Rows by layer for a parcel of that number."""
        name, corner = self._own[number % len(self._own)]
        west, _, _, north = parcel.geometry.bounds
        move = np.array([west, north]) - corner
        out = {}
        for layer, table in self._tables.items():
            rows = table.filter(pc.equal(table["parcel_id"], name))
            for at, field in enumerate(rows.schema):
                if pa.types.is_string(field.type) or pa.types.is_large_string(field.type):
                    told = pc.replace_substring(rows[field.name], name, parcel.id)
                    rows = rows.set_column(at, field, told)
                elif field.name == "geometry":
                    moved = shapely.transform(shapely.from_wkb(rows["geometry"].to_numpy()), lambda xy: xy + move)
                    rows = rows.set_column(at, field, pa.array(shapely.to_wkb(moved), field.type))
            out[layer] = rows
        return out


def copied(copies: _Copies, tasks: Sequence[Any]) -> Iterator[Any]:
    """The results of tasks, in place of those that screening would give."""
    from slopekit.portfolio.tasks import Done
    from slopekit.portfolio.version import code_version

    number = 0
    for task in tasks:
        layers: dict[str, list[pa.Table]] = {}
        seen = {}
        for parcel in (parcel for group in task for parcel in group.parcels):
            for layer, rows in copies.of(number, parcel).items():
                layers.setdefault(layer, []).append(rows)
            seen[parcel.id] = parcel.geometry.bounds
            number += 1
        files, counts = {}, {}
        for layer, tables in layers.items():
            whole = pa.concat_tables(tables)
            if whole.num_rows:
                stream = io.BytesIO()
                pq.write_table(whole, stream)
                files[layer], counts[layer] = stream.getvalue(), whole.num_rows
        yield Done(seen, {}, files, counts, code=code_version())


def high_water_mb() -> float:
    """The most memory that this process has held so far (proc(5)), in 10**6 bytes."""
    found = re.search(r"VmHWM:\s+(\d+) kB", Path("/proc/self/status").read_text())
    assert found is not None
    return int(found[1]) * 1.024e-3


def main(arguments: list[str]) -> int:
    """Do a portfolio of copies, and print the peak of memory before the merge and at the end, MB."""
    from slopekit.cli import main as command
    from slopekit.portfolio import run

    template, *rest = arguments
    peaks: list[float] = []
    finished = run._finished

    def watched(*given: Any, **named: Any) -> Any:
        peaks.append(high_water_mb())
        return finished(*given, **named)

    run._results = lambda prepared, tasks, *_: copied(_Copies(Path(template)), tasks)  # type: ignore[assignment]
    run._finished = watched
    code = command(["portfolio", *rest])
    print("PEAK", round(peaks[0], 1), round(high_water_mb(), 1))
    return code


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
