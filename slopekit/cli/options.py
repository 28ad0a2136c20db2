"""Options that several commands share, and the kinds of values that they take."""

import math
from collections.abc import Callable
from typing import Any, TypeVar

import click

Decorated = TypeVar("Decorated", bound=Callable[..., Any])


class Metres(click.ParamType):
    """A finite length in metres, 0 or more; more than 0 where `positive`."""

    name = "metres"

    def __init__(self, positive: bool = False) -> None:
        self.positive = positive

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        try:
            number = float(value)
        except ValueError:
            number = math.nan
        if not math.isfinite(number) or number < 0.0 or (self.positive and number == 0.0):
            wanted = "more than 0" if self.positive else "0 or more"
            self.fail(f"'{value}' is not a length: give metres, {wanted}, such as 1.5.", param, ctx)
        return number


elevation_argument = click.argument("elevation", nargs=-1, required=True, metavar="ELEVATION...")
z_unit_option = click.option(
    "--z-unit",
    metavar="UNIT",
    help="Unit of the heights: metre, foot or us-survey-foot. Without it, what the files say.",
)
z_rmse_option = click.option(
    "--z-rmse",
    type=Metres(),
    metavar="METRES",
    help="Vertical error (RMSE) of the survey. Without it, ground near a limit is not assessed.",
)
cell_option = click.option(
    "--cell",
    type=Metres(positive=True),
    metavar="METRES",
    help="Working cell, to which finer grids are averaged. Without it, 1 m.",
)
surface_option = click.option(
    "--surface",
    type=click.Choice(["ground", "top"]),
    help="What the survey shows: bare ground, or the top of trees and roofs. Needed for a surface model.",
)
quiet_option = click.option("--quiet", is_flag=True, help="No progress and no log. Cautions are still shown.")


def reading_options(command: Decorated) -> Decorated:
    """How to read the elevation: `z_unit`, `z_rmse`, `cell`, `surface`."""
    # The last one applied stands first in the help.
    for option in (surface_option, cell_option, z_rmse_option, z_unit_option):
        command = option(command)
    return command
