"""slopekit demo: the whole job, from the files that ship with the package."""

import importlib.resources
import json
import shutil
import struct
from pathlib import Path

import geopandas as gpd
import pytest
from listing import names
from pypdf import PdfReader

from slopekit.api.demo import demo_data, demo_job
from slopekit.cli import main
from slopekit.outputs.manifest import note
from slopekit.schema.inputs import LAYER_INPUTS
from slopekit.schema.reasons import REASONS
from slopekit.wording import UNITS

ROOT = Path(__file__).resolve().parents[2]
DATA = ROOT / "data_demo"


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("elsewhere") / "new" / "demo"
    assert main(["demo", "--out", str(folder), "--quiet"]) == 0
    return folder


def test_six_files_and_nothing_half_written(made: Path) -> None:
    assert names(made) == ["map.png", "page.html", "profiles.png", "report.json", "sheets.pdf", "zones.gpkg"]


def test_a_sheet_for_each_parcel_says_that_it_is_invented(made: Path) -> None:
    texts = [" ".join(page.extract_text().split()) for page in PdfReader(made / "sheets.pdf").pages]
    first = [text for text in texts if "Crew sheet 1 of" in text]
    assert len(first) == 4 and all("The site, the machines and their limits are invented." in text for text in first)
    zones = gpd.read_file(made / "zones.gpkg", layer="zones")
    for parcel, own in zones.groupby("parcel_id"):
        told = " ".join(text for text in texts if text.startswith(parcel))
        assert all(zone.removeprefix(f"{parcel}-") in told for zone in own["zone_id"])
        assert all(UNITS["metric"].area(area) in told for area in own["plan_m2"])
    assert any(" h Dry grass" in text for text in texts)


def test_zones_tile_the_parcels(made: Path) -> None:
    # Areas of the parcels as drawn, from the input file itself.
    parcels = gpd.read_file(DATA / "parcels.gpkg").set_index("parcel_id").geometry.area
    zones = gpd.read_file(made / "zones.gpkg", layer="zones")
    areas = zones.groupby("parcel_id")["plan_m2"].sum()
    assert set(areas.index) == set(parcels.index)
    for name, area in parcels.items():
        assert areas[name] == pytest.approx(area, rel=1e-3)


def test_bank_above_the_pond_is_refused_for_the_water(made: Path) -> None:
    zones = gpd.read_file(made / "zones.gpkg", layer="zones")
    reasons = zones[zones.parcel_id == "pond-lawns"].reasons.str.cat(sep=",").split(",")
    assert "above_water" in reasons
    assert {r for r in reasons if r} <= set(REASONS)
    # Common practice, no source: nobody sits on a machine above water.
    above = zones[zones.reasons.fillna("").str.contains("above_water")]
    assert not above.machine_class.eq("ride-on").any()


@pytest.mark.parametrize("name", ["map.png", "profiles.png"])
def test_pictures_are_pages_to_look_at(made: Path, name: str) -> None:
    head = (made / name).read_bytes()[:24]
    # PNG (ISO/IEC 15948): the signature, then the header chunk with width and height.
    assert head[:8] == b"\x89PNG\r\n\x1a\n"
    width, height = struct.unpack(">II", head[16:24])
    assert min(width, height) > 1000


def test_report_names_no_place_on_this_machine(made: Path) -> None:
    text = (made / "report.json").read_text(encoding="utf-8")
    assert json.loads(text)["survey"]["names"] == ["office_park.tif"]
    assert str(ROOT) not in text


def test_all_layers_of_the_demo_are_used() -> None:
    job = demo_job()
    there = {path.stem for path in DATA.glob("*.gpkg")} - {"parcels"}
    assert set(job.layers) == there
    assert there <= set(LAYER_INPUTS)


def test_a_second_run_replaces_the_files_and_prints_the_paths(made: Path, capsys: pytest.CaptureFixture[str]) -> None:
    older = made / "zones.gpkg"
    older.write_bytes(b"an older file")
    note(older, older)
    assert main(["demo", "--out", str(made)]) == 0
    out, err = capsys.readouterr()
    files = ("zones.gpkg", "report.json", "map.png", "profiles.png", "sheets.pdf", "page.html")
    assert out.splitlines()[-6:] == [str(made / name) for name in files]
    assert "Ride-on (operator seated)" in out
    assert err.count("None of it is advice.") == 1
    assert len(gpd.read_file(made / "zones.gpkg", layer="zones")) > 4


def test_a_file_where_the_folder_should_be(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "demo").write_text("mine")
    assert main(["demo", "--out", str(tmp_path / "demo")]) == 2
    out, err = capsys.readouterr()
    assert (out, err) == ("", f"Error: {tmp_path / 'demo'}: this is a file and a folder is due, so name a folder.\n")
    assert main(["demo", "--out", str(tmp_path / "demo" / "deeper")]) == 2
    assert "the folder cannot be created" in capsys.readouterr().err
    assert (tmp_path / "demo").read_text() == "mine"


def test_data_of_an_installed_package_come_first(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    package = tmp_path / "site-packages" / "slopekit"
    package.mkdir(parents=True)
    monkeypatch.setattr(importlib.resources, "files", lambda name: package)
    shutil.copytree(DATA, package.parent / "data_demo")
    assert demo_data() == package.parent / "data_demo"
    shutil.copytree(DATA, package / "data_demo")
    assert demo_data() == package / "data_demo"


def test_missing_data_are_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(importlib.resources, "files", lambda name: tmp_path / "slopekit")
    monkeypatch.chdir(tmp_path)
    assert main(["demo"]) == 2
    assert "the demo data did not come with this installation" in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []
