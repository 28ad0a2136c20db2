"""A portfolio on a made district: two processes against one, and what journal, merge and summary add to the screening.

Aims, on two cores that have nothing else to do: 1.8 times the rate of one process, the whole run within 1.10 of the
screening alone, 500 MB for the largest worker, 12 parcels of 1 ha a second. All are printed; no time is asserted.
"""

import json
import re
import sys
from pathlib import Path

import pytest
from bench_clock import CAN_WATCH, in_turns, watched
from bench_site import Table
from child_process import environment
from district import District, make_district

HERE = Path(__file__).resolve().parent
CLI = [sys.executable, "-c", "import sys; from slopekit.cli import main; sys.exit(main())"]
ALONE = [sys.executable, str(HERE / "bench_portfolio.py")]
PARCELS = 256
LIMIT_MB = 500
pytestmark = pytest.mark.skipif(not CAN_WATCH, reason="the memory of processes is read from /proc, which is not here")


@pytest.fixture(scope="module")
def district(tmp_path_factory: pytest.TempPathFactory) -> District:
    """Parcels of 1 ha with some 25 m between them, on 16 tiles of 544 cells of 1 m, some with older or coarser ones."""
    place = tmp_path_factory.mktemp("portfolio")
    return make_district(place, parcels=PARCELS, side=544, lot=100.0, run=150.0, corrupt=False, gap=False)


def command(arguments: list[str], peaks: list[float] | None = None) -> str:
    """What a command says, run to its end. peaks: receives the size of its largest process (MB)."""
    # 3: the district's tiles end within the margin of some parcels.
    said, peak = watched(arguments, environment(), done=(0, 3))
    if peaks is not None:
        peaks.append(peak)
    return said


def test_a_portfolio(district: District, table: Table) -> None:
    index = str(district.folder / "index.json")
    files = [str(district.tiles), str(district.parcels), str(district.fleet), index]

    spent = {1: 0.0, 2: 0.0}

    def alone(workers: int) -> None:
        answered, seconds = command([*ALONE, *files, str(workers)]).split()
        assert int(answered) == PARCELS
        spent[workers] = float(seconds)

    # The first one builds the tile index and has compiled code in its cache.
    planned = command([*CLI, *district.line("plan", "--workers", "2", command=("portfolio", "plan"))])
    found = in_turns(lambda: alone(2), lambda: alone(1), repeats=1)
    note = f"{spent[1] / spent[2]:.2f} times the rate once started; aim 1.8"
    table.ratio(f"screening of {PARCELS} parcels, 2 workers", "1 worker", found, note)
    said: list[str] = []
    peaks: list[float] = []
    line = [*CLI, *district.line("out", "--workers", "2", "--quiet")]
    whole = in_turns(lambda: said.append(command(line, peaks)), lambda: alone(2), repeats=1)
    table.ratio("portfolio, 2 workers, whole run", "its screening alone", whole, "aim 1.10 by wall")
    again = in_turns(lambda: said.append(command([*line, "--resume"])), lambda: command([*CLI, "--help"]), repeats=1)
    table.ratio("portfolio --resume, nothing to do", "slopekit --help", again, "aim 5 s for 2000 parcels")
    rate = re.search(r"\(([\d.]+) a second\)", said[0])
    expected = re.search(r"Expected time +([\d,]+) s", planned)
    assert rate is not None and expected is not None
    worker = re.search(r"Largest process: ([\d,]+) MB", said[0])
    assert worker is not None
    table.say(
        f"portfolio: {rate[1]} parcels a second, aim 12; {whole.wall[0]:.0f} s where `plan` expected {expected[1]}; "
        f"largest worker {worker[1]} MB, aim {LIMIT_MB}; with the parent, which merges, {max(peaks):.0f} MB"
    )
    assert f"{PARCELS} of {PARCELS} parcels answered, {PARCELS} of them now" in said[0]
    assert f"{PARCELS} of {PARCELS} parcels answered, 0 of them now" in said[1]
    summary = json.loads((district.folder / "out" / "summary.json").read_text())["parcels"]
    assert len(summary) == PARCELS
    assert int(worker[1].replace(",", "")) < LIMIT_MB
