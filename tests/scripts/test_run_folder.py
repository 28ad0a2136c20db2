"""The batch script for people who do not write Python: its settings are edited, then it is started."""

import csv
import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import geopandas as gpd
import pytest
from child_process import environment

from slopekit.api.demo import demo_data
from slopekit.outputs.manifest import RECORD
from slopekit.wording import CAUTION

SCRIPTS = Path(__file__).resolve().parents[2] / "scripts"
ON_POSIX = pytest.mark.skipif(os.name == "nt", reason="the starter for Windows is tried by hand")


def edited(folder: Path, **settings: str) -> Path:
    """A copy of the script with other settings, as somebody would type them."""
    text = (SCRIPTS / "run_folder.py").read_text(encoding="utf-8")
    for name, value in settings.items():
        text, count = re.subn(rf"^{name}(: [^=]+)? = .*$", lambda _, n=name, v=value: f"{n} = {v}", text, flags=re.M)
        assert count == 1, name
    script = folder / "run_folder.py"
    script.write_text(text, encoding="utf-8")
    return script


def start(command: list[str]) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        command,
        capture_output=True,
        text=True,
        env=environment(SLOPEKIT_PYTHON=sys.executable),
        timeout=300,
        check=False,
    )


@pytest.fixture
def site(tmp_path: Path) -> Path:
    """A folder with an awkward name: one parcel file that can be screened and one that cannot."""
    folder = tmp_path / "Süd 三 work"
    (folder / "parcels").mkdir(parents=True)
    parcels = gpd.read_file(demo_data() / "parcels.gpkg")
    basin = parcels[parcels["parcel_id"] == "basin"]
    basin.to_file(folder / "parcels" / "a b.gpkg")
    (folder / "parcels" / "c.geojson").write_text("{}")
    (folder / "parcels" / "notes.txt").write_text("no parcels")
    for name in ("office_park.tif", "water.gpkg", "fleet.toml", "season.toml"):
        shutil.copy(demo_data() / name, folder)
    return folder


@ON_POSIX
def test_a_folder_is_run_and_only_what_failed_is_run_again(site: Path) -> None:
    edited(
        site,
        ID_COLUMN='"parcel_id"',
        ELEVATION='"office_park.tif"',
        SEASON='"season.toml"',
        LAYERS='{"water": "water.gpkg"}',
        SURVEY_DATE='"2025-03-01"',
        VERTICAL_ERROR_M="0.05",
    )
    shutil.copy(SCRIPTS / "run_folder.sh", site)
    done = start(["sh", str(site / "run_folder.sh")])
    assert done.returncode == 1, done.stderr
    results = site / "results"
    assert sorted(path.relative_to(results).as_posix() for path in results.rglob("*") if path.name != RECORD) == [
        "a b",
        "a b/bid.xlsx",
        "a b/zones.gpkg",
        "list.csv",
    ]
    with open(results / "list.csv", newline="", encoding="utf-8-sig") as file:
        rows = list(csv.DictReader(file))
    assert [(row["parcels"], row["state"]) for row in rows] == [("a b.gpkg", "done"), ("c.geojson", "failed")]
    assert str(site / "parcels" / "c.geojson") in rows[1]["why"]
    assert list(gpd.read_file(results / "a b" / "zones.gpkg", layer="parcels")["parcel_id"]) == ["basin"]
    assert CAUTION in done.stdout and [row["caution"] for row in rows] == [CAUTION, *[""] * (len(rows) - 1)]
    before = (results / "a b" / "zones.gpkg").stat().st_mtime_ns
    (site / "parcels" / "c.geojson").unlink()
    assert start(["sh", str(site / "run_folder.sh")]).returncode == 0
    assert (results / "a b" / "zones.gpkg").stat().st_mtime_ns == before


def test_a_wrong_folder_is_told(tmp_path: Path) -> None:
    done = start([sys.executable, str(edited(tmp_path, PARCELS='"nowhere"'))])
    assert done.returncode == 2
    assert done.stdout.startswith(str(tmp_path / "nowhere")) and "check PARCELS" in done.stdout


def test_starters_only_call_the_script() -> None:
    for name, comment in (("run_folder.sh", "#"), ("run_folder.bat", "rem")):
        lines = (SCRIPTS / name).read_text(encoding="utf-8").splitlines()
        frame = (comment, "#!", "@echo off", "setlocal", "pause")
        acts = [line for line in lines if line and not line.startswith(frame)]
        assert len(acts) == 2 and "run_folder.py" in acts[-1], name
    # The settings come first.
    head = (SCRIPTS / "run_folder.py").read_text(encoding="utf-8").partition("nothing to edit below")[0]
    assert "import" not in re.sub(r'""".*?"""|#.*', "", head, flags=re.S)
