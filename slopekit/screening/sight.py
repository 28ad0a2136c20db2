"""What the looks of one parcel see, put together for its rules and its zones."""

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
import shapely
from numpy.typing import NDArray

from slopekit.fleet.model import Fleet
from slopekit.grid import Grid, Window, grown
from slopekit.landforms.channels import find_channels, reach_m
from slopekit.permits.judge import Ground, Verdict, judge_cells
from slopekit.runout.run_out import HAZARDS, UNKNOWN
from slopekit.schema.corrections import Correction
from slopekit.screening.ground import ReadGround, WindowGround, look_round, read_ground, view_of, wetness_of
from slopekit.screening.looks import Joint, Look, Piece, looks_of, piece_of
from slopekit.sources.elevation import Elevation, Survey
from slopekit.sources.layers import Layers
from slopekit.terrain.surface import gradient_in, slope_deg
from slopekit.terrain.uncertainty import slope_error_deg
from slopekit.terrain.wetness import is_wet
from slopekit.zones.describe import Measures

Array = NDArray[np.float64]
Bool = NDArray[np.bool_]


@dataclass(frozen=True)
class Seen:
    """One look, what was read for it and what it found."""

    look: Look
    piece: Piece
    read: ReadGround
    window: WindowGround


@dataclass(frozen=True)
class Scene:
    """All that the answer on a parcel is made of, whatever looks it took."""

    grid: Grid
    """The working cells of the parcel and a strip round it."""
    z: Array
    """(rows, cols), m, NaN missing."""
    ground: Ground
    """Without heads where there were several looks: what they refuse is in the verdict."""
    measures: Measures
    verdict: Verdict
    """Without the fit, which is asked of the whole."""
    spared: tuple[tuple[Correction, Bool], ...]
    """See `WindowGround.spared`; masks (rows, cols)."""
    cleared: Bool
    """See `WindowGround.cleared`; (rows, cols)."""
    unseen: Bool
    """See `Given.unseen`; (rows, cols)."""


class Sight:
    """The looks of one parcel. A single one is kept, of several none: each is taken again when it is asked for."""

    def __init__(
        self, elevation: Elevation, region: shapely.Geometry, layers: Layers, fleet: Fleet, read: ReadGround | None
    ) -> None:
        """read: ground that holds what a single look round `region` (CRS units) rests on, if it was read already."""
        self.elevation, self.layers, self.fleet = elevation, layers, fleet
        self._working = elevation.survey.working
        self._whole = view_of(self._working, region, fleet)
        self._looks = looks_of(region, fleet, self._working)
        self._kept = self._see(self._looks[0], read) if len(self._looks) == 1 else None

    def again(self) -> Iterator[Seen]:
        """Look by look."""
        if self._kept is not None:
            yield self._kept
            return
        for look in self._looks:
            yield self._see(look, None)

    def scene(self) -> Scene:
        """What all looks see together."""
        shape = self._whole.height, self._whole.width
        all_of_it = Joint(shape)
        spared: dict[int, tuple[Correction, Bool]] = {}
        cleared, unseen = np.zeros(shape, bool), np.zeros(shape, bool)
        for one in self.again():
            at = one.window.run.view.slices
            ground, measures = ground_of_view(one.window, self.fleet, self.elevation.survey)
            verdict = judge_cells(ground, self.fleet)
            if self._kept is None:
                # These are most of the memory that a cell takes.
                ground = replace(ground, heads={})
            all_of_it.put(one.piece, (one.window.surface.z[at], ground, measures, verdict))
            for said, cells in one.window.spared:
                _, so_far = spared.setdefault(said.number, (said, np.zeros(shape, bool)))
                so_far[one.piece.to] |= cells[at][one.piece.source]
            unseen[one.piece.to] |= one.window.given.unseen[at][one.piece.source]
            if one.window.cleared is not None:
                cleared[one.piece.to] |= one.window.cleared[at][one.piece.source]
        z, ground, measures, verdict = all_of_it.whole
        grid, lifted = self._working.part(self._whole), tuple(spared.values())
        return Scene(grid, z, ground, measures, verdict, lifted, cleared, unseen)

    def _see(self, look: Look, read: ReadGround | None) -> Seen:
        read = read or read_ground(self.elevation, [look.region], self.fleet, self.layers.points)
        window = look_round(read, look.region, self.layers, self.fleet, self.elevation)
        grid, view = window.surface.grid, window.run.view
        row, col = grid.offset_on(self._working)
        seen = Window(row + view.row, col + view.col, view.height, view.width)
        return Seen(look, piece_of(look, seen, self._whole), read, window)


def ground_of_view(window: WindowGround, fleet: Fleet, survey: Survey) -> tuple[Ground, Measures]:
    """The part of the window that the parcel's answer looks at."""
    top, run, hazards, given = window.surface, window.run, window.hazards, window.given
    view = run.view
    at = view.slices
    part = top.grid.part(view)
    # Slopes of ground from coarser cells count as not known; the hazards that show there stay.
    compared = np.where(given.coarse[at], np.nan, top.limit_grade[at])
    soft = window.floors.soft[at] | given.soft[at]
    wetness, wet_from = wetness_of(window, view, fleet), fleet.soft_ground.wetness_from
    if wetness is not None and wet_from is not None:
        soft |= is_wet(wetness, wet_from)
    ground = Ground(
        dx=part.dx,
        dy=part.dy,
        limit_deg=slope_deg(compared),
        heads=run.heads,
        water=hazards.water[at],
        other=hazards.other[at],
        drop=hazards.drop[at],
        stand_off=hazards.stand_off[at],
        soft=soft,
        canopy=given.canopy[at],
        no_go=given.no_go[at],
        blocked=given.excluded[at],
        drives=given.drives[at],
    )
    error = (
        None
        if survey.rmse_m is None
        else slope_error_deg(
            compared, survey.rmse_m, part.dx, part.dy, fleet.terrain.error_correlation_m, fleet.terrain.gradient
        )
    )
    heads = np.stack([run.head(kind)[run.slippery] for kind in HAZARDS])
    # The first of two that take the same head is named.
    nearest = np.where((heads < np.inf).any(axis=0), heads.argmin(axis=0), -1).astype(np.int8)
    lengths = np.stack([run.length(kind) for kind in HAZARDS])
    length = np.take_along_axis(lengths, np.maximum(nearest, 0)[None], axis=0)[0]
    p, q = (np.where(given.coarse[at], np.nan, along) for along in gradient_in(top, view, fleet.terrain))
    unknown = (run.head(UNKNOWN) < np.inf).any(axis=0) | np.isnan(compared)
    channel = _channels(window, fleet) & ~ground.water
    return ground, Measures(
        p, q, nearest, heads.min(axis=0), length, unknown, error, wetness, channel, hazards.short[at]
    )


def _channels(window: WindowGround, fleet: Fleet) -> Bool:
    """(rows, cols) of the view: ground in channels, from the view and as much round it as can tell."""
    grid, view = window.surface.grid, window.run.view
    around = grown(grid.part(view).bounds, reach_m(fleet.landforms), grid.metres_per_unit)
    near = grid.within(grid.covering(around))
    found = find_channels(window.surface.z[near.slices], grid.dx, grid.dy, fleet.landforms)
    row, col = view.row - near.row, view.col - near.col
    return found[row : row + view.height, col : col + view.width]
