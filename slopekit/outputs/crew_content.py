"""What a crew sheet says of a parcel: its rows of every layer, the table of its zones, and the sentences beneath."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely

from slopekit.fleet.noted import NotedMachine
from slopekit.outputs.crew_map import Rows
from slopekit.outputs.crew_notes import SurveyNotes
from slopekit.outputs.mapaids import short_id
from slopekit.sources.local_crs import local_crs
from slopekit.sources.units_of import metres_per_unit
from slopekit.sources.warp import transformer
from slopekit.texts import line_of
from slopekit.wording import DECIDE, Units, degrees_words
from slopekit.zones.few_words import TEARING, WORKING_RULES, few_words

LAYERS = ("zones", "parcels", "water", "drops", "routes", "starts", "directions", "corrections")
"""Of a result, what sheets are made from, beside its notes."""

_THE_MAP = (
    "Patterns show the least restricted class that no rule refuses on the whole zone under every condition; the table "
    "tells of each machine. The figures at the corners are latitude and longitude (WGS 84), as a phone shows them."
)


@dataclass(frozen=True)
class Line:
    """A zone in the table."""

    name: str
    machine_class: str
    may: Sequence[str]
    refused: Sequence[tuple[str, str]]
    """Machines, and why."""
    size: Sequence[str]
    """Area and steepest slope."""
    how: Sequence[str]
    """How to work it, and the hours where they are known."""


@dataclass(frozen=True)
class Sheet:
    """One parcel."""

    parcel_id: str
    facts: str
    rows: Rows
    crs: str
    metres_per_unit: float
    table: Sequence[Line]
    told: Sequence[tuple[str, str]]
    """Sentences to be read with it, each with a word or two that they begin with."""


@dataclass(frozen=True)
class Crew:
    """What is known of those who work, beside the zones."""

    machines: Mapping[str, NotedMachine]
    conditions: Mapping[str, str]
    """Words by id."""
    limits: Mapping[str, str]
    """By machine, in words; empty where the fleet file was not given."""
    hours: Mapping[str, str]
    """By zone, one sentence; empty where no season was given."""
    more: Sequence[str] = ()
    """Sentences for the head of every sheet's notes."""


def sheets_of(tables: Mapping[str, Any], crew: Crew, units: Units) -> Iterator[Sheet]:
    """One sheet a parcel, in the order of layer `parcels`, made when it is asked for.

    tables: `LAYERS` and run_notes, and `sources` where a portfolio has it. Each parcel is drawn in its survey's grid,
    or in a local projection where that is not true to scale (see `local_crs`).
    """
    parcels = tables["parcels"]
    ids = parcels["parcel_id"].astype(str).tolist()
    if not ids:
        return
    sources = {row["parcel_id"]: row for row in tables["sources"].to_dict("records")} if "sources" in tables else {}
    shapes = np.asarray(parcels.geometry)
    places = shapely.get_coordinates(shapely.point_on_surface(shapes))
    crs = parcels.crs.to_wkt()
    systems = local_crs(crs, places, [sources[one]["crs"] if one in sources else "" for one in ids])
    notes = SurveyNotes(tables["run_notes"], units)
    layers = {name: _Layer(tables[name]) for name in LAYERS}
    for number, (one, system) in enumerate(zip(ids, systems, strict=True)):
        change = None if system == crs else transformer(crs, system)
        rows = {name: layer.rows(layer.owned(one), change) for name, layer in layers.items() if name != "corrections"}
        # Corrections are of no parcel; they are shown where they lie.
        said = layers["corrections"]
        rows["corrections"] = said.rows(np.flatnonzero(shapely.intersects(said.shapes, shapes[number])), change)
        table = [_line(row, rows, crew, units) for row in sorted(rows["zones"], key=_order)]
        surveyed, told = notes.of(sources.get(one))
        told = [*_of_parcel(rows["parcels"][0], crew, units), *told]
        yield Sheet(one, _facts(rows, surveyed, units), rows, system, metres_per_unit(system), table, told)


class _Layer:
    """Rows of a table to be picked by parcel, None for what is missing. pandas is slow for a few rows at a time."""

    def __init__(self, table: Any) -> None:
        self.shapes = np.asarray(table.geometry)
        plain = table.drop(columns=table.geometry.name)
        self._names = list(plain)
        self._columns = [plain[name].astype(object).where(plain[name].notna(), None).tolist() for name in self._names]
        self._owned = table.groupby("parcel_id").indices if "parcel_id" in plain else {}

    def owned(self, parcel: str) -> Any:
        """Numbers of the rows of a parcel."""
        return self._owned.get(parcel, np.empty(0, int))

    def rows(self, numbers: Any, change: Any) -> list[dict[str, Any]]:
        """Rows by number, their geometries in another CRS where a `change` to it is given."""
        shapes = self.shapes[numbers]
        if change is not None:
            shapes = shapely.transform(shapes, lambda xy: np.column_stack(change.transform(xy[:, 0], xy[:, 1])))
        return [
            dict(zip(self._names, (column[n] for column in self._columns), strict=True), geometry=shape)
            for n, shape in zip(numbers, shapes, strict=True)
        ]


def _order(row: Mapping[str, Any]) -> tuple[int, int, str]:
    """Zones, spots, what is left out, each by its number."""
    name = short_id(row["zone_id"], row["parcel_id"])
    return "zsx".find(name[:1]), int(name[1:]) if name[1:].isdecimal() else 0, name


def _line(row: Mapping[str, Any], rows: Rows, crew: Crew, units: Units) -> Line:
    zone = row["zone_id"]
    name = short_id(zone, row["parcel_id"])
    words = few_words(
        row,
        crew.machines,
        crew.conditions,
        spot=name.startswith("s"),
        start=next((one for one in rows["starts"] if one["zone_id"] == zone), None),
        routes=[one for one in rows["routes"] if one["zone_id"] == zone],
        units=units,
    )
    size = [units.area(row["plan_m2"])]
    if row["slope_max_deg"] is not None:
        size += [f"up to {_short(degrees_words(row['slope_max_deg']))}", f"({row['slope_max_hv']})"]
    how = [*words.how, *([crew.hours[zone]] if zone in crew.hours else [])]
    return Line(line_of(name), row["machine_class"], words.may, words.refused, size, how)


def _short(degrees: str) -> str:
    return degrees.removesuffix("s").replace(" degree", "°")


def _facts(rows: Rows, surveyed: str, units: Units) -> str:
    area = units.area(sum(row["plan_m2"] or 0.0 for row in rows["parcels"]))
    zones, spots = (sum(row[name] or 0 for row in rows["parcels"]) for name in ("zones", "spots"))
    counted = f"{zones} zone{'' if zones == 1 else 's'}" + (
        f" and {spots} group{'' if spots == 1 else 's'} of spots" if spots else ""
    )
    return f"{area}; {counted}; {surveyed}"


def _machine(machine: NotedMachine, limits: str) -> tuple[str, ...]:
    return line_of(machine.label), machine.machine_class, limits, TEARING if machine.tread == "aggressive" else ""


def _of_parcel(parcel: Mapping[str, Any], crew: Crew, units: Units) -> list[tuple[str, str]]:
    """What holds for this parcel alone, and who is meant by the ids of the table."""
    out = [("Note.", " ".join(crew.more))] if crew.more else []
    out += [("The map.", _THE_MAP), ("How to work.", " ".join(WORKING_RULES))]
    named = [
        f"{name}: {'; '.join(part for part in _machine(machine, crew.limits.get(name, '')) if part)}."
        for name, machine in crew.machines.items()
    ]
    out.append(("Machines.", " ".join(named)))
    note = str(parcel["note"] or "").removeprefix(f"Walk the ground first. {DECIDE}").strip()
    own = [parcel["parcel_id"], *(machine.label for machine in crew.machines.values())]
    return [*out, *([("This parcel.", units.sentence(note, own))] if note else [])]
