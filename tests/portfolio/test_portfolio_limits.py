"""Parcels that hang, take all memory or bring their process down: each is one row; the others have their answers."""

import sys
from pathlib import Path

import geopandas as gpd
import pyogrio
import pytest
from district import WEST_CRS, corners, write_tile
from portfolio_runner import contents, run
from shapely import box
from unbroken import Unbroken

pytestmark = pytest.mark.fault

LINUX = pytest.mark.skipif(sys.platform != "linux", reason="only Linux holds a process to its private memory")
# The parcel stands in a group with neighbours, which must come through.
VICTIM = "p00003"


def spoilt(unbroken: Unbroken, out: str, *more: str, **faults: str) -> dict[str, str]:
    """Failures of a run with a fault, by parcel. What is not at fault must be as in the unbroken run."""
    answer = run(unbroken.district.line(out, "--workers", "2", "--quiet", *more), **faults)
    assert answer.code == 3, answer.err
    assert "Traceback" not in answer.err
    folder = unbroken.district.folder / out
    told = pyogrio.read_dataframe(folder / "portfolio.gpkg", layer="failures").set_index("parcel_id").sentence.to_dict()
    whole = pyogrio.read_dataframe(unbroken.out / "portfolio.gpkg", layer="zones")
    zones = pyogrio.read_dataframe(folder / "portfolio.gpkg", layer="zones")
    assert VICTIM in set(whole.parcel_id)
    assert list(zones.zone_id) == list(whole.zone_id[whole.parcel_id != VICTIM])
    return told


def test_a_parcel_that_hangs_is_given_up(unbroken: Unbroken) -> None:
    told = spoilt(unbroken, "hang", "--time-limit", "6", HANG=VICTIM)[VICTIM]
    assert told == (f"Parcel '{VICTIM}' was not done within 6 s: check its shape, or give a larger --time-limit.")


@LINUX
def test_a_parcel_that_takes_all_memory_is_given_up(unbroken: Unbroken) -> None:
    told = spoilt(unbroken, "hog", "--memory-limit", "600", HOG=VICTIM)[VICTIM]
    # 20 m x 20 m.
    assert f"'{VICTIM}' of 0.04 ha needs more memory than the 600 MB" in told
    assert "split it, or give a larger --memory-limit" in told


def test_a_parcel_that_brings_its_process_down_is_given_up(unbroken: Unbroken) -> None:
    told = spoilt(unbroken, "crash", CRASH=VICTIM)[VICTIM]
    assert "ended from outside twice" in told


def test_a_process_that_never_begins_is_replaced(unbroken: Unbroken) -> None:
    answer = run(unbroken.district.line("stuck_once", "--workers", "2", "--quiet"), STUCK="once", SHORT="10")
    assert answer.code == 3, answer.err
    assert contents(unbroken.district.folder / "stuck_once") == unbroken.bytes


def test_processes_that_never_begin_end_the_run(unbroken: Unbroken) -> None:
    line = unbroken.district.line("stuck", "--workers", "2", "--quiet")
    answer = run(line, STUCK="always", SHORT="2")
    assert answer.code == 2 and "Traceback" not in answer.err, answer.err
    told = answer.err.splitlines()[-1]
    assert "4 worker processes in a row did not begin within 2 s" in told and "go on with --resume" in told
    assert run([*line, "--resume"]).code == 3
    assert contents(unbroken.district.folder / "stuck") == unbroken.bytes


def test_a_last_stage_that_hangs_is_given_up(unbroken: Unbroken) -> None:
    told = spoilt(unbroken, "stuck_last", STUCK_LAST=VICTIM, SHORT="10")[VICTIM]
    assert told.startswith(f"Parcel '{VICTIM}' was screened, but its records were not written down within 10 s")


@LINUX
def test_a_parcel_that_is_truly_too_large(unbroken: Unbroken, tmp_path: Path) -> None:
    """No fault is made here: the ground of 250 ha at 1 m takes more than a small worker may."""
    (x, y), _ = corners()
    write_tile(tmp_path / "ground.tif", WEST_CRS, x, y, 2000)
    lots = [box(x + 200, y - 1800, x + 1800, y - 200), box(x + 300, y - 320, x + 320, y - 300)]
    gpd.GeoDataFrame({"pid": ["huge", "small"]}, geometry=lots, crs=WEST_CRS).to_file(tmp_path / "parcels.gpkg")
    named = ["--parcels", str(tmp_path / "parcels.gpkg"), "--id-column", "pid", "--memory-limit", "150"]
    out = tmp_path / "out"
    answer = run(
        ["portfolio", str(tmp_path / "ground.tif"), *named, "--fleet", str(unbroken.district.fleet), "--out", str(out)]
    )
    assert answer.code == 3 and "Traceback" not in answer.err, answer.err
    failures = pyogrio.read_dataframe(out / "portfolio.gpkg", layer="failures")
    assert list(failures.parcel_id) == ["huge"]
    # 1600 m x 1600 m.
    assert "of 256.00 ha needs more memory than the 150 MB" in failures.sentence[0]
    assert set(pyogrio.read_dataframe(out / "portfolio.gpkg", layer="zones").parcel_id) == {"small"}
