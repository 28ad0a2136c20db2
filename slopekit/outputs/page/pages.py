"""What each page of a set holds: the whole of a small result, or an index and its districts."""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from slopekit.outputs.page import content
from slopekit.outputs.page.districts import districts_of
from slopekit.outputs.page.packed import packed
from slopekit.outputs.page.shapes import frame_of, polygons
from slopekit.outputs.page.units import SYSTEMS
from slopekit.schema.classes import HAZARDS
from slopekit.wording import CAUTION, UNITS

Tables = Mapping[str, Any]
LAYERS = ("zones", "parcels", "water", "drops", "paths", "profiles", "refusals")
"""What a page is made of, beside the notes."""


@dataclass(frozen=True)
class SeasonHours:
    """Hours of people and machines in the season, as a bid has them."""

    parcels: pd.DataFrame
    """Columns hours, hours_low, hours_high (h) by parcel id."""
    classes: Sequence[tuple[str, float, float, float]]
    """The same by machine class; '' is what the visits need as a whole."""


@dataclass(frozen=True)
class About:
    """What stands on every page of a set."""

    title: str
    units: str
    """A key of `units.SYSTEMS`."""
    sentences: Mapping[str, Sequence[str]]
    """Warnings, what was not assessed, cautions."""
    facts: Sequence[tuple[str, str]]
    """What is known of the survey."""
    failures: Sequence[tuple[str, str]]
    """Parcels without an answer, and why."""
    hours: SeasonHours | None

    def told(self) -> dict[str, Any]:
        return {
            "title": self.title,
            "units": {"name": self.units, **SYSTEMS[self.units]},
            "caution": CAUTION,
            "sentences": dict(self.sentences),
            "facts": [list(one) for one in self.facts],
            "failures": [list(one) for one in self.failures],
            "hours": None if self.hours is None else [list(one) for one in self.hours.classes],
            **content.marks(),
        }


def pages_of(
    parcels: Any, of: Callable[[list[str] | None], Tables], about: About, names: Callable[[int], list[str]]
) -> Iterator[dict[str, Any]]:
    """The content of each page, one after the other; of several the index comes last.

    parcels: the layer. of: gives the layers of `LAYERS` and `run_notes` for some parcels by id, or for all. names: file
    names of so many pages.
    """
    parcels = parcels.sort_values("parcel_id", kind="stable").reset_index(drop=True)
    if parcels.empty:
        yield _page(of(None), about, {})
        return
    ids = parcels["parcel_id"].astype(str).to_numpy()
    spots = shapely.get_coordinates(shapely.point_on_surface(parcels.geometry.to_numpy()))
    size = parcels[["zones", "spots"]].fillna(0).sum(axis=1).to_numpy().astype(np.int64)
    districts = districts_of(spots, size)
    files = names(len(districts))
    if len(districts) == 1:
        yield _page(of(None), about, {})
        return
    hazards = np.zeros(len(ids), np.int64)
    page = np.zeros(len(ids), np.int64)
    for number, rows in enumerate(districts):
        tables = of(ids[rows].tolist())
        page[rows] = number
        hazards[rows] = _hazards(tables["zones"], ids[rows].tolist())
        yield _page(tables, about, {"index": files[-1], "district": number + 1, "districts": len(districts)})
    frame = frame_of(parcels)
    yield {
        **about.told(),
        "pages": files[:-1],
        "parcels": {
            **content.parcels_of(parcels, hazards, frame, _by_parcel(about)),
            "page": packed(page),
            **polygons(shapely.envelope(frame.moved(parcels)), frame),
        },
    }


def _page(tables: Tables, about: About, place: Mapping[str, Any]) -> dict[str, Any]:
    parcels = tables["parcels"].sort_values("parcel_id", kind="stable").reset_index(drop=True)
    out = {**about.told(), **place}
    fleet = content.fleet_of(tables)
    out |= fleet
    if parcels.empty:
        return out | {"parcels": None}
    ids = parcels["parcel_id"].astype(str).tolist()
    of_parcel = content.numbers_of(tables["zones"]["parcel_id"], ids)
    # The file's own order within a parcel: zones, then spots, then what is left out.
    order = np.argsort(of_parcel, kind="stable")
    zones, of_parcel = tables["zones"].iloc[order].reset_index(drop=True), of_parcel[order]
    number = {str(name): n for n, name in enumerate(zones["zone_id"])}
    frame = frame_of(parcels)
    refused = content.numbers_of(tables["refusals"]["zone_id"], list(number))
    return out | {
        "parcels": {
            **content.parcels_of(parcels, _hazards(zones, ids), frame, _by_parcel(about)),
            **polygons(frame.moved(parcels), frame),
        },
        "zones": content.zones_of(zones, of_parcel, frame, UNITS[about.units].sentence),
        "refusals": content.refusals_of(tables["refusals"], refused, len(zones), fleet),
        "paths": content.paths_of(tables["paths"], tables["profiles"], number, frame),
        "water": content.water_of(tables["water"], frame),
        "drops": content.drops_of(tables["drops"], frame),
    }


def _hazards(zones: pd.DataFrame, ids: list[str]) -> NDArray[np.int64]:
    """By parcel a bit for each of `HAZARDS` that one of its zones has. Ground that is left out has none."""
    judged = zones[zones["machine_class"] != "excluded"]
    out = np.zeros(len(ids), np.int64)
    bits = 1 << content.numbers_of(judged["hazard"].fillna("none"), HAZARDS)
    np.bitwise_or.at(out, content.numbers_of(judged["parcel_id"], ids), bits)
    return out


def _by_parcel(about: About) -> pd.DataFrame | None:
    return None if about.hours is None else about.hours.parcels
