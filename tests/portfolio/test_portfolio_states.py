"""A folder holds one state or says that it does not: other fleets and seasons, edited results, inputs that change."""

import hashlib
import json
import shutil
import warnings
from collections.abc import Callable
from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
import rasterio
from district import WEST_CRS, District, corners, make_district, write_tile, write_vrt

from slopekit.cli import main
from slopekit.errors import OutputError
from slopekit.portfolio import run as portfolio_run

pytestmark = pytest.mark.fault

SEASON = "schema = 1\nvisits = { dry = 3, wet = 1 }\n"
RESULTS = ("portfolio.gpkg", "summary.csv", "summary.xlsx", "summary.json")


@pytest.fixture(scope="module")
def template(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Four parcels on a survey that is a VRT of a VRT, with all figures that hours need."""
    folder = tmp_path_factory.mktemp("states")
    made = make_district(folder, parcels=4, across=2, side=160, lot=20.0, run=30.0, corrupt=False, gap=False)
    text = made.fleet.read_text().replace("speed_kmh", "efficiency = 0.8\nspeed_kmh")
    made.fleet.write_text(text + "hand_rate_m2_h = 90.0\n")
    (folder / "season.toml").write_text(SEASON)
    shutil.rmtree(made.tiles)
    (x, y), _ = corners()
    made.tiles.mkdir()
    (folder / "under").mkdir()
    write_tile(folder / "under" / "t.tif", WEST_CRS, x - 160, y, 384)
    write_vrt(folder / "under" / "inner.vrt", "t.tif", folder / "under" / "t.tif")
    write_vrt(made.tiles / "outer.vrt", "../under/inner.vrt", folder / "under" / "t.tif")
    return folder


@pytest.fixture
def made(template: Path, tmp_path: Path) -> District:
    folder = tmp_path / "d"
    shutil.copytree(template, folder)
    return District(folder, folder / "tiles", folder / "parcels.gpkg", folder / "fleet.toml", None)


def run(made: District, *more: str, out: str = "out", season: bool = False) -> int:
    hours = ["--season", str(made.folder / "season.toml")] if season else []
    return main(made.line(out, "--workers", "1", "--quiet", *hours, *more))


def results(out: Path) -> dict[str, bytes]:
    return {name: (out / name).read_bytes() for name in (*RESULTS, "manifest.json")}


def told(out: Path) -> dict[str, dict[str, object]]:
    """The files that the manifest names; each is there as it says."""
    files = json.loads((out / "manifest.json").read_text())["files"]
    for name, facts in files.items():
        content = (out / name).read_bytes()
        assert facts == {"size": len(content), "sha256": hashlib.sha256(content).hexdigest()}
    return files


def fewer_limits(made: District) -> None:
    made.fleet.write_text(made.fleet.read_text().replace("across_deg = 10", "across_deg = 9"))


def test_another_fleet_and_no_season_leave_no_older_bid(made: District, capsys: pytest.CaptureFixture[str]) -> None:
    out = made.folder / "out"
    assert run(made, season=True) in (0, 3)
    assert [*told(out)] == [*RESULTS, "bid.xlsx"]
    before = json.loads((out / "manifest.json").read_text())
    assert {"parcels", "fleet", "season"} < {*before["inputs"]} and before["slopekit"].startswith("0.")
    assert any(role.startswith("elevation") for role in before["inputs"])
    bid = (out / "bid.xlsx").read_bytes()
    fewer_limits(made)
    # What somebody wrote into the bid is not lost, and not left to be mistaken either.
    (out / "bid.xlsx").write_bytes(bid + b" ")
    kept = results(out)
    assert run(made, "--resume") == 2
    assert "bid.xlsx: slopekit wrote this file, it was edited since" in capsys.readouterr().err
    assert results(out) == kept and (out / "bid.xlsx").read_bytes() == bid + b" "
    (out / "bid.xlsx").write_bytes(bid)
    assert run(made, "--resume") in (0, 3)
    assert not (out / "bid.xlsx").exists()
    assert [*told(out)] == [*RESULTS]
    assert json.loads((out / "manifest.json").read_text())["state"] != before["state"]
    # A file of this name that was never ours stays.
    run(made, out="other")
    (made.folder / "other" / "bid.xlsx").write_bytes(b"somebody's")
    fewer_limits(made)
    assert run(made, "--resume", out="other") in (0, 3)
    assert (made.folder / "other" / "bid.xlsx").read_bytes() == b"somebody's"


def test_an_edited_result_is_not_replaced_on_resume(made: District, capsys: pytest.CaptureFixture[str]) -> None:
    out = made.folder / "out"
    assert run(made) in (0, 3)
    with open(out / "summary.csv", "ab") as file:
        file.write(b"a note of the planner\n")
    kept = results(out)
    fewer_limits(made)
    assert run(made, "--resume") == 2
    assert "summary.csv" in capsys.readouterr().err
    assert results(out) == kept
    assert run(made, "--resume", "--overwrite") in (0, 3)
    assert b"a note of the planner" not in (out / "summary.csv").read_bytes()
    assert [*told(out)] == [*RESULTS]


def test_an_edited_manifest_is_not_believed(made: District, capsys: pytest.CaptureFixture[str]) -> None:
    """Its totals are what a resume prints."""
    out = made.folder / "out"
    assert run(made) in (0, 3)
    whole, said = results(out), capsys.readouterr().out
    manifest = json.loads(whole["manifest.json"])
    manifest["totals"] = {name: 1e6 for name in manifest["totals"]}
    (out / "manifest.json").write_text(json.dumps(manifest))
    assert run(made, "--resume") == 2
    assert "manifest.json" in capsys.readouterr().err
    assert run(made, "--resume", "--overwrite") in (0, 3)
    assert results(out) == whole
    areas = said.partition(" parcels answered")[0].splitlines()[:-1]
    assert len(areas) > 5 and capsys.readouterr().out.splitlines()[: len(areas)] == areas


def test_without_its_end_a_run_has_no_manifest(made: District, monkeypatch: pytest.MonkeyPatch) -> None:
    out = made.folder / "out"
    assert run(made, season=True) in (0, 3)
    whole = results(out)

    def full(*_: object) -> None:
        raise OutputError("summary.csv cannot be written (No space left on device): free some space.")

    with monkeypatch.context() as patch:
        patch.setattr(portfolio_run.Summary, "write", full)
        text = made.fleet.read_text()
        fewer_limits(made)
        assert run(made, "--resume", season=True) == 2
    # The map is of the new state; nothing of the old one lies beside it.
    assert not any((out / name).exists() for name in ("manifest.json", "summary.csv", "summary.xlsx", "summary.json"))
    made.fleet.write_text(text)
    assert run(made, "--resume", season=True) in (0, 3)
    assert results(out) == whole


def fresh(made: District, season: bool = False) -> dict[str, bytes]:
    shutil.rmtree(made.folder / "again", ignore_errors=True)
    assert run(made, out="again", season=season) in (0, 3)
    return results(made.folder / "again")


def halved(made: District) -> None:
    """The same tile, half as steep."""
    with rasterio.open(made.folder / "under" / "t.tif", "r+") as file:
        file.write(0.5 * file.read(1), 1)


def scaled(made: District) -> None:
    """The same by a scale in a sidecar."""
    beside = made.tiles / "t.tif.aux.xml"
    beside.write_text("<PAMDataset><PAMRasterBand band='1'><Scale>0.5</Scale></PAMRasterBand></PAMDataset>")


def plain(made: District) -> Path:
    """The tile itself in the place of the VRTs."""
    (made.tiles / "outer.vrt").unlink()
    return Path(shutil.copy(made.folder / "under" / "t.tif", made.tiles / "t.tif"))


@pytest.mark.parametrize("change", [halved, scaled])
def test_a_change_below_is_noticed(made: District, change: Callable[[District], None]) -> None:
    if change is scaled:
        plain(made)
    assert run(made) in (0, 3)
    before = results(made.folder / "out")
    change(made)
    assert run(made, "--resume") in (0, 3)
    assert results(made.folder / "out") != before
    assert results(made.folder / "out") == fresh(made)


def test_statistics_beside_a_tile_change_nothing(made: District, capsys: pytest.CaptureFixture[str]) -> None:
    tile = plain(made)
    assert run(made) in (0, 3)
    with rasterio.open(tile) as file, warnings.catch_warnings():
        warnings.simplefilter("ignore")  # the newer way writes no file
        file.statistics(1)
    assert "STATISTICS" in Path(f"{tile}.aux.xml").read_text()
    capsys.readouterr()
    assert run(made, "--resume") in (0, 3)
    assert ", 0 of them now" in capsys.readouterr().out


def other_parcels(made: District) -> None:
    frame = gpd.read_file(made.parcels)
    frame.geometry = frame.geometry.buffer(-2.0)
    frame.to_file(made.parcels)


def other_season(made: District) -> None:
    (made.folder / "season.toml").write_text(SEASON.replace("dry = 3", "dry = 4"))


@pytest.mark.parametrize(
    ("change", "name"),
    [
        (other_season, "season.toml"),
        (halved, "outer.vrt"),
        (fewer_limits, "fleet.toml"),
        (other_parcels, "parcels.gpkg"),
    ],
)
def test_a_change_in_between_is_said_and_heals(
    made: District,
    change: Callable[[District], None],
    name: str,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    worked = portfolio_run._results

    def slow(*given: object) -> object:
        yield from worked(*given)  # type: ignore[arg-type]
        change(made)

    with monkeypatch.context() as patch:
        patch.setattr(portfolio_run, "_results", slow)
        assert run(made, season=True) == 2
    said = capsys.readouterr().err.splitlines()[-1]
    assert f"{name}: this file changed while it was worked on" in said and said.endswith("kept for --resume.")
    assert not (made.folder / "out" / "manifest.json").exists()
    assert run(made, "--resume", season=True) in (0, 3)
    assert results(made.folder / "out") == fresh(made, season=True)


def test_heights_that_differ_give_other_zones(made: District) -> None:
    """The changes above can be seen: half the slope is another answer."""
    with rasterio.open(made.folder / "under" / "t.tif") as file:
        z = file.read(1)
    assert np.hypot(*np.gradient(z)).max() > 0.3
