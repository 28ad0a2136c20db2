"""What one parcel may take of a machine, and what a process has taken."""

import contextlib
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

try:
    import resource
except ImportError:  # Windows: its processes cannot be held to a size from inside.
    resource = None  # type: ignore[assignment]


@dataclass(frozen=True)
class Limits:
    seconds: float
    """For one parcel, or for neighbours that share a window: where these take longer, each is tried alone."""
    memory_mb: float
    """That a process may take beyond what it holds when it begins."""


@contextlib.contextmanager
def held_to(limits: Limits) -> Iterator[None]:
    """Have the system refuse memory beyond the limit, so that what asks for it gets a MemoryError.

    Only where the system counts private memory for RLIMIT_DATA (Linux since 4.7, see getrlimit(2)).
    """
    held = _held_bytes()
    if resource is None or held is None:
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


def _held_bytes() -> int | None:
    """Private memory of this process that counts for RLIMIT_DATA, or None where it cannot be told."""
    try:
        lines = Path("/proc/self/status").read_text(encoding="ascii", errors="replace").splitlines()
    except OSError:
        return None
    found = [line.split()[1] for line in lines if line.startswith("VmData:")]
    return int(found[0]) * 1024 if found else None
