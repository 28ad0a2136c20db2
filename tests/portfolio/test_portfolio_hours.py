"""Hours of a portfolio: the same as those of its merged result, told for each parcel in the summary."""

import json
from pathlib import Path

import geopandas as gpd
import pandas as pd
import pytest
from district import District, make_district
from labour_maker import CREW, RIDE_ON, WALK_BEHIND, fleet, season
from made_portfolio import SEASON
from result_maker import Zone, made_result, square

from slopekit.cli import main
from slopekit.labour.bid import price
from slopekit.outputs.spill import frames_of
from slopekit.portfolio.hours import WholeBid

ELSEWHERE = '[machines.elsewhere]\nclass = "hand crew"\nhand_rate_m2_h = 90.0\n'


@pytest.fixture
def made(tmp_path: Path) -> District:
    district = make_district(tmp_path, parcels=4, across=2, side=160, lot=20.0, run=30.0, corrupt=False, gap=False)
    text = district.fleet.read_text()
    text = text.replace("speed_kmh", "efficiency = 0.8\nspeed_kmh")
    district.fleet.write_text(text + "hand_rate_m2_h = 90.0\nedge_rate_m_h = 150.0\n")
    (tmp_path / "season.toml").write_text(SEASON)
    return district


def test_bids_of_parcels_one_by_one_are_the_bid_for_all(tmp_path: Path) -> None:
    """The machine of a parcel that is worked in wet weather alone stands last, as it does in one bid for all."""
    limits = {"across_deg": 12.0, "up_down_deg": 14.0}
    own = fleet(
        ride_on=RIDE_ON | limits | {"set_up_min": 7.0}, walk_behind=WALK_BEHIND | limits,
        crew=CREW | limits | {"edge_rate_m_h": 120.0},
    )  # fmt: skip
    visits = {"dry": 10, "wet": 3}
    plan = season(visits=visits, person_rate_h=30.0, set_up_visit_min=6.0, machine_rates_h={"ride_on": 20.0})
    zones = [Zone("z1", square(900.0), {"dry": "", "wet": "walk_behind"}, parcel="a")]
    for n in range(1, 30):
        zones.append(Zone("z1", square(1000.7 * n), {"dry": "ride_on,crew", "wet": "crew"}, parcel=f"b{n:02d}"))
        zones.append(Zone("z2", square(33.3 * n), {"dry": "crew", "wet": ""}, parcel=f"b{n:02d}"))
    together = price(made_result(own, zones), own, plan).tables
    whole = WholeBid(tmp_path, own, plan)
    for parcel in sorted({zone.parcel for zone in zones}):
        whole.add(price(made_result(own, [zone for zone in zones if zone.parcel == parcel]), own, plan))
    found = whole.tables()
    assert set(found) == set(together)
    for name, table in together.items():
        rows = pd.concat(frames_of(found[name]), ignore_index=True)
        pd.testing.assert_frame_equal(rows, table, check_dtype=False, check_exact=True, obj=name)


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


@pytest.mark.parametrize(
    ("fleet", "season", "told"),
    [
        (("hand_rate_m2_h = 90.0\n", ""), ("", ""), "machines.crew.hand_rate_m2_h is missing in the fleet file"),
        (("efficiency = 0.8\n", ""), ("", ""), "No hours can be worked out for "),
        (("", ""), ("dry = 3, wet = 1", "dry = 0"), "visits: the season visits under none of dry, wet"),
        (("", ""), ("ride_on =", "raider ="), "machine_rates_h.raider is not in the fleet file"),
    ],
)
def test_what_no_ground_could_mend_is_told_before_the_screening(
    made: District,
    fleet: tuple[str, str],
    season: tuple[str, str],
    told: str,
    capsys: pytest.CaptureFixture[str],
) -> None:
    made.fleet.write_text(made.fleet.read_text().replace(*fleet))
    (made.folder / "season.toml").write_text(SEASON.replace(*season))
    assert screened(made, "out") == 2
    assert told in capsys.readouterr().err
    assert not (made.folder / "out").exists()


def test_a_missing_rate_keeps_what_was_screened(made: District, capsys: pytest.CaptureFixture[str]) -> None:
    made.fleet.write_text(made.fleet.read_text().replace("hand_rate_m2_h = 90.0\n", "").replace("= 10\n", "= 0.5\n"))
    # Another crew has a rate and goes nowhere, so that only the zones show what is missing.
    made.fleet.write_text(made.fleet.read_text().replace("= 20\n", "= 0.5\n") + ELSEWHERE)
    assert screened(made, "out") == 2
    said = capsys.readouterr().err.splitlines()[-1]
    assert "hand_rate_m2_h is missing" in said and said.endswith("all parcels are kept for --resume.")
    assert len(gpd.read_file(made.folder / "out" / "portfolio.gpkg", layer="parcels")) == 4
    made.fleet.write_text(made.fleet.read_text().replace(ELSEWHERE, "hand_rate_m2_h = 90.0\n" + ELSEWHERE))
    capsys.readouterr()
    assert screened(made, "out", "--resume") == 3
    # A figure that only hours rest on: no parcel is screened again.
    assert "4 of 4 parcels answered, 0 of them now" in capsys.readouterr().out
    assert summary(made.folder / "out")["hand_hours"].sum() > 1.0


def test_without_a_season_there_are_no_hours(made: District, capsys: pytest.CaptureFixture[str]) -> None:
    named = ["--parcels", str(made.parcels), "--fleet", str(made.fleet), "--out", str(made.folder / "out")]
    assert main(["portfolio", str(made.tiles), *named, "--rank", "hours"]) == 2
    assert "There is no column 'hours' to rank by" in capsys.readouterr().err


def test_a_portfolios_result_is_compared(made: District, capsys: pytest.CaptureFixture[str]) -> None:
    assert screened(made, "out") == 3
    text = made.fleet.read_text()
    slower, steeper = made.folder / "slower.toml", made.folder / "steeper.toml"
    slower.write_text(text.replace("hand_rate_m2_h = 90.0", "hand_rate_m2_h = 45.0"))
    steeper.write_text(text.replace("across_deg = 20", "across_deg = 19"))
    given = ["compare", str(made.folder / "out" / "portfolio.gpkg"), "--fleet", str(made.fleet), "--fleet"]
    told = ["--season", str(made.folder / "season.toml"), "--out", str(made.folder / "c.json")]
    assert main([*given, str(slower), *told]) == 0
    table = pd.DataFrame(json.loads((made.folder / "c.json").read_text())["comparison"]).set_index("what")
    whole = table[table["parcel_id"] == ""]
    assert whole["first"]["hand work"] > 0.0
    # Half the rate is twice the hours, or what machines do instead: never fewer.
    assert whole["change"]["work of people"] > 0.0
    assert whole["change"]["zones"] == 0.0
    # The edges of the two surveys, each measured in its own grid, are those of the summary.
    assert whole["first"]["edges"] == pytest.approx(summary(made.folder / "out")["edge_hours"].sum(), rel=0.01)
    (made.folder / "c.json").unlink()
    capsys.readouterr()
    assert main([*given, str(steeper), *told, "--quiet"]) == 2
    (said,) = capsys.readouterr().err.splitlines()
    assert "machines.walk_behind.across_deg was 20.0 and is 19.0" in said and "run 'slopekit portfolio' with" in said
    assert not (made.folder / "c.json").exists()
