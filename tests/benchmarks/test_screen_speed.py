"""The whole of `screen` against what a GIS user scripts by hand, its memory, and its start-up."""

import os
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
import shapely
from bench_clock import CAN_WATCH, in_turns, watched
from bench_site import PARCELS, SIDE, WIDE, Site, Table
from child_process import environment

from slopekit.fleet.model import Fleet
from slopekit.permits.judge import BIT
from slopekit.screening.parcel import screen_parcel
from slopekit.sources.elevation import open_elevation
from slopekit.sources.layers import Layers
from slopekit.sources.parcels import read_parcels
from slopekit.sources.raster import rasterize

RUN = [sys.executable, "-c", "import sys; from slopekit.cli import main; sys.exit(main())"]
NO_GDAL = "gdaldem and gdal_calc.py are not both installed (GDAL's programs and its Python scripts)"
LIMIT_MB = 700
ENVIRONMENT = environment(PYTHON=sys.executable)


def command(raster: Path, site: Site, fleet: Path, out: Path) -> list[str]:
    files = ["--parcels", str(site.parcels), "--id-column", "pid", "--fleet", str(fleet), "--out", str(out)]
    return [*RUN, "screen", str(raster), *files, "--quiet"]


def run(arguments: list[str]) -> None:
    # Debian's programs have a numpy of their own, which that of an environment must not hide.
    own = ENVIRONMENT if arguments[0] == sys.executable else {**os.environ, "PYTHON": sys.executable}
    done = subprocess.run(arguments, env=own, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr


@pytest.fixture(scope="module")
def warm(site: Site, fleet_file: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A first run, after which compiled code is in the cache and the raster in memory; its result."""
    out = tmp_path_factory.mktemp("warm") / "zones.gpkg"
    run(command(site.raster, site, fleet_file, out))
    return out


def area_of(result: Path, site: Site, column: str) -> float:
    """Area of the zones of a result, all of whose parcels must be there."""
    zones = gpd.read_file(result, layer="zones")
    assert set(zones[column].astype(str)) == set(gpd.read_file(site.parcels)["pid"].astype(str))
    return float(zones.area.sum())


def hectares(raster: Path) -> gpd.GeoDataFrame:
    """Square hectares, seven by seven, that lie with their look inside the village's grid."""
    with open_elevation([raster], surface="ground") as elevation:
        west, south, _, _ = elevation.survey.grid.bounds
        crs = elevation.survey.grid.crs
    corners = [(west + 150.0 + 100.0 * k, south + 150.0 + 100.0 * n) for n in range(7) for k in range(7)]
    shapes = [shapely.box(x, y, x + 100.0, y + 100.0) for x, y in corners]
    return gpd.GeoDataFrame({"pid": range(len(shapes))}, geometry=shapes, crs=crs)


@pytest.fixture(scope="module")
def village(open_data: Callable[[str], Path], tmp_path_factory: pytest.TempPathFactory) -> Site:
    raster, parcels = open_data("village_scarp_1m.tif"), tmp_path_factory.mktemp("village") / "parcels.gpkg"
    hectares(raster).to_file(parcels)
    return Site(raster, parcels)


@pytest.mark.needs_bench_kit
@pytest.mark.skipif(not (shutil.which("gdaldem") and shutil.which("gdal_calc.py")), reason=NO_GDAL)
@pytest.mark.parametrize(("which", "aim"), [("site", 0.5), ("village", 1.0)])
def test_screen_against_work_by_hand(
    request: pytest.FixtureRequest, which: str, aim: float, kit: Path, fleet_file: Path, tmp_path: Path, table: Table
) -> None:
    ground: Site = request.getfixturevalue(which)
    ours = tmp_path / "zones.gpkg"
    # The first run puts compiled code into the cache and the raster into memory.
    run(command(ground.raster, ground, fleet_file, ours))
    script = ["bash", str(kit / "by_hand.sh"), str(ground.raster), str(ground.parcels), str(tmp_path / "by_hand")]
    found = in_turns(lambda: run(command(ground.raster, ground, fleet_file, ours)), lambda: run(script))
    parcels = gpd.read_file(ground.parcels)
    table.ratio(f"screen, {len(parcels)} parcels, {which}", "by_hand.sh", found, f"whole command; aim {aim} by wall")
    assert area_of(ours, ground, "parcel_id") == pytest.approx(parcels.area.sum(), rel=1e-3)
    assert area_of(tmp_path / "by_hand" / "zones.gpkg", ground, "pid") == pytest.approx(parcels.area.sum(), rel=1e-3)


def test_gentle_ground_that_is_refused(village: Site, fleet: Fleet, table: Table) -> None:
    """Ground up to 8 degrees in 40 hectares, cell by cell, stand-off included. What is refused as unknown or beyond the
    look is told beside it, since a rule must not gain by refusing elsewhere."""
    hazards = sum(int(BIT[code]) for code in ("above_water", "above_drop", "reach", "stand_off"))
    unknown = sum(int(BIT[code]) for code in ("unknown_ground", "unknown_basin", "beyond_look"))
    gentle = for_hazards = for_unknown = 0
    with open_elevation([village.raster], surface="ground") as elevation:
        for parcel in read_parcels(str(village.parcels), "pid", elevation.survey.grid.crs)[:40]:
            result = screen_parcel(elevation, parcel, fleet, Layers())
            cells = rasterize([parcel.geometry], result.grid) & (result.ground.limit_deg <= 8.0)
            seated = [fleet.machines[machine].operator == "seated" for machine, _ in result.verdict.pairs]
            assert any(seated)
            reasons = np.bitwise_or.reduce(result.verdict.reasons[seated], axis=0)[cells]
            gentle += int(cells.sum())
            for_hazards += int((reasons & hazards != 0).sum())
            for_unknown += int(((reasons & unknown != 0) & (reasons & hazards == 0)).sum())
    share, other = 100.0 * for_hazards / gentle, 100.0 * for_unknown / gentle
    table.say(f"village, ground up to 8 degrees: {share:.1f} % refused for water or drops (aim 17), "
              f"{other:.1f} % more as unknown or beyond the look")  # fmt: skip
    # Both are met, and most of such ground is worked.
    assert 1.0 < share < 30.0 and other < 20.0


@pytest.mark.needs_bench_kit
@pytest.mark.skipif(not CAN_WATCH, reason="the memory of processes is read from /proc, which this system does not have")
def test_memory_does_not_grow_with_the_raster(
    site: Site, wide_raster: Path, warm: Path, fleet_file: Path, tmp_path: Path, table: Table
) -> None:
    peaks = []
    for raster, side in ((site.raster, SIDE), (wide_raster, WIDE)):
        out = tmp_path / f"{side}.gpkg"
        # One process reads the same windows in the same order every time; of two, the luckier takes the widest ones.
        line = [*command(raster, site, fleet_file, out), "--workers", "1"]
        _, peak = watched(line, ENVIRONMENT)
        table.say(f"screen, {PARCELS} parcels on {side} x {side}, one process: {peak:.0f} MB")
        assert area_of(out, site, "parcel_id") == pytest.approx(area_of(warm, site, "parcel_id"), rel=1e-6)
        peaks.append(peak)
    small, wide = peaks
    assert wide < 1.1 * small
    out = tmp_path / "shared.gpkg"
    _, largest = watched(command(wide_raster, site, fleet_file, out), ENVIRONMENT)
    table.say(f"screen, {PARCELS} parcels on {WIDE} x {WIDE}, largest of the processes: {largest:.0f} MB")
    assert area_of(out, site, "parcel_id") == pytest.approx(area_of(warm, site, "parcel_id"), rel=1e-6)
    assert largest < LIMIT_MB


def test_start_up(table: Table) -> None:
    often = 5

    def several(arguments: list[str]) -> None:
        for _ in range(often):
            run(arguments)

    found = in_turns(lambda: several([*RUN, "--help"]), lambda: several([sys.executable, "-c", "pass"]))
    table.ratio(f"slopekit --help, {often} times", "python -c pass", found, f"{found.wall[0] / often:.2f} s each")
    shown = subprocess.run([*RUN, "--help"], env=ENVIRONMENT, capture_output=True, text=True, check=True).stdout
    assert shown.startswith("Usage: slopekit")
    assert "screen" in shown
