"""slopekit screen: what is checked before the long work, what is handed to it, what is printed after it."""

import hashlib
import json
import os
import struct
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import rasterio
from cli_samples import Instead, Site

import slopekit.api.result
import slopekit.outputs.map
import slopekit.sources.elevation
from slopekit.outputs.manifest import note
from slopekit.schema.layers import LAYERS

OPTIONS = ("water", "walls", "hazards", "dry", "exclude", "soft", "canopy", "entrances", "drives")


def test_every_option_reaches_the_work(screened: Site, capsys: pytest.CaptureFixture[str]) -> None:
    layers = [text for name in OPTIONS for text in (f"--{name}", screened.path(f"{name}.gpkg"))]
    more = [
        "--id-column",
        "name",
        "--survey-date",
        "2024-05-31",
        "--surface",
        "top",
        "--z-unit",
        "ft",
        "--z-rmse",
        "0.1",
    ]
    more += ["--cell", "2", "--workers", "3", "--rasters", screened.path("rasters")]
    assert screened.run(*layers, *more) == 0
    (call,) = screened.calls
    survey = call["survey"]
    assert (survey.z_unit, survey.z_unit_from, survey.rmse_m, survey.block) == ("foot", "option", 0.1, 2)
    assert (survey.survey_date, survey.surface) == (date(2024, 5, 31), "top")
    assert [p.id for p in call["parcels"]] == ["lawn"]
    assert all(getattr(call["layers"], name) is not None for name in OPTIONS)
    assert call["layers"].hazards.kinds == ("road",)
    assert call["layers"].entrances.widths.tolist() == [2.5]
    assert (call["workers"], call["rasters"]) == (3, Path(screened.path("rasters")))
    assert call["rasters"].is_dir()
    assert set(call["inputs"]) == {"parcels", "fleet", "job", *OPTIONS}
    # What makes the same zones again; how many processes did it, and where it went, is no part of it.
    job = json.loads(call["inputs"]["job"])
    assert job.pop("layers") == {name: screened.path(f"{name}.gpkg") for name in OPTIONS}
    assert job == {
        **{"job": "screen", "version": 1, "elevation": [screened.path("ground.tif")]},
        **{"parcels": screened.path("parcels.gpkg"), "fleet": screened.path("fleet.toml"), "id_column": "name"},
        **{"survey_date": "2024-05-31", "surface": "top", "z_unit": "ft", "z_rmse": 0.1, "cell": 2.0},
    }
    content = bytearray(Path(screened.path("walls.gpkg")).read_bytes())
    # One file: the SHA-256 of its SHA-256, where SQLite's journal mode, counters and version are 0, since a program
    # that shows the file changes them (sqlite.org/fileformat2.html, 1.3).
    for first, last in ((18, 20), (24, 28), (92, 100)):
        content[first:last] = bytes(last - first)
    told = hashlib.sha256(hashlib.sha256(content).digest()).hexdigest()
    assert call["inputs"]["walls"] == f"walls.gpkg (sha256:{told})"


@pytest.mark.parametrize("units", ["us", "metric"])
def test_units_are_those_of_the_map(units: str, screened: Site, monkeypatch: pytest.MonkeyPatch) -> None:
    drawn: list[str] = []
    monkeypatch.setattr(
        slopekit.api.result.Result, "map", lambda self, path, **how: drawn.append(how["units"]) or [path]
    )
    assert screened.run("--map", screened.path("map.png"), "--units", units) == 0
    assert drawn == [units]


def test_units_that_are_not_known(screened: Site, capsys: pytest.CaptureFixture[str]) -> None:
    assert screened.run("--units", "feet") == 2
    err = capsys.readouterr().err
    assert "feet" in err and "metric" in err and not screened.calls


def test_nothing_given_is_nothing_handed_on(screened: Site) -> None:
    assert screened.run() == 0
    (call,) = screened.calls
    assert all(getattr(call["layers"], name) is None for name in OPTIONS)
    assert (call["workers"], call["rasters"]) == (None, None)
    assert [p.id for p in call["parcels"]] == ["1"]


def test_table_and_paths_on_stdout_all_else_on_stderr(screened: Site, capsys: pytest.CaptureFixture[str]) -> None:
    report = screened.path("report.json")
    assert screened.run("--report", report) == 0
    out, err = capsys.readouterr()
    assert "Walk-behind (operator on foot)" in out
    assert "800" in out
    assert out.splitlines()[-2:] == [screened.path("zones.gpkg"), report]
    assert err.splitlines() == [
        "Screening 1 parcel of parcels.gpkg.",
        "Warning: The survey is old.",
        "Not assessed: The state of the turf.",
        "Caution: Keep the roll bar up.",
    ]


def test_quiet_drops_the_log_and_keeps_the_cautions(screened: Site, capsys: pytest.CaptureFixture[str]) -> None:
    assert screened.run("--quiet") == 0
    out, err = capsys.readouterr()
    assert "Screening" not in err
    assert err.count("Caution: Keep the roll bar up.") == 1
    assert screened.path("zones.gpkg") in out


def test_package_holds_every_layer(screened: Site) -> None:
    import pyogrio

    assert screened.run() == 0
    assert set(LAYERS) <= {str(name) for name, _ in pyogrio.list_layers(screened.path("zones.gpkg"))}


def test_parquet_when_the_name_says_so(screened: Site) -> None:
    import geopandas as gpd

    assert screened.run(out="zones.parquet") == 0
    assert gpd.read_parquet(screened.path("zones.parquet")).plan_m2.tolist() == [800.0]


def test_report_tells_the_survey_and_the_tables(screened: Site) -> None:
    assert screened.run("--report", screened.path("report.json")) == 0
    content = json.loads(Path(screened.path("report.json")).read_text())
    assert content["survey"]["names"] == ["ground.tif"]
    assert content["survey"]["rows"] == 60
    assert content["survey"]["columns"] == 80
    assert content["zones"][0]["plan_m2"] == 800.0


def test_profiles_are_drawn_where_they_are_asked_for(screened: Site, capsys: pytest.CaptureFixture[str]) -> None:
    picture = screened.path("ways.PNG")
    assert screened.run("--profiles", picture) == 0
    assert capsys.readouterr().out.splitlines()[-2:] == [screened.path("zones.gpkg"), picture]
    # PNG (ISO/IEC 15948): the signature.
    assert Path(picture).read_bytes()[:8] == b"\x89PNG\r\n\x1a\n"


def test_a_map_is_drawn_where_it_is_asked_for(
    screened: Site, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    drawn: dict[str, Any] = {}
    draw = slopekit.outputs.map.draw_map

    def keep(path: Path, **given: Any) -> None:
        drawn.update(given)
        draw(path, **given)

    monkeypatch.setattr(slopekit.outputs.map, "draw_map", keep)
    picture = screened.path("zones.png")
    assert screened.run("--map", picture) == 0
    assert capsys.readouterr().out.splitlines()[-2:] == [screened.path("zones.gpkg"), picture]
    # PNG (ISO/IEC 15948): the signature, then width and height. A4 on its side at 150 dots per inch.
    head = Path(picture).read_bytes()[:24]
    assert head[:8] == b"\x89PNG\r\n\x1a\n"
    assert struct.unpack(">II", head[16:]) == pytest.approx((297 / 25.4 * 150, 210 / 25.4 * 150), abs=2)
    assert drawn["title"].endswith(": parcels") and "Keep the roll bar up." in drawn["cautions"]
    # The relief is the survey's own.
    with rasterio.open(screened.path("ground.tif")) as file:
        heights = file.read(1)
    assert np.isfinite(drawn["z"]).sum() == heights.size
    row, col = drawn["grid"].cell_at(file.bounds.left + 0.5 * file.res[0], file.bounds.top - 0.5 * file.res[1])
    np.testing.assert_array_equal(drawn["z"][row : row + file.height, col : col + file.width], heights)


YET_TO_COME = (date.today() + timedelta(days=7)).isoformat()


@pytest.mark.parametrize(
    ("more", "told"),
    [
        (["--out", "zones.shp"], "zones.shp: results are written as .gpkg or .parquet"),
        (["--out", "nowhere/zones.gpkg"], "the folder {here}/nowhere is not there"),
        (["--out", "fleet.toml/zones.gpkg"], "{here}/fleet.toml is a file"),
        (["--out", "parcels.gpkg"], "parcels.gpkg: the result would replace a file that it is made from"),
        (["--out", "link.gpkg"], "link.gpkg: the result would replace a file that it is made from"),
        (["--water", "water.gpkg", "--out", "water.gpkg"], "water.gpkg: the result would replace a file"),
        (["--report", "fleet.toml"], "fleet.toml: the result would replace a file that it is made from"),
        (["--report", "ground.tif"], "ground.tif: the result would replace a file that it is made from"),
        (["--report", "zones.gpkg"], "zones.gpkg: two results would go to this file"),
        (["--out", "z.parquet", "--report", "z.water.parquet"], "z.water.parquet: two results would go to this file"),
        (["--profiles", "profiles.pdf"], "profiles.pdf: this is drawn as .png, so give --profiles this ending."),
        (["--map", "map.jpg"], "map.jpg: this is drawn as .png, so give --map this ending."),
        (["--map", "p.png", "--profiles", "p.png"], "p.png: two results would go to this file"),
        (["--report", "p.png", "--profiles", "p.png"], "p.png: two results would go to this file"),
        (["--report", "nowhere/r.json"], "the folder {here}/nowhere is not there"),
        (["--rasters", "fleet.toml"], "fleet.toml: this is a file and --rasters takes a folder"),
        (["--fleet", "other.toml"], "other.toml: there is no such fleet file"),
        (["--fleet", "bad.toml"], "bad.toml: machines.m1.widht_m = 0.9 is not a key"),
        (["--parcels", "other.gpkg"], "other.gpkg: there is no such file, so check the path after --parcels"),
        (["--soft", "other.gpkg|layername=a"], "other.gpkg: there is no such file, so check the path after --soft"),
        (["--survey-date", YET_TO_COME], f"The survey date {YET_TO_COME} lies in the future"),
    ],
)
def test_what_would_fail_later_fails_at_once(
    more: list[str], told: str, screened: Site, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    (screened.folder / "bad.toml").write_text((screened.folder / "fleet.toml").read_text().replace("width", "widht"))
    (screened.folder / "link.gpkg").symlink_to(screened.folder / "parcels.gpkg")
    before = {path.name: path.read_bytes() for path in screened.folder.iterdir()}

    def opened(*_: object, **__: object) -> None:
        raise AssertionError("the elevation was opened before the cheap checks")

    monkeypatch.setattr(slopekit.sources.elevation, "open_elevation", opened)
    monkeypatch.chdir(screened.folder)
    assert screened.run(*more) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert len(err.splitlines()) == 1
    assert told.format(here=os.path.realpath(screened.folder)) in err
    assert {path.name: path.read_bytes() for path in screened.folder.iterdir()} == before


def test_coarse_cells_only_when_asked(screened: Site, capsys: pytest.CaptureFixture[str]) -> None:
    assert screened.run("--cell", "6") == 2
    assert "--prescreen" in capsys.readouterr().err
    assert screened.run("--cell", "6", "--prescreen") == 0
    assert screened.calls[0]["survey"].block == 6


def test_a_failed_run_leaves_an_older_result_alone(instead: Instead, capsys: pytest.CaptureFixture[str]) -> None:
    def act() -> None:
        raise RuntimeError("half-way")

    site = instead(act)
    older = Path(site.path("zones.gpkg"))
    older.write_bytes(b"an older result")
    note(older, older)
    assert site.run() == 1
    assert Path(site.path("zones.gpkg")).read_bytes() == b"an older result"
    assert not list(site.folder.glob(".*partial*"))
