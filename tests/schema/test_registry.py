"""The registry of inputs and outputs: what must follow from a row, and what can only be compared. The rules are the
project's own (DEVELOPERS.md)."""

import ast
import dataclasses
import importlib.util
import xml.etree.ElementTree as ET
from pathlib import Path

import click
import pytest

from slopekit.api.given import Known, Reading
from slopekit.api.spoken import OPTIONS
from slopekit.cli.entry import commands
from slopekit.outputs.symbology import LOOKS
from slopekit.schema.field_rows import ROWS
from slopekit.schema.fields import FIELDS, fields_of
from slopekit.schema.inputs import INPUTS, LAYER_INPUTS, SHAPES, Column, ForEachLayer
from slopekit.schema.layers import OUTPUT_LAYERS, PACKAGE_LAYERS, TREE
from slopekit.schema.reasons import REASONS
from slopekit.sources.layers import Layers

ROOT = Path(__file__).resolve().parents[2]
# The kinds of a simple feature (OGC 06-103r4), by the kinds of geometry of a look.
DRAWN_AS = {"MultiPolygon": "polygon", "MultiLineString": "line", "LineString": "line", "Point": "point"}


def test_an_input_has_a_key_an_option_and_a_place_where_it_is_held() -> None:
    assert list(INPUTS) == [name for name in Known.__annotations__ if name not in Reading.__annotations__]
    assert [field.name for field in dataclasses.fields(ForEachLayer)] == list(LAYER_INPUTS)
    assert set(LAYER_INPUTS) <= {field.name for field in dataclasses.fields(Layers)}
    assert set(INPUTS) <= set(OPTIONS)
    several = commands.commands["portfolio"]
    assert isinstance(several, click.Group)
    for command in (commands.commands["screen"], several.commands["run"]):
        helps = {str(one.name): one.help for one in command.params if isinstance(one, click.Option)}
        assert {name: helps[name] for name in INPUTS if name in helps} == {n: row.help for n, row in INPUTS.items()}


@pytest.mark.parametrize("name", INPUTS)
def test_an_input_is_told_in_words(name: str) -> None:
    row = INPUTS[name]
    assert name.isidentifier() and name.islower()
    assert row.label and row.what[0].isupper() and row.help.endswith(".") and ".." not in row.help
    assert [f"'{column.name}'" in row.help for column in row.columns] == [True] * len(row.columns)
    # Lines are told of wherever they are taken, since a form offers them.
    assert [shape in row.help for shape in SHAPES[row.geometry]] == [True] * len(SHAPES[row.geometry])
    assert {column.unit for column in row.columns} <= {"m", "-"}
    assert not row.page or (ROOT / "docs" / row.page).is_file()


def test_a_column_in_metres_says_so() -> None:
    assert Column("depth", "m", "of the ditch").words == "a column 'depth' in metres of the ditch"
    assert Column("kind", "-").words == "a column 'kind'"


def test_what_is_written_from_the_registry_is_up_to_date() -> None:
    spec = importlib.util.spec_from_file_location("write_registry", ROOT / "scripts" / "write_registry.py")
    assert spec is not None and spec.loader is not None
    script = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(script)
    made = script.made()
    assert len(made) == 5
    old = [path for path, text in made.items() if (ROOT / path).read_text(encoding="utf-8") != text]
    assert old == [], "run: python scripts/write_registry.py"


def test_the_model_of_qgis_has_the_words_of_the_rows() -> None:
    root = ET.parse(ROOT / "scripts" / "qgis" / "slopekit_screen_hours_map.model3").getroot()
    found = {
        entry.attrib["value"].lower(): {
            "label": option.find("Option[@name='description']").attrib["value"],  # type: ignore[union-attr]
            "help": option.find("Option[@name='help']").attrib["value"],  # type: ignore[union-attr]
        }
        for option in root.iter("Option")
        for entry in option.findall("Option[@name='name']")
        if option.find("Option[@name='parameter_type']") is not None
    }
    due = {name: {"label": row.label, "help": row.help} for name, row in INPUTS.items() if name in found}
    assert len(due) > 3
    assert {name: found[name] for name in due} == due, "run scripts/make_qgis_files.py with the Python of QGIS"


def test_every_layer_has_fields_and_a_place() -> None:
    assert set(ROWS) == set(OUTPUT_LAYERS) == {field.layer for field in FIELDS}
    titled = [row.name for row in OUTPUT_LAYERS.values() if row.title]
    assert sorted(TREE) == sorted(titled) == sorted(PACKAGE_LAYERS)
    assert len({OUTPUT_LAYERS[name].title for name in TREE}) == len(TREE)
    for row in OUTPUT_LAYERS.values():
        names = [field.name for field in fields_of(row.name)]
        assert len(set(names)) == len(names)


def test_every_layer_with_geometry_is_drawn_and_no_table_is() -> None:
    due = {row.name: DRAWN_AS[row.geometry] for row in OUTPUT_LAYERS.values() if row.geometry}
    assert len(due) > 10
    assert {name: look.geometry for name, look in LOOKS.items()} == due


@pytest.mark.parametrize("name", OUTPUT_LAYERS)
def test_a_layer_is_made_where_its_row_says(name: str) -> None:
    """Whoever makes the records names the layer, or most of its fields."""
    text = (ROOT / "slopekit" / OUTPUT_LAYERS[name].made_in).read_text(encoding="utf-8")
    said = {node.value for node in ast.walk(ast.parse(text)) if isinstance(node, ast.Constant)}
    own = {field.name for field in fields_of(name)}
    assert name in said or len(said & own) * 2 > len(own), sorted(own - said)


@pytest.mark.parametrize("code", REASONS)
def test_a_reason_is_told_in_words(code: str) -> None:
    row = REASONS[code]
    assert row.words and row.whom and not row.words.endswith(".") and not row.whom.endswith(".")
    assert row.words[0].islower() or row.words.startswith("a ")
