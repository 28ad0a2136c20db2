"""From names to points in one working frame: files and folders, CRS, units, and the boxes that are needed."""

import os
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pyproj
from numpy.typing import NDArray
from pyproj.exceptions import CRSError

from slopekit.errors import InputError
from slopekit.grid import Bounds
from slopekit.paths import refuse_special
from slopekit.sources.files import short_name
from slopekit.sources.local_crs import local_crs
from slopekit.sources.point_names import is_points
from slopekit.sources.points import Piece, PointHeader, check_scales, is_remote, pieces, read_point_header
from slopekit.sources.remote import check_local
from slopekit.sources.units_of import (
    UnitFrom,
    height_system,
    horizontal_crs,
    metres_per_unit,
    on_earth,
    same_crs,
    vertical_unit,
)
from slopekit.sources.warp import transformer
from slopekit.units import METRES_PER_UNIT

_DEGREE_M = 111_000.0


@dataclass(frozen=True)
class PointFile:
    """A file whose CRS and units are known."""

    head: PointHeader
    crs: str
    """WKT of its horizontal part."""
    metres_xy: float
    """Metres in a unit of x and y, about so for degrees."""
    metres_z: float
    """Metres in a unit of its heights."""


@dataclass(frozen=True)
class PointSurvey:
    """Many files as one."""

    files: tuple[PointFile, ...]
    names: tuple[str, ...]
    """As named, without folders of this machine."""
    crs: str
    """WKT of the working CRS: the first file's own, or a local one where that cannot measure."""
    metres_per_unit: float
    z_unit: str
    z_unit_from: UnitFrom
    notes: tuple[str, ...]

    @property
    def count(self) -> int:
        """Points in all files."""
        return sum(file.head.count for file in self.files)

    @property
    def bounds(self) -> Bounds:
        """Of all files, in the working CRS."""
        boxes = [self.bounds_of(file) for file in self.files]
        west, south, east, north = zip(*boxes, strict=True)
        return min(west), min(south), max(east), max(north)

    def bounds_of(self, file: PointFile) -> Bounds:
        """Of one file, in the working CRS."""
        return _moved(file.head.bounds, file.crs, self.crs)


def points_of(paths: Iterable[str | Path]) -> list[str]:
    """The files behind the names: files, addresses of COPC files, folders. Raises InputError as `rasters_of`."""
    found: list[str] = []
    for path in paths:
        name = str(path)
        refuse_special(name)
        if is_remote(name):
            check_local([name])
            found.append(name)
        elif os.path.isdir(name):
            files = sorted(e.name for e in os.scandir(name) if e.is_file() and is_points(e.name))
            if not files:
                raise InputError(f"{name}: the folder holds no .las or .laz file, so name the folder of the points.")
            found += [os.path.join(name, file) for file in files]
        elif os.path.isfile(name):
            found.append(name)
        else:
            raise InputError(f"{name}: there is no such file or folder, so check the path of the points.")
    if not found:
        raise InputError("No file of points was named, so give at least one LAS, LAZ or COPC file, or a folder.")
    return list(dict.fromkeys(found))


def open_points(paths: Sequence[str | Path], crs: str | None = None, z_unit: str | None = None) -> PointSurvey:
    """Read the headers of all files. crs: what the user says where the files say none. z_unit: likewise of heights.

    Raises InputError for a file that cannot be used, one without CRS, points that are given twice, files whose heights
    do not count from the same, and where there is no point at all.
    """
    heads = [read_point_header(name) for name in points_of(paths)]
    notes = [f"{short_name(head.name)} holds no points." for head in heads if not head.count]
    heads = [head for head in heads if head.count]
    if not heads:
        raise InputError(f"{short_name(str(paths[0]))}: there are no points in it, so name files that hold some.")
    _refuse_twice(heads)
    given = None if crs is None else _given(crs)
    _refuse_other_heights([(head.name, head.crs_wkt or given) for head in heads])
    files: list[PointFile] = []
    unit: tuple[str, UnitFrom] | None = None
    for head in heads:
        wkt = head.crs_wkt or given
        if wkt is None:
            raise InputError(
                f"{short_name(head.name)}: the file does not say its CRS, so name it, such as --crs EPSG:25832."
            )
        flat = horizontal_crs(wkt)
        if not on_earth(flat):
            raise InputError(
                f"{short_name(head.name)}: the CRS '{flat.name}' has no known place on the Earth, so name the "
                "right one with --crs."
            )
        length = metres_per_unit(wkt) if flat.is_projected else 1.0
        z_name, z_from, z_notes = vertical_unit(short_name(head.name), wkt, "", z_unit, length)
        notes += [note for note in z_notes if note not in notes]
        unit = unit or (z_name, z_from)
        across = length if flat.is_projected else _DEGREE_M
        check_scales(head, across, METRES_PER_UNIT[z_name])
        files.append(PointFile(head, flat.to_wkt(), across, METRES_PER_UNIT[z_name]))
    assert unit is not None
    target, why = _working(files[0])
    notes += [why] if why else []
    if crs is not None and any(head.crs_wkt is not None for head in heads):
        notes.append("--crs counts only for files that do not say their CRS.")
    names = tuple(short_name(str(path)) for path in paths)
    return PointSurvey(tuple(files), names, target, metres_per_unit(target), *unit, tuple(notes))


def in_frame(
    survey: PointSurvey, boxes: Sequence[Bounds] | None, facts: bool = False
) -> Iterator[tuple[PointFile, Piece]]:
    """The points of all files that meet some boxes (working CRS; all without), x and y in the working CRS, z in metres.

    Points outside the boxes may come too.
    """
    for file in survey.files:
        wanted = None
        if boxes is not None:
            around = survey.bounds_of(file)
            near = [box for box in boxes if _meet(box, around)]
            if not near:
                continue
            wanted = [_moved(box, survey.crs, file.crs) for box in _apart(near)]
            # Boxes that are turned into another CRS may overlap.
            wanted = wanted if same_crs(file.crs, survey.crs) else [_around(wanted)]
        for piece in pieces(file.head, wanted, facts, file.metres_xy):
            x, y = _placed(file, survey, piece.x, piece.y)
            yield (
                file,
                Piece(x, y, piece.z * file.metres_z, piece.code, piece.intensity, piece.last, piece.read,
                      piece.scan_deg, piece.gps_time),
            )  # fmt: skip


def _refuse_twice(heads: Sequence[PointHeader]) -> None:
    """Raise InputError for files that hold the same points: given twice they would look twice as dense."""
    seen: dict[object, str] = {}
    for head in heads:
        key = head.count, head.bounds, head.lowest, head.highest
        other = seen.setdefault(key, head.name)
        if other != head.name:
            raise InputError(
                f"{short_name(head.name)}: it holds the same {head.count:,} points as {short_name(other)}, so name "
                "only one of them."
            )


def _refuse_other_heights(said: Iterable[tuple[str, str | None]]) -> None:
    """Raise InputError for heights that count from different levels: that would make steps where files meet."""
    first: tuple[str, str] | None = None
    for name, wkt in said:
        system = None if wkt is None else height_system(wkt)
        if system is None:
            continue
        first = first or (name, system)
        if system != first[1]:
            raise InputError(
                f"{short_name(name)}: its heights count from '{system}' and those of {short_name(first[0])} from "
                f"'{first[1]}', so convert them to one, or name files of one survey."
            )


def _given(crs: str) -> str:
    try:
        return str(pyproj.CRS.from_user_input(crs).to_wkt())
    except CRSError as error:
        raise InputError(f"--crs '{crs}' is not known, so give a code such as EPSG:25832.") from error


def _working(file: PointFile) -> tuple[str, str]:
    """The CRS to measure in, and a note where it is not the file's own."""
    w, s, e, n = file.head.bounds
    middle = np.array([[0.5 * (w + e), 0.5 * (s + n)]])
    (own,) = local_crs(file.crs, middle, [file.crs])
    if same_crs(own, file.crs):
        return file.crs, ""
    lon, lat = transformer(file.crs, "EPSG:4326").transform(middle[0, 0], middle[0, 1])
    if not (np.isfinite(lon) and np.isfinite(lat) and abs(lat) <= 84.0):
        raise InputError(
            f"{short_name(file.head.name)}: the position ({middle[0, 0]:.6g}, {middle[0, 1]:.6g}) does not exist in "
            f"the CRS '{horizontal_crs(file.crs).name}', so name the right one with --crs."
        )
    utm = pyproj.CRS.from_epsg((32600 if lat >= 0 else 32700) + int((lon + 180.0) // 6.0) % 60 + 1)
    why = f"Lengths in '{horizontal_crs(file.crs).name}' are not those on the ground, so '{utm.name}' is used."
    return utm.to_wkt(), why


def _placed(
    file: PointFile, survey: PointSurvey, x: NDArray[np.float64], y: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    if same_crs(file.crs, survey.crs) or not len(x):
        return x, y
    moved = transformer(file.crs, survey.crs).transform(x, y)
    if not (np.isfinite(moved[0]).all() and np.isfinite(moved[1]).all()):
        raise InputError(
            f"{short_name(file.head.name)}: some points lie where the CRS does not reach, so check it (--crs)."
        )
    return moved


def _moved(bounds: Bounds, from_wkt: str, to_wkt: str) -> Bounds:
    if same_crs(from_wkt, to_wkt):
        return bounds
    west, south, east, north = transformer(from_wkt, to_wkt).transform_bounds(*bounds)
    return west, south, east, north


def _meet(one: Bounds, two: Bounds) -> bool:
    return one[0] <= two[2] and two[0] <= one[2] and one[1] <= two[3] and two[1] <= one[3]


def _around(boxes: Sequence[Bounds]) -> Bounds:
    west, south, east, north = zip(*boxes, strict=True)
    return min(west), min(south), max(east), max(north)


def _apart(boxes: Sequence[Bounds]) -> list[Bounds]:
    """Boxes that hold all of these and do not overlap: those that meet become one."""
    out: list[Bounds] = []
    for box in boxes:
        near = [other for other in out if _meet(box, other)]
        while near:
            out = [other for other in out if other not in near]
            box = _around([box, *near])
            near = [other for other in out if _meet(box, other)]
        out.append(box)
    return out
