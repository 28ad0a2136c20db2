"""The data of an HTML page, read as its script reads them, written anew from the format's description."""

import json
import re
from pathlib import Path
from typing import Any

from slopekit.outputs.page.packed import ALPHABET
from slopekit.outputs.page.texts import FIGURE


def unpacked(text: str) -> list[int]:
    """Whole numbers of 0 or more."""
    out, value, shift = [], 0, 0
    for character in text:
        digit = ALPHABET.index(character)
        value |= (digit & 31) << shift
        shift += 5
        if digit < 32:
            out.append(value)
            value = shift = 0
    return out


def data_in(file: Path) -> dict[str, Any]:
    text = file.read_text(encoding="utf-8")
    found: dict[str, Any] = json.loads(re.findall(r'<script type="application/json" id="data">(.*?)</script>', text)[0])
    return found


def texts_in(told: Any) -> list[str]:
    """Texts that share sentences."""
    counts, sentences, figures = unpacked(told["counts"]), unpacked(told["sentences"]), told["figures"].split(" ")
    out = []
    for count in counts:
        parts = []
        for n in [sentences.pop(0) for _ in range(count)]:
            head, *tail = told["patterns"][n].split(FIGURE)
            parts.append(head + "".join(figures.pop(0) + one for one in tail))
        out.append(" ".join(parts))
    return out
