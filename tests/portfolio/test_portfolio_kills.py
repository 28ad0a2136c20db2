"""Kills and interrupts at drawn moments: a resumed run gives the bytes of an unbroken one."""

import os
import random
import shutil
import signal
import sys
import time
from pathlib import Path

import pyarrow.dataset
import pytest
from command_line import Answer, finish
from portfolio_runner import children, contents, kill, lines, run, start, wait_for
from process_groups import nobody_left
from unbroken import Unbroken

pytestmark = [
    pytest.mark.fault,
    pytest.mark.slow,
    pytest.mark.skipif(sys.platform != "linux", reason="the processes of a run are found in /proc"),
]

SMALL = {"SMALL_TASKS": "3"}
# One parcel a task, each held up, so that there is work left for all kills.
SLOW = {"SMALL_TASKS": "1", "SLOW": "0.15"}
WORKER_KILLS, KILLS, MERGE_KILLS = 4, 10, 2
"""With three at the worst moments, and two workers and a scheduler of a cluster, 22 kills in all."""


def nothing_twice(out: Path) -> None:
    """Every row of the dataset is a row of an answered parcel, once."""
    rows = pyarrow.dataset.dataset(out / "dataset" / "zones").to_table().to_pandas()
    assert not rows.zone_id.duplicated().any()


def test_workers_that_are_killed_are_replaced(unbroken: Unbroken) -> None:
    draw = random.Random(11)
    out = unbroken.district.folder / "workers"
    process = start(unbroken.district.line("workers", "--workers", "2", "--quiet"), **SLOW)
    known: list[int] = []
    for _ in range(WORKER_KILLS):
        seen = lines(out)
        assert wait_for(lambda seen=seen: lines(out) >= seen + 4 and len(children(process.pid)) == 2, process)
        known += [pid for pid in children(process.pid) if pid not in known]
        # The one that has been there longest: no parcel is met twice, which would give it up.
        victim = next(pid for pid in known if pid in children(process.pid))
        time.sleep(draw.uniform(0.0, 0.15))
        os.kill(victim, signal.SIGKILL)
        assert wait_for(lambda victim=victim: victim not in children(process.pid), process)
    answer = finish(process)
    assert answer.code == 3, answer.err
    assert contents(out) == unbroken.bytes
    nothing_twice(out)


def test_runs_that_are_killed_go_on(unbroken: Unbroken) -> None:
    draw = random.Random(12)
    out = unbroken.district.folder / "killed"
    for number in range(KILLS + MERGE_KILLS):
        more = ["--resume"] if number else []
        process = start(unbroken.district.line("killed", "--workers", "2", "--quiet", *more), **SLOW)
        seen = lines(out)
        if number < KILLS:
            after = draw.choice([1, 1, 2])
            assert wait_for(lambda seen=seen, after=after: lines(out) >= seen + after, process)
            time.sleep(draw.uniform(0.0, 0.1))
        else:
            # Its own, not what the run before has left.
            mine = out / f".portfolio.gpkg.{process.pid}.partial"
            assert wait_for(mine.exists, process)
        kill(process.pid)
        process.communicate(timeout=60)
        # It was killed, and did not end by itself a moment before.
        assert process.returncode == -signal.SIGKILL
        assert nobody_left(process.pid), "workers went on without anybody to report to"
        assert not (out / "portfolio.gpkg").exists()
    answer = run(unbroken.district.line("killed", "--workers", "2", "--quiet", "--resume"))
    assert answer.code == 3, answer.err
    assert contents(out) == unbroken.bytes
    nothing_twice(out)
    assert not [path for path in out.rglob("*") if "partial" in path.name and "index" not in path.name]


@pytest.mark.parametrize("stop", ["os.replace", "os.fsync", "sqlite3.connect"])
def test_a_kill_at_the_worst_moment(unbroken: Unbroken, stop: str, tmp_path: Path) -> None:
    """Between a line and its part, in a flush, in the middle of the merge: held there, then killed."""
    out = unbroken.district.folder / f"held {stop}"
    held = tmp_path / "held"
    process = start(unbroken.district.line(out.name, "--workers", "1", "--quiet"), HOLD=stop, HELD=str(held), **SMALL)
    assert wait_for(held.exists, process)
    kill(process.pid)
    process.communicate(timeout=60)
    answer = run(unbroken.district.line(out.name, "--workers", "1", "--quiet", "--resume"))
    assert answer.code == 3, answer.err
    assert contents(out) == unbroken.bytes
    nothing_twice(out)
    shutil.rmtree(out)


def interrupted(unbroken: Unbroken, out: Path) -> Answer:
    process = start(unbroken.district.line(out.name, "--workers", "2", "--quiet"), **SMALL)
    assert wait_for(lambda: lines(out) > 2, process)
    os.killpg(process.pid, signal.SIGINT)
    answer = finish(process)
    assert nobody_left(process.pid)
    return answer


def test_an_interrupt_keeps_what_is_done(unbroken: Unbroken) -> None:
    out = unbroken.district.folder / "interrupted"
    answer = interrupted(unbroken, out)
    # 128 + SIGINT, as POSIX shells report it (IEEE Std 1003.1, Shell and Utilities 2.8.2; from memory).
    assert (answer.code, answer.out) == (130, ""), answer
    assert "Traceback" not in answer.err
    assert "--resume" in answer.err
    kept = lines(out)
    answer = run(unbroken.district.line(out.name, "--workers", "2", "--resume"))
    assert kept > 2 and ", 0 of them now" not in answer.out
    assert contents(out) == unbroken.bytes
    assert "of them now" in answer.out and not answer.out.count(" 36 of them now")


def test_two_runs_cannot_share_a_folder(unbroken: Unbroken) -> None:
    out = unbroken.district.folder / "shared"
    # The first one stands still, so that it is there whatever the second takes to begin.
    held = unbroken.district.folder / "shared.held"
    process = start(unbroken.district.line("shared", "--workers", "1", "--quiet"), HOLD="os.replace", HELD=str(held))
    try:
        assert wait_for(held.exists, process)
        answer = run(unbroken.district.line("shared", "--workers", "1", "--quiet", "--resume"))
    finally:
        kill(process.pid)
        process.communicate(timeout=60)
    assert answer.code == 2 and "another run is at work" in answer.err
    # The lock ends with its holder.
    assert run(unbroken.district.line("shared", "--workers", "1", "--quiet", "--resume")).code == 3
    assert contents(out) == unbroken.bytes
