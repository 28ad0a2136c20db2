"""What Windows does otherwise: names that it keeps, files that a program has open, few processes to wait for.

The numbers of errors are those of Microsoft, "System Error Codes".
"""

import importlib
import os
import re
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Any

ON_WINDOWS = os.name == "nt"
MOST_PROCESSES = 60
"""One process can wait for 63 others (multiprocessing.connection.wait); some are for itself."""
_DENIED, _SHARING, _LOCK = 5, 32, 33
_NOT_FOUND, _TOO_LONG = 3, 206
_LONGEST = 259
"""Characters of a path, where long paths are not switched on (Microsoft, "Maximum Path Length Limitation")."""
_PAUSES_S: Sequence[float] = (0.1, 0.3, 0.6, 1.0)
# Microsoft, "Naming Files, Paths, and Namespaces".
_DEVICE = re.compile(r"(con|prn|aux|nul|conin\$|conout\$|(com|lpt)[1-9¹²³]) *([.:].*)?", re.IGNORECASE | re.DOTALL)
_NEVER = re.compile(r'[<>:"/\\|?*\x00-\x1f]|[ .]$')


def is_device(name: str) -> bool:
    """Whether Windows takes a file's name for a device, also one with an ending: NUL, com1.txt."""
    return _DEVICE.fullmatch(name) is not None


def cannot_be_named(name: str) -> bool:
    """Whether no file of Windows can have this name, or it would have another than asked for."""
    return is_device(name) or _NEVER.search(name) is not None


def is_open_elsewhere(error: OSError) -> bool:
    """Whether a file cannot be opened, moved or removed since a program has it open.

    A move over such a file is denied; so is much else, which names one file and not two.
    """
    number = getattr(error, "winerror", None)
    return number in (_SHARING, _LOCK) or (number == _DENIED and error.filename2 is not None)


def is_too_long(error: OSError) -> bool:
    """Whether a path was too long, which Windows may call a folder that is not there."""
    number = getattr(error, "winerror", None)
    return number == _TOO_LONG or (number == _NOT_FOUND and len(str(error.filename or "")) > _LONGEST)


def move(old: str | Path, new: str | Path) -> None:
    """`os.replace`; where somebody has the file open that is soon done with it, such as a scanner, after a moment."""
    for pause in _PAUSES_S:
        try:
            os.replace(old, new)
            return
        except OSError as error:
            if not is_open_elsewhere(error):
                raise
        time.sleep(pause)
    os.replace(old, new)


def lock(file: Any) -> None:
    """Keep a file to this process until it is closed. Raises OSError where another has it."""
    msvcrt: Any = importlib.import_module("msvcrt")
    msvcrt.locking(file.fileno(), msvcrt.LK_NBLCK, 1)


def free_bytes() -> float:
    """Memory that is free (Microsoft, "GlobalMemoryStatusEx": ullAvailPhys)."""
    import ctypes

    # dwLength and dwMemoryLoad, then seven numbers of 64 bits: ullTotalPhys, ullAvailPhys and others.
    told = (ctypes.c_uint64 * 8)()
    ctypes.c_uint32.from_buffer(told).value = ctypes.sizeof(told)
    if not getattr(ctypes, "windll").kernel32.GlobalMemoryStatusEx(ctypes.byref(told)):  # noqa: B009
        raise OSError("the system does not tell what memory is free")
    return float(told[2])


def most_processes(wanted: int) -> int:
    """As many processes as one can wait for."""
    return min(wanted, MOST_PROCESSES) if ON_WINDOWS else wanted
