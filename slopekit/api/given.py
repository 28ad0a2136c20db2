"""What comes in by the door: names, datasets, arrays and tables, turned into what a job holds."""

import os
import shutil
import tempfile
import weakref
from collections.abc import Mapping, Sequence
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, TypeAlias, TypedDict, TypeGuard, TypeVar

import geopandas as gpd

from slopekit.errors import InputError
from slopekit.fleet.model import Fleet
from slopekit.labour.season import Season, check_season, load_season, one_visit
from slopekit.paths import HELD
from slopekit.schema.inputs import LAYER_INPUTS, KnownGround
from slopekit.screening.job import Sources
from slopekit.sources.frames import Frame
from slopekit.sources.held import Dataset, Raster, held_or_named, hold
from slopekit.sources.point_results import points_elevation
from slopekit.wording import UNITS, Units

if TYPE_CHECKING:
    import xarray

Name: TypeAlias = str | os.PathLike[str]
OneElevation: TypeAlias = "Name | Dataset | Raster | xarray.DataArray"
Elevations: TypeAlias = "OneElevation | Sequence[OneElevation]"
Features: TypeAlias = Name | gpd.GeoDataFrame
Fleets: TypeAlias = Name | Mapping[str, Any] | Fleet
Seasons: TypeAlias = Name | Mapping[str, Any] | Season
MadeJob = TypeVar("MadeJob", bound=Sources)


def is_name(given: object) -> TypeGuard[Name]:
    """Whether something is the name of a file."""
    return isinstance(given, str | os.PathLike)


def units_of(name: str) -> Units:
    """The units in which figures are shown. Raises InputError for a name that is not known."""
    if name not in UNITS:
        raise InputError(f"units: '{name}' is not known, so give {' or '.join(UNITS)}.")
    return UNITS[name]


class Reading(TypedDict, total=False):
    """How to read the elevation."""

    z_unit: str | None
    """Unit of the heights where nothing else tells: metre, foot or us-survey-foot."""
    z_rmse_m: float | None
    """Vertical error (RMSE) of the survey, metres. Without it, ground near a limit is not assessed."""
    cell_m: float | None
    """Working cell, metres, to which finer grids are averaged; 1 without it."""
    survey_date: date | str | None
    """When the elevation was measured, as a date or YYYY-MM-DD."""
    surface: Literal["ground", "top"] | None
    """Bare ground, or the top of trees and roofs."""
    prescreen: bool
    """Accept cells coarser than 5 m."""
    points: Name | None
    """Folder of `points`: what the survey's own points show; without elevation, their ground too."""


class Known(Reading, KnownGround[Features | None], total=False):
    """How the elevation is read, and what is known of the ground: a file or a GeoDataFrame each, in any CRS."""


class Held:
    """A folder for what must be a file; it goes when nobody needs it any more."""

    def __init__(self) -> None:
        self.folder: Path | None = None
        self._files = 0

    def path(self) -> Path:
        """A new name in the folder."""
        if self.folder is None:
            self.folder = Path(tempfile.mkdtemp(prefix=HELD))
            weakref.finalize(self, shutil.rmtree, self.folder, ignore_errors=True)
        self._files += 1
        return self.folder / ("elevation" if self._files == 1 else f"elevation_{self._files}")


def elevations(given: Elevations, held: Held) -> list[str]:
    """The rasters by name. Raises InputError for what is none of the things that can be read."""
    several = given if isinstance(given, list | tuple) else [given]
    return [_elevation(one, held) for one in several]


def _elevation(given: Any, held: Held) -> str:
    if is_name(given):
        return os.fspath(given)
    if isinstance(given, Dataset):
        given = held_or_named(given)
        if isinstance(given, str):
            return given
    elif type(given).__module__.partition(".")[0] == "xarray":
        from slopekit.api.arrays import raster_of

        given = raster_of(given)
    if not isinstance(given, Raster):
        raise InputError(
            f"elevation: a {type(given).__name__} cannot be read, so give a path, an open rasterio dataset, a "
            "slopekit.Raster or a DataArray."
        )
    path = held.path()
    hold(given, path)
    return str(path)


def features(role: str, given: Features) -> str | Frame:
    """Features by name, or as a table whose index is a column where it has a name."""
    if is_name(given):
        return os.fspath(given)
    if not isinstance(given, gpd.GeoDataFrame):
        raise InputError(f"{role}: a {type(given).__name__} cannot be read, so give a path or a GeoDataFrame.")
    if given._geometry_column_name not in given.columns:
        raise InputError(f"{role}: the table has no column of geometries, so set one with set_geometry.")
    index = given.index.name
    if index is not None and index in given.columns:
        raise InputError(f"{role}: the index and a column are both called '{index}', so rename one of them.")
    return Frame(role, given if index is None else given.reset_index())


def id_of(given: Features, id_column: str | None) -> str | None:
    """The column of the ids: the one that is named, else the index of a table where it has a name."""
    if id_column is None and isinstance(given, gpd.GeoDataFrame) and given.index.name is not None:
        return str(given.index.name)
    return id_column


def fleet(given: Fleets) -> Path | Mapping[str, Any] | Fleet:
    """A file by name, a dict or a model as it is."""
    if is_name(given):
        return Path(given)
    if not isinstance(given, Mapping | Fleet):
        raise InputError(f"fleet: a {type(given).__name__} cannot be read, so give a path, a dict or a Fleet.")
    return given


def season(given: Seasons | None, *fleets: Fleet) -> Season:
    """The season for some fleets; one visit under each condition where none is given."""
    if given is None:
        return one_visit(fleets[0])
    if isinstance(given, Season):
        return check_season(given, "season", *fleets)
    if isinstance(given, Mapping):
        return load_season(given, *fleets)
    if not is_name(given):
        raise InputError(f"season: a {type(given).__name__} cannot be read, so give a path, a dict or a Season.")
    return load_season(Path(given), *fleets)


def job_from(
    kind: type[MadeJob], elevation: "Elevations | None", fleets: Fleets | None, known: Mapping[str, Any], **more: Any
) -> MadeJob:
    """A job of what was given. known: the keys of `Known`. Raises InputError, and TypeError for another key."""
    strange = set(known) - {*Known.__annotations__, *Reading.__annotations__}
    if strange:
        raise TypeError(f"unexpected argument '{min(strange)}'")
    held = Held()
    points = None if known.get("points") is None else os.fspath(known["points"])
    names = ground_of(() if elevation is None else elevations(elevation, held), points)
    return kind(
        elevation=names,
        fleet=None if fleets is None else fleet(fleets),
        layers={name: features(name, known[name]) for name in LAYER_INPUTS if known.get(name) is not None},
        corrections=None if known.get("corrections") is None else features("corrections", known["corrections"]),
        survey_date=_day(known.get("survey_date")),
        surface=known.get("surface"),
        z_unit=known.get("z_unit"),
        z_rmse=known.get("z_rmse_m"),
        cell=known.get("cell_m"),
        prescreen=known.get("prescreen", False),
        points=points,
        held=None if held.folder is None else held,
        **more,
    )


def ground_of(elevation: Sequence[str], points: str | None) -> list[str]:
    """The elevation that is named, else that of a folder of points. Raises InputError where neither is."""
    if elevation:
        return list(elevation)
    if points is None:
        raise InputError("No elevation is named, so name a raster, or a folder of 'slopekit points' with --points.")
    return [points_elevation(points)]


def _day(given: date | str | None) -> date | None:
    if given is None or isinstance(given, date):
        return given
    try:
        return date.fromisoformat(given)
    except (TypeError, ValueError) as error:
        raise InputError(f"survey_date: '{given}' is not a day, so give one such as 2024-05-31.") from error


def whole(name: str, given: int | None, least: int, most: int | None = None) -> None:
    """Raise InputError for a number that is not whole or lies outside its bounds."""
    if given is None or (type(given) is int and least <= given and (most is None or given <= most)):
        return
    bounds = f"of {least} or more" if most is None else f"from {least} to {most}"
    raise InputError(f"{name}: {given!r} is out of range, so give a whole number {bounds}.")
