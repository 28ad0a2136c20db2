"""Peak of memory of the merge with hours, for 2000 and for 20 000 made parcels of 1.6 ha. Aim: under 1 GB.

Their answers are copies, since what is watched is not the screening.
"""

import contextlib
import io
import sys
from pathlib import Path

import pytest
from bench_site import Table
from made_portfolio import make_template, peak_of, season_line

from slopekit.cli import main

LIMIT_MB = 1000.0


@pytest.mark.skipif(sys.platform != "linux", reason="the memory of a process is read from /proc")
def test_memory_of_the_merge(tmp_path: Path, table: Table) -> None:
    template = make_template(tmp_path / "template")
    with contextlib.redirect_stdout(io.StringIO()):
        assert main(season_line(template, template)) == 0
    for count in (2000, 20_000):
        before, peak = peak_of(tmp_path / str(count), template, count)
        told = f"{peak:.0f} MB, of them {before:.0f} before it; aim {LIMIT_MB:.0f}"
        table.say(f"merge with hours, {count:,} parcels: {told}")
        assert peak < LIMIT_MB
