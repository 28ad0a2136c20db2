"""Options that several commands share, and the kinds of values that they take."""

import math
from collections.abc import Callable
from pathlib import Path
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
fleet_option = click.option(
    "--fleet",
    type=click.Path(path_type=Path),
    required=True,
    metavar="FILE",
    help="Your machines and limits (TOML).",
)
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
survey_date_option = click.option(
    "--survey-date", type=click.DateTime(["%Y-%m-%d"]), metavar="YYYY-MM-DD", help="When the elevation was measured."
)
prescreen_option = click.option(
    "--prescreen", is_flag=True, help="Accept cells coarser than 5 m, which show no bank and no wall."
)


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


_LAYERS = {
    "water": "Water: polygons, or lines with a column 'width' in metres.",
    "walls": "Lines of walls and edges that the elevation may not show.",
    "hazards": "Roads, railways, paths: polygons or lines, with a column 'kind'.",
    "dry": "Basins known to be dry, as polygons.",
    "exclude": "Ground that is not mown: buildings, pavement, beds.",
    "soft": "Soft ground, as polygons.",
    "canopy": "Low tree cover, as polygons.",
    "entrances": "Where machines come in: points, or lines along a frontage, with a column 'width' for gates.",
    "drives": "Ground to drive over though it is excluded, such as pavement, as polygons.",
    "corrections": "What people on site drew: see slopekit corrections new.",
}


def layer_options(command: Decorated) -> Decorated:
    """What the user knows of the ground: one option for each layer, and `corrections`."""
    return _layers(command, tuple(_LAYERS))


def layer_options_without_corrections(command: Decorated) -> Decorated:
    """The same for work over several surveys: corrections speak of the bodies of one."""
    return _layers(command, tuple(name for name in _LAYERS if name != "corrections"))


def _layers(command: Decorated, names: tuple[str, ...]) -> Decorated:
    for name in reversed(names):
        command = click.option(f"--{name}", metavar="FILE", help=_LAYERS[name])(command)
    return command
