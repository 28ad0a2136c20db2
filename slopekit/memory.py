"""What memory this machine has to give, whoever sets the limit: the machine, a container, a shell."""

import errno
import os
from collections.abc import Iterator
from pathlib import Path, PurePosixPath

from slopekit.errors import InputError
from slopekit.windows import ON_WINDOWS, free_bytes

try:
    import resource
except ImportError:  # Windows has no such limits.
    resource = None  # type: ignore[assignment]

LEAST_ADDRESSES_MB = 1500.0
"""Below it the libraries fail while they are loaded, and one waits for ever; measured on two cores: 1000."""
_SAID = (
    "bad_alloc", "out of memory", "cannot allocate memory", "can't allocate", "failed to map segment",
    "can't start new thread",
)  # fmt: skip
_CGROUPS = Path("/sys/fs/cgroup")
_PROC = Path("/proc")


def free_mb() -> float | None:
    """Memory (MB) that processes which begin now can have in all, or None where the system does not tell.

    The least of what the machine has left (MemAvailable of proc_meminfo(5)), what each control group above this process
    has left (memory.max less memory.current; memory.limit_in_bytes less memory.usage_in_bytes in version 1, see
    cgroups(7)), and what the address space of one process (RLIMIT_AS) has left.
    """
    told = [_machine(), *_groups(), _addresses()]
    known = [free for free in told if free is not None]
    return max(0.0, min(known)) / 1e6 if known else None


def held_bytes() -> int | None:
    """Private memory of this process that counts for RLIMIT_DATA (VmData of proc_pid_status(5)), or None where it
    cannot be told."""
    kilobytes = _value(_PROC / "self" / "status", "VmData:")
    return None if kilobytes is None else int(kilobytes) * 1024


def refuse_little() -> None:
    """Raise InputError where this process may not have the addresses that its libraries need (`ulimit -v`)."""
    limit = _address_limit()
    if limit is not None and limit < LEAST_ADDRESSES_MB * 1e6:
        raise InputError(
            f"The system lets this process have {limit / 1e6:,.0f} MB of address space, so raise the limit (ulimit -v) "
            f"to {LEAST_ADDRESSES_MB:,.0f} MB or more."
        )


def _machine() -> float | None:
    kilobytes = _value(_PROC / "meminfo", "MemAvailable:")
    if kilobytes is not None:
        return kilobytes * 1024.0
    try:
        if ON_WINDOWS:
            return free_bytes()
        # Systems without it: all that is built in.
        return float(os.sysconf("SC_PHYS_PAGES") * os.sysconf("SC_PAGE_SIZE"))
    except (AttributeError, ValueError, OSError):
        return None


def _groups() -> Iterator[float]:
    """What each control group of this process, and each above it, has left."""
    for line in _lines(_PROC / "self" / "cgroup"):
        _, _, rest = line.partition(":")
        kinds, _, name = rest.partition(":")
        if kinds == "":
            root, most, used = _CGROUPS, "memory.max", "memory.current"
        elif "memory" in kinds.split(","):
            root, most, used = _CGROUPS / "memory", "memory.limit_in_bytes", "memory.usage_in_bytes"
        else:
            continue
        own = PurePosixPath(name.lstrip("/"))
        # In a container the name may be that of the host: what is not there is passed over.
        for part in (own, *own.parents):
            limit, taken = _number(root / part / most), _number(root / part / used)
            if limit is not None and taken is not None:
                # Files that were read count too and go when room is needed.
                kept = _value(root / part / "memory.stat", "inactive_file") or 0.0
                yield limit - max(0.0, taken - kept)


def _addresses() -> float | None:
    limit, pages = _address_limit(), _number(_PROC / "self" / "statm")
    return None if limit is None or pages is None else limit - pages * os.sysconf("SC_PAGE_SIZE")


def _address_limit() -> float | None:
    if resource is None:
        return None
    soft, _ = resource.getrlimit(resource.RLIMIT_AS)
    return None if soft == resource.RLIM_INFINITY else float(soft)


def _lines(path: Path) -> list[str]:
    try:
        return path.read_text(encoding="ascii", errors="replace").splitlines()
    except OSError:
        return []


def _number(path: Path) -> float | None:
    """The first word of a file, where it is a number: 'max' is none."""
    words = " ".join(_lines(path)).split()
    return float(words[0]) if words and words[0].isdigit() else None


def _value(path: Path, name: str) -> float | None:
    """The number behind a name in a file of names and numbers."""
    found = [words[1] for line in _lines(path) if len(words := line.split()) > 1 and words[0] == name]
    return float(found[0]) if found and found[0].isdigit() else None


def lacking(error: BaseException | None) -> bool:
    """Whether a lack of memory is behind an error. Libraries of other languages say it in words of their own."""
    while error is not None:
        words = str(error).lower()
        if (
            isinstance(error, MemoryError)
            or (isinstance(error, OSError) and error.errno in (errno.ENOMEM, errno.EAGAIN))
            or any(said in words for said in _SAID)
        ):
            return True
        error = error.__cause__ or error.__context__
    return False
