"""What was drawn on site as a result shows it: who said what, and what became of it."""

from collections.abc import Collection, Iterable, Mapping, Sequence
from typing import Any

import shapely

from slopekit.schema.corrections import Correction, holds_for
from slopekit.zones.shapes import multi

_TEXTS = ("number", "what", "body", "survey", "who", "when", "why")


def correction_records(
    said: Iterable[Correction],
    surveys: Collection[str],
    bodies: Collection[str],
    freed: Mapping[int, Collection[str]],
    metres_per_unit: float,
) -> list[dict[str, Any]]:
    """Records of layer `corrections`, in the CRS of what was said. Points and lines are drawn a metre wide.

    surveys: checksums of those that answered. bodies: names of water and drops that the result shows. freed: parcels
    from whose ground a rejection lifts a hazard, by its number. metres_per_unit: of the CRS.
    """
    half = 0.5 / metres_per_unit
    records = []
    for one in said:
        shape = one.geometry if one.geometry.geom_type.endswith("Polygon") else shapely.buffer(one.geometry, half)
        effect = effect_of(one, surveys, one.body in bodies, sorted(freed.get(one.number, ())))
        records.append({**{name: getattr(one, name) for name in _TEXTS}, "effect": effect, "geometry": multi(shape)})
    return records


def effect_of(one: Correction, surveys: Iterable[str], shown: bool, freed: Sequence[str]) -> str:
    """What became of a correction. surveys: checksums of those that answered. shown: its body stands by that name in
    the result. freed: parcels that it frees from a hazard."""
    if one.what in ("dry", "reject") and not any(holds_for(one, checksum) for checksum in surveys):
        return "not counted: it was said of another survey"
    if one.what == "reject":
        if freed:
            return f"lifts a hazard from ground of: {', '.join(freed)}"
        return "lifts nothing: no ground of these parcels hangs on a body of that name that it touches"
    if one.what == "confirm":
        return "shown as confirmed" if shown else "not found: no body of that name lies near these parcels"
    if one.what == "dry":
        return "counted where it covers the whole floor of a hollow without water"
    return "counted: it only refuses more"
