"""The real command line in a process of its own, with faults let loose in its workers."""

import contextlib
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from child_process import environment

HERE = Path(__file__).resolve().parent
# A shell that starts the tests in the background has them ignore Ctrl-C, and so would what they start.
RUN = (
    "import signal; signal.signal(signal.SIGINT, signal.default_int_handler); import sabotage; sabotage.prepare(); "
    "from slopekit.cli import main; raise SystemExit(main())"
)
PATIENCE_S = 600.0
OUTPUTS = ("portfolio.gpkg", "summary.csv", "summary.xlsx", "summary.json")


@dataclass(frozen=True)
class Answer:
    code: int
    out: str
    err: str


def start(arguments: list[str], **faults: str) -> "subprocess.Popen[str]":
    """A command line in a session of its own. Faults: see `sabotage`."""
    return subprocess.Popen(
        [sys.executable, "-c", RUN, *arguments],
        env=environment(HERE, **faults), text=True, start_new_session=True,
        stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
    )  # fmt: skip


def finish(process: "subprocess.Popen[str]") -> Answer:
    out, err = process.communicate(timeout=PATIENCE_S)
    return Answer(process.returncode, out, err)


def run(arguments: list[str], **faults: str) -> Answer:
    return finish(start(arguments, **faults))


def children(pid: int) -> list[int]:
    """Processes that any thread of a process has started (proc(5))."""
    found: list[int] = []
    for path in Path(f"/proc/{pid}/task").glob("*/children"):
        with contextlib.suppress(OSError):
            found += [int(text) for text in path.read_text().split()]
    return found


def wait_for(what: Callable[[], object], process: "subprocess.Popen[str]", seconds: float = 90.0) -> bool:
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
