"""What was not given is said: a rule that has nothing to look at refuses nobody. The rules are the project's own."""

from collections.abc import Collection

import pytest

from slopekit.api.demo import demo_data
from slopekit.schema.inputs import INPUTS
from slopekit.screening.notes import not_assessed
from slopekit.sources.elevation import Survey, open_elevation


@pytest.fixture(scope="module")
def survey() -> Survey:
    with open_elevation([demo_data() / "office_park.tif"]) as elevation:
        return elevation.survey


@pytest.mark.parametrize("name", INPUTS)
def test_what_could_have_refused_and_was_not_given_is_named(survey: Survey, name: str) -> None:
    assert _missing(survey, ()).count(name) == (INPUTS[name].effect in ("refuses", "both"))
    assert name not in _missing(survey, [name])


def _missing(survey: Survey, given: Collection[str]) -> list[str]:
    """The inputs that the sentences name: all but the entrances in one, by their labels."""
    sentences = not_assessed(survey, given)
    listed = [one.rstrip(".").partition(": ")[2].split("; ") for one in sentences if one.startswith("Not given")]
    labels = {row.label.lower(): name for name, row in INPUTS.items()}
    routes = ["entrances" for one in sentences if one.startswith("Routes in") and "takes the entrances" in one]
    return [*(labels[label] for one in listed for label in one), *routes]


def test_nothing_is_said_where_all_is_given(survey: Survey) -> None:
    few, many = (" ".join(not_assessed(survey, given)) for given in ((), tuple(INPUTS)))
    assert "Not given" in few and "Not given" not in many
