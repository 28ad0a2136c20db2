"""The real command line in a process of its own, with faults let loose in its workers."""

import contextlib
import os
import signal
import time
from collections.abc import Callable
from pathlib import Path

from command_line import Answer, Process, finish, forked

HERE = Path(__file__).resolve().parent
OUTPUTS = ("portfolio.gpkg", "summary.csv", "summary.xlsx", "summary.json")


def start(arguments: list[str], **faults: str) -> Process:
    """A command line in a session of its own. Faults: see `sabotage`."""
    return forked(arguments, before="import sabotage; sabotage.prepare(); ", path=[HERE], variables=faults)


def run(arguments: list[str], **faults: str) -> Answer:
    return finish(start(arguments, **faults))


def children(pid: int) -> list[int]:
    """Processes that any thread of a process has started (proc(5))."""
    found: list[int] = []
    for path in Path(f"/proc/{pid}/task").glob("*/children"):
        with contextlib.suppress(OSError):
            found += [int(text) for text in path.read_text().split()]
    return found


def wait_for(what: Callable[[], object], process: Process, seconds: float = 90.0) -> bool:
    """Whether it came about before the process ended."""
    until = time.monotonic() + seconds
    while not what():
        if process.poll() is not None:
            return False
        assert time.monotonic() < until
        time.sleep(0.01)
    return True


def kill(pid: int) -> None:
    with contextlib.suppress(ProcessLookupError):
        os.kill(pid, signal.SIGKILL)


def contents(folder: Path) -> dict[str, bytes]:
    return {name: (folder / name).read_bytes() for name in OUTPUTS}


def lines(folder: Path) -> int:
    """Whole lines of the journal."""
    path = folder / "journal.jsonl"
    return path.read_bytes().count(b"\n") if path.exists() else 0
