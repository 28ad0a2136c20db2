"""One GeoPackage of all parts, sorted by parcel id: the same bytes however the parts came about."""

import hashlib
from collections.abc import Mapping
from datetime import date
from pathlib import Path
from typing import Any

import pandas as pd

from slopekit.fields import LANDFORM_LAYERS, LAYERS
from slopekit.grid import grown
from slopekit.landform_records import KEYS
from slopekit.notes import run_notes
from slopekit.outputs.dataset import NOT_IN_PARTS, PARCEL, read_layer_rows
from slopekit.outputs.package import write_result
from slopekit.outputs.tables import conform, table_of
from slopekit.portfolio.choice import tiles_within
from slopekit.portfolio.journal import State
from slopekit.portfolio.prepare import Prepared
from slopekit.sources.units_of import crs_name

Tables = dict[str, Any]
NOT_YET = "It has not been screened since it or its inputs changed: run again with --resume."


def digest_of(prepared: Prepared, state: State, done: set[str], extra: str) -> str:
    """Hash of all that the merged result is made of, without reading the parts."""
    keys = sorted((one, state.answered[one].key) for one in done)
    told = (keys, _failures(prepared, state, done), _sources(prepared, done), _notes(prepared, {}), extra)
    return hashlib.sha256(repr(told).encode()).hexdigest()


def merge(prepared: Prepared, state: State, done: set[str], dataset: Path, target: Path) -> Tables:
    """Write the answers of the parcels in `done` from the parts to `target`, and return them as tables by layer.

    No part may hold rows of other parcels. Raises OutputError when the place cannot take the file.
    """
    tables = merged_tables(prepared, state, done, dataset)
    write_result(target, tables, prepared.order.fleet.conditions)
    return tables


def merged_tables(prepared: Prepared, state: State, done: set[str], dataset: Path) -> Tables:
    """All layers of the registry for the parcels in `done`."""
    crs, conditions = prepared.lots.crs, list(prepared.order.fleet.conditions)
    parts = sorted(state.parts)
    tables: Tables = {
        layer: read_layer_rows(dataset, layer, parts, crs, conditions) for layer in LAYERS if layer not in NOT_IN_PARTS
    }
    tables["corrections"] = table_of("corrections", [], crs)
    if prepared.order.landforms:
        found = {layer: read_layer_rows(dataset, layer, parts, crs, conditions) for layer in LANDFORM_LAYERS}
        tables |= _once_each(found)
    bodies = tables["water"].origin.value_counts().to_dict()
    tables["sources"] = table_of("sources", _sources(prepared, done), crs)
    tables["failures"] = table_of("failures", _failures(prepared, state, done), crs)
    tables["run_notes"] = pd.DataFrame(_notes(prepared, bodies))
    return conform(tables, conditions)


def _once_each(found: Mapping[str, Any]) -> Tables:
    """Landforms once each, though several parcels touch them, sorted by name."""
    touched: dict[str, dict[str, None]] = {}
    for layer, column in (("basins", "basin"), ("berms", "berm")):
        for name, parcel in zip(found[layer][column], found[layer][PARCEL], strict=True):
            touched.setdefault(name, {})[parcel] = None
    out: Tables = {}
    for layer, table in found.items():
        keys = list(KEYS[layer])
        table = table.drop_duplicates(keys).sort_values(keys, kind="stable").drop(columns=PARCEL)
        if "parcels" in table:
            table["parcels"] = [",".join(touched[name]) for name in table[keys[0]]]
        out[layer] = table.reset_index(drop=True)
    return out


def _sources(prepared: Prepared, done: set[str]) -> list[dict[str, Any]]:
    out = []
    for one in sorted(done):
        choice = prepared.choices.found[one]
        survey = choice.survey
        # What was read beyond depends on the neighbours that shared a window, and so on how the run went.
        rests_on = grown(choice.parcel.geometry.bounds, choice.reach_m, survey.elevation.survey.grid.metres_per_unit)
        out.append(
            {
                "parcel_id": one,
                "survey": short(survey.id),
                "crs": crs_name(survey.elevation.survey.grid.crs),
                "cell_m": round(survey.cell_m, 6),
                "survey_date": "" if survey.measured is None else survey.measured.isoformat(),
                "covers": choice.covers,
                "tiles": len(tiles_within(survey, rests_on)),
            }
        )
    return out


def _failures(prepared: Prepared, state: State, done: set[str]) -> list[dict[str, str]]:
    faults = {**state.failures, **prepared.choices.faults}
    missing = sorted(one for one in prepared.lots.geometries if one not in done)
    return [{"parcel_id": one, "sentence": faults.get(one, NOT_YET)} for one in missing]


def short(survey_id: str) -> str:
    """Enough of a survey's name to tell it from the others of a run."""
    return survey_id.partition(":")[2][:8]


def _notes(prepared: Prepared, bodies: Mapping[str, int]) -> list[dict[str, str]]:
    """The notes of all surveys: what they share once, what is of one survey under its name."""
    order = prepared.order
    used = {c.survey.id for c in prepared.choices.found.values()}
    surveys = [s for s in prepared.surveys if s.id in used or not used]
    rows: list[dict[str, str]] = []
    for survey in surveys:
        notes = run_notes(
            survey.elevation.survey, order.fleet, order.inputs, bodies, order.draws, prepared.routes_in, date.today()
        )
        content = hashlib.sha256("\n".join(survey.fingerprints).encode()).hexdigest()
        notes.append({"topic": "inputs", "name": "elevation", "value": f"content of all tiles: {content}"})
        for note in notes:
            own = note["topic"] == "ground" or (note["topic"], note["name"]) == ("inputs", "elevation")
            if own and len(surveys) > 1:
                note = {**note, "name": f"{short(survey.id)}: {note['name']}"}
            if note not in rows:
                rows.append(note)
    for number, sentence in enumerate(prepared.tile_faults, 1):
        rows.append({"topic": "inputs", "name": f"elevation not used {number}", "value": sentence})
    for number, sentence in enumerate(prepared.tile_notes, 1):
        rows.append({"topic": "inputs", "name": f"elevation {number}", "value": sentence})
    topics = ("inputs", "ground", "settings", "not assessed", "cautions")
    return sorted(rows, key=lambda row: topics.index(row["topic"]))
