"""Runs that are killed or interrupted: the older result or none, never a part of one, and no process left behind."""

import contextlib
import os
import signal
import subprocess
import time
from collections.abc import Callable
from pathlib import Path

import geopandas as gpd
import numpy as np
import pyogrio
import pytest
from command_line import Process, assert_done, assert_one_sentence, finish, forked, fresh, run, start
from fault_site import Site, gentle, lot, write_grid, write_shapes
from process_groups import nobody_left

from slopekit.outputs.manifest import note
from slopekit.schema.layers import LAYERS

pytestmark = [
    pytest.mark.fault,
    pytest.mark.slow,
    pytest.mark.skipif(not hasattr(os, "killpg"), reason="this system has no process groups and no SIGKILL"),
]

OLD = b"what an earlier run left"
SIDE = 700


@pytest.fixture(scope="module")
def park(tmp_path_factory: pytest.TempPathFactory) -> Site:
    """144 parcels, enough for two workers to be busy for a while."""
    folder = tmp_path_factory.mktemp("park")
    site = Site.make(folder)
    write_grid(folder / "ground.tif", gentle(SIDE, SIDE))
    spots = np.linspace(10, SIDE - 50, 12)
    write_shapes(folder / "parcels.gpkg", [lot(east, south, 40, 40) for south in spots for east in spots])
    assert_done(run(site.line("--out", "first.gpkg", "--workers", "2"), folder))
    return site


@pytest.fixture
def older(park: Site) -> Path:
    for path in park.folder.iterdir():
        if "partial" in path.name:
            path.unlink()
    park.out.write_bytes(OLD)
    note(park.out, park.out)
    return park.out


def children(pid: int) -> list[int]:
    if not os.path.exists("/proc/self/stat"):
        told = subprocess.run(["ps", "-A", "-o", "pid=,ppid="], capture_output=True, text=True, check=True).stdout
        pairs = [tuple(map(int, line.split())) for line in told.splitlines()]
        return [child for child, parent in pairs if parent == pid]
    found = []
    for folder in Path("/proc").glob("[0-9]*"):
        with contextlib.suppress(OSError):
            # proc(5): the parent comes second after the command in brackets, which may hold anything.
            if int((folder / "stat").read_text().rpartition(")")[2].split()[1]) == pid:
                found.append(int(folder.name))
    return found


def wait_for(what: Callable[[], object], process: Process) -> None:
    until = time.monotonic() + 60.0
    while not what():
        assert process.poll() is None, f"the run ended before it could be stopped: {finish(process)}"
        assert time.monotonic() < until
        time.sleep(0.02)


def partials(folder: Path) -> list[str]:
    return [name for name in os.listdir(folder) if name.startswith(".zones.gpkg.") and "partial" in name]


def with_two_workers(site: Site) -> Process:
    process = forked(site.line("--workers", "2"), site.folder)
    wait_for(lambda: len(children(process.pid)) == 2, process)
    return process


def test_a_worker_that_is_killed_ends_the_run_with_a_sentence(park: Site, older: Path) -> None:
    process = with_two_workers(park)
    os.kill(children(process.pid)[0], signal.SIGKILL)
    answer = finish(process)
    assert_one_sentence(answer, "2 worker processes", "ended from outside", "smaller number with --workers")
    assert older.read_bytes() == OLD and not partials(park.folder)
    assert nobody_left(process.pid)


@pytest.mark.parametrize("to_all", [True, False], ids=["as a terminal does", "to the first process"])
def test_an_interrupt_ends_with_130_and_leaves_nobody(park: Site, older: Path, to_all: bool) -> None:
    process = with_two_workers(park)
    if to_all:
        os.killpg(process.pid, signal.SIGINT)
    else:
        os.kill(process.pid, signal.SIGINT)
    answer = finish(process)
    # 128 + SIGINT, as POSIX shells report it (IEEE Std 1003.1, Shell and Utilities 2.8.2; from memory).
    assert (answer.code, answer.out) == (130, ""), answer
    assert "Traceback" not in answer.err
    assert answer.err.splitlines()[-1].startswith("Stopped before the end.")
    assert older.read_bytes() == OLD and not partials(park.folder)
    assert nobody_left(process.pid)


@pytest.mark.parametrize("sign", [signal.SIGKILL, signal.SIGTERM])
def test_a_run_that_is_killed_leaves_no_worker_and_the_older_result(
    park: Site, older: Path, sign: signal.Signals
) -> None:
    process = with_two_workers(park)
    os.kill(process.pid, sign)
    assert process.wait(timeout=60) == -sign
    assert nobody_left(process.pid), "workers went on without anybody to report to"
    process.communicate(timeout=60)
    assert older.read_bytes() == OLD and not partials(park.folder)


def layers_of(path: Path) -> set[str]:
    return {str(name) for name, _ in pyogrio.list_layers(path)}


# In the middle of the write the database is opened a second time; at its end it is flushed, then moved into place.
@pytest.mark.parametrize(("had", "stop"), [(True, "sqlite3.connect"), (False, "os.fsync")])
def test_a_kill_in_the_middle_of_the_write(site: Site, had: bool, stop: str) -> None:
    if had:
        site.out.write_bytes(OLD)
        note(site.out, site.out)
    held = f"import os, sqlite3, time; {stop} = lambda *_, **__: (open('held', 'w').close(), time.sleep(600)); "
    process = start(site.line("--quiet"), site.folder, before=held)
    wait_for(lambda: (site.folder / "held").exists(), process)
    os.kill(process.pid, signal.SIGKILL)
    process.communicate(timeout=60)
    left = partials(site.folder)
    assert any((site.folder / name).stat().st_size > 10_000 for name in left)
    assert site.out.exists() == had
    assert not had or site.out.read_bytes() == OLD
    # What is left has a name that no program takes for a result.
    assert all(name.startswith(".") and Path(name).suffix != ".gpkg" for name in left)
    assert_done(fresh(site.line("--quiet"), site.folder))
    assert set(LAYERS) <= layers_of(site.out)
    assert gpd.read_file(site.out, layer="zones").plan_m2.sum() == pytest.approx(800.0)


def test_a_kill_at_any_moment(site: Site) -> None:
    """Whenever it comes, the result is the older one or a whole new one."""
    began = time.monotonic()
    assert_done(run(site.line("--quiet"), site.folder))
    whole = time.monotonic() - began
    for share in (0.5, 0.8, 0.95):
        site.out.write_bytes(OLD)
        note(site.out, site.out)
        process = forked(site.line("--quiet"), site.folder)
        time.sleep(share * whole)
        process.kill()
        process.communicate(timeout=60)
        if site.out.read_bytes() != OLD:
            assert set(LAYERS) <= layers_of(site.out)
