"""Writes what is kept in step with `slopekit/schema/`: the tables of the docs and the file that the forms in QGIS read.

    python scripts/write_registry.py

Run it after a change to a row; a test compares.
"""

import json
import re
import textwrap
from pathlib import Path

from slopekit.schema.inputs import INPUTS, SHAPES, Effect
from slopekit.schema.layers import OUTPUT_LAYERS, TREE
from slopekit.schema.reasons import REASONS

ROOT = Path(__file__).resolve().parents[1]
EFFECTS: dict[Effect, str] = {
    "refuses": "refuses more",
    "leaves out": "takes ground out, which is then not judged",
    "frees": "refuses less",
    "both": "refuses more, and less where somebody signed for it",
}


def made() -> dict[str, str]:
    """The text of each file by its path below the root."""
    return {
        "README.md": _table("README.md", ("code", "in words", "whom it refuses"), _reasons()),
        "docs/screen.md": _table("docs/screen.md", ("option", "what you give", "what it can do"), _inputs()),
        "docs/library.md": _between(
            "docs/library.md",
            "each a path or a GeoDataFrame:\n",
            ". [screen.md]",
            textwrap.fill(", ".join(f"`{name}`" for name in INPUTS), 110),
        ),
        "scripts/run_folder.py": _between(
            "scripts/run_folder.py",
            "# Options: ",
            "\n# For example",
            textwrap.fill(f"{', '.join(INPUTS)}.", 110, subsequent_indent="# "),
        ),
        "scripts/qgis/slopekit_registry.json": _registry(),
    }


def _reasons() -> list[tuple[str, ...]]:
    return [(f"`{row.code}`", row.words, row.whom) for row in REASONS.values()]


def _inputs() -> list[tuple[str, ...]]:
    out = []
    for name, row in INPUTS.items():
        told = re.sub(r"'(\w+)'", r"`\1`", row.help).replace("slopekit corrections new", "`slopekit corrections new`")
        told += f" See [{row.page}]({row.page})" if row.page else ""
        out.append((f"`--{name}`", told.rstrip("."), EFFECTS[row.effect]))
    return out


def _registry() -> str:
    inputs = {
        name: {"label": row.label, "shapes": SHAPES[row.geometry], "help": row.help} for name, row in INPUTS.items()
    }
    layers = {name: OUTPUT_LAYERS[name].title for name in TREE}
    return json.dumps({"inputs": inputs, "layers": layers}, indent=1) + "\n"


def _table(page: str, heads: tuple[str, ...], rows: list[tuple[str, ...]]) -> str:
    """The page with the rows of its table that has these heads."""
    head = f"| {' | '.join(heads)} |\n| {' | '.join('---' for _ in heads)} |\n"
    before, after = _split(page, head)
    kept = re.sub(r"\A(\|[^\n]*\n)*", "", after)
    return before + head + "".join(f"| {' | '.join(row)} |\n" for row in rows) + kept


def _between(page: str, start: str, end: str, text: str) -> str:
    """The page with a text between two marks."""
    before, after = _split(page, start)
    return before + start + text + after[after.index(end) :]


def _split(page: str, mark: str) -> tuple[str, str]:
    text = (ROOT / page).read_text(encoding="utf-8")
    before, found, after = text.partition(mark)
    if not found:
        raise ValueError(f"{page} lacks {mark!r}")
    return before, after


if __name__ == "__main__":
    for path, content in made().items():
        (ROOT / path).write_text(content, encoding="utf-8")
        print(path)
