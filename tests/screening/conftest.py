"""The command line and its site, for the tests of its faults."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from fault_runner import Runner
from fault_site import Site


@pytest.fixture(scope="session")
def run() -> Iterator[Runner]:
    """run(arguments, folder) -> the answer of the real command line, started in that folder."""
    runner = Runner()
    yield runner
    runner.close()


@pytest.fixture
def site(tmp_path: Path) -> Site:
    """A site that can be screened as it is."""
    return Site.make(tmp_path)
