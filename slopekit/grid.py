"""Where cells lie: a frozen north-up grid and windows of it. No pixels, no files."""

import math
from dataclasses import dataclass, replace

Bounds = tuple[float, float, float, float]
"""West, south, east, north in CRS units."""

COARSE_M, TOO_COARSE_M = 3.0, 5.0


@dataclass(frozen=True)
class Window:
    """A block of cells. Row and column may be negative or past the end: what lies outside the data reads as missing."""

    row: int
    col: int
    height: int
    width: int

    @property
    def slices(self) -> tuple[slice, slice]:
        return slice(self.row, self.row + self.height), slice(self.col, self.col + self.width)

    def holds(self, row: int, col: int) -> bool:
        return self.row <= row < self.row + self.height and self.col <= col < self.col + self.width


@dataclass(frozen=True)
class Grid:
    """A north-up grid of cells. Row 0 is the northernmost; `west` and `north` are the outer corner of cell (0, 0)."""

    height: int
    width: int
    west: float
    north: float
    step_x: float
    """Cell width in CRS units, positive."""
    step_y: float
    """Cell height in CRS units, positive."""
    crs: str
    """WKT of a projected CRS."""
    metres_per_unit: float = 1.0
    """Length of one CRS unit in metres."""

    @property
    def shape(self) -> tuple[int, int]:
        return self.height, self.width

    @property
    def dx(self) -> float:
        """Cell width in metres."""
        return self.step_x * self.metres_per_unit

    @property
    def dy(self) -> float:
        """Cell height in metres."""
        return self.step_y * self.metres_per_unit

    @property
    def cell_m2(self) -> float:
        return self.dx * self.dy

    @property
    def bounds(self) -> Bounds:
        return self.west, self.north - self.height * self.step_y, self.west + self.width * self.step_x, self.north

    @property
    def affine(self) -> tuple[float, float, float, float, float, float]:
        """Coefficients a to f of x = a col + b row + c, y = d col + e row + f."""
        return self.step_x, 0.0, self.west, 0.0, -self.step_y, self.north

    def centre(self, row: float, col: float) -> tuple[float, float]:
        """Map coordinates of a cell's centre."""
        return self.west + (col + 0.5) * self.step_x, self.north - (row + 0.5) * self.step_y

    def cell_at(self, x: float, y: float) -> tuple[int, int]:
        """Row and column of the cell that holds a point; outside the grid they run on."""
        return math.floor((self.north - y) / self.step_y), math.floor((x - self.west) / self.step_x)

    def covering(self, bounds: Bounds, pad: int = 0, block: int = 1) -> Window:
        """The window whose cells cover `bounds`, grown by `pad` cells, then outward to multiples of `block`."""
        west, south, east, north = bounds
        # A bound that falls on a cell edge must not pull in the next cell through rounding.
        tiny = 1e-6
        row0 = math.floor((self.north - north) / self.step_y + tiny) - pad
        row1 = math.ceil((self.north - south) / self.step_y - tiny) + pad
        col0 = math.floor((west - self.west) / self.step_x + tiny) - pad
        col1 = math.ceil((east - self.west) / self.step_x - tiny) + pad
        row0, col0 = (block * math.floor(v / block) for v in (row0, col0))
        row1, col1 = (block * math.ceil(v / block) for v in (row1, col1))
        return Window(row0, col0, row1 - row0, col1 - col0)

    def offset_on(self, whole: "Grid") -> tuple[int, int]:
        """Row and column of this grid's first cell on another grid of the same cells."""
        return round((whole.north - self.north) / whole.step_y), round((self.west - whole.west) / whole.step_x)

    def place(self) -> tuple[int, int]:
        """Row and column of the first cell counted from the origin of the CRS, the same whatever was read.

        The quarter keeps corners at whole and half cells clear of rounding.
        """
        return -math.floor(self.north / self.step_y + 0.25), math.floor(self.west / self.step_x + 0.25)

    def within(self, window: Window) -> Window:
        """The cells of a window that this grid has."""
        row, col = max(0, window.row), max(0, window.col)
        height = min(self.height, window.row + window.height) - row
        width = min(self.width, window.col + window.width) - col
        return Window(row, col, height, width)

    def part(self, window: Window) -> "Grid":
        """The grid of one window of this grid."""
        return replace(
            self,
            height=window.height,
            width=window.width,
            west=self.west + window.col * self.step_x,
            north=self.north - window.row * self.step_y,
        )

    def coarser(self, factor: int) -> "Grid":
        """The grid whose cells are `factor` by `factor` cells of this one. The shape must divide."""
        if self.height % factor or self.width % factor:
            raise ValueError(f"a grid of {self.height} x {self.width} cells does not divide by {factor}")
        return replace(
            self,
            height=self.height // factor,
            width=self.width // factor,
            step_x=self.step_x * factor,
            step_y=self.step_y * factor,
        )


Margins = tuple[float, float, float, float]
"""Metres added in the west, south, east and north."""


def grown(bounds: Bounds, metres: float | Margins, metres_per_unit: float) -> Bounds:
    """Bounds with `metres` added on every side, or on each side its own."""
    sides = metres if isinstance(metres, tuple) else (metres,) * 4
    west, south, east, north = (by / metres_per_unit for by in sides)
    return bounds[0] - west, bounds[1] - south, bounds[2] + east, bounds[3] + north


def is_coarse(cell_m: float) -> bool:
    """Whether working cells of this size need a warning on every output."""
    return cell_m > COARSE_M * (1.0 + 1e-6)


def is_prescreen(cell_m: float) -> bool:
    """Whether working cells of this size serve for a pre-screen only, which every zone must tell."""
    return cell_m > TOO_COARSE_M * (1.0 + 1e-6)
