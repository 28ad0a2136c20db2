"""What one parcel may take of a machine, and what a process has taken."""

import contextlib
import math
import sys
from collections.abc import Iterator
from dataclasses import dataclass

from slopekit.errors import InputError
from slopekit.memory import free_mb, held_bytes
from slopekit.pool import cores

try:
    import resource
except ImportError:  # Windows: its processes cannot be held to a size from inside.
    resource = None  # type: ignore[assignment]


@dataclass(frozen=True)
class Limits:
    seconds: float
    """For one parcel, or for neighbours that share a window: where these take longer, each is tried alone."""
    memory_mb: float | None
    """That a process may take for them beyond what it holds when it begins; None for what its machine can spare."""


_RESERVED = 0.2
"""Part of what is free that stays free, for the process that starts the others and for the system's cache."""
_HELD_MB = 450.0
"""What a worker holds before it takes a parcel, and after: measured 350 to 470 (docs/scale.md)."""
_LEAST_MB = 150.0
"""A window of neighbours has up to 500,000 cells, and takes 250 bytes a cell."""


def share_mb(workers: int, free: float | None = None) -> float:
    """What each of so many processes may take for a parcel (MB); infinite where the system does not tell what is free.

    free: MB that they share, by default what this machine has left. Raises InputError where a share is too little for
    any parcel.
    """
    free = free_mb() if free is None else free
    if free is None:
        return math.inf
    share = (1.0 - _RESERVED) * free / workers - _HELD_MB
    if share < _LEAST_MB:
        fits = _fitting(free)
        fix = f"give --workers {fits}" if fits else "free some, or give --memory-limit"
        raise InputError(
            f"{free:,.0f} MB of memory are free, too little for {workers} worker{'' if workers == 1 else 's'}: {fix}."
        )
    return share


def workers_here() -> int:
    """Processes that this machine has cores and memory for; at least one."""
    free = free_mb()
    return cores() if free is None else max(1, min(cores(), _fitting(free)))


def _fitting(free: float) -> int:
    return int((1.0 - _RESERVED) * free / (_HELD_MB + _LEAST_MB))


@contextlib.contextmanager
def held_to(limits: Limits) -> Iterator[None]:
    """Have the system refuse memory beyond the limit, so that what asks for it gets a MemoryError.

    Only where the system counts private memory for RLIMIT_DATA (Linux since 4.7, see getrlimit(2)).
    """
    held = held_bytes()
    if resource is None or held is None or limits.memory_mb is None or math.isinf(limits.memory_mb):
        yield
        return
    soft, hard = resource.getrlimit(resource.RLIMIT_DATA)
    wanted = held + int(limits.memory_mb * 1e6)
    if hard != resource.RLIM_INFINITY:
        wanted = min(wanted, hard)
    resource.setrlimit(resource.RLIMIT_DATA, (wanted, hard))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_DATA, (soft, hard))


def peak_mb() -> float:
    """Largest resident size (MB) that this process has had; 0 where the system does not tell."""
    if resource is None:
        return 0.0
    most = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    # getrusage(2): kilobytes on Linux, bytes on macOS.
    return most / 1e6 if sys.platform == "darwin" else most * 1024 / 1e6
