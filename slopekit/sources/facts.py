"""What metadata says about a survey beyond its cells: kind of surface, vertical error."""

import contextlib
import re
from collections.abc import Iterable, Sequence
from datetime import date
from typing import Literal

from slopekit.errors import InputError
from slopekit.sources.mosaic import Header
from slopekit.units import METRES_PER_UNIT, unit_name

Surface = Literal["ground", "top"]

_EDGE = r"(?<![a-z]){}(?![a-z])"
_TOP = re.compile(_EDGE.format(r"(?:dsm|surface[ _-]model)"), re.IGNORECASE)
_GROUND = re.compile(_EDGE.format(r"(?:dtm|bare[ _-]?earth|terrain[ _-]model)"), re.IGNORECASE)
_HEIGHT = r"(?:vert|height|elev|(?<![a-z])z(?![a-z]))"
_ERROR_KEY = re.compile(rf"(?!.*horiz)(?:.*rmse.*{_HEIGHT}|.*{_HEIGHT}.*rmse)", re.IGNORECASE)

_MEASURED_KEY = re.compile(r"(?=.*(?:acquisition|survey|flight|collection)).*(?:date|time|year)", re.IGNORECASE)
_DAY = re.compile(r"\s*(\d{4})(?:[-:/.]?(\d{2})(?:[-:/.]?(\d{2}))?)?(?!\d)")


def measured_on(header: Header) -> date | None:
    """When the ground of a file was measured, from a tag that speaks of acquisition, survey, flight or collection.

    The earliest where several speak. A year or month alone gives its first day. When the file was written
    (TIFFTAG_DATETIME, its own time) tells nothing about the ground.
    """
    found = []
    for key, text in header.tags:
        match = _DAY.match(text) if _MEASURED_KEY.match(key) else None
        if match:
            with contextlib.suppress(ValueError):
                found.append(date(int(match[1]), int(match[2] or 1), int(match[3] or 1)))
    return min(found, default=None)


def surface_of(headers: Iterable[Header], option: str | None) -> tuple[Surface, tuple[str, ...]]:
    """Bare ground or a surface model (roofs, trees). Only the option can say surface model.

    Raises InputError when the option is absent and a file calls itself a surface model: its trees and roofs would
    read as ground.
    """
    if option not in (None, "ground", "top"):
        raise InputError(f"The surface '{option}' is not known, so give --surface ground or top.")
    ground = False
    for header in headers:
        for text in header.texts:
            if _TOP.search(text):
                if option is None:
                    raise InputError(
                        f"{header.tile.name}: the file calls itself a surface model ('{text[:60]}'), "
                        f"so name --surface top or ground."
                    )
                if option == "ground":
                    return "ground", (f"Read as bare ground as asked, though the file says '{text[:60]}'.",)
            ground = ground or _GROUND.search(text) is not None
    if option == "top":
        return "top", ("The survey is a surface model: trees, roofs and vehicles count as ground.",)
    if option is None and not ground:
        return "ground", ("Nothing tells whether the survey shows bare ground: bare ground was assumed.",)
    return "ground", ()


def vertical_error(headers: Sequence[Header], option: float | None) -> tuple[float | None, tuple[str, ...]]:
    """Vertical RMSE in metres: the option, else the worst that a tag with 'RMSE' and a word for height gives.

    A bare number in a tag is read as metres, the larger reading. Zero and what cannot be read count as unknown.
    """
    if option is not None:
        if not 0.0 <= option < float("inf"):
            raise InputError(f"The vertical RMSE {option} m is not a length, so give --z-rmse in metres, 0 or more.")
        return float(option), ()
    found: list[float] = []
    notes: dict[str, None] = {}
    for header in headers:
        for key, text in header.tags:
            if not _ERROR_KEY.match(key):
                continue
            match = re.fullmatch(r"\s*([0-9.]+(?:[eE][-+]?\d+)?)\s*([A-Za-z_ -]*)", text)
            unit = unit_name(match[2] or "m") if match else None
            value = _number(match[1]) * METRES_PER_UNIT[unit] if match and unit else 0.0
            if value > 0.0:
                found.append(value)
                notes.setdefault(f"The vertical RMSE was read from the file's tag {key} = '{text}'.")
            else:
                notes.setdefault(f"The file's tag {key} = '{text}' gives no length, so it was not used as the RMSE.")
    return (max(found) if found else None), tuple(notes)[:3]


def _number(text: str) -> float:
    try:
        return float(text)
    except ValueError:
        return 0.0
