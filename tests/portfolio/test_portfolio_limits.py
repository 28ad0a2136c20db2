"""Parcels that hang, take all memory or bring their process down: each is one row; the others have their answers."""

import sys

import pyogrio
import pytest
from conftest import Unbroken
from portfolio_runner import run

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
    assert "needs more memory than the 600 MB" in told and told.endswith("--memory-limit.")


def test_a_parcel_that_brings_its_process_down_is_given_up(unbroken: Unbroken) -> None:
    told = spoilt(unbroken, "crash", CRASH=VICTIM)[VICTIM]
    assert "ended from outside twice" in told
