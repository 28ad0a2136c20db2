"""One small district, screened once, that the tests of this folder compare with."""

import pytest
from district import District, make_district
from portfolio_runner import contents, run
from unbroken import Unbroken


@pytest.fixture(scope="session")
def district(tmp_path_factory: pytest.TempPathFactory) -> District:
    """16 tiles in two CRSs, 36 parcels of 20 m; one tile corrupt, one missing, two older or coarser surveys below."""
    return make_district(tmp_path_factory.mktemp("district"), parcels=36, across=4, side=160, lot=20.0, run=30.0)


@pytest.fixture(scope="session")
def unbroken(district: District) -> Unbroken:
    answer = run(district.line("unbroken", "--workers", "1", "--quiet"))
    assert answer.code == 3, answer.err
    out = district.folder / "unbroken"
    return Unbroken(district, out, contents(out))
