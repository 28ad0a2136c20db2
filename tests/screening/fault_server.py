"""Runs command lines for the tests, each in a process of its own, forked from one that has done the imports already.

Reads one JSON object a line from stdin (arguments, folder, out, err) and answers each with the exit code. Nothing but
imports happens before the fork, so a command line runs as it would in a fresh interpreter.
"""

import json
import os
import sys

import geopandas  # noqa: F401
import pandas  # noqa: F401

from slopekit.cli import main


def _become(task: dict[str, str]) -> None:
    os.chdir(task["folder"])
    for number, name, flags in ((0, os.devnull, os.O_RDONLY), (1, task["out"], os.O_WRONLY | os.O_CREAT),
                                (2, task["err"], os.O_WRONLY | os.O_CREAT)):  # fmt: skip
        handle = os.open(name, flags, 0o600)
        os.dup2(handle, number)
        os.close(handle)


def serve() -> None:
    for line in sys.stdin:
        task = json.loads(line)
        child = os.fork()
        if child == 0:
            code = 70
            try:
                _become(task)
                code = main(task["arguments"])
            finally:
                sys.stdout.flush()
                sys.stderr.flush()
                os._exit(code)
        print(os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]), flush=True)


if __name__ == "__main__":
    serve()
