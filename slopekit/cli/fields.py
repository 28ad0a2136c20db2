"""slopekit fields: the registry of everything that is written."""

import json
from dataclasses import asdict

import click

from slopekit.cli import console
from slopekit.schema.fields import CLASSES, FIELDS, REASONS, SCHEMA_VERSION

_LAYERS = tuple(dict.fromkeys(f.layer for f in FIELDS))
_HEADS = ("layer", "name", "type", "unit", "meaning")


@click.command(cls=console.Command, short_help="List every field that is written.")
@click.option("--layer", type=click.Choice(_LAYERS), help="Only this layer.")
@click.option("--json", "as_json", is_flag=True, help="JSON, with the classes and the reasons beside the fields.")
def fields(layer: str | None, as_json: bool) -> None:
    """List every field that slopekit writes, with type, unit and meaning.

    <condition> stands for each condition of the fleet file.
    """
    chosen = [f for f in FIELDS if layer in (None, f.layer)]
    if as_json:
        content = {
            "schema_version": SCHEMA_VERSION,
            "fields": [asdict(f) for f in chosen],
            "classes": {c.code: c.label for c in CLASSES},
            "reasons": REASONS,
        }
        console.result(*json.dumps(content, indent=2).split("\n"))
        return
    rows = [_HEADS, *((f.layer, f.name, f.type, f.unit, f.meaning) for f in chosen)]
    widths = [max(len(row[n]) for row in rows) for n in range(len(_HEADS))]
    lines = ("  ".join(f"{text:<{width}}" for text, width in zip(row, widths, strict=True)) for row in rows)
    console.result(*(line.rstrip() for line in lines))
