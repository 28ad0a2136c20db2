"""The command line and its site, for the tests of its faults."""

from pathlib import Path

import command_line
import pytest
from command_line import Runner
from fault_site import Site


@pytest.fixture(scope="session")
def run() -> Runner:
    """run(arguments, folder) -> the answer of the real command line, started in that folder."""
    return command_line.run


@pytest.fixture
def site(tmp_path: Path) -> Site:
    """A site that can be screened as it is."""
    return Site.make(tmp_path)
