"""Runs slopekit in its own Python, for scripts that live in another program's Python. Standard library only.

The libraries that slopekit needs must not be loaded into QGIS: two copies of GDAL or PROJ in one process crash it.
"""

from __future__ import annotations

import contextlib
import json
import os
import queue
import re
import shutil
import signal
import subprocess
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

VARIABLE = "SLOPEKIT_PYTHON"
WHERE_FILE = "slopekit_where.json"
"""Written beside this file by `slopekit qgis install`."""
NOT_FOUND = (
    "slopekit was not found: run 'slopekit qgis install' in its environment, or give the Python of that environment "
    f"in the parameter or in the variable {VARIABLE}."
)
# What QGIS sets for itself and what would lead another Python, GDAL or PROJ to the wrong files.
_OF_QGIS = (
    "PYTHONPATH",
    "PYTHONHOME",
    "PYTHONEXECUTABLE",
    "PYTHONSTARTUP",
    "__PYVENV_LAUNCHER__",
    "LD_LIBRARY_PATH",
    "DYLD_LIBRARY_PATH",
    "GDAL_DATA",
    "GDAL_DRIVER_PATH",
    "PROJ_LIB",
    "PROJ_DATA",
)
# What the child runs. An ignored interrupt is inherited, and the current folder may hold anything, so both are put
# right first. The words come through its standard input, since a command line has room for few tiles on Windows (32767
# characters). That stays open as long as this process lives: at its end the child stops, asked kindly, then at once.
# Read below Python's own files, which forked workers could find locked. On Windows a read that waits would hold up
# every process that is given the same input, so there the child looks again and again.
_CODE = """
import json, os, signal, sys, threading, time
signal.signal(signal.SIGINT, signal.default_int_handler)
sys.path[:] = {more!r} + [p for p in sys.path if p]
with open(0, "rb", buffering=0, closefd=False) as given:
    line = b""
    while not line.endswith(b"\\n"):
        more = given.read(65536)
        if not more:
            sys.exit(1)
        line += more
def watch():
    if os.name == "nt":
        import ctypes, msvcrt
        pipe = ctypes.c_void_p(msvcrt.get_osfhandle(0))
        while ctypes.windll.kernel32.PeekNamedPipe(pipe, None, 0, None, None, None):
            time.sleep(0.2)
        signal.raise_signal(signal.SIGINT)
    else:
        while os.read(0, 1):
            pass
        signal.pthread_kill(threading.main_thread().ident, signal.SIGINT)
    time.sleep({patience})
    os._exit(1)
threading.Thread(target=watch, daemon=True).start()
from slopekit.cli import main
sys.exit(main(json.loads(line)))
"""
_PATIENCE_S = 15.0
# "Screening: 3 of 12", "3 of 12 parcels, ...": what slopekit logs every ten seconds of long work.
_DONE_OF = re.compile(r"(?:\w+: )?(\d+) of (\d+)\b")


class Failed(Exception):
    """slopekit could not do it; the text is its one sentence."""


class Cancelled(Exception):
    """The user stopped the work."""


@dataclass(frozen=True)
class Home:
    """Where slopekit lives: a Python, and folders that it must also look in (none for an installed package)."""

    python: str
    folders: tuple[str, ...] = ()


@dataclass(frozen=True)
class Ears:
    """Who is told of the work, and who may stop it."""

    info: Callable[[str], None] = print
    warning: Callable[[str], None] = print
    progress: Callable[[float], None] = lambda percent: None
    cancelled: Callable[[], bool] = lambda: False


def find_home(given: str, environ: Mapping[str, str], beside: str) -> Home:
    """The place of slopekit: the parameter, else the environment variable, else the file that the installation wrote.

    beside: folder of that file. Raises Failed when none of them leads to a Python.
    """
    for said, by in ((given, "the parameter"), (environ.get(VARIABLE, ""), f"the variable {VARIABLE}")):
        # Windows copies a path with marks round it.
        said = said.strip().strip('"')
        if said:
            return Home(_python_at(said, by))
    path = os.path.join(beside, WHERE_FILE)
    try:
        with open(path, encoding="utf-8") as file:
            told = json.load(file)
        home = Home(str(told["python"]), tuple(str(folder) for folder in told["folders"]))
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise Failed(NOT_FOUND) from error
    if not os.path.isfile(home.python):
        raise Failed(f"{home.python}: this Python is not there any more, so run 'slopekit qgis install' again.")
    return home


def _python_at(said: str, by: str) -> str:
    """The Python of an environment's folder, or the file itself."""
    inside = ("", "bin/python", "bin/python3", "Scripts/python.exe", "python.exe")
    for path in (os.path.join(said, *part.split("/")) if part else said for part in inside):
        if os.path.isfile(path):
            return path
    raise Failed(f"{said}: {by} names no Python and no environment, so give the Python of slopekit's environment.")


def clean_environment(environ: Mapping[str, str]) -> dict[str, str]:
    """The environment without what QGIS put there for its own Python, GDAL and PROJ."""
    return {name: value for name, value in environ.items() if name.upper() not in _OF_QGIS}


def run_slopekit(
    words: Sequence[str], home: Home, ears: Ears, results: Sequence[str] = (), done_codes: Sequence[int] = (0,)
) -> str:
    """Run one slopekit command to its end and give what it printed.

    results: files that it writes, whose leftovers are removed should it have to be killed. done_codes: the exit codes
    with which the result is there. Raises Failed with the one
    sentence, or Cancelled when the user stops it.
    """
    began = time.time()
    with _start(words, home) as child:
        printed, said = _attend(child, ears, results, began)
    if child.returncode not in done_codes:
        raise Failed(_sentence(said, child.returncode, home))
    return "\n".join(printed)


def _attend(
    child: subprocess.Popen[str], ears: Ears, results: Sequence[str], began: float
) -> tuple[list[str], list[str]]:
    """What the child prints, and what it says beside that, to its end; it is stopped when the user wants that."""
    lines: queue.Queue[tuple[str, str]] = queue.Queue()
    readers = [_reader(child, name, lines) for name in ("stdout", "stderr")]
    try:
        return _listen(child, readers, lines, ears)
    except BaseException:
        _stop(child)
        for result in results:
            _remove_leftovers(result, began)
        raise
    finally:
        for reader in readers:
            reader.join(_PATIENCE_S)


def _start(words: Sequence[str], home: Home) -> subprocess.Popen[str]:
    code = _CODE.format(more=list(home.folders), patience=_PATIENCE_S)
    try:
        child = subprocess.Popen(
            [home.python, "-X", "utf8", "-c", code],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            encoding="utf-8",
            errors="replace",
            env=clean_environment(os.environ),
            # No black window beside QGIS on Windows.
            creationflags=getattr(subprocess, "CREATE_NO_WINDOW", 0),
        )
    except OSError as error:
        raise Failed(f"{home.python}: slopekit's Python cannot be started ({error.strerror}).") from error
    # One that ended at once is told of by its exit code.
    try:
        child.stdin.write(json.dumps(list(words)) + "\n")
        child.stdin.flush()
    except OSError:
        with contextlib.suppress(OSError):
            child.stdin.close()
    return child


def _reader(child: subprocess.Popen[str], name: str, lines: queue.Queue[tuple[str, str]]) -> threading.Thread:
    def read() -> None:
        for line in getattr(child, name):
            lines.put((name, line.rstrip("\r\n")))

    thread = threading.Thread(target=read, daemon=True)
    thread.start()
    return thread


def _listen(
    child: subprocess.Popen[str],
    readers: Sequence[threading.Thread],
    lines: queue.Queue[tuple[str, str]],
    ears: Ears,
) -> tuple[list[str], list[str]]:
    """Pass on what the child says until it ends."""
    printed: list[str] = []
    said: list[str] = []
    while True:
        if ears.cancelled():
            raise Cancelled
        try:
            name, line = lines.get(timeout=0.1)
        except queue.Empty:
            if child.poll() is not None and not any(reader.is_alive() for reader in readers) and lines.empty():
                return printed, said
            continue
        if name == "stdout":
            printed.append(line)
            continue
        said.append(line)
        if line.startswith(("Warning: ", "Not assessed: ", "Caution: ")):
            ears.warning(line)
        elif not line.startswith("Error: "):
            ears.info(line)
        found = _DONE_OF.match(line)
        if found and int(found[2]) > 0:
            ears.progress(100.0 * int(found[1]) / int(found[2]))


def _stop(child: subprocess.Popen[str]) -> None:
    """Ask the child to stop, which puts its files in order; end it when it does not listen."""
    if child.poll() is None:
        # Windows has no interrupts for one process; there the end of its input asks it.
        if os.name == "nt":
            with contextlib.suppress(OSError):
                child.stdin.close()
        else:
            child.send_signal(signal.SIGINT)
        with contextlib.suppress(subprocess.TimeoutExpired):
            child.wait(_PATIENCE_S)
    if child.poll() is None:
        # Its worker processes watch it and end with it.
        child.kill()
    child.wait()


def _remove_leftovers(result: str, began: float) -> None:
    """Remove what a killed slopekit left of a file: `.NAME.PID.partial`, what SQLite keeps beside that, and the folder
    `.NAME.PID.partial.d`."""
    folder, name = os.path.split(os.path.realpath(result))
    pattern = re.compile(re.escape(f".{name}.") + r"\d+\.partial(-\w+|\.d)?")
    try:
        entries = [entry for entry in os.scandir(folder) if pattern.fullmatch(entry.name)]
    except OSError:
        return
    for entry in entries:
        # On Windows a file stays locked for a moment after the process that had it open was ended.
        for pause in (0.0, 0.2, 0.5, 1.0):
            time.sleep(pause)
            with contextlib.suppress(OSError):
                # Those from before are somebody else's. File systems round times.
                if entry.stat().st_mtime >= began - 2.0:
                    (shutil.rmtree if entry.is_dir() else os.remove)(entry.path)
                break


def _sentence(said: Sequence[str], code: int, home: Home) -> str:
    """The one sentence that says what is wrong."""
    for line in reversed(said):
        if line == "ModuleNotFoundError: No module named 'slopekit'":
            return f"{home.python}: slopekit is not installed in this Python, so give that of slopekit's environment."
        if line.startswith("Error: "):
            return line[len("Error: ") :]
        if line.startswith("This is a fault of slopekit"):
            return line
    last = next((line for line in reversed(said) if line.strip()), "it said nothing")
    return f"slopekit ended with code {code}: {last}"
