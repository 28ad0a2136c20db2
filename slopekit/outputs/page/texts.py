"""Sentences that many zones share but for their figures, each kept once."""

import re
from collections.abc import Iterable

import numpy as np

from slopekit.outputs.page.packed import packed

FIGURE = "\ue000"
"""Stands for a figure that was taken out. Where a text has this character itself, it is taken out like a figure."""
_FIGURES = re.compile(rf"[0-9][0-9.,]*[0-9]|[0-9]|{FIGURE}")
_ENDS = re.compile(r"(?<=\.) (?=[A-Z])")


def shared_texts(texts: Iterable[str | None]) -> dict[str, object]:
    """`patterns`: sentences with their figures taken out; `counts` and `sentences`: how many each text has and which,
    packed; `figures`: all that was taken out, in order, between blanks. Sentences have a blank between them."""
    patterns: dict[str, int] = {}
    counts, sentences, figures = [], [], []
    for text in texts:
        found = _ENDS.split(text) if text else []
        counts.append(len(found))
        for sentence in found:
            sentences.append(patterns.setdefault(_FIGURES.sub(FIGURE, sentence), len(patterns)))
            figures += _FIGURES.findall(sentence)
    return {
        "patterns": list(patterns),
        "counts": packed(np.array(counts, np.int64)),
        "sentences": packed(np.array(sentences, np.int64)),
        "figures": " ".join(figures),
    }
