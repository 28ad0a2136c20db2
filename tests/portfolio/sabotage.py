"""Faults in a run, by environment variables, before it begins.

SMALL_TASKS: parcels of a task. SLOW: seconds by which each group is held up.
HANG: id of a parcel on which compiled code hangs and lets no other thread run.
HOLD: a function such as os.replace in which the run stays for ever, once its journal has lines; it makes the file HELD.
HOG: id of a parcel that takes more and more memory. CRASH: id of a parcel on which the process dies at once.
STUCK: what a worker process does for ever instead of taking up tasks: "always", or "once" for the first process alone.
STUCK_LAST: id of a parcel whose records are never written down. SHORT: seconds for a beginning and for the last stage.
PATIENCE: seconds to wait for a scheduler, for a word of a web server, and between two requests to one.
"""

import ctypes
import gc
import importlib
import os
import signal
import time
from pathlib import Path
from typing import Any


def _hold(name: str, held: str) -> None:
    module, _, function = name.partition(".")
    home = importlib.import_module(module)
    true = getattr(home, function)

    def stays(*arguments: Any, **more: Any) -> Any:
        from slopekit.portfolio import journal

        # The index and the head of the journal are written first: not those.
        if any(self.state.last for self in gc.get_objects() if isinstance(self, journal.Journal)):
            Path(held).touch()
            time.sleep(1000)
        return true(*arguments, **more)

    setattr(home, function, stays)


def _lose_patience(seconds: float) -> None:
    cluster = importlib.import_module("slopekit.portfolio.cluster")
    mosaic = importlib.import_module("slopekit.sources.mosaic")
    cluster._PATIENCE_S = seconds
    vectors = importlib.import_module("slopekit.sources.vectors")
    vectors._DEADLINES["GDAL_HTTP_LOW_SPEED_TIME"] = str(max(1, round(seconds)))
    mosaic.PAUSES_S = tuple(min(pause, seconds) for pause in mosaic.PAUSES_S)
    mosaic.GDAL_OPTIONS["GDAL_HTTP_RETRY_DELAY"] = seconds


def _stick(how: str) -> None:
    pool = importlib.import_module("slopekit.pool")
    true, started = pool._serve, []

    def serve(*arguments: Any) -> None:
        # Counted in the parent, which forks: the list of a child has as many entries as processes were begun before it.
        if how == "always" or len(started) <= 1:
            time.sleep(1000)
        true(*arguments)

    hired = pool.hired

    def counted(*arguments: Any) -> Any:
        started.append(1)
        return hired(*arguments)

    pool._serve = serve
    importlib.import_module("slopekit.portfolio.worker_pool").hired = counted


def _stick_in_the_end(victim: str) -> None:
    tasks = importlib.import_module("slopekit.portfolio.tasks")
    true = tasks.encoded

    def encoded(records: Any, *more: Any) -> Any:
        if any(parcel == victim for parcel, _, _ in records):
            ctypes.PyDLL(None).sleep(1000)
        return true(records, *more)

    tasks.encoded = encoded


def prepare() -> None:
    if "SHORT" in os.environ:
        crew = importlib.import_module("slopekit.portfolio.worker_pool")
        crew._BEGIN_S = crew.LAST_STAGE_S = float(os.environ["SHORT"])
        cluster = importlib.import_module("slopekit.portfolio.cluster")
        cluster.LAST_STAGE_S = crew.LAST_STAGE_S
    if "STUCK" in os.environ:
        _stick(os.environ["STUCK"])
    if "STUCK_LAST" in os.environ:
        _stick_in_the_end(os.environ["STUCK_LAST"])
    if "PATIENCE" in os.environ:
        _lose_patience(float(os.environ["PATIENCE"]))
    if "HOLD" in os.environ:
        _hold(os.environ["HOLD"], os.environ["HELD"])
    names = ("SMALL_TASKS", "SLOW", "HANG", "HOG", "CRASH")
    if not any(name in os.environ for name in names):
        return
    from slopekit.portfolio import tasks

    if "SMALL_TASKS" in os.environ:
        tasks.PARCELS = tasks.TOGETHER = int(os.environ["SMALL_TASKS"])
    screen_group = tasks.screen_group

    def spoiled(job: Any, group: Any) -> Any:
        time.sleep(float(os.environ.get("SLOW", "0")))
        ids = {parcel.id for parcel in group}
        if os.environ.get("HANG") in ids:
            # PyDLL keeps the interpreter's lock while the call lasts.
            ctypes.PyDLL(None).sleep(1000)
        if os.environ.get("CRASH") in ids:
            os.kill(os.getpid(), signal.SIGSEGV)
        if os.environ.get("HOG") in ids:
            held = []
            while True:
                held.append(bytearray(16 << 20))
        return screen_group(job, group)

    tasks.screen_group = spoiled


def dask_setup(_: object) -> None:
    """What a Dask worker calls that is told to load this module first."""
    prepare()
