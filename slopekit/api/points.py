"""Classified points of a survey to a folder that `screen` takes."""

from collections.abc import Callable, Sequence
from pathlib import Path

from slopekit.api.given import Features, Name, features
from slopekit.api.guard import Guard
from slopekit.api.inputs import file_of
from slopekit.api.screening import make_folder
from slopekit.api.spoken import speaks_python
from slopekit.grid import grown
from slopekit.outputs.atomic import scratch
from slopekit.outputs.points import point_paths, write_points
from slopekit.points.classes import STANDARD, classes_of
from slopekit.points.settings import PointSettings
from slopekit.points.survey import PointLayers, survey_points
from slopekit.sources.frames import Frame
from slopekit.sources.parcels import read_parcels
from slopekit.sources.point_files import is_remote, open_points, points_of

AROUND_M = 200.0
"""The look of a parcel (150 m) and what tells of its border."""


@speaks_python
def points(
    files: Name | Sequence[Name],
    out: Name,
    area: Features | None = None,
    *,
    classes: Name = STANDARD,
    crs: str | None = None,
    z_unit: str | None = None,
    around_m: float = AROUND_M,
    cell_m: float = 1.0,
    gap_m: float = 5.0,
    roll_bar_m: float = 2.2,
    overwrite: bool = False,
    progress: Callable[[int, int], None] | None = None,
) -> Path:
    """Make bare ground, walls, water, low trees and buildings of a survey's classified points. Gives the folder.

    files: LAS, LAZ or COPC files, folders of them, or addresses of COPC files, many as one (extra `points`). out: the
    folder for the results (docs/points.md). area: parcels or a district; only the ground within `around_m` of the box
    of each part is looked at. classes: 'asprs', or a TOML file with one line for each role, such as `ground = [2]`.
    crs, z_unit: where the files do not say them. cell_m: of the ground, 0.25 to 1. gap_m: gaps that are filled.
    roll_bar_m: height of a roll bar. progress: called with steps done and in all. Raises InputError.

    >>> import slopekit as sk
    >>> sk.points("no such file.laz", "points")
    Traceback (most recent call last):
    slopekit.errors.InputError: no such file.laz: there is no such file or folder, so check the path of the points.
    """
    names = [str(files)] if isinstance(files, str) or not isinstance(files, Sequence) else [str(one) for one in files]
    settings = PointSettings(cell_m=cell_m, gap_m=gap_m, roll_bar_m=roll_bar_m)
    given = None if area is None else features("area", area)
    folder = Path(out)
    run_points(names, folder, given, str(classes), crs, z_unit, around_m, settings, overwrite, progress)
    return folder


def run_points(
    names: Sequence[str],
    folder: Path,
    area: str | Frame | None,
    classes: str,
    crs: str | None,
    z_unit: str | None,
    around_m: float,
    settings: PointSettings,
    overwrite: bool,
    progress: Callable[[int, int], None] | None = None,
) -> PointLayers:
    """Read the points, make their layers and write them."""
    named = classes_of(classes)
    read = [name for name in points_of(names) if not is_remote(name)]
    read += [] if classes.lower() == STANDARD else [classes]
    read += [file_of(area)] if isinstance(area, str) else []
    survey = open_points(names, crs, z_unit)
    boxes = None
    if area is not None:
        parcels = read_parcels(area, None, survey.crs)
        parts = [part for parcel in parcels for part in getattr(parcel.geometry, "geoms", [parcel.geometry])]
        boxes = [grown(part.bounds, around_m, survey.metres_per_unit) for part in parts]
    make_folder(folder)
    guard = Guard(point_paths(folder), read, overwrite)
    with scratch(folder / "stripes") as stripes:
        found = survey_points(survey, named, settings, stripes, boxes, progress)
    guard.again()
    write_points(folder, found)
    return found
