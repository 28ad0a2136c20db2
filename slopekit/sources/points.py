"""Classified points from LAS, LAZ and COPC files: what a file is, and its points piece by piece.

ASPRS LAS Specification 1.4-R15 and COPC 1.0. This is the one module that knows the library behind it.
"""

import contextlib
import math
import os
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import Any

import numpy as np
from numpy.typing import NDArray

from slopekit.errors import InputError, SlopekitError
from slopekit.grid import Bounds
from slopekit.sources.files import short_name
from slopekit.sources.http_file import HttpFile

try:
    import laspy
    import lazrs  # noqa: F401  what LAZ needs
except ModuleNotFoundError as error:
    raise InputError("Points need more: pip install 'slopekit[points]'.") from error

CHUNK = 1_000_000
"""Points that are in memory at once."""
_BOX_M = 200.0  # half a million points at a dozen a square metre
_GPS_EPOCH = datetime(1980, 1, 6, tzinfo=UTC)
_ADJUSTED = 1e9
"""Seconds that "adjusted standard GPS time" lies behind GPS time (LAS 1.4, Global Encoding)."""
_COARSE_M = 0.1
"""Coordinates in steps wider than this say nothing of walls and little of ground."""
_HAIR = 1e-6

_FIELDS = laspy.DecompressionSelection
_FEW = _FIELDS.base() | _FIELDS.Z | _FIELDS.CLASSIFICATION | _FIELDS.FLAGS | _FIELDS.INTENSITY
_FOR_FACTS = _FEW | _FIELDS.SCAN_ANGLE | _FIELDS.GPS_TIME


@dataclass(frozen=True)
class PointHeader:
    """What a file says of itself. Bounds and scales in its own units."""

    name: str
    """As the user gave it."""
    count: int
    bounds: Bounds
    lowest: float
    highest: float
    scales: tuple[float, float, float]
    crs_wkt: str | None
    """None where the file says none."""
    created: date | None
    copc: bool
    gps_standard: bool
    """Its GPS times tell days."""


@dataclass(frozen=True, eq=False)
class Piece:
    """Some points of a file, all arrays (points,). Withheld and synthetic ones are left out."""

    x: NDArray[np.float64]
    y: NDArray[np.float64]
    z: NDArray[np.float64]
    """In the file's own units."""
    code: NDArray[np.uint8]
    """Class."""
    intensity: NDArray[np.uint16]
    last: NDArray[np.bool_]
    """The last return of its pulse."""
    read: int
    """Points of the file that this stands for."""
    scan_deg: NDArray[np.float64] | None = None
    gps_time: NDArray[np.float64] | None = None


def is_remote(name: str) -> bool:
    """Whether points lie on a web server."""
    return name.startswith(("http://", "https://"))


def read_point_header(name: str) -> PointHeader:
    """Raises InputError where a file is none of points, is damaged, or says of itself what cannot be."""
    with _opened(name) as stream, _told(name):
        reader = laspy.open(stream, closefd=False)
        head = reader.header
        copc = any(isinstance(vlr, laspy.copc.CopcInfoVlr) for vlr in head.vlrs)
        crs = head.parse_crs()
        encoding = head.global_encoding.gps_time_type
        mins, maxs = (np.asarray(v, dtype=np.float64) for v in (head.mins, head.maxs))
        scales = np.asarray(head.scales, dtype=np.float64)
    short = short_name(name)
    if is_remote(name) and not copc:
        raise InputError(f"{short}: only COPC files are read from a server, so download this one and name the file.")
    if not (np.isfinite(scales).all() and (scales > 0.0).all()):
        raise InputError(f"{short}: the scale {scales.tolist()} of its coordinates cannot be, so get the file anew.")
    if head.point_count and not (np.isfinite([mins, maxs]).all() and (mins <= maxs).all()):
        raise InputError(f"{short}: its header gives no bounds of its points, so write the file anew.")
    made = head.creation_date
    return PointHeader(
        name,
        int(head.point_count),
        (float(mins[0]), float(mins[1]), float(maxs[0]), float(maxs[1])),
        float(mins[2]),
        float(maxs[2]),
        (float(scales[0]), float(scales[1]), float(scales[2])),
        None if crs is None else crs.to_wkt(),
        made,
        copc,
        encoding == laspy.header.GpsTimeType.STANDARD,
    )


def check_scales(head: PointHeader, metres_xy: float, metres_z: float) -> None:
    """Raise InputError for coordinates in coarse steps. metres_xy, metres_z: metres in a unit of the file."""
    step = max(head.scales[0] * metres_xy, head.scales[1] * metres_xy, head.scales[2] * metres_z)
    if step > _COARSE_M:
        raise InputError(
            f"{short_name(head.name)}: its coordinates come in steps of {step:.3g} m, which is too coarse or a wrong "
            f"scale, so get points whose steps are {_COARSE_M:g} m or less."
        )


def pieces(
    head: PointHeader, boxes: Sequence[Bounds] | None = None, facts: bool = False, metres: float = 1.0
) -> Iterator[Piece]:
    """The points of a file, or those of a COPC file in some boxes that do not overlap (its own units).

    Other files come whole: the boxes help where the points are ordered by place. facts: with scan angles and times.
    metres: in a unit of x and y, so that a piece fits into memory.
    Raises InputError for a file that is damaged, cut off, or whose header does not hold its points.
    """
    if boxes is not None and head.copc:
        yield from _in_boxes(head, boxes, facts, _BOX_M / metres)
        return
    done = 0
    with _opened(head.name) as stream:
        with _told(head.name):
            reader = laspy.open(stream, closefd=False, decompression_selection=_FOR_FACTS if facts else _FEW)
            chunks = reader.chunk_iterator(CHUNK)
        while True:
            with _told(head.name):
                points = next(chunks, None)
            if points is None:
                break
            done += len(points)
            yield _piece(head, points, facts)
    if done != head.count:
        raise InputError(
            f"{short_name(head.name)}: the file says that it holds {head.count:,} points and has {done:,}, so it was "
            "cut off: get it anew."
        )


def _in_boxes(head: PointHeader, boxes: Sequence[Bounds], facts: bool, side: float) -> Iterator[Piece]:
    with _opened(head.name) as stream:
        with _told(head.name):
            reader = laspy.CopcReader(stream, close_fd=False, decompression_selection=_FOR_FACTS if facts else _FEW)
        for west, south, east, north in _squares(head, boxes, side):
            with _told(head.name):
                found = reader.query(bounds=laspy.Bounds(np.array([west, south]), np.array([east, north])))
            if not len(found):
                continue
            piece = _piece(head, found, facts)
            # What lies on the line between two squares comes with both.
            yield _where(piece, (piece.x >= west) & (piece.x < east) & (piece.y >= south) & (piece.y < north))


def _squares(head: PointHeader, boxes: Sequence[Bounds], side: float) -> Iterator[Bounds]:
    """The parts of the boxes that a file has, no wider than `side`."""
    w, s, e, n = head.bounds
    # Half-open squares: the points on the file's own edge belong to it.
    e, n = e + head.scales[0], n + head.scales[1]
    for west, south, east, north in boxes:
        west, south, east, north = max(west, w), max(south, s), min(east, e), min(north, n)
        if west >= east or south >= north:
            continue
        cols, rows = (max(1, math.ceil(length / side)) for length in (east - west, north - south))
        xs, ys = np.linspace(west, east, cols + 1), np.linspace(south, north, rows + 1)
        for i in range(rows):
            for j in range(cols):
                yield float(xs[j]), float(ys[i]), float(xs[j + 1]), float(ys[i + 1])


def _piece(head: PointHeader, points: Any, facts: bool) -> Piece:
    x, y, z = (np.asarray(values, dtype=np.float64) for values in (points.x, points.y, points.z))
    _check_bounds(head, x, y)
    names = set(points.point_format.dimension_names)
    keep = np.asarray(points.withheld) == 0
    keep &= np.asarray(points.synthetic) == 0
    code = np.asarray(points.classification).astype(np.uint8)
    last = np.asarray(points.return_number) >= np.asarray(points.number_of_returns)
    scan = gps = None
    if facts:
        if "scan_angle" in names:
            # In steps of 0.006 degrees (LAS 1.4, point formats 6 to 10).
            scan = np.asarray(points.scan_angle).astype(np.float64) * 0.006
        elif "scan_angle_rank" in names:
            scan = np.asarray(points.scan_angle_rank).astype(np.float64)
        gps = np.asarray(points.gps_time, dtype=np.float64) if "gps_time" in names else None
    out = Piece(x, y, z, code, np.asarray(points.intensity).astype(np.uint16), last, len(x), scan, gps)
    return out if keep.all() else _where(out, keep)


def _where(piece: Piece, keep: NDArray[np.bool_]) -> Piece:
    """The points that are kept; the piece stands for as many of the file as before."""
    if keep.all():
        return piece

    def cut(values: Any) -> Any:
        return None if values is None else values[keep]

    return Piece(
        piece.x[keep], piece.y[keep], piece.z[keep], piece.code[keep], piece.intensity[keep], piece.last[keep],
        piece.read, cut(piece.scan_deg), cut(piece.gps_time),
    )  # fmt: skip


def _check_bounds(head: PointHeader, x: NDArray[np.float64], y: NDArray[np.float64]) -> None:
    if not len(x):
        return
    w, s, e, n = head.bounds
    # Headers are written with more or fewer digits than the points.
    slack = max(2.0 * max(head.scales[:2]), _HAIR * max(e - w, n - s))
    if x.min() < w - slack or x.max() > e + slack or y.min() < s - slack or y.max() > n + slack:
        raise InputError(
            f"{short_name(head.name)}: a point at {x.min():.10g}, {y.min():.10g} lies outside the bounds that its "
            "header gives, so the scale or the header is wrong: write the file anew."
        )


def flight_day(seconds: float) -> date | None:
    """The day of an adjusted standard GPS time; None for what is none. Leap seconds do not matter for a day."""
    if not math.isfinite(seconds) or abs(seconds) > _ADJUSTED * 5:
        return None
    return (_GPS_EPOCH + timedelta(seconds=seconds + _ADJUSTED)).date()


@contextlib.contextmanager
def _opened(name: str) -> Iterator[Any]:
    if is_remote(name):
        with contextlib.closing(HttpFile(name)) as remote:
            yield remote
        return
    try:
        stream = open(name, "rb")  # noqa: SIM115  closed below
    except OSError as error:
        why = (error.strerror or "").lower() or "it cannot be opened"
        raise InputError(f"{name}: the points cannot be read ({why}), so check the path.") from error
    with stream:
        if os.fstat(stream.fileno()).st_size == 0:
            raise InputError(f"{short_name(name)}: the file is empty, so get it anew.")
        yield stream


@contextlib.contextmanager
def _told(name: str) -> Iterator[None]:
    """Whatever the library says of a damaged file as one sentence."""
    try:
        yield
    except SlopekitError:
        raise
    except (KeyboardInterrupt, SystemExit, MemoryError):
        raise
    except BaseException as error:  # its decompressor panics on damaged data, which is no Exception
        if not isinstance(error, Exception) and type(error).__name__ != "PanicException":
            raise
        lines = str(error).strip().splitlines()
        why = lines[0].rstrip(".") if lines else type(error).__name__
        raise InputError(
            f"{short_name(name)}: this cannot be read as LAS, LAZ or COPC points ({why}), so check that it is whole."
        ) from error


__all__ = ["Piece", "PointHeader", "check_scales", "flight_day", "is_remote", "pieces", "read_point_header"]
