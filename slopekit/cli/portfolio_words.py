"""What a run over a portfolio says: on the way, before it begins, and of its end."""

import time
from collections.abc import Sequence
from typing import TYPE_CHECKING

from slopekit.cli import console
from slopekit.schema.classes import CLASSES

if TYPE_CHECKING:
    from slopekit.portfolio.prepare import Prepared
    from slopekit.portfolio.run import Outcome

_LINE_EVERY_S = 10.0
_SHOWN = 5


class Progress:
    """Rate, time left and failures: in the bar on a terminal, else a line every ten seconds."""

    def __init__(self, watch: console.Watch, quiet: bool) -> None:
        self._watch = watch
        self._quiet = quiet
        self._since = self._last = time.monotonic()
        self._first: int | None = None

    def __call__(self, done: int, total: int, failed: int) -> None:
        self._watch(done, total)
        now = time.monotonic()
        if self._first is None:
            self._first, self._since = done, now
        if self._quiet or now - self._last < _LINE_EVERY_S:
            return
        self._last = now
        rate = (done - self._first) / (now - self._since)
        left = f", about {_span((total - done) / rate)} left" if rate > 0.0 else ""
        console.log.info("%d of %d parcels, %.1f a second%s, %d failed", done, total, rate, left, failed)


def _span(seconds: float) -> str:
    if seconds < 90.0:
        return f"{seconds:.0f} s"
    return f"{seconds / 60.0:.0f} min" if seconds < 5400.0 else f"{seconds / 3600.0:.1f} h"


def say_prepared(prepared: "Prepared") -> None:
    surveys = {c.survey.id for c in prepared.choices.found.values()}
    console.log.info(
        "%d parcels, %d tiles (%d headers read now), %d survey%s in use.",
        len(prepared.lots.geometries), len(prepared.index.entries), prepared.index.read, len(surveys),
        "" if len(surveys) == 1 else "s",
    )  # fmt: skip
    for sentences in (prepared.tile_faults, prepared.tile_notes):
        for sentence in _some(sentences):
            console.log.warning("%s", sentence)


def _some(sentences: Sequence[str]) -> list[str]:
    """The first few, and how many more there are."""
    more = len(sentences) - _SHOWN
    return [*sentences[:_SHOWN], *([f"... and {more:,} more."] if more > 0 else [])]


def short_answers(outcome: "Outcome", prepared: "Prepared") -> list[str]:
    """One sentence for each parcel whose answer rests on less ground than it should."""
    from slopekit.portfolio.choice import PART, WHOLE

    out = []
    for one, choice in sorted(prepared.choices.found.items()):
        if one in outcome.failures or choice.covers == WHOLE:
            continue
        lacking = "only a part of the parcel" if choice.covers == PART else "the parcel but not all of its look"
        out.append(f"{one}: tiles cover {lacking}; ground without heights is unknown, so name the tiles beside it.")
    return out


def say_outcome(outcome: "Outcome", prepared: "Prepared", short: Sequence[str]) -> None:
    from slopekit.screening.notes import CAUTIONS, not_assessed

    surveys = [c.survey.elevation.survey for c in prepared.choices.found.values()]
    missing = dict.fromkeys(told for survey in surveys for told in not_assessed(survey, prepared.given))
    for head, sentences in (("Not assessed", missing), ("Caution", CAUTIONS)):
        for sentence in sentences:
            console.say(f"{head}: {sentence}")
    failed = [f"{one}: {sentence}" for one, sentence in outcome.failures.items()]
    for head, lines in (("Failed", failed), ("Covered in part", short)):
        for line in _some(lines):
            console.say(f"{head}: {line}")
    lines = [f"{'class':<34}{'ha':>12}"]
    for mark in CLASSES:
        area = outcome.totals.get(mark.code.replace("-", "_").replace(" ", "_") + "_m2", 0.0)
        lines.append(f"{mark.label:<34}{area / 10_000:>12,.2f}")
    rate = outcome.fresh / outcome.seconds if outcome.seconds > 0.0 else 0.0
    lines += [
        "",
        f"{outcome.answered:,} of {len(prepared.lots.geometries):,} parcels answered, {outcome.fresh:,} of them now "
        f"({rate:.1f} a second), {len(outcome.failures):,} failed, {len(short):,} covered in part",
        *([f"Largest process: {outcome.peak_mb:,.0f} MB"] if outcome.peak_mb else []),
        *map(str, outcome.files),
        *(f"{path} (rows that a sheet cannot hold)" for path in outcome.beside),
    ]
    console.result(*lines)
