"""Two ways to do one job, taken in turns and timed, and the memory of a process with all that it starts."""

import os
import subprocess
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from statistics import median

REPEATS = 3
CAN_WATCH = os.path.exists("/proc/self/smaps_rollup") and os.path.exists(f"/proc/self/task/{os.getpid()}/children")


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


@dataclass(frozen=True)
class Memory:
    """Peaks in MB (10**6 bytes)."""

    largest: float
    """Of the process that took most."""
    together: float
    """Of all processes at one time; a page that several share counts once."""
    processes: int


def memory_of(command: list[str], environment: dict[str, str], every_s: float = 0.05) -> Memory:
    """Run a command to its end and watch it and the processes that it starts, in /proc.

    The largest process is the kernel's own high-water mark. (`ru_maxrss` would do but for one thing: a child starts
    with the peak of the process that it was started from.) The sum is sampled every `every_s` seconds.
    """
    largest = together = 0.0
    seen: set[int] = set()
    with tempfile.TemporaryFile("w+") as said:
        with subprocess.Popen(command, env=environment, stdout=subprocess.DEVNULL, stderr=said) as process:
            while process.poll() is None:
                total = 0.0
                for pid in _family(process.pid):
                    total += _kilobytes(Path(f"/proc/{pid}/smaps_rollup"), "Pss:")
                    peak = _kilobytes(Path(f"/proc/{pid}/status"), "VmHWM:")
                    largest = max(largest, peak)
                    if peak:
                        seen.add(pid)
                together = max(together, total)
                time.sleep(every_s)
        said.seek(0)
        assert process.returncode == 0, said.read()
    return Memory(largest * 1.024e-3, together * 1.024e-3, len(seen))


def largest_mb(process: "subprocess.Popen[str]", every_s: float = 0.1) -> float:
    """Wait for a process, which may not say more than a pipe holds; the most MB (10**6 bytes) that it or one that it
    started has held. So little is read that a run which is timed is not held up."""
    largest = 0.0
    while process.poll() is None:
        for pid in _family(process.pid):
            largest = max(largest, _kilobytes(Path(f"/proc/{pid}/status"), "VmHWM:"))
        time.sleep(every_s)
    return largest * 1.024e-3


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
