"""What of the points counts as what."""

from dataclasses import dataclass

from slopekit.errors import InputError

FINEST_M, COARSEST_M = 0.25, 1.0


@dataclass(frozen=True)
class PointSettings:
    """Lengths in metres. Defaults without a source named are common practice, no source."""

    cell_m: float = 1.0
    """Cell of the ground grid, 0.25 to 1."""
    gap_m: float = 5.0
    """Ground without returns is filled where it is no wider than about this, and stays missing elsewhere."""
    roll_bar_m: float = 2.2
    """Height of a roll bar that stands up: a return lower than this over the ground, under higher ones, is a branch
    that it would meet."""
    low_m: float = 0.5
    """Returns up to this over the ground are grass."""
    pond_m2: float = 15.0
    """Area without returns from which it may be a pond. Of a swimming pool of 4 x 8 m some 17 m2 of whole cells are
    left when it lies across the grid."""
    level_m: float = 0.35
    """Water lies level: the lowest ground of its shores differs by no more than this from side to side. The last return
    before the water lies up to half a step between returns away from it, on a bank."""
    weak: float = 0.1
    """A return with less than this part of the usual intensity of ground may be one from water."""
    step_m: float = 0.4
    """Least height of a step that is written as a wall; what counts as a drop is the fleet file's `drop_height_m`."""

    def __post_init__(self) -> None:
        for name, least, most in (
            ("cell_m", FINEST_M, COARSEST_M),
            ("gap_m", 0.0, 20.0),
            ("roll_bar_m", 1.0, 5.0),
        ):
            value = getattr(self, name)
            if not least <= value <= most:
                option = name.removesuffix("_m").replace("_", "-")
                raise InputError(f"--{option} {value:g} is out of range, so give {least:g} to {most:g} metres.")
