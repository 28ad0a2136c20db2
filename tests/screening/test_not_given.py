"""What was not given is said: a rule that has nothing to look at refuses nobody. The rules are the project's own."""

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
    said = [sentence for sentence in not_assessed(survey, ()) if f"(--{name})" in sentence]
    assert len(said) == (INPUTS[name].effect in ("refuses", "both"))
    assert not [sentence for sentence in not_assessed(survey, [name]) if f"(--{name})" in sentence]


def test_nothing_is_said_where_all_is_given(survey: Survey) -> None:
    few, many = (" ".join(not_assessed(survey, given)) for given in ((), tuple(INPUTS)))
    assert "Not given" in few and "Not given" not in many
