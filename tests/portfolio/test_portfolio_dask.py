"""A real Dask scheduler and two worker processes on loopback: the same bytes, also when one of them is killed, and a
sentence for a parcel on which workers hang."""

import importlib.util
import random
import signal
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pyogrio
import pytest
from command_line import finish
from dask_runner import DaskCluster, running
from portfolio_runner import contents, kill, lines, run, start, wait_for
from unbroken import Unbroken

pytestmark = [
    pytest.mark.fault,
    pytest.mark.skipif(importlib.util.find_spec("distributed") is None, reason="the extra 'distributed' is missing"),
    pytest.mark.skipif(sys.platform != "linux", reason="the processes of a cluster are found in /proc"),
]
# A worker that dies three times over a task has Dask give it up (distributed.scheduler.allowed-failures).
SMALL = {"SMALL_TASKS": "3"}
# It stands in a group with neighbours, which must come through.
VICTIM = "p00003"


@pytest.fixture(scope="module")
def cluster(tmp_path_factory: pytest.TempPathFactory) -> Iterator[DaskCluster]:
    """For the tests of this module in their order: the last one kills the scheduler."""
    with running(tmp_path_factory.mktemp("cluster")) as made:
        yield made


def test_a_cluster_gives_the_same_bytes(unbroken: Unbroken, cluster: DaskCluster) -> None:
    answer = run(unbroken.district.line("dask", "--scheduler", cluster.address, "--quiet"), **SMALL)
    assert answer.code == 3, answer.err
    assert contents(unbroken.district.folder / "dask") == unbroken.bytes


def test_a_worker_that_is_killed_changes_nothing(unbroken: Unbroken, cluster: DaskCluster) -> None:
    draw = random.Random(21)
    out = unbroken.district.folder / "dask_worker"
    process = start(unbroken.district.line(out.name, "--scheduler", cluster.address, "--quiet"), **SMALL)
    killed = 0
    for _ in range(2):
        seen = lines(out)
        if not wait_for(lambda seen=seen: lines(out) > max(seen, 1) and cluster.worker_pids(), process):
            break
        time.sleep(draw.uniform(0.0, 0.3))
        kill(draw.choice(cluster.worker_pids()))
        killed += 1
    answer = finish(process)
    assert answer.code == 3, answer.err
    assert killed == 2
    assert contents(out) == unbroken.bytes


def test_a_scheduler_that_is_killed_is_told_and_the_run_goes_on(unbroken: Unbroken, cluster: DaskCluster) -> None:
    out = unbroken.district.folder / "dask_scheduler"
    process = start(unbroken.district.line(out.name, "--scheduler", cluster.address, "--quiet"), **SMALL)
    assert wait_for(lambda: lines(out) > 2, process), finish(process)
    cluster.end("scheduler", signal.SIGKILL)
    answer = finish(process)
    assert answer.code == 2, answer
    assert "the scheduler is gone" in answer.err and "--resume" in answer.err
    assert "Traceback" not in answer.err
    kept = lines(out)
    # By processes of this machine, which gives the same.
    answer = run(unbroken.district.line(out.name, "--workers", "2", "--resume", "--quiet"))
    assert answer.code == 3 and kept > 2
    assert contents(out) == unbroken.bytes


def test_a_parcel_on_which_workers_hang_is_given_up(unbroken: Unbroken, tmp_path: Path) -> None:
    out = unbroken.district.folder / "dask_hang"
    # Dask gives a task up when more workers than this have died of it, also while it waited there behind another. Fewer
    # than its default of 3, to be quicker, and so that what only waited is given up too: it must have its answer.
    often = {"DASK_DISTRIBUTED__SCHEDULER__ALLOWED_FAILURES": "0"}
    line = unbroken.district.line(out.name, "--quiet", "--time-limit", "6")
    with running(tmp_path, HANG=VICTIM, **often) as hanging:
        answer = run([*line, "--scheduler", hanging.address], SMALL_TASKS="6")
    assert answer.code == 3, answer.err
    assert "Traceback" not in answer.err
    told, expected = (
        pyogrio.read_dataframe(folder / "portfolio.gpkg", layer="failures").set_index("parcel_id").sentence
        for folder in (out, unbroken.out)
    )
    assert VICTIM not in expected
    # The neighbours in its task have their answers.
    assert told.drop(VICTIM).to_dict() == expected.to_dict()
    assert "longer than the 6 s of --time-limit" in told[VICTIM] and f"'{VICTIM}'" in told[VICTIM]


def test_workers_that_all_go_are_missed(unbroken: Unbroken, tmp_path: Path) -> None:
    out = unbroken.district.folder / "dask_alone"
    with running(tmp_path, SLOW="0.5") as left:
        process = start(
            unbroken.district.line(out.name, "--scheduler", left.address, "--quiet"), SMALL_TASKS="3", PATIENCE="8"
        )
        assert wait_for(lambda: lines(out) > 1, process)
        for name in ("one", "two"):
            left.end(name)
        answer = finish(process)
    assert answer.code == 2 and "Traceback" not in answer.err, answer.err
    told = answer.err.splitlines()[-1]
    assert "the scheduler has had no worker for 8 s" in told and "--resume" in told
    answer = run(unbroken.district.line(out.name, "--workers", "2", "--resume", "--quiet"))
    assert answer.code == 3 and contents(out) == unbroken.bytes


def test_a_last_stage_that_hangs_on_a_worker_is_given_up(unbroken: Unbroken, tmp_path: Path) -> None:
    out = unbroken.district.folder / "dask_last"
    often = {"DASK_DISTRIBUTED__SCHEDULER__ALLOWED_FAILURES": "0"}
    with running(tmp_path, STUCK_LAST=VICTIM, SHORT="6", **often) as hanging:
        answer = run(unbroken.district.line(out.name, "--quiet", "--scheduler", hanging.address), SMALL_TASKS="6")
    assert answer.code == 3 and "Traceback" not in answer.err, answer.err
    told = pyogrio.read_dataframe(out / "portfolio.gpkg", layer="failures").set_index("parcel_id").sentence
    assert "the workers that took it on ended each time" in told[VICTIM]
