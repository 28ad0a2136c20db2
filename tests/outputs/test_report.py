"""The JSON report and the text table."""

import datetime
import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from output_samples import CONDITIONS, WHY

from slopekit.outputs.report import print_table, write_report
from slopekit.schema.classes import CLASSES
from slopekit.schema.fields import fields_of
from slopekit.schema.layers import ALL_LAYERS, LAYERS


def _no_constants(name: str) -> None:
    # RFC 8259, section 6: numbers such as NaN and Infinity are not permitted.
    raise AssertionError(f"{name} is no JSON")


def test_report_follows_the_registry(tmp_path: Path, tables: dict[str, Any]) -> None:
    path = tmp_path / "out.json"
    facts = {"cell_m": np.float64(1.0), "rmse_m": float("nan"), "date": datetime.date(2021, 3, 4), "names": ("a", "b")}
    write_report(path, tables, facts)
    text = path.read_text(encoding="utf-8")
    report = json.loads(text, parse_constant=_no_constants)
    assert list(report) == ["schema_version", "survey", *LAYERS]
    assert report["survey"] == {"cell_m": 1.0, "rmse_m": None, "date": "2021-03-04", "names": ["a", "b"]}
    for layer in LAYERS:
        assert len(report[layer]) == len(tables[layer])
        assert list(report[layer][0]) == [f.name for f in fields_of(layer, CONDITIONS)]
    assert report["zones"][0]["hazard_m"] is None and report["zones"][1]["hazard_m"] == 31.2
    assert "20°" in text and text.startswith('{\n  "schema_version": 5,')
    assert [zone["realisations_share"] for zone in report["zones"][:3]] == [0.0, 0.96, None]
    assert [point["line_m"] for point in report["profiles"]] == [108.115, 107.5, 106.0, 104.7]
    assert [water["body"] for water in report["water"]] == ["", "w-3f9a01c2", "w-00c41d7e", "w-b2907f15", "w-6a11c0de"]
    assert [said["why"] for said in report["corrections"]] == ["", WHY, None]


def test_table_adds_up(tables: dict[str, Any]) -> None:
    zones = tables["zones"]
    lines = print_table(tables).splitlines()
    assert lines[0].split() == ["parcel", "class", "m2", "ha"]
    assert len({len(line) for line in lines}) == 1
    whole = zones["plan_m2"].sum()
    assert lines[-1].split() == ["Total", f"{whole:,.0f}", f"{whole / 10_000:.3f}"]
    lawn = next(line for line in lines if line.startswith("north lawn"))
    start = lines.index(lawn)
    # In the order of the registry, from the least to the most restricted.
    words = [c.label for c in CLASSES if c.code != "stand-on"]
    assert [next(w for w in words if w in line) for line in lines[start : start + 6]] == words
    crew = zones[(zones["parcel_id"] == "north lawn") & (zones["machine_class"] == "hand crew")]["plan_m2"].sum()
    assert f"{crew:,.0f}" in lines[start + 3].split()
    assert "safe" not in print_table(tables).lower()


def test_table_of_nothing(tables: dict[str, Any]) -> None:
    empty = {layer: table.iloc[:0] for layer, table in tables.items()}
    assert print_table(empty).splitlines()[-1].split() == ["all", "Total", "0", "0.000"]


@pytest.mark.parametrize("layer", LAYERS)
def test_the_report_does_not_hold_geometry(tmp_path: Path, tables: dict[str, Any], layer: str) -> None:
    write_report(tmp_path / "out.json", tables, {})
    assert "geometry" not in json.loads((tmp_path / "out.json").read_text(encoding="utf-8"))[layer][0]


def test_landforms_stand_after_the_rest(tmp_path: Path, tables: dict[str, Any], landforms: dict[str, Any]) -> None:
    # The registry's order counts, not that of the mapping.
    write_report(tmp_path / "out.json", landforms | tables, {})
    report = json.loads((tmp_path / "out.json").read_text(encoding="utf-8"), parse_constant=_no_constants)
    assert list(report) == ["schema_version", "survey", *ALL_LAYERS]
    for layer in landforms:
        assert [list(row) for row in report[layer]] == [[f.name for f in fields_of(layer)]] * len(landforms[layer])
    assert [(b["inside"], b["side_hv"], b["wet"]) for b in report["basins"]] == [
        ("", 3.0, True), ("b-0a41c9e2", None, False),
    ]  # fmt: skip
