"""Tiles put together to surveys, each of which can answer a parcel by itself."""

import hashlib
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta

import numpy as np
import shapely
from numpy.typing import NDArray

from slopekit.errors import InputError
from slopekit.portfolio.index import Entry, Index
from slopekit.sources.elevation import Elevation, Reading, elevation_of
from slopekit.sources.facts import measured_on, surface_of
from slopekit.sources.mosaic import Header, lattice_rank, mosaic_of, phase_of, place
from slopekit.sources.units_of import crs_code, crs_height_axis, horizontal_crs, metres_per_unit, vertical_unit
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
    def content(self) -> str:
        """Names what all tiles hold."""
        return "content of all tiles: " + hashlib.sha256("\n".join(self.fingerprints).encode()).hexdigest()

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
    notes: tuple[str, ...] = ()
    """One sentence for each tile that is used in another way than it asks for."""


def surveys_of(index: Index, how: Reading, today: date | None = None) -> Surveys:
    """Surveys of all tiles: files on one lattice with one CRS, one cell size, one unit of height, one vertical datum as
    an index tells it, and one year.

    A tile without a date, or with one that is yet to come, belongs to a survey of its own kind, which counts as the
    oldest. A tile or survey that cannot be used is a sentence among the faults. today: day of the run.
    """
    # Somewhere on the Earth it is tomorrow already.
    latest = (today or date.today()) + timedelta(days=1)
    faults, notes = list(index.faults.values()), []
    kinds: dict[_Kind, list[_Member]] = {}
    for number, entry in enumerate(index.entries):
        if entry.header is None:
            continue
        try:
            day, note = _measured(entry.header, how, latest)
            kind = _Kind(_unit(entry.header, how), 0 if day is None else day.year)
        except InputError as error:
            faults.append(str(error))
            continue
        notes += note
        kinds.setdefault(kind, []).append(_Member(number, entry, entry.header, day))
    usable = []
    for name, group in _named([(kind, group) for kind, among in kinds.items() for group in _lattices(among)]):
        try:
            usable.append(_survey(name, sorted(group, key=lambda m: m.number), how))
        except InputError as error:
            faults.append(str(error))
    usable.sort(key=lambda s: (round(s.cell_m, 6), -_ordinal(s.measured), s.id))
    return Surveys(tuple(usable), tuple(dict.fromkeys(faults)), tuple(notes))


@dataclass(frozen=True)
class _Kind:
    """Tiles that differ in it are different surveys."""

    unit: str
    year: int


@dataclass(frozen=True)
class _Member:
    number: int
    """Place in the order in which the tiles were named: where tiles overlap, the first wins."""
    entry: Entry
    header: Header
    day: date | None


def _ordinal(day: date | None) -> int:
    return 0 if day is None else day.toordinal()


def _measured(header: Header, how: Reading, latest: date) -> tuple[date | None, list[str]]:
    """When a tile was measured. A day yet to come is not told, and is a sentence."""
    told = how.survey_date or measured_on(header)
    if told is None or told <= latest:
        return told, []
    return None, [
        f"{header.tile.name}: the file says that it was measured on {told}, which is yet to come, so it counts as one "
        f"without a date, the oldest: mend the tag or give --survey-date."
    ]


def _unit(header: Header, how: Reading) -> str:
    """Unit of the heights. Raises InputError for a tile that cannot be read as it is."""
    unit = metres_per_unit(header.crs) if horizontal_crs(header.crs).is_projected else 1.0
    surface_of([header], how.surface)
    return vertical_unit(header.tile.name, header.crs, header.unit, how.z_unit, unit)[0]


def _lattices(members: Sequence[_Member]) -> list[list[_Member]]:
    """Tiles that `mosaic_of` puts on one lattice, the same groups whichever tile comes first."""
    groups: list[list[_Member]] = []
    for member in sorted(members, key=lambda m: lattice_rank(m.header)):
        home = next((g for g in groups if _one_lattice(g[0].header, member.header)), None)
        if home is None:
            groups.append(home := [])
        home.append(member)
    return groups


def _one_lattice(first: Header, header: Header) -> bool:
    try:
        mosaic_of([first, header])
    except InputError:
        return False
    return True


def _named(groups: Sequence[tuple[_Kind, list[_Member]]]) -> list[tuple[str, list[_Member]]]:
    """Each group with a name of its own, the same whichever tile comes first and however many are added.

    The name is a hash of what parts surveys, with the place of the lattice to an eighth of a cell only: what differs in
    the last digits must not change it. Groups that are alike in all this are told apart by their number, the one
    with the most tiles first, so that a stray tile does not rename the rest.
    """
    alike: dict[str, list[list[_Member]]] = {}
    for kind, group in groups:
        alike.setdefault(_described(kind, group[0].header), []).append(group)
    out = []
    for text, among in alike.items():
        among.sort(key=lambda g: (-len(g), lattice_rank(g[0].header)))
        for number, group in enumerate(among):
            whole = text if number == 0 else f"{text} {number}"
            out.append((f"tiles:{hashlib.sha256(whole.encode()).hexdigest()}", group))
    return out


def _described(kind: _Kind, header: Header) -> str:
    a, b, _, d, e, _ = header.tile.affine
    cell = [f"{v:.6g}" for v in (a, b, d, e)]
    eighths = [round(8.0 * v) % 8 for v in phase_of(header.tile)]
    datum = (header.said.datum,) if header.said is not None and header.said.datum else ()
    return repr((crs_code(header.crs), crs_height_axis(header.crs), header.unit, cell, eighths, kind.year, *datum))


def _survey(name: str, group: Sequence[_Member], how: Reading) -> TiledSurvey:
    headers = [member.header for member in group]
    measured = min((m.day for m in group if m.day is not None), default=None)
    crs = horizontal_crs(min(headers, key=lattice_rank).crs)
    title = f"{crs.name}, {len(headers)} tile{'' if len(headers) == 1 else 's'}"
    elevation = elevation_of(headers, (title,), replace(how, survey_date=measured), name)
    elevation.close()
    footprints = np.array([_footprint(header, elevation.survey.grid.crs) for header in headers], dtype=object)
    return TiledSurvey(
        name,
        title,
        elevation,
        measured,
        tuple(member.entry.fingerprint for member in group),
        footprints,
        shapely.STRtree(footprints),
    )


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
