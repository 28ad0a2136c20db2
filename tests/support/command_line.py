"""The real command line in processes of their own, and what every answer to bad input must look like."""

import atexit
import functools
import json
import os
import re
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from child_process import environment

HERE = Path(__file__).resolve().parent
# A shell that starts the tests in the background has them ignore Ctrl-C, and so would what they start.
RUN = (
    "import signal; signal.signal(signal.SIGINT, signal.default_int_handler); "
    "from slopekit.cli import main; raise SystemExit(main())"
)
CAN_FORK = hasattr(os, "fork")
PATIENCE_S = 600.0


@dataclass(frozen=True)
class Answer:
    code: int
    out: str
    err: str


Runner = Callable[[list[str], Path], Answer]
"""run(arguments, folder) -> the answer of the command line, started in that folder."""


def start(
    arguments: list[str],
    folder: Path | None = None,
    before: str = "",
    path: Sequence[Path] = (),
    variables: dict[str, str] | None = None,
    **settings: Any,
) -> "subprocess.Popen[str]":
    """A command line in a fresh interpreter and a session of its own, so that a test can end all of it.

    before: code that runs first. path: folders that it imports from.
    """
    return subprocess.Popen(
        [sys.executable, "-c", before + RUN, *arguments],
        cwd=folder, env=environment(*path, **(variables or {})), text=True, encoding="utf-8", start_new_session=True,
        stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.PIPE, **settings,
    )  # fmt: skip


@dataclass
class Fork:
    """A command line in a process that `forked` has begun, with what a test asks of a `Popen`."""

    pid: int
    streams: Path
    returncode: int | None = None

    def poll(self) -> int | None:
        if self.returncode is None:
            self.returncode = _server().ask(pid=self.pid)
        return self.returncode

    def wait(self, timeout: float) -> int:
        until, pause = time.monotonic() + timeout, 0.002
        while self.poll() is None:
            if time.monotonic() > until:
                raise subprocess.TimeoutExpired("slopekit", timeout)
            time.sleep(pause)
            pause = min(2.0 * pause, 0.05)
        assert self.returncode is not None
        return self.returncode

    def communicate(self, timeout: float) -> tuple[str, str]:
        self.wait(timeout)
        out, err = ((self.streams / name).read_text(encoding="utf-8") for name in ("out", "err"))
        return out, err

    def kill(self) -> None:
        if self.poll() is None:
            os.kill(self.pid, signal.SIGKILL)


Process = subprocess.Popen[str] | Fork


@dataclass
class _Server:
    """The process that forks, begun when it is needed first."""

    process: "subprocess.Popen[str]"
    streams: tempfile.TemporaryDirectory[str] = field(default_factory=tempfile.TemporaryDirectory)
    begun: int = 0

    def ask(self, **task: Any) -> Any:
        assert self.process.stdin is not None and self.process.stdout is not None
        self.process.stdin.write(json.dumps(task) + "\n")
        self.process.stdin.flush()
        return json.loads(self.process.stdout.readline())

    def close(self) -> None:
        self.process.communicate(timeout=PATIENCE_S)
        self.streams.cleanup()


@functools.cache
def _server() -> _Server:
    process = subprocess.Popen(
        [sys.executable, str(HERE / "fork_server.py")],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, env=environment(), cwd=tempfile.gettempdir(),
    )  # fmt: skip
    server = _Server(process)
    atexit.register(server.close)
    return server


def forked(
    arguments: list[str],
    folder: Path | None = None,
    before: str = "",
    path: Sequence[Path] = (),
    variables: dict[str, str] | None = None,
) -> Process:
    """As `start`, without paying for imports and kernels each time; where none can fork, in a fresh interpreter."""
    if not CAN_FORK:
        return start(arguments, folder, before, path, variables)
    server = _server()
    server.begun += 1
    streams = Path(server.streams.name) / str(server.begun)
    streams.mkdir()
    for name in ("out", "err"):
        (streams / name).touch()  # a test may end the process before it writes anything
    pid = server.ask(
        arguments=arguments, folder=str(folder or Path.cwd()), before=before, path=[str(one) for one in path],
        variables=variables or {}, out=str(streams / "out"), err=str(streams / "err"),
    )  # fmt: skip
    return Fork(pid, streams)


def finish(process: Process) -> Answer:
    out, err = process.communicate(timeout=PATIENCE_S)
    assert process.returncode is not None
    return Answer(process.returncode, out, err)


def fresh(arguments: list[str], folder: Path, before: str = "", **settings: Any) -> Answer:
    """Run a command line in a fresh interpreter."""
    return finish(start(arguments, folder, before, **settings))


def run(arguments: list[str], folder: Path) -> Answer:
    """Run a command line in a process that is forked."""
    return finish(forked(arguments, folder))


def assert_one_sentence(answer: Answer, *parts: str) -> None:
    """Exit code 2, nothing on stdout, and one sentence as the last line of stderr that says each of `parts`."""
    lines = answer.err.splitlines()
    assert "Traceback" not in answer.err, answer.err
    assert (answer.code, answer.out) == (2, ""), answer
    assert [line for line in lines if line.startswith("Error: ")] == lines[-1:], answer.err
    sentence = lines[-1]
    assert sentence.endswith("."), sentence
    assert not re.search(r"[.!?]\s+[A-Z]", sentence), f"more than one sentence: {sentence}"
    for part in parts:
        assert part in sentence, f"'{part}' is not in: {sentence}"


def assert_done(answer: Answer) -> None:
    assert "Traceback" not in answer.err, answer.err
    assert answer.code == 0, answer.err
