"""slopekit compare: what another fleet file changes, against screening and pricing with that file outright."""

import json
import shutil
from pathlib import Path

import openpyxl
import pandas as pd
import pyogrio
import pytest

from slopekit.api.demo import demo_data
from slopekit.cli import main
from slopekit.schema.classes import CLASSES

LAYERS = ("water", "walls", "hazards", "exclude", "soft", "canopy")
ACROSS = "across_deg = 15.0\nup_down_deg = 20.0"


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo's files in a folder of their own, screened as a user would."""
    folder = tmp_path_factory.mktemp("compared")
    for file in demo_data().iterdir():
        if file.suffix in (".gpkg", ".tif", ".toml"):
            shutil.copy(file, folder)
    with pytest.MonkeyPatch.context() as here:
        here.chdir(folder)
        assert screened("fleet.toml", "zones.gpkg") == 0
    return folder


@pytest.fixture(autouse=True)
def _in_the_folder(site: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # Files are found as they were named when the zones were made.
    monkeypatch.chdir(site)


def screened(fleet: str, out: str) -> int:
    named = [text for name in LAYERS for text in (f"--{name}", f"{name}.gpkg")]
    ground = ["screen", "office_park.tif", "--parcels", "parcels.gpkg", "--id-column", "parcel_id"]
    return main([*ground, "--fleet", fleet, *named, "--out", out, "--workers", "1", "--quiet"])


def fleet_with(name: str, before: str, after: str) -> str:
    text = Path("fleet.toml").read_text(encoding="utf-8")
    assert text.count(before) == 1
    Path(name).write_text(text.replace(before, after), encoding="utf-8")
    return name


def compared(second: str, *more: str) -> pd.DataFrame:
    assert main(["compare", "zones.gpkg", "--fleet", "fleet.toml", "--fleet", second, "--out", "c.json", *more]) == 0
    return pd.DataFrame(json.loads(Path("c.json").read_text(encoding="utf-8"))["comparison"])


def test_the_same_fleet_changes_nothing(site: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("slopekit.api.comparing.screen_job", None)  # nothing is screened again
    table = compared("fleet.toml", "--season", "season.toml")
    assert (table["change"] == 0.0).all() and (table["first"] > 0.0).sum() > 20
    assert list(dict.fromkeys(table["parcel_id"])) == ["", "pond-lawns", "level-lawns", "terrace", "basin"]


def test_one_parcel_of_a_result_is_as_in_the_whole(site: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("slopekit.api.comparing.screen_job", None)
    whole, part = compared("fleet.toml"), compared("fleet.toml", "--parcel", "basin", "--parcel", "terrace")
    assert list(dict.fromkeys(part["parcel_id"])) == ["", "terrace", "basin"]
    asked = whole[whole["parcel_id"].isin(["terrace", "basin"])].reset_index(drop=True)
    pd.testing.assert_frame_equal(part[part["parcel_id"] != ""].reset_index(drop=True), asked)
    hours = ["hours", "zones.gpkg", "--fleet", "fleet.toml", "--out", "part.json"]
    assert main([*hours, "--parcel", "basin"]) == 0
    bid = json.loads(Path("part.json").read_text(encoding="utf-8"))
    assert {row["parcel_id"] for row in bid["work"]} == {"basin"}
    assert {"topic": "ground", "name": "parcels", "value": "only basin"} in bid["run_notes"]


def test_a_parcel_that_is_not_there(site: Path, capsys: pytest.CaptureFixture[str]) -> None:
    hours = ["hours", "zones.gpkg", "--fleet", "fleet.toml", "--out", "none.json", "--parcel", "nobody"]
    assert main(hours) == 2
    told = capsys.readouterr().err.splitlines()[-1]
    assert told == (
        "Error: zones.gpkg: it has no parcel 'nobody', so name one of its own with --parcel: pond-lawns, level-lawns, "
        "terrace, basin."
    )
    assert not Path("none.json").exists()


def test_a_hand_rate_needs_no_new_screening(site: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("slopekit.api.comparing.screen_job", None)
    rates = "hand_rate_m2_h = { low = 60.0, expected = 90.0, high = 120.0 }"
    table = compared(fleet_with("slow.toml", rates, "hand_rate_m2_h = 45.0"))
    whole = table[table["parcel_id"] == ""].set_index("what")
    # Half the rate is twice the hours, the way to a zone being 0 without a season.
    assert whole["first"]["hand work"] > 1.0
    assert whole["second"]["hand work"] == pytest.approx(2.0 * whole["first"]["hand work"])
    assert whole["change"]["ground of class: Hand crew (trimmers, on foot)"] == 0.0


def test_another_limit_is_as_if_screened_with_it(site: Path) -> None:
    second = fleet_with("steeper.toml", ACROSS, "across_deg = 19.0\nup_down_deg = 20.0")
    table = compared(second, "--season", "season.toml")
    assert screened(second, "again.gpkg") == 0
    hours = ["hours", "again.gpkg", "--fleet", second, "--season", "season.toml", "--out", "again.json"]
    assert main(hours) == 0
    priced = json.loads(Path("again.json").read_text(encoding="utf-8"))
    expected = sum(row["cost"] for row in priced["totals"] if row["by"] == "parcel")
    whole = table[table["parcel_id"] == ""].set_index("what")
    assert whole["second"]["cost of the work"] == pytest.approx(expected)
    again = pyogrio.read_dataframe("again.gpkg", layer="zones").groupby("machine_class")["plan_m2"].sum()
    for mark in CLASSES:
        assert whole["second"][f"ground of class: {mark.label}"] == pytest.approx(again.get(mark.code, 0.0))
    assert whole["change"]["ground of class: Walk-behind (operator on foot)"] != 0.0
    for by in ("cost of the work", "hand work", "zones"):
        parts = table[(table["what"] == by) & (table["parcel_id"] != "")]
        assert parts["second"].sum() == pytest.approx(whole["second"][by])


def test_sheets_and_csv(site: Path) -> None:
    for end in ("xlsx", "csv"):
        given = ["compare", "zones.gpkg", "--fleet", "fleet.toml", "--fleet", "fleet.toml", "--out", f"c.{end}"]
        assert main(given) == 0
    book = openpyxl.load_workbook("c.xlsx")
    assert book.sheetnames == ["Comparison", "Notes"]
    assert [cell.value for cell in book["Comparison"][1]][:3] == ["parcel id", "what", "unit"]
    assert len(pd.read_csv("c.csv")) == book["Comparison"].max_row - 1 > 60


def refused(capsys: pytest.CaptureFixture[str], *given: str) -> str:
    assert main(["compare", *given, "--quiet"]) == 2
    return capsys.readouterr().err.splitlines()[-1]


def test_bad_input_is_one_sentence(site: Path, capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    two = ("--fleet", "fleet.toml", "--fleet", "fleet.toml")
    assert "give two fleet files" in refused(capsys, "zones.gpkg", "--fleet", "fleet.toml")
    assert "give --out one of these endings" in refused(capsys, "zones.gpkg", *two, "--out", "c.pdf")
    assert "there is no such file" in refused(capsys, "zone.gpkg", *two)
    assert "would replace a file" in refused(capsys, "zones.gpkg", *two, "--season", "c.json", "--out", "c.json")
    other = fleet_with("other.toml", ACROSS, "across_deg = 16.0\nup_down_deg = 20.0")
    # A result that does not say how it was made.
    silent = shutil.copy("zones.gpkg", tmp_path)
    notes = pyogrio.read_dataframe(silent, layer="run_notes")
    pyogrio.write_dataframe(notes[notes["name"] != "job"], silent, layer="run_notes")
    said = refused(capsys, str(silent), "--fleet", "fleet.toml", "--fleet", other)
    assert "machines.stand_on.across_deg was 15.0 and is 16.0" in said and "slopekit screen" in said


def test_files_that_changed_since_are_refused(site: Path, capsys: pytest.CaptureFixture[str]) -> None:
    other = fleet_with("other.toml", ACROSS, "across_deg = 16.0\nup_down_deg = 20.0")
    kept = Path("soft.gpkg").read_bytes()
    Path("soft.gpkg").unlink()
    said = refused(capsys, "zones.gpkg", "--fleet", "fleet.toml", "--fleet", other, "--out", "gone.json")
    assert "zones.gpkg: soft.gpkg (soft), which it was made from, is neither where it was nor beside" in said
    shutil.copy("canopy.gpkg", "soft.gpkg")
    said = refused(capsys, "zones.gpkg", "--fleet", "fleet.toml", "--fleet", other, "--out", "gone.json")
    assert "the soft it was made from has changed since" in said
    assert not Path("gone.json").exists()
    Path("soft.gpkg").write_bytes(kept)
