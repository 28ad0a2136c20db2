"""The command line. One file a command; heavy imports wait inside the commands, so that help appears at once."""

from slopekit.cli.entry import main

__all__ = ["main"]
