"""Faults in a run, by environment variables, before it begins.

SMALL_TASKS: parcels of a task. HANG: id of a parcel on which compiled code hangs and lets no other thread run.
HOG: id of a parcel that takes more and more memory. CRASH: id of a parcel on which the process dies at once.
"""

import ctypes
import os
import signal
from typing import Any


def prepare() -> None:
    names = ("SMALL_TASKS", "HANG", "HOG", "CRASH")
    if not any(name in os.environ for name in names):
        return
    import slopekit.portfolio.tasks as tasks

    if "SMALL_TASKS" in os.environ:
        tasks.PARCELS = tasks.TOGETHER = int(os.environ["SMALL_TASKS"])
    screen_group = tasks.screen_group

    def spoiled(job: Any, group: Any) -> Any:
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
