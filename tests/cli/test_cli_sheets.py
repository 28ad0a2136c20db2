"""slopekit sheets: what it says agrees with the zones and the bid, and each fault is one sentence."""

import re
from pathlib import Path

import geopandas as gpd
import pytest
from listing import names
from pypdf import PdfReader
from result_maker import Zone, fleet_file, machine, write_made
from shapely import box

import slopekit
from slopekit.cli import main
from slopekit.wording import UNITS

RIDE_ON = "width_m = 2.0\nspeed_kmh = 10.0\nefficiency = 0.8\n"
CREW = "width_m = 0.5\nhand_rate_m2_h = 100.0\n"
SEASON = "schema = 1\nvisits = { dry = 10 }\n"


@pytest.fixture
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Two parcels; 5 ha for a machine that covers 1.6 ha/h take 3.1 h, 250 m2 by hand 2.5 h (arithmetic)."""
    machines = machine("wide", "ride-on", RIDE_ON + 'label = "Deck"\n'), machine("crew", "hand crew", CREW)
    fleet_file(tmp_path / "fleet.toml", *machines)
    lawn, bank = box(0.0, 0.0, 250.0, 200.0), box(0.0, 200.0, 250.0, 201.0)
    zones = [
        Zone("z1", lawn, "wide,crew"), Zone("z2", bank, "crew", machine_class="hand crew"),
        Zone("z1", box(300.0, 0.0, 320.0, 20.0), "wide,crew", parcel="a/b"),
    ]  # fmt: skip
    write_made(tmp_path / "zones.gpkg", tmp_path / "fleet.toml", zones, parcels=True)
    (tmp_path / "season.toml").write_text(SEASON)
    monkeypatch.chdir(tmp_path)
    return tmp_path


def text_of(path: Path | str) -> str:
    return " ".join(" ".join(page.extract_text() for page in PdfReader(path).pages).split())


def run(line: str) -> int:
    return main(["sheets", *line.split()])


def test_sheets_agree_with_zones_and_hours(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run("zones.gpkg --fleet fleet.toml --season season.toml --out sheets.pdf") == 0
    said = capsys.readouterr()
    assert said.out.split() == ["sheets.pdf"] and "Caution: Walk the ground before work." in said.err
    text = text_of("sheets.pdf")
    for area in gpd.read_file("zones.gpkg", layer="zones")["plan_m2"]:
        assert UNITS["metric"].area(area) in text
    work = slopekit.hours("zones.gpkg", "fleet.toml", "season.toml").layers["work"]
    hours = dict(zip(work["zone_id"], work["hours"].astype(float), strict=True))
    assert f"wide: {hours['p-z1']:.1f} h dry." in text and "wide: 3.1 h dry." in text
    assert f"crew: {hours['p-z2']:.1f} h dry." in text and "crew: 2.5 h dry." in text
    assert "wide: Deck; ride-on; dry 12° across and 14° up and down." in text


def test_without_a_fleet_the_notes_tell_of_the_machines(place: Path) -> None:
    assert run("zones.gpkg --out sheets.pdf --paper letter --units us") == 0
    text = text_of("sheets.pdf")
    assert "wide: Deck; ride-on." in text and "12.36 acres" in text and " h dry" not in text
    assert PdfReader("sheets.pdf").pages[0].mediabox.width in (612, 792)


def test_a_file_for_each_parcel(place: Path) -> None:
    assert run("zones.gpkg --out sheets.pdf --per-parcel each") == 0
    assert names(place / "each") == ["a_b.pdf", "p.pdf"]
    assert "a/b" in text_of("each/a_b.pdf") and "z2" not in text_of("each/a_b.pdf")


def test_the_library_gives_the_same_bytes(place: Path) -> None:
    assert run("zones.gpkg --fleet fleet.toml --out a.pdf") == 0
    files = slopekit.sheets("zones.gpkg", "b.pdf", fleet="fleet.toml")
    assert files == [Path("b.pdf")] and Path("a.pdf").read_bytes() == Path("b.pdf").read_bytes()


@pytest.mark.parametrize(
    ("line", "told"),
    [
        ("zones.gpkg --out sheets.txt", ["sheets.txt", ".pdf", "--out"]),
        ("zones.gpkg --out sheets.pdf --season season.toml", ["zones.gpkg", "--fleet", "--season"]),
        ("nothing.gpkg --out sheets.pdf", ["nothing.gpkg", "no such file"]),
        ("fleet.toml --out sheets.pdf", ["fleet.toml"]),
        ("zones.gpkg --out sheets.pdf --fleet other.toml", ["machines.wide.across_deg was 12.0 and is 9.0"]),
        ("zones.gpkg --out sheets.pdf --per-parcel fleet.toml", ["fleet.toml", "name a folder"]),
        ("zones.gpkg --out nowhere/sheets.pdf", ["nowhere", "create it first"]),
        ("zones.gpkg --out sheets.pdf --paper a5", ["a5", "letter"]),
        ("zones.gpkg --out sheets.pdf --units feet", ["feet", "metric"]),
    ],
)
def test_faults_are_told_in_one_sentence(
    line: str, told: list[str], place: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = Path("fleet.toml").read_text(encoding="utf-8")
    Path("other.toml").write_text(text.replace("across_deg = 12.0", "across_deg = 9.0"), encoding="utf-8")
    before = names(place)
    assert run(line) == 2
    err = capsys.readouterr().err
    assert all(word in err for word in told), err
    assert len(re.findall("Error:", err)) <= 1 and "Traceback" not in err
    assert names(place) == before


@pytest.mark.parametrize(("name", "value"), [("paper", "a5"), ("units", "feet")])
def test_the_library_names_its_arguments(name: str, value: str, place: Path) -> None:
    with pytest.raises(slopekit.InputError, match=f"^{name}: '{value}' is not known, so give "):
        slopekit.sheets("zones.gpkg", "sheets.pdf", **{name: value})
