"""Of a result that holds several parcels, what is printed, shown and taken along may be for some of them."""

import sqlite3
import zipfile
from pathlib import Path

import pytest
from pypdf import PdfReader

import slopekit
from slopekit.cli import main


@pytest.fixture(scope="module")
def zones(tmp_path_factory: pytest.TempPathFactory) -> Path:
    data = slopekit.demo_data()
    out = tmp_path_factory.mktemp("zones") / "zones.gpkg"
    result = slopekit.screen(
        data / "office_park.tif", data / "parcels.gpkg", data / "fleet.toml", id_column="parcel_id", workers=1
    )
    return result.write(out)[0]


def test_only_the_parcel_that_is_asked_for(zones: Path, tmp_path: Path) -> None:
    made = {"sheets": tmp_path / "a.pdf", "page": tmp_path / "a.html", "phone": tmp_path / "a.kmz"}
    for command, out in made.items():
        assert main([command, str(zones), "--out", str(out), "--parcel", "basin", "--quiet"]) == 0
    package = tmp_path / "a.gpkg"
    assert main(["phone", str(zones), "--out", str(package), "--parcel", "basin", "--quiet"]) == 0
    sheets = "".join(page.extract_text() for page in PdfReader(made["sheets"]).pages)
    with zipfile.ZipFile(made["phone"]) as kmz:
        phone = kmz.read(kmz.namelist()[0]).decode()
    for text in (sheets, made["page"].read_text("utf-8"), phone):
        assert "basin" in text and "terrace" not in text and "pond-lawns" not in text
    with sqlite3.connect(package) as db:
        assert {row[0] for row in db.execute("SELECT parcel_id FROM zones")} == {"basin"}


@pytest.mark.parametrize("command, name", [("sheets", "a.pdf"), ("page", "a.html"), ("phone", "a.kmz")])
def test_a_parcel_that_is_not_there_is_told(
    command: str, name: str, zones: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main([command, str(zones), "--out", str(tmp_path / name), "--parcel", "nope"]) == 2
    assert "it has no parcel 'nope'" in capsys.readouterr().err
    assert [one.name for one in tmp_path.iterdir()] == []
