"""What the run notes say that belongs on every crew sheet: the survey, what was not assessed, the cautions."""

from collections.abc import Mapping
from functools import cache
from typing import Any

from slopekit.outputs.symbology import PERMIT_MEANING
from slopekit.wording import Units

Told = list[tuple[str, str]]
"""Sentences, each with a word or two that they begin with."""
_CUT = {
    "look cut": "The survey's tiles do not cover all of the ground round this parcel within which hazards were to be "
    "looked for.",
    "in part": "The survey's tiles cover this parcel in part.",
}
"""By what column `covers` of layer `sources` says."""


class SurveyNotes:
    """The notes of a result, of one survey or of the several of a portfolio."""

    def __init__(self, run_notes: Any, units: Units) -> None:
        columns = (run_notes[name].astype(str) for name in ("topic", "name", "value"))
        self._rows = [(topic, name, units.sentence(value)) for topic, name, value in zip(*columns, strict=True)]
        self._of_survey = cache(self._gathered)

    def of(self, source: Mapping[str, Any] | None) -> tuple[str, Told]:
        """When a parcel was surveyed, and what is to be told. source: its row of layer `sources`, if there is one."""
        date, told = self._of_survey("" if source is None else source["survey"])
        cut = None if source is None else _CUT.get(source["covers"])
        return date, [*([("Warning.", cut)] if cut else []), *told]

    def _gathered(self, survey: str) -> tuple[str, Told]:
        ground = {name.removeprefix(f"{survey}: "): value for topic, name, value in self._rows if topic == "ground"}
        date = ground.get("survey date", "not given")
        surveyed = "survey date not given" if date == "not given" else f"surveyed {date}"
        limits = [value for name, value in ground.items() if name.startswith("detection limit")]
        told = [f"{surveyed[0].upper()}{surveyed[1:]}, cells {ground.get('cell', 'not given')}."]
        # The first says what is found, the last what is not; the counts between them stand in the result.
        told += [f"Detection limit: {' '.join(dict.fromkeys((limits[0], limits[-1])))}"] if limits else []
        gathered = {
            "Warning.": [value for name, value in ground.items() if name.startswith("warning")],
            "Survey.": told,
            "Not assessed.": self._topic("not assessed"),
            "Cautions.": [PERMIT_MEANING, *self._topic("cautions")],
        }
        return surveyed, [(lead, " ".join(sentences)) for lead, sentences in gathered.items() if sentences]

    def _topic(self, topic: str) -> list[str]:
        return [value for where, _, value in self._rows if where == topic]
