"""Tiles put together to surveys, each of which can answer a parcel by itself."""

import hashlib
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date

import numpy as np
import shapely
from numpy.typing import NDArray

from slopekit.errors import InputError
from slopekit.portfolio.index import Entry, Index
from slopekit.sources.elevation import Elevation, Reading, elevation_of
from slopekit.sources.facts import measured_on, surface_of
from slopekit.sources.mosaic import Header, mosaic_of, place
from slopekit.sources.units_of import horizontal_crs, metres_per_unit, vertical_unit
from slopekit.sources.warp import transformer


@dataclass(frozen=True, eq=False)
class TiledSurvey:
    """One survey: its elevation, and where its tiles lie."""

    id: str
    """Name that does not change when tiles are added or replaced."""
    title: str
    elevation: Elevation
    measured: date | None
    """The earliest date that a tile tells, or what the user said."""
    fingerprints: tuple[str, ...]
    """One for each tile."""
    footprints: NDArray[np.object_]
    """Polygons in the survey's working CRS, one for each tile."""
    tree: shapely.STRtree

    @property
    def cell_m(self) -> float:
        """Side of a cell of the files' own grid."""
        grid = self.elevation.survey.grid
        return math.sqrt(grid.dx * grid.dy)


@dataclass(frozen=True)
class Surveys:
    usable: tuple[TiledSurvey, ...]
    """From the finest and newest on."""
    faults: tuple[str, ...]
    """One sentence for each tile or survey that cannot be used."""


def surveys_of(index: Index, how: Reading) -> Surveys:
    """Surveys of all tiles: files on one lattice with one CRS, one cell size, one unit of height and one year.

    A tile without a date belongs to a survey of its own kind, which counts as the oldest. A tile or survey that cannot
    be used is a sentence among the faults.
    """
    faults = list(index.faults.values())
    groups: dict[tuple[str, int], list[list[tuple[Entry, Header]]]] = {}
    for entry in index.entries:
        if entry.header is None:
            continue
        try:
            kind = _kind(entry.header, how)
        except InputError as error:
            faults.append(str(error))
            continue
        among = groups.setdefault(kind, [])
        home = next((g for g in among if _one_lattice(g[0][1], entry.header)), None)
        if home is None:
            among.append(home := [])
        home.append((entry, entry.header))
    usable = []
    for group in (g for among in groups.values() for g in among):
        try:
            usable.append(_survey(group, how))
        except InputError as error:
            faults.append(str(error))
    usable.sort(key=lambda s: (round(s.cell_m, 6), -_ordinal(s.measured), s.id))
    return Surveys(tuple(usable), tuple(dict.fromkeys(faults)))


def _ordinal(day: date | None) -> int:
    return 0 if day is None else day.toordinal()


def _kind(header: Header, how: Reading) -> tuple[str, int]:
    """Unit of the heights and year: tiles that differ in them are different surveys. Raises InputError."""
    unit = metres_per_unit(header.crs) if horizontal_crs(header.crs).is_projected else 1.0
    surface_of([header], how.surface)
    day = how.survey_date or measured_on(header)
    return vertical_unit(header.tile.name, header.crs, header.unit, how.z_unit, unit)[0], 0 if day is None else day.year


def _one_lattice(first: Header, header: Header) -> bool:
    try:
        mosaic_of([first, header])
    except InputError:
        return False
    return True


def _survey(group: Sequence[tuple[Entry, Header]], how: Reading) -> TiledSurvey:
    headers = [header for _, header in group]
    days = [day for header in headers if (day := measured_on(header)) is not None]
    measured = how.survey_date or min(days, default=None)
    name = _name(headers[0], measured)
    crs = horizontal_crs(headers[0].crs)
    title = f"{crs.name}, {len(headers)} tile{'' if len(headers) == 1 else 's'}"
    elevation = elevation_of(headers, (title,), replace(how, survey_date=measured), name)
    elevation.close()
    footprints = np.array([_footprint(header, elevation.survey.grid.crs) for header in headers], dtype=object)
    return TiledSurvey(
        name,
        title,
        elevation,
        measured,
        tuple(entry.fingerprint for entry, _ in group),
        footprints,
        shapely.STRtree(footprints),
    )


def _name(header: Header, measured: date | None) -> str:
    """The same whichever tile of the survey comes first: a hash of CRS, cell, place of the lattice, unit and year."""
    a, b, c, d, e, f = header.tile.affine
    # A lattice's place: where its cells' corners fall within one cell.
    phase = [round((v / step) % 1.0, 2) % 1.0 for v, step in ((c, a or b), (f, e or d))]
    cell = [f"{v:.6g}" for v in (a, b, d, e)]
    year = None if measured is None else measured.year
    text = repr((horizontal_crs(header.crs).to_wkt(), header.unit, cell, phase, year))
    return f"tiles:{hashlib.sha256(text.encode()).hexdigest()}"


def _footprint(header: Header, crs: str) -> shapely.Polygon:
    """The tile's outline in the working CRS; edges that bend there are followed."""
    tile = header.tile
    along = np.linspace(0.0, 1.0, 9)[:-1]
    zero, one = np.zeros_like(along), np.ones_like(along)
    cols = np.concatenate([along, one, one - along, zero]) * tile.width
    rows = np.concatenate([zero, along, one, one - along]) * tile.height
    x, y = place(tile.affine, cols, rows)
    change = transformer(header.crs, crs)
    if horizontal_crs(header.crs) != horizontal_crs(crs):
        x, y = change.transform(x, y)
    return shapely.Polygon(np.stack([x, y], axis=1))
