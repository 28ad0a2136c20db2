"""Crew sheets of 12 zones each: against matplotlib, which also writes PDF with text and fonts, and 1000 of them.

Aim: 1000 sheets in 5 minutes on two cores, and memory that does not grow with them.
"""

import os
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import shapely
from bench_clock import in_turns, watched
from bench_site import Table
from crew_samples import FLEET, grid_of, parcel, result_of
from matplotlib.backends.backend_pdf import PdfPages
from matplotlib.figure import Figure

from slopekit.fleet.noted import noted
from slopekit.outputs.crew_content import Crew, Sheet, sheets_of
from slopekit.outputs.crew_sheets import write_crew_sheets
from slopekit.wording import UNITS

PEER_PAGES, MANY, FEW = 20, 1000, 100
CREW, METRIC = Crew(*noted(FLEET.as_notes()), {}, {}), UNITS["metric"]
HATCHES = {"ride-on": "", "walk-behind": "\\\\", "remote-controlled": "--", "hand crew": "xx", "none": "||"}


def result(count: int) -> dict[str, Any]:
    spots = [shapely.box(3 * n, 3, 3 * n + 2, 6) for n in range(6)]
    return result_of(*(parcel(f"p{n}", grid_of(4, 3, 120.0, 90.0), spots) for n in range(count)))


def by_matplotlib(path: Path, sheets: Sequence[Sheet]) -> None:
    """The same zones and the same sentences, without legend, marks, coordinates, boxes or places for names."""
    with PdfPages(path) as pages:
        for sheet in sheets:
            figure = Figure((8.27, 11.69))
            axes = figure.add_axes((0.05, 0.5, 0.9, 0.45))
            for row in sheet.rows["zones"]:
                for part in row["geometry"].geoms:
                    axes.fill(*part.exterior.xy, fc="white", ec="black", hatch=HATCHES[row["machine_class"]])
                middle = row["geometry"].representative_point()
                axes.text(middle.x, middle.y, row["zone_id"])
            lines = [text for line in sheet.table for text in (line.name, *line.may, *line.size, *line.how)]
            lines += [text for line in sheet.table for pair in line.refused for text in pair]
            lines += [text for _, text in sheet.told]
            for number, text in enumerate(lines):
                figure.text(0.05, 0.48 - 0.004 * number, text, size=7, parse_math=False)
            pages.savefig(figure)


def test_sheets_against_matplotlib(tmp_path: Path, table: Table) -> None:
    tables = result(PEER_PAGES)
    drawn = list(sheets_of(tables, CREW, METRIC))
    found = in_turns(
        lambda: write_crew_sheets(tmp_path / "ours.pdf", sheets_of(tables, CREW, METRIC), METRIC),
        lambda: by_matplotlib(tmp_path / "peer.pdf", drawn),
        repeats=2,
    )
    table.ratio(f"crew sheets, {PEER_PAGES} parcels", "matplotlib, half of it", found, "two pages a parcel against one")


def test_many_sheets(tmp_path: Path, table: Table) -> None:
    here = str(Path(__file__).resolve())
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join([p for p in sys.path if p])}
    peaks = {}
    for count in (FEW, MANY):
        told, peaks[count] = watched([sys.executable, here, str(count), str(tmp_path / "sheets.pdf")], environment)
        megabytes = (tmp_path / "sheets.pdf").stat().st_size / 1e6
        table.say(f"crew sheets, {count} parcels: {told.strip()}, {megabytes:.1f} MB, peak {peaks[count]:.0f} MB")
    table.say(f"crew sheets: {1000 * (peaks[MANY] - peaks[FEW]) / (MANY - FEW):.0f} kB more for one more parcel")


def _run(count: int, path: str) -> None:
    import time

    tables = result(count)
    since, cpu = time.perf_counter(), time.process_time()
    write_crew_sheets(Path(path), sheets_of(tables, CREW, METRIC), METRIC)
    print(f"{time.perf_counter() - since:.0f} s (aim 300), {time.process_time() - cpu:.0f} s of one core")


if __name__ == "__main__":
    _run(int(sys.argv[1]), sys.argv[2])
