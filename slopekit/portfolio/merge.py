"""One GeoPackage of all parts, sorted by parcel id: the same bytes however the parts came about.

Memory holds a bucket of parcels at a time, so it does not grow with the rows of a run.
"""

import hashlib
from collections import Counter
from collections.abc import Iterator, Mapping
from datetime import date
from itertools import islice
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from slopekit.grid import grown
from slopekit.outputs.dataset import PARCEL, moved, parts_schema, read_parts
from slopekit.outputs.package import write_package
from slopekit.outputs.spill import BUCKET, Sorted, Spill
from slopekit.portfolio.choice import tiles_within
from slopekit.portfolio.journal import State
from slopekit.portfolio.prepare import Prepared
from slopekit.schema.as_text import joined
from slopekit.schema.layers import LANDFORM_LAYERS, PARCEL_LAYERS
from slopekit.schema.tables import arrow_of, arrow_schema, frame_of, table_of
from slopekit.screening.corrections import correction_records
from slopekit.screening.job_json import JOB
from slopekit.screening.landform_records import KEYS
from slopekit.screening.notes import run_notes
from slopekit.sources.said import words_of
from slopekit.sources.units_of import crs_name

Tables = dict[str, Any]
NOT_YET = "It has not been screened since it or its inputs changed: run again with --resume."
_OF_BATCHES = ("zones", "parcels", "water", "drops")


def digest_of(prepared: Prepared, state: State, done: set[str], extra: str) -> str:
    """Hash of all that the merged result is made of, without reading the parts."""
    whole = hashlib.sha256(repr((_notes(prepared, {}), extra)).encode())
    for one in sorted(done):
        whole.update(repr((one, state.answered[one].key, _source(prepared, one))).encode())
    for told in _failures(prepared, state, done):
        whole.update(repr(told).encode())
    return whole.hexdigest()


class Merge:
    """The answers of the parcels in `done`, sorted by id."""

    def __init__(self, prepared: Prepared, state: State, done: set[str], dataset: Path, folder: Path) -> None:
        """folder: an empty one, for what memory should not hold. No part may hold rows of other parcels.

        Raises InputError where a part cannot be read, OSError where the disk does not take what is put off.
        """
        self._prepared, self._state, self._done = prepared, state, done
        self._dataset, self._folder = dataset, folder
        self._ids = sorted(done)
        self._places = {one: n for n, one in enumerate(self._ids)}
        self._conditions = list(prepared.order.fleet.conditions)
        self._layers = {layer: self._sorted(layer) for layer in PARCEL_LAYERS}
        bodies = Counter(origin for rows in self._buckets("water") for origin in rows["origin"].to_pylist())
        self.run_notes = table_of("run_notes", _notes(prepared, bodies), prepared.lots.crs)

    def write(self, target: Path) -> None:
        """Write all layers of the registry. Raises OutputError when the place cannot take the file."""
        layers = {layer: self._buckets(layer) for layer in self._layers}
        if self._prepared.order.landforms:
            layers |= {layer: self._once_each(layer) for layer in LANDFORM_LAYERS}
        layers |= {"corrections": self._corrections()}
        layers |= {"run_notes": iter([arrow_of(self.run_notes, arrow_schema("run_notes"))])}
        layers |= {"sources": self._sources(), "failures": self._failures()}
        write_package(target, layers, self._prepared.lots.crs, self._conditions)

    def batches(self) -> Iterator[Tables]:
        """Layers zones, parcels, water, drops, sources and run_notes of some parcels after others, at least once."""
        crs, conditions = self._prepared.lots.crs, self._conditions
        for n, ids in enumerate(self._batches_of_ids() or [[]]):
            tables = {layer: frame_of(layer, self._layers[layer].bucket(n), crs, conditions) for layer in _OF_BATCHES}
            sources = [_source(self._prepared, one) for one in ids]
            yield {**tables, "sources": table_of("sources", sources, crs), "run_notes": self.run_notes}

    def failures(self) -> Iterator[dict[str, str]]:
        """Parcels without an answer, by id, each with a sentence."""
        return _failures(self._prepared, self._state, self._done)

    def _batches_of_ids(self) -> list[list[str]]:
        return [self._ids[k : k + BUCKET] for k in range(0, len(self._ids), BUCKET)]

    def _sorted(self, layer: str) -> Sorted:
        tables = self._read(layer)
        spill = Spill(self._folder / f"{layer}.arrow", parts_schema(layer, self._conditions))
        return Sorted(tables, lambda table: _numbers(table[PARCEL], self._places), spill)

    def _read(self, layer: str) -> Iterator[pa.Table]:
        parts = sorted(name for name, part in self._state.parts.items() if layer in part.files)
        return read_parts(self._dataset, layer, parts, self._conditions)

    def _buckets(self, layer: str) -> Iterator[pa.Table]:
        return (self._layers[layer].bucket(n) for n in range(-(-len(self._ids) // BUCKET)))

    def _corrections(self) -> Iterator[pa.Table]:
        """What was drawn on site, each by the survey that shows the place, and what became of it in all parcels."""
        said = self._prepared.common.layers
        surveys = [survey for survey in self._prepared.surveys if survey.id in said]
        corrections = said[surveys[0].id].corrections if surveys else ()
        if not corrections:
            return
        freed: dict[int, list[str]] = {}
        for one in self._ids:
            for number in self._state.answered[one].freed:
                freed.setdefault(number, []).append(one)
        named = pa.array(sorted({one.body for one in corrections if one.body}), pa.string())
        bodies: set[str] = set()
        for layer in ("water", "drops"):
            for rows in self._buckets(layer):
                bodies.update(rows["body"].filter(pc.is_in(rows["body"], named)).to_pylist())
        records = []
        for place in range(len(corrections)):
            # Each survey has them in its own CRS, in the order of the file.
            drawn = [said[survey.id].corrections[place] for survey in surveys]
            at = [n for n, one in enumerate(drawn) if len(surveys[n].tree.query(one.geometry, predicate="intersects"))]
            home = at[0] if at else 0
            grid = surveys[home].elevation.survey.grid
            made = correction_records([drawn[home]], said.keys(), bodies, freed, grid.metres_per_unit)
            records += [moved("corrections", record, grid.crs, self._prepared.lots.crs) for record in made]
        yield arrow_of(table_of("corrections", records, self._prepared.lots.crs), arrow_schema("corrections"))

    def _sources(self) -> Iterator[pa.Table]:
        for ids in self._batches_of_ids():
            rows = [_source(self._prepared, one) for one in ids]
            yield arrow_of(table_of("sources", rows, ""), arrow_schema("sources"))

    def _failures(self) -> Iterator[pa.Table]:
        rows = self.failures()
        while some := list(islice(rows, BUCKET)):
            yield arrow_of(table_of("failures", some, ""), arrow_schema("failures"))

    def _once_each(self, layer: str) -> Iterator[pa.Table]:
        """Landforms once each, though several parcels touch them, sorted by name."""
        keys, schema = list(KEYS[layer]), arrow_schema(layer)
        touched: dict[str, set[str]] = {}
        for table in self._read(layer):
            for name, parcel in zip(table[keys[0]].to_pylist(), table[PARCEL].to_pylist(), strict=True):
                touched.setdefault(name, set()).add(parcel)
        # The record of the first parcel stands for all.
        first = {name: min(parcels) for name, parcels in touched.items()}
        places = {name: n for n, name in enumerate(sorted(touched))}

        def place(table: pa.Table) -> NDArray[np.int64]:
            rows = zip(table[keys[0]].to_pylist(), table[PARCEL].to_pylist(), strict=True)
            return np.array([places[name] if first[name] == parcel else -1 for name, parcel in rows], np.int64)

        rows = Sorted(self._read(layer), place, Spill(self._folder / f"{layer}.arrow", parts_schema(layer, ())))
        for n in range(-(-len(places) // BUCKET)):
            table = rows.bucket(n)
            table = table.take(pc.sort_indices(table, [(key, "ascending") for key in keys]))
            twice = table.select(keys).to_pandas().duplicated().to_numpy()
            table = table.filter(pa.array(~twice)).drop_columns(PARCEL)
            if "parcels" in schema.names:
                told = [joined(sorted(touched[name])) for name in table[keys[0]].to_pylist()]
                at = schema.names.index("parcels")
                table = table.set_column(at, schema.field("parcels"), pa.array(told, pa.string()))
            yield table


def _numbers(column: pa.ChunkedArray, of: Mapping[str, int]) -> NDArray[np.int64]:
    return np.array([of[one] for one in column.to_pylist()], np.int64)


def _source(prepared: Prepared, one: str) -> dict[str, Any]:
    choice = prepared.choices.found[one]
    survey = choice.survey
    facts = survey.elevation.survey
    # What was read beyond depends on the neighbours that shared a window, and so on how the run went.
    rests_on = grown(choice.parcel.geometry.bounds, choice.reach_m, survey.elevation.survey.grid.metres_per_unit)
    return {
        "parcel_id": one,
        "survey": short(survey.id),
        "checksum": survey.id,
        "crs": crs_name(survey.elevation.survey.grid.crs),
        "cell_m": round(survey.cell_m, 6),
        "survey_date": "" if survey.measured is None else survey.measured.isoformat(),
        "covers": choice.covers,
        "tiles": len(tiles_within(survey, rests_on)),
        "named": words_of(facts.said, "survey"),
        "vertical_datum": words_of(facts.said, "datum"),
        "vertical_error_m": facts.rmse_m,
        "voids_filled": words_of(facts.said, "filled"),
        "credit": words_of(facts.said, "credit"),
    }


def _failures(prepared: Prepared, state: State, done: set[str]) -> Iterator[dict[str, str]]:
    faults = {**state.failures, **prepared.choices.faults}
    for one in sorted(one for one in prepared.lots.geometries if one not in done):
        yield {"parcel_id": one, "sentence": faults.get(one, NOT_YET)}


def short(survey_id: str) -> str:
    """Enough of a survey's name to tell it from the others of a run."""
    return survey_id.partition(":")[2][:8]


def _notes(prepared: Prepared, bodies: Mapping[str, int]) -> list[dict[str, str]]:
    """The notes of all surveys: what they share once, what is of one survey under its name."""
    order = prepared.order
    inputs = {**order.inputs, JOB: order.job}
    used = {c.survey.id for c in prepared.choices.found.values()}
    surveys = [s for s in prepared.surveys if s.id in used or not used]
    rows: list[dict[str, str]] = []
    for survey in surveys:
        notes = run_notes(
            survey.elevation.survey, order.fleet, inputs, bodies, order.draws, prepared.given, date.today()
        )
        notes.append({"topic": "inputs", "name": "elevation", "value": survey.content})
        for note in notes:
            own = note["topic"] == "ground" or (note["topic"], note["name"]) == ("inputs", "elevation")
            if own and len(surveys) > 1:
                note = {**note, "name": f"{short(survey.id)}: {note['name']}"}
            if note not in rows:
                rows.append(note)
    told = [layers.points for layers in prepared.common.layers.values() if layers.points is not None]
    rows += told[0].notes if told else ()
    for number, sentence in enumerate(prepared.tile_faults, 1):
        rows.append({"topic": "inputs", "name": f"elevation not used {number}", "value": sentence})
    for number, sentence in enumerate(prepared.tile_notes, 1):
        rows.append({"topic": "inputs", "name": f"elevation {number}", "value": sentence})
    topics = ("inputs", "ground", "settings", "not assessed", "cautions")
    return sorted(rows, key=lambda row: topics.index(row["topic"]))
