"""slopekit fields: the registry of everything that is written, and of what may be told of the ground."""

import json
from dataclasses import asdict

import click

from slopekit.cli import console
from slopekit.schema.classes import CLASSES
from slopekit.schema.fields import FIELDS, SCHEMA_VERSION
from slopekit.schema.inputs import INPUTS
from slopekit.schema.layers import OUTPUT_LAYERS
from slopekit.schema.reasons import REASONS

_LAYERS = tuple(dict.fromkeys(f.layer for f in FIELDS))
_HEADS = ("layer", "name", "type", "unit", "meaning")


@click.command(cls=console.Command, short_help="List every field that is written.")
@click.option("--layer", type=click.Choice(_LAYERS), help="Only this layer.")
@click.option("--inputs", is_flag=True, help="Instead, list what you may tell of the ground.")
@click.option("--json", "as_json", is_flag=True, help="JSON, with the layers, classes, reasons and inputs too.")
def fields(layer: str | None, inputs: bool, as_json: bool) -> None:
    """List every field that slopekit writes, with type, unit and meaning.

    <condition> stands for each condition of the fleet file.
    """
    chosen = [f for f in FIELDS if layer in (None, f.layer)]
    if as_json:
        content = {
            "schema_version": SCHEMA_VERSION,
            "fields": [asdict(f) for f in chosen],
            "layers": {row.name: {"geometry": row.geometry, "meaning": row.meaning} for row in OUTPUT_LAYERS.values()},
            "classes": {c.code: c.label for c in CLASSES},
            "reasons": {code: reason.words for code, reason in REASONS.items()},
            "inputs": {name: {"effect": row.effect, "meaning": row.help} for name, row in INPUTS.items()},
        }
        console.result(*json.dumps(content, indent=2).split("\n"))
        return
    rows: list[tuple[str, ...]] = [_HEADS, *((f.layer, f.name, f.type, f.unit, f.meaning) for f in chosen)]
    if inputs:
        rows = [("input", "effect", "meaning"), *((name, row.effect, row.help) for name, row in INPUTS.items())]
    widths = [max(len(text) for text in column) for column in zip(*rows, strict=True)]
    lines = ("  ".join(f"{text:<{width}}" for text, width in zip(row, widths, strict=True)) for row in rows)
    console.result(*(line.rstrip() for line in lines))
