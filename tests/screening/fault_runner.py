"""The real command line in a process of its own, and what every answer to bad input must look like."""

import json
import os
import re
import subprocess
import sys
import tempfile
from dataclasses import dataclass
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
PATIENCE_S = 300.0


@dataclass(frozen=True)
class Answer:
    code: int
    out: str
    err: str


def start(arguments: list[str], folder: Path, before: str = "", **settings: Any) -> "subprocess.Popen[str]":
    """A command line in a session of its own, so that a test can end all of it. `before` is code that runs first."""
    return subprocess.Popen(
        [sys.executable, "-c", before + RUN, *arguments],
        cwd=folder, env=environment(), text=True, encoding="utf-8", start_new_session=True,
        stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.PIPE, **settings,
    )  # fmt: skip


def finish(process: "subprocess.Popen[str]") -> Answer:
    out, err = process.communicate(timeout=PATIENCE_S)
    return Answer(process.returncode, out, err)


def fresh(arguments: list[str], folder: Path, before: str = "", **settings: Any) -> Answer:
    """Run a command line in a fresh interpreter."""
    return finish(start(arguments, folder, before, **settings))


class Runner:
    """Runs many command lines without paying for the imports each time; where none can fork, in a fresh interpreter."""

    def __init__(self) -> None:
        self._server: subprocess.Popen[str] | None = None

    def __call__(self, arguments: list[str], folder: Path) -> Answer:
        if not CAN_FORK:
            return fresh(arguments, folder)
        if self._server is None:
            self._server = subprocess.Popen(
                [sys.executable, str(HERE / "fault_server.py")],
                stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, env=environment(), cwd=tempfile.gettempdir(),
            )  # fmt: skip
        assert self._server.stdin is not None and self._server.stdout is not None
        with tempfile.TemporaryDirectory() as streams:
            out, err = Path(streams) / "out", Path(streams) / "err"
            task = {"arguments": arguments, "folder": str(folder), "out": str(out), "err": str(err)}
            self._server.stdin.write(json.dumps(task) + "\n")
            self._server.stdin.flush()
            code = int(self._server.stdout.readline())
            return Answer(code, out.read_text(encoding="utf-8"), err.read_text(encoding="utf-8"))

    def close(self) -> None:
        if self._server is not None:
            self._server.communicate(timeout=PATIENCE_S)


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
