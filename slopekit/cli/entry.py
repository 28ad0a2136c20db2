"""The entry point: the commands, and what becomes of every error."""

import errno
import os
import sys
import traceback
from collections.abc import Sequence

import click

from slopekit import __version__
from slopekit.cli import console
from slopekit.cli.compare import compare
from slopekit.cli.corrections import corrections
from slopekit.cli.demo import demo
from slopekit.cli.export import export
from slopekit.cli.fields import fields
from slopekit.cli.fleet import fleet
from slopekit.cli.hours import hours
from slopekit.cli.inspect import inspect
from slopekit.cli.landforms import landforms
from slopekit.cli.page import page
from slopekit.cli.phone import phone
from slopekit.cli.points import points
from slopekit.cli.portfolio import portfolio
from slopekit.cli.qgis import qgis
from slopekit.cli.screen import screen
from slopekit.cli.season import season
from slopekit.cli.sheets import sheets
from slopekit.cli.tiles import tiles
from slopekit.cli.why import why
from slopekit.errors import InputError
from slopekit.memory import lacking

DONE, FAULT, BAD_INPUT, STOPPED = 0, 1, 2, 130
_NO_SPACE = {errno.ENOSPC, errno.EDQUOT, errno.EFBIG}


@click.group(cls=console.Group, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(__version__, prog_name="slopekit", message="%(prog)s %(version)s")
def commands() -> None:
    """Where which mowing machine may work, and why not elsewhere, from elevation data and parcels.

    slopekit compares the ground with your company's own limits. It never says that ground is safe: walk the ground
    first. The operator's manual, local codes and rules, licensed practice and the site supervisor
    decide.
    """


for _command in (
    screen, points, portfolio, why, inspect, landforms, tiles, hours, compare, sheets, page, phone, export,
    demo, fleet, season, corrections, qgis, fields,
):  # fmt: skip
    commands.add_command(_command)


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command line and return the exit code: 0 done, 2 bad input, 3 some parcels of
    a portfolio failed or are covered in part, 1 a fault of slopekit, 130 interrupted."""
    with console.logging_to_stderr():
        try:
            answer = commands.main(
                args=None if arguments is None else list(arguments), prog_name="slopekit", standalone_mode=False
            )
            return answer if isinstance(answer, int) else DONE
        except console.ReaderGone:
            return DONE
        except InputError as error:
            console.say(f"Error: {error}")
            return BAD_INPUT
        except click.Abort:
            return _stopped()
        except console.Stopped:
            return _stopped()
        except click.ClickException as error:
            console.say_misuse(error)
            return error.exit_code
        except Exception as error:
            if isinstance(error, OSError) and error.errno in _NO_SPACE:
                # Not a result, whose place is named: compiled code that is kept, or a temporary file.
                where = f" for {error.filename}" if error.filename else ""
                console.say(f"Error: A disk is full{where} ({os.strerror(error.errno)}): free some space on it.")
                return BAD_INPUT
            told = f"{type(error).__name__}: {error}".partition("\n")[0].rstrip(": ")
            if lacking(error):
                console.say(f"Error: Memory ran out ({told}): free some, or raise what limits it (ulimit -v).")
                return BAD_INPUT
            for line in "".join(traceback.format_exception(error)).splitlines():
                # The mark keeps a line break in a message from beginning what looks like a sentence of ours.
                console.say(f"| {line}")
            console.say(
                f"This is a fault of slopekit, not of your input: {told}. Please report it with the lines above and "
                f"with this: slopekit {__version__}, Python {sys.version.split()[0]}, {sys.platform}."
            )
            return FAULT


def _stopped() -> int:
    console.say("Stopped before the end. Files that were already there are as they were, or whole and new.")
    return STOPPED
