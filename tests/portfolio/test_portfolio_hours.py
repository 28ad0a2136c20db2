"""Hours of a portfolio: the same as those of its merged result, told for each parcel in the summary."""

import json
from pathlib import Path

import geopandas as gpd
import pandas as pd
import pytest
from district import District, make_district

from slopekit.cli import main

SEASON = """\
schema = 1
person_rate_h = 20.0
visits = { dry = 3, wet = 1 }
day = { productive_hours = 6.0, paid_hours = 8.0, crew_size = 2 }
machine_rates_h = { rider = 5.0, walker = 2.0 }
"""


@pytest.fixture
def made(tmp_path: Path) -> District:
    district = make_district(tmp_path, parcels=4, across=2, side=160, lot=20.0, run=30.0, corrupt=False, gap=False)
    text = district.fleet.read_text()
    text = text.replace("speed_kmh", "efficiency = 0.8\nspeed_kmh")
    district.fleet.write_text(text + "hand_rate_m2_h = 90.0\nedge_rate_m_h = 150.0\n")
    (tmp_path / "season.toml").write_text(SEASON)
    return district


def screened(made: District, out: str, *more: str) -> int:
    """3 when all went well: the tiles end within the look of some parcels."""
    named = ["--parcels", str(made.parcels), "--id-column", "pid", "--fleet", str(made.fleet), "--workers", "1"]
    season = ["--season", str(made.folder / "season.toml"), "--out", str(made.folder / out), "--quiet"]
    return main(["portfolio", str(made.tiles), *named, *season, *more])


def summary(folder: Path) -> pd.DataFrame:
    return pd.DataFrame(json.loads((folder / "summary.json").read_text())["parcels"]).set_index("parcel_id")


def test_the_summary_tells_the_hours_of_each_parcel(made: District) -> None:
    assert screened(made, "out", "--rank", "hours") == 3
    out = made.folder / "out"
    given = ["--fleet", str(made.fleet), "--season", str(made.folder / "season.toml")]
    assert main(["hours", str(out / "portfolio.gpkg"), *given, "--out", str(made.folder / "bid.json")]) == 0
    bid = json.loads((made.folder / "bid.json").read_text())
    told = summary(out)
    parcels = [row for row in bid["totals"] if row["by"] == "parcel"]
    assert len(parcels) == len(told) == 4
    for row in parcels:
        for name in ("hours", "person_hours", "cost"):
            assert told[name][row["name"]] == pytest.approx(row[name], abs=1e-3)
    assert told["edge_hours"].min() > 0.0
    assert list(told["rank"]) == [1, 2, 3, 4] and told["hours"].is_monotonic_decreasing
    assert (out / "bid.xlsx").stat().st_size > 5000
    # Nothing changed: nothing is made again. Other visits: only the hours are.
    before = (out / "portfolio.gpkg").stat().st_mtime_ns, (out / "bid.xlsx").stat().st_mtime_ns
    assert screened(made, "out", "--rank", "hours", "--resume") == 3
    assert ((out / "portfolio.gpkg").stat().st_mtime_ns, (out / "bid.xlsx").stat().st_mtime_ns) == before
    (made.folder / "season.toml").write_text(SEASON.replace("dry = 3, wet = 1", "dry = 6, wet = 2"))
    assert screened(made, "out", "--rank", "hours", "--resume") == 3
    assert summary(out)["hours"].sum() == pytest.approx(2.0 * told["hours"].sum(), rel=1e-3)


def test_a_missing_rate_keeps_what_was_screened(made: District, capsys: pytest.CaptureFixture[str]) -> None:
    made.fleet.write_text(made.fleet.read_text().replace("hand_rate_m2_h = 90.0\n", "").replace("= 10\n", "= 0.5\n"))
    made.fleet.write_text(made.fleet.read_text().replace("= 20\n", "= 0.5\n"))
    assert screened(made, "out") == 2
    said = capsys.readouterr().err.splitlines()[-1]
    assert "hand_rate_m2_h is missing" in said and said.endswith("all parcels are kept for --resume.")
    assert len(gpd.read_file(made.folder / "out" / "portfolio.gpkg", layer="parcels")) == 4
    made.fleet.write_text(made.fleet.read_text() + "hand_rate_m2_h = 90.0\n")
    capsys.readouterr()
    assert screened(made, "out", "--resume") == 3
    # A figure that only hours rest on: no parcel is screened again.
    assert "4 of 4 parcels answered, 0 of them now" in capsys.readouterr().out
    assert summary(made.folder / "out")["hand_hours"].sum() > 1.0


def test_without_a_season_there_are_no_hours(made: District, capsys: pytest.CaptureFixture[str]) -> None:
    named = ["--parcels", str(made.parcels), "--fleet", str(made.fleet), "--out", str(made.folder / "out")]
    assert main(["portfolio", str(made.tiles), *named, "--rank", "hours"]) == 2
    assert "There is no column 'hours' to rank by" in capsys.readouterr().err
