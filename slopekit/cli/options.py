"""Options that several commands share, and the kinds of values that they take."""

import math
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any, ClassVar, TypeVar

import click

from slopekit.schema.inputs import INPUTS

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


class Bytes(click.ParamType):
    """A number of bytes, such as 500MB or 2GB."""

    name = "bytes"
    _TIMES: ClassVar = {"": 1, "b": 1, "kb": 10**3, "mb": 10**6, "gb": 10**9, "tb": 10**12}

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> int:
        found = re.fullmatch(r"(?i)([0-9]*\.?[0-9]+)\s*(b|[kmgt]b)?", str(value).strip())
        if found is None:
            self.fail(f"'{value}' is no number of bytes: give one such as 500MB or 2GB.", param, ctx)
        return int(float(found[1]) * self._TIMES[(found[2] or "").lower()])


elevation_argument = click.argument("elevation", nargs=-1, required=True, metavar="ELEVATION...")
elevation_or_points = click.argument("elevation", nargs=-1, metavar="[ELEVATION]...")
points_option = click.option(
    "--points",
    metavar="FOLDER",
    help="Also take what the survey's points show: see slopekit points. Without ELEVATION, its ground too.",
)
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


def _fleet_option(required: bool) -> Callable[[Decorated], Decorated]:
    return click.option(
        "--fleet",
        type=click.Path(path_type=Path),
        required=required,
        metavar="FILE",
        help="Your machines and limits (TOML).",
    )


fleet_option, fleet_option_of_result = _fleet_option(True), _fleet_option(False)
season_option = click.option(
    "--season",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Visits, working day, rates (TOML): see slopekit season new. Without it: one visit, hours only.",
)
goal_option = click.option(
    "--goal",
    type=click.Choice(["hours", "cost", "machines"]),
    default="hours",
    show_default=True,
    help="What is kept least on each parcel: hours of people, cost, or the number of machines.",
)
parcel_option = click.option(
    "--parcel",
    "parcels",
    multiple=True,
    metavar="ID",
    help="Only this parcel of the result. Give it several times for several.",
)
survey_date_option = click.option(
    "--survey-date", type=click.DateTime(["%Y-%m-%d"]), metavar="YYYY-MM-DD", help="When the elevation was measured."
)
prescreen_option = click.option(
    "--prescreen", is_flag=True, help="Accept cells coarser than 5 m, which show no bank and no wall."
)


def cache_option(required: bool = False) -> Callable[[Decorated], Decorated]:
    """The folder through which tiles of an index are read."""
    return click.option(
        "--cache",
        type=click.Path(path_type=Path),
        required=required,
        metavar="FOLDER",
        help="Folder for what is read of the tiles of an index. Several runs may share it.",
    )


most_option = click.option(
    "--most", type=Bytes(), default="2GB", show_default=True, metavar="BYTES", help="Fetch no more than this at a time."
)
trust_index_error_option = click.option(
    "--trust-index-error", is_flag=True, help="Use the vertical error that the index tells, as --z-rmse."
)


def index_options(command: Decorated) -> Decorated:
    """How an index among the elevation is read: `cache`, `most`, `trust_index_error`."""
    for option in (trust_index_error_option, most_option, cache_option()):
        command = option(command)
    return command


def _stay_home(ctx: click.Context, _: click.Parameter, wanted: bool) -> None:
    if wanted:
        from slopekit.sources.remote import locked

        # The context of a command that is misused further on is never left; that of the whole line is.
        ctx.find_root().with_resource(locked())


no_remote_option = click.option(
    "--no-remote",
    is_flag=True,
    expose_value=False,
    callback=_stay_home,
    help="Refuse every source that is not a file of this machine, also one that a VRT or a tile index names.",
)
paper_option = click.option(
    "--paper", type=click.Choice(["a4", "letter"]), default="a4", show_default=True, help="Size of the pages."
)
units_option = click.option(
    "--units",
    type=click.Choice(["metric", "us"]),
    default="metric",
    show_default=True,
    help="Units to show: metric, or us for acres, feet and miles an hour. Columns in files stay metric.",
)
overwrite_option = click.option(
    "--overwrite",
    is_flag=True,
    help="Also replace files that slopekit did not write, or that were edited since.",
)
quiet_option = click.option("--quiet", is_flag=True, help="No progress and no log. Cautions are still shown.")


def reading_options(command: Decorated) -> Decorated:
    """How to read the elevation: `z_unit`, `z_rmse`, `cell`, `surface`."""
    # The last one applied stands first in the help.
    for option in (surface_option, cell_option, z_rmse_option, z_unit_option):
        command = option(command)
    return command


def layer_options(*names: str) -> Callable[[Decorated], Decorated]:
    """What the user knows of the ground: an option for each input that is named, or for all of the registry."""

    def with_options(command: Decorated) -> Decorated:
        for name in reversed(names or tuple(INPUTS)):
            command = click.option(f"--{name}", metavar="FILE", help=INPUTS[name].help)(command)
        return command

    return with_options
