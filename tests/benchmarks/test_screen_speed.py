"""The whole of `screen` against what a GIS user scripts by hand, its memory, and its start-up."""

import shutil
import subprocess
import sys
from pathlib import Path

import geopandas as gpd
import pytest
from bench_clock import CAN_WATCH, in_turns, watched
from bench_site import PARCELS, SIDE, WIDE, Site, Table
from child_process import environment

RUN = [sys.executable, "-c", "import sys; from slopekit.cli import main; sys.exit(main())"]
NO_GDAL = "gdaldem and gdal_calc.py are not both installed (GDAL's programs and its Python scripts)"
LIMIT_MB = 700
ENVIRONMENT = environment(PYTHON=sys.executable)


def command(raster: Path, site: Site, fleet: Path, out: Path) -> list[str]:
    files = ["--parcels", str(site.parcels), "--id-column", "pid", "--fleet", str(fleet), "--out", str(out)]
    return [*RUN, "screen", str(raster), *files, "--quiet"]


def run(arguments: list[str]) -> None:
    done = subprocess.run(arguments, env=ENVIRONMENT, capture_output=True, text=True, check=False)
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
    assert set(zones[column].astype(str)) == {str(n) for n in range(PARCELS)}
    return float(zones.area.sum())


@pytest.mark.needs_bench_kit
@pytest.mark.skipif(not (shutil.which("gdaldem") and shutil.which("gdal_calc.py")), reason=NO_GDAL)
def test_screen_against_work_by_hand(
    site: Site, kit: Path, warm: Path, fleet_file: Path, tmp_path: Path, table: Table
) -> None:
    ours = tmp_path / "zones.gpkg"
    script = ["bash", str(kit / "by_hand.sh"), str(site.raster), str(site.parcels), str(tmp_path / "by_hand")]
    found = in_turns(lambda: run(command(site.raster, site, fleet_file, ours)), lambda: run(script))
    table.ratio(f"screen, {PARCELS} parcels on {SIDE} x {SIDE}", "by_hand.sh", found, "whole command; aim 0.5 by wall")
    parcels = float(gpd.read_file(site.parcels).area.sum())
    assert area_of(ours, site, "parcel_id") == pytest.approx(parcels, rel=1e-3)
    assert area_of(tmp_path / "by_hand" / "zones.gpkg", site, "pid") == pytest.approx(parcels, rel=1e-3)


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
