"""Two ways to do one job, taken in turns and timed, and the memory of a process with all that it starts."""

import os
import subprocess
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from statistics import median

REPEATS = 3
CAN_WATCH = os.path.exists(f"/proc/self/task/{os.getpid()}/children")


@dataclass(frozen=True)
class Ratio:
    """Median seconds (ours, peer) and medians of ours / peer over the rounds."""

    wall: tuple[float, float]
    wall_ratio: float
    cpu: tuple[float, float]
    cpu_ratio: float


def in_turns(ours: Callable[[], object], peer: Callable[[], object], repeats: int = REPEATS) -> Ratio:
    """Run both alternately, so that what else the machine does falls on both alike."""
    wall: list[tuple[float, float]] = []
    cpu: list[tuple[float, float]] = []
    for _ in range(repeats):
        a, b = _seconds(ours), _seconds(peer)
        wall.append((a[0], b[0]))
        cpu.append((a[1], b[1]))
    return Ratio(*_medians(wall), *_medians(cpu))


def _medians(pairs: list[tuple[float, float]]) -> tuple[tuple[float, float], float]:
    return (median(a for a, _ in pairs), median(b for _, b in pairs)), median(a / b for a, b in pairs)


def _seconds(act: Callable[[], object]) -> tuple[float, float]:
    cpu, wall = _cpu(), time.perf_counter()
    act()
    return time.perf_counter() - wall, _cpu() - cpu


def _cpu() -> float:
    """Seconds used so far by this process and by the ended processes that it started, and theirs."""
    return sum(os.times()[:4])


def watched(
    command: list[str], environment: dict[str, str], every_s: float = 0.1, done: tuple[int, ...] = (0,)
) -> tuple[str, float]:
    """Run a command to its end: what it said, which may not be more than a pipe holds, and the most MB (10**6 bytes)
    that it or a process that it started has held, by the kernel's own high-water mark.

    (`ru_maxrss` would do but for one thing: a child starts with the peak of the process that it was started from.) So
    little is read that a run which is timed is not held up. done: exit codes of a run that has its result.
    """
    largest = 0.0
    pipe = subprocess.PIPE
    with subprocess.Popen(command, env=environment, text=True, stdout=pipe, stderr=pipe) as process:
        while process.poll() is None:
            for pid in _family(process.pid):
                largest = max(largest, _kilobytes(Path(f"/proc/{pid}/status"), "VmHWM:"))
            time.sleep(every_s)
        said, error = process.communicate()
    assert process.returncode in done, error
    return said, largest * 1.024e-3


def _family(pid: int) -> list[int]:
    """A process and all that descend from it."""
    found = [pid]
    for one in found:
        for tasks in Path(f"/proc/{one}/task").glob("*/children"):
            try:
                found += [int(child) for child in tasks.read_text().split()]
            except OSError:  # ended since it was listed
                continue
    return found


def _kilobytes(path: Path, name: str) -> float:
    """A figure of a /proc file; 0 for a process that has ended."""
    try:
        text = path.read_text()
    except OSError:
        return 0.0
    return next((float(line.split()[1]) for line in text.splitlines() if line.startswith(name)), 0.0)
