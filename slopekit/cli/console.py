"""What a command says and where: results to stdout; log, cautions and progress to stderr."""

import contextlib
import errno
import logging
import os
import sys
import threading
import time
import warnings
from collections.abc import Iterator
from types import TracebackType
from typing import TYPE_CHECKING, Any, TextIO

import click

from slopekit.errors import OutputError
from slopekit.memory import refuse_little
from slopekit.texts import line_of

if TYPE_CHECKING:
    from rich.progress import Progress, TaskID

PATIENCE_S = 2.0
"""Work shorter than this shows no progress."""
_LINE_EVERY_S = 10.0

log = logging.getLogger("slopekit")


class ReaderGone(Exception):
    """Whoever read stdout has closed it, so nothing more needs to be said."""


class Stopped(Exception):
    """The user interrupted the work."""


class Command(click.Command):
    """A command whose interruptions and broken pipes are told apart from those that click handles by itself."""

    def invoke(self, ctx: click.Context) -> Any:
        refuse_little()
        from slopekit.api.spoken import options_spoken

        try:
            with options_spoken():
                return super().invoke(ctx)
        except KeyboardInterrupt:
            raise Stopped from None
        except BrokenPipeError as error:
            # Not stdout's pipe, which `result` looks after: click would end in silence over it.
            raise RuntimeError("a pipe between processes broke") from error


class Group(click.Group):
    """A group whose commands are `Command`."""

    command_class = Command


def result(*lines: str) -> None:
    """Print lines to stdout at once; control characters and line breaks in one are written out.

    Raises ReaderGone when nobody reads it any more and OutputError when it cannot be stored (a full disk).
    """
    stream = sys.stdout
    encoding = getattr(stream, "encoding", None) or "utf-8"
    shown = "\n".join(map(line_of, lines)).encode(encoding, "replace").decode(encoding)
    try:
        stream.write(shown + "\n")
        stream.flush()
    except OSError as error:
        _drop(stream)
        # Windows says EINVAL where other systems say EPIPE.
        if isinstance(error, BrokenPipeError) or (os.name == "nt" and error.errno == errno.EINVAL):
            raise ReaderGone from None
        why = error.strerror or "unknown cause"
        raise OutputError(f"What was found cannot be printed ({why}): free some space, or print elsewhere.") from error


def _drop(stream: TextIO) -> None:
    """Send what is still buffered nowhere, or the interpreter would complain about it when it ends."""
    with contextlib.suppress(OSError, ValueError):
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, stream.fileno())
        os.close(nowhere)


def say(text: str) -> None:
    """Print a line to stderr; a line break in it is written out, so no text of others can forge a line of ours.

    A closed stderr is no reason to fail.
    """
    with contextlib.suppress(OSError, ValueError):
        click.echo(line_of(text), err=True)


def say_misuse(error: click.ClickException) -> None:
    """Print what is wrong with a command line as click does, with usage and hint."""
    if isinstance(error, click.UsageError) and error.ctx is not None:
        for line in error.ctx.get_usage().splitlines():
            say(line)
        say(f"Try '{error.ctx.command_path} {error.ctx.help_option_names[0]}' for help.")
        say("")
    say(f"Error: {error.format_message()}")


class _Lines(logging.Handler):
    """Log records as single lines."""

    def emit(self, record: logging.LogRecord) -> None:
        text = " ".join(record.getMessage().split())
        say(text if record.levelno < logging.WARNING else f"{record.levelname.capitalize()}: {text}")


@contextlib.contextmanager
def logging_to_stderr() -> Iterator[None]:
    """Show our log, and everybody's warnings, as single lines on stderr. All is put back on leaving."""
    root, handler, level = logging.getLogger(), _Lines(), log.level
    root.addHandler(handler)
    log.setLevel(logging.INFO)
    try:
        with warnings.catch_warnings():
            warnings.showwarning = _warn
            yield
    finally:
        log.setLevel(level)
        root.removeHandler(handler)


def _warn(
    message: Warning | str,
    category: type[Warning],
    filename: str,
    lineno: int,
    file: TextIO | None = None,
    line: str | None = None,
) -> None:
    log.warning("%s", message)


def hush(quiet: bool) -> None:
    """With `--quiet` only warnings are logged."""
    if quiet:
        log.setLevel(logging.WARNING)


class Watch:
    """Shows how far long work has come: a bar on a terminal, else a line every ten seconds. Call it with done, total.

    Nothing is shown in the first two seconds.
    """

    def __init__(self, what: str, quiet: bool) -> None:
        self._what = what
        self._quiet = quiet
        self._since = self._last = time.monotonic()
        self._at: tuple[int, int | None] = (0, None)
        self._lock = threading.Lock()
        self._timer: threading.Timer | None = None
        self._bar: Progress | None = None
        self._task: TaskID | None = None

    def __enter__(self) -> "Watch":
        if not self._quiet and sys.stderr.isatty():
            # The first step may take minutes, so the bar cannot wait for it.
            self._timer = threading.Timer(PATIENCE_S, self._show)
            self._timer.daemon = True
            self._timer.start()
        return self

    def __call__(self, done: int, total: int) -> None:
        self._at = (done, total)
        if self._timer is not None:
            with self._lock:
                if self._bar is not None and self._task is not None:
                    self._bar.update(self._task, completed=done, total=total)
            return
        now = time.monotonic()
        if now - self._since > PATIENCE_S and now - self._last > _LINE_EVERY_S and not self._quiet:
            self._last = now
            log.info("%s: %d of %d", self._what, done, total)

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        if self._timer is not None:
            self._timer.cancel()
            self._timer.join()
        if self._bar is not None:
            self._bar.stop()

    def _show(self) -> None:
        from rich.console import Console
        from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeElapsedColumn

        columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeElapsedColumn())
        bar = Progress(*columns, console=Console(stderr=True), transient=True, redirect_stdout=False)
        with self._lock:
            done, total = self._at
            self._task = bar.add_task(self._what, completed=done, total=total)
            bar.start()
            self._bar = bar
