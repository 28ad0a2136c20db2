"""How small a sharp step the grid in hand can show."""

from dataclasses import dataclass

from slopekit.hazards.settings import HazardSettings
from slopekit.units import grade


@dataclass(frozen=True)
class DetectionLimit:
    """Least height (m) of a wall or edge that the drop rule finds on a grid."""

    between_cells_m: float
    """When the step lies between two cells, so that one step of the grid holds all of it."""
    across_cell_m: float
    """When a cell straddles the step and splits it into two."""
    wanted_m: float
    """The drop height asked for."""

    @property
    def met(self) -> bool:
        """Whether every sharp step of the height asked for is found, however it lies on the grid."""
        return self.across_cell_m <= self.wanted_m * (1.0 + 1e-9)

    def sentences(self) -> list[str]:
        """The limit in plain words."""
        out = [
            f"A sharp step is found from {self.between_cells_m:.2f} m of height when it lies between two cells, "
            f"and from {self.across_cell_m:.2f} m when a cell straddles it."
        ]
        if self.met:
            out.append(f"The grid can show every sharp step of {self.wanted_m:.2f} m.")
        else:
            out.append(
                f"The grid cannot show every step of {self.wanted_m:.2f} m: lower walls and edges must be drawn as "
                "lines or looked for on site."
            )
        return out


def detection_limit(dx: float, dy: float, settings: HazardSettings, interpolated: bool = False) -> DetectionLimit:
    """The limit for native cells of dx by dy metres.

    A step of the grid must reach `drop_grade_deg` over the longer cell side. A cell that straddles the wall half and
    half leaves two steps of half the height, each of which must reach it. Cells interpolated from another grid spread a
    step over two of them at worst, which halves it once more.
    """
    one_step = grade(settings.drop_grade_deg) * max(dx, dy) * (2.0 if interpolated else 1.0)
    wanted = settings.drop_height_m
    return DetectionLimit(max(wanted, one_step), max(wanted, 2.0 * one_step), wanted)
