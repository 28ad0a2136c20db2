"""Elevation from one or many rasters: what the survey is, and its heights window by window."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path
from types import TracebackType

import numpy as np

from slopekit.errors import InputError
from slopekit.grid import COARSE_M, TOO_COARSE_M, Bounds, Grid, is_coarse, is_prescreen
from slopekit.sources.checksum import checksum
from slopekit.sources.facts import Surface, surface_of, vertical_error
from slopekit.sources.files import short_name
from slopekit.sources.mosaic import Header, anchored, mosaic_of, read_header
from slopekit.sources.remote import local_rasters
from slopekit.sources.said import Said, sentences
from slopekit.sources.tiles import HIGHEST_M, LOWEST_M, Heights, TileReader
from slopekit.sources.units_of import UnitFrom, horizontal_crs, metres_per_unit, vertical_unit
from slopekit.sources.vertical_step import sample_heights, vertical_step
from slopekit.sources.warp import cell_on_ground, interpolate, working_grid
from slopekit.units import METRES_PER_UNIT

WORKING_CELL_M = 1.0
ANCHOR = 1_000_000
"""Working cells between the places where the grid of a growing survey may begin."""


@dataclass(frozen=True)
class Survey:
    """What is known of the elevation data as a whole. Lengths in metres unless said."""

    names: tuple[str, ...]
    """The inputs as named, without folders of this machine."""
    checksum: str
    """'sha256:...' of the content, or 'stat:...' where that would cost too much (see `checksum`)."""
    grid: Grid
    """All of it at its own cell size, north-up and projected."""
    z_unit: str
    z_unit_from: UnitFrom
    z_step_m: float | None
    """Vertical step that all heights sit on, when it exceeds 1 cm."""
    rmse_m: float | None
    survey_date: date | None
    surface: Surface
    warped: bool
    """Heights are interpolated from cells of another CRS or direction."""
    block: int
    """Cells of `grid` along one side of a working cell."""
    notes: tuple[str, ...]
    """Warnings, one plain sentence each."""
    said: tuple[Said, ...] = ()
    """What a tile index says of the tiles, each different word of it once."""

    @property
    def working(self) -> Grid:
        """The grid of working cells that covers all of the survey."""
        window = self.grid.covering(self.grid.bounds, 0, self.block)
        return self.grid.part(window).coarser(self.block)


@dataclass(frozen=True, eq=False)
class Patch:
    """Heights of one window: float64 metres, NaN where missing and outside the data."""

    grid: Grid
    z: Heights


class Elevation:
    """A survey open for reading. It pickles as names and numbers; each process opens the files that it needs."""

    def __init__(self, survey: Survey, reader: TileReader) -> None:
        self.survey = survey
        self.reader = reader

    def read(self, bounds: Bounds, pad: int = 0) -> Patch:
        """Heights of the window that covers `bounds` (CRS units of the grid), grown by `pad` cells of the grid.

        The window's edges lie on multiples of `survey.block` cells counted from the survey's north-west corner, and
        it is always returned whole. Raises InputError naming the file when cells cannot be read, and when its heights
        do not meet those of the tiles beside it (see `Seams.check`).
        """
        grid = self.survey.grid
        window = grid.covering(bounds, pad, self.survey.block)
        if self.survey.warped:
            z = interpolate(self._cells, self.reader.mosaic, grid, window)
        else:
            z = self._cells(window.row, window.col, window.height, window.width)
        return Patch(grid.part(window), z)

    def _cells(self, row: int, col: int, height: int, width: int) -> Heights:
        self.reader.seams.check(row, col, height, width)
        return self.reader.read(row, col, height, width)

    def close(self) -> None:
        self.reader.close()

    def __enter__(self) -> "Elevation":
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self.close()


def open_elevation(
    paths: Sequence[str | Path],
    *,
    z_unit: str | None = None,
    z_rmse_m: float | None = None,
    cell_m: float | None = None,
    survey_date: date | None = None,
    surface: str | None = None,
    prescreen: bool = False,
) -> Elevation:
    """Open rasters, VRTs, folders of tiles, tile indexes and GDAL virtual paths as one survey.

    All files must lie on one lattice of cells; each keeps its own nodata value, mask, scale and offset. `z_unit` names
    the unit of the heights where the files do not, `cell_m` the wanted working cell (1 m), `prescreen` accepts working
    cells coarser than 5 m. Raises InputError, one sentence with the file, the value and the fix.
    """
    headers = [read_header(name) for name in local_rasters(paths)]
    how = Reading(z_unit, z_rmse_m, cell_m, survey_date, surface, prescreen)
    return elevation_of(headers, tuple(short_name(str(p)) for p in paths), how)


def elevation_of(
    headers: Sequence[Header], names: tuple[str, ...], how: "Reading", survey_id: str | None = None
) -> Elevation:
    """A survey of files whose headers are known, under the given names.

    survey_id: name of a survey to which files may be added. It becomes the checksum, and the grid begins at a place of
    the lattice that more files seldom move, so what is named or counted from there stays. The heights that a damaged
    file should give are then missing from the survey's facts. Raises InputError as `open_elevation` does.
    """
    first = headers[0]
    mosaic = mosaic_of(headers)
    grid, warped, notes = working_grid(mosaic)
    # The unit of the files' own grid: a warp to metres tells nothing about the heights.
    source_unit = metres_per_unit(mosaic.crs) if horizontal_crs(mosaic.crs).is_projected else 1.0
    unit, unit_from, unit_notes = vertical_unit(first.tile.name, first.crs, first.unit, how.z_unit, source_unit)
    block, cell_notes = _working_cell(
        first.tile.name, grid, cell_on_ground(mosaic) if warped else (0.0, 0.0), how.cell_m, how.prescreen
    )
    shown, surface_notes = surface_of(headers, how.surface)
    rmse_m, rmse_notes = vertical_error(headers, how.z_rmse_m)
    reader = TileReader(mosaic, METRES_PER_UNIT[unit])
    sample = sample_heights(reader, skip_damaged=survey_id is not None)
    many = [h.tile.name for h in headers if h.bands > 1]
    if many:
        notes += (f"{short_name(many[0])} has more than one band; band 1 was read as the heights.",)
    if sample.off_earth:
        notes += (
            f"Cells below {LOWEST_M:.0f} m or above {HIGHEST_M:.0f} m were met; they were taken for missing since no "
            f"dry ground lies there, so check the nodata value and the vertical unit.",
        )
    if survey_id is None:
        notes += reader.seams.at_open()
    elif not warped:
        reader.close()
        mosaic = anchored(mosaic, ANCHOR * block)
        reader = TileReader(mosaic, METRES_PER_UNIT[unit])
        grid = replace(grid, height=mosaic.height, width=mosaic.width, west=mosaic.affine[2], north=mosaic.affine[5])
    said = tuple(dict.fromkeys(h.said for h in headers if h.said is not None))
    survey = Survey(
        names=names,
        checksum=survey_id
        or checksum((f for h in headers for f in h.files), np.round(sample.z / METRES_PER_UNIT[unit], 3).tobytes()),
        grid=grid,
        z_unit=unit,
        z_unit_from=unit_from,
        z_step_m=vertical_step(sample.z, _integer_step(headers, METRES_PER_UNIT[unit])),
        rmse_m=rmse_m,
        survey_date=how.survey_date,
        surface=shown,
        warped=warped,
        block=block,
        notes=(*notes, *unit_notes, *cell_notes, *surface_notes, *rmse_notes, *sentences(said)),
        said=said,
    )
    return Elevation(survey, reader)


@dataclass(frozen=True)
class Reading:
    """What the user says of the files: the options of `open_elevation`."""

    z_unit: str | None = None
    z_rmse_m: float | None = None
    cell_m: float | None = None
    survey_date: date | None = None
    surface: str | None = None
    prescreen: bool = False


def _integer_step(headers: Sequence[Header], metres_per_z: float) -> float | None:
    """Coarsest height step of the files that store whole numbers."""
    steps = [abs(h.tile.scale) * metres_per_z for h in headers if np.dtype(h.dtype).kind in "iu"]
    return max(steps, default=None)


def _working_cell(
    name: str, grid: Grid, ground: tuple[float, float], wanted: float | None, prescreen: bool
) -> tuple[int, tuple[str, ...]]:
    """Native cells to a working cell, and what its size costs. `ground` is the size of the cells before a warp."""
    wanted = WORKING_CELL_M if wanted is None else wanted
    if not 0.0 < wanted < math.inf:
        raise InputError(f"The working cell {wanted} m is not a length, so give --cell in metres, more than 0.")
    block = max(1, round(wanted / math.sqrt(grid.dx * grid.dy)))
    if block > max(grid.height, grid.width):
        raise InputError(f"{name}: a working cell of {wanted:g} m is larger than the raster, so give a smaller --cell.")
    cell = max(block * grid.dx, block * grid.dy, *ground)
    if is_prescreen(cell) and not prescreen:
        raise InputError(
            f"{name}: the cells are {cell:.3g} m and nothing coarser than {TOO_COARSE_M:g} m can show a bank or a "
            f"wall, so get finer data or ask for a coarse pre-screen with --prescreen."
        )
    if is_prescreen(cell):
        return block, (f"Coarse pre-screen only: the cells are {cell:.3g} m, so banks and walls go unseen.",)
    if is_coarse(cell):
        return block, (f"The cells are {cell:.3g} m, coarser than {COARSE_M:g} m: short banks and walls go unseen.",)
    return block, ()
