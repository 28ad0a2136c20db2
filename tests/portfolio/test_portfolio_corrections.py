"""Corrections over several surveys: each counts where it was said of, and what it cannot touch is not done again.

The rules are the project's own (docs/corrections.md, docs/scale.md); a rejection is checked against what `screen` makes
of the same ground and words, and every run that goes on against one that begins anew.
"""

import contextlib
import sqlite3
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pyogrio
import pytest
import rasterio
import shapely
from rasterio.transform import Affine
from scipy import ndimage

from slopekit.cli import main

CRS = "EPSG:25832"
WEST, NORTH, APART = 500_000.0, 5_600_000.0, 3_000.0
ROWS, COLS, POND = 380, 660, (180, 180)
"""Row and column of the pond's middle."""
FLEET = """\
schema = 1
[runout]
look_m = 40
[conditions.dry]
friction = 0.35
limit_factor = 1.0
[machines.m1]
class = "walk-behind"
across_deg = 15.0
up_down_deg = 15.0
width_m = 0.9
speed_kmh = 4.0
above_hazard = false
"""
"""Invented figures."""
OUTPUTS = ("portfolio.gpkg", "summary.csv", "summary.json")
SIGNED = {"who": "Ø. Ram", "when": "2025-11-19", "why": "walked round it, it is a lawn"}


def heights() -> np.ndarray:
    """A slope of 18 % down to a terrace with a flattened pond, and on below."""
    row, col = np.mgrid[:ROWS, :COLS].astype(float)
    z = 200.0 - 0.18 * np.minimum(row, 168.0) - 0.01 * np.clip(row - 168.0, 0.0, 30.0) - 0.1 * np.maximum(row - 198, 0)
    noise = ndimage.gaussian_filter(np.random.default_rng(7).normal(size=z.shape), 2.0)
    z += 0.02 * noise / noise.std()
    pond = np.hypot(row - POND[0], col - POND[1]) < 7.0
    z[pond] = z[pond].min()
    return z.astype("float32")


def lot(col: float, east: float = 0.0) -> shapely.Polygon:
    return shapely.box(WEST + east + col, NORTH - 164, WEST + east + col + 40, NORTH - 134)


@pytest.fixture(scope="module")
def ground(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two surveys with one pond each, of the same shape; a lawn above each of them, and one far from either."""
    folder = tmp_path_factory.mktemp("ground")
    (folder / "tiles").mkdir()
    for name, east, day in (("a", 0.0, "2021-03-04"), ("b", APART, "2022-05-01")):
        affine = Affine(1.0, 0.0, WEST + east, 0.0, -1.0, NORTH)
        size = {"height": ROWS, "width": COLS, "count": 1, "dtype": "float32", "crs": CRS, "transform": affine}
        with rasterio.open(folder / "tiles" / f"{name}.tif", "w", driver="GTiff", **size) as file:
            file.update_tags(SURFACE="bare earth", ACQUISITION_DATE=day)
            file.write(heights(), 1)
    lots = {"first": lot(160), "far": lot(470), "second": lot(160, APART)}
    gpd.GeoDataFrame({"pid": [*lots]}, geometry=[*lots.values()], crs=CRS).to_file(folder / "parcels.gpkg")
    (folder / "fleet.toml").write_text(FLEET)
    assert run(folder, folder / "out") == 0
    return folder


def run(ground: Path, out: Path, *more: str, command: str = "portfolio", tiles: str = "tiles") -> int:
    given = ["--parcels", str(ground / "parcels.gpkg"), "--id-column", "pid", "--fleet", str(ground / "fleet.toml")]
    return main([command, str(ground / tiles), *given, "--out", str(out), "--workers", "1", "--quiet", *more])


def layer(folder: Path, name: str) -> gpd.GeoDataFrame:
    return pyogrio.read_dataframe(folder / "portfolio.gpkg" if folder.is_dir() else folder, layer=name)


def permitted(folder: Path) -> dict[str, float]:
    """Square metres that the machine may work, by parcel."""
    zones = layer(folder, "zones")
    return {str(one): float(among.plan_m2[among.permitted == "m1"].sum()) for one, among in zones.groupby("parcel_id")}


def spot(east: float = 0.0) -> shapely.Point:
    return shapely.Point(WEST + east + POND[1] + 0.5, NORTH - POND[0] - 0.5)


def names(out: Path) -> dict[str, tuple[str, str]]:
    """Body and survey of the pond of each parcel that has one."""
    surveys = layer(out, "sources").set_index("parcel_id").checksum
    water = layer(out, "water")
    return {row.parcel_id: (row.body, surveys[row.parcel_id]) for row in water.itertuples()}


def draw(path: Path, *rows: dict[str, Any]) -> Path:
    path.unlink(missing_ok=True)
    columns = ("what", "body", "survey", "who", "when", "why", "width")
    frame = gpd.GeoDataFrame(
        {name: [row.get(name) for row in rows] for name in columns}, geometry=[row["at"] for row in rows], crs=CRS
    )
    frame.to_file(path, layer="corrections", driver="GPKG")
    return path


def reject(body: str, survey: str, at: shapely.Geometry) -> dict[str, Any]:
    return {"what": "reject", "body": body, "survey": survey, "at": at, **SIGNED}


def effects(out: Path) -> list[str]:
    return layer(out, "corrections").sort_values("number").effect.tolist()


def contents(out: Path) -> list[bytes]:
    return [(out / name).read_bytes() for name in OUTPUTS]


def test_a_rejection_holds_for_the_survey_it_names_alone(ground: Path, tmp_path: Path) -> None:
    before, found = permitted(ground / "out"), names(ground / "out")
    assert set(found) == {"first", "second"} and len({*found.values()}) == 2
    assert before["first"] < 0.5 * lot(0).area and before["second"] < 0.5 * lot(0).area
    (body, survey), (other, later) = found["first"], found["second"]
    said = draw(
        tmp_path / "said.gpkg",
        reject(body, survey, spot()),
        # The body of one survey, said of the other; the same place, the wrong name; a survey that nobody has.
        reject(other, survey, spot(APART)),
        reject(body, later, spot(APART)),
        reject(other, "sha256:" + "0" * 64, spot(APART)),
    )
    assert run(ground, tmp_path / "out", "--corrections", str(said)) == 0
    after = permitted(tmp_path / "out")
    assert after["first"] > before["first"] + 0.2 * lot(0).area
    assert (after["second"], after["far"]) == (before["second"], before["far"])
    nothing = "lifts nothing: no ground of these parcels hangs on a body of that name that it touches"
    told = ["lifts a hazard from ground of: first", nothing, nothing, "not counted: it was said of another survey"]
    assert effects(tmp_path / "out") == told
    zones = layer(tmp_path / "out", "zones")
    assert zones.note[zones.parcel_id == "first"].str.contains("Ø. Ram").any()

    # `screen` on the one tile, with its own names for the same things, comes to the same ground.
    (tmp_path / "parcels.gpkg").unlink(missing_ok=True)
    alone = gpd.read_file(ground / "parcels.gpkg")
    alone[alone.pid == "first"].to_file(tmp_path / "parcels.gpkg")
    line = [
        "screen",
        str(ground / "tiles" / "a.tif"),
        "--parcels",
        str(tmp_path / "parcels.gpkg"),
        "--id-column",
        "pid",
    ]
    line += ["--fleet", str(ground / "fleet.toml"), "--quiet", "--survey-date", "2021-03-04", "--out"]
    assert main([*line, str(tmp_path / "first.gpkg")]) == 0
    own = layer(tmp_path / "first.gpkg", "water").body[0]
    notes = layer(tmp_path / "first.gpkg", "run_notes").set_index("name").value
    survey = notes["elevation"].rpartition("(")[2].rstrip(")")
    again = draw(tmp_path / "again.gpkg", reject(own, survey, spot()))
    assert main([*line, str(tmp_path / "second.gpkg"), "--corrections", str(again)]) == 0
    theirs = layer(tmp_path / "second.gpkg", "zones")
    ours = zones[zones.parcel_id == "first"].reset_index(drop=True)
    assert shapely.equals_exact(ours.geometry.array, theirs.geometry.array).all()
    assert ours.drop(columns=["geometry", "note"]).equals(theirs.drop(columns=["geometry", "note"]))


def test_what_is_added_and_confirmed_shows_in_the_merged_layer(ground: Path, tmp_path: Path) -> None:
    found = names(ground / "out")
    said = draw(
        tmp_path / "said.gpkg",
        {"what": "no-go", "at": lot(470).buffer(1.0)},
        {"what": "confirm", "body": found["second"][0], "at": spot(APART), "who": "Ø. Ram", "when": "2025-11-19"},
        {"what": "confirm", "body": "w-00000000", "at": spot(APART), "who": "Ø. Ram", "when": "2025-11-19"},
        {"what": "water", "width": 2.0, "at": shapely.LineString([(WEST - 900, NORTH), (WEST - 950, NORTH)])},
    )
    assert run(ground, tmp_path / "out", "--corrections", str(said), "--workers", "2") == 0
    more = "counted: it only refuses more"
    lost = "not found: no body of that name lies near these parcels"
    assert effects(tmp_path / "out") == [more, "shown as confirmed", lost, more]
    assert permitted(tmp_path / "out")["far"] == 0.0
    shown = layer(tmp_path / "out", "corrections").sort_values("number").geometry.tolist()
    # A point is drawn a metre wide (a circle, of which a buffer cuts 0.5 %); the line is 2 m wide with round ends.
    assert shown[1].area == pytest.approx(np.pi / 4.0, rel=0.03)
    assert shown[3].area == pytest.approx(100.0 + np.pi, rel=0.01)
    assert shown[0].area == pytest.approx(lot(470).buffer(1.0).area, rel=1e-6)
    water = layer(tmp_path / "out", "water").set_index("parcel_id").origin
    assert (water["second"], water["first"]) == ("confirmed on site", "inferred from flat cells")


def test_a_changed_file_is_screened_again_where_it_touches(
    ground: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    body, survey = names(ground / "out")["first"]
    said, out = tmp_path / "said.gpkg", tmp_path / "out"

    def go_on(now: int, *rows: dict[str, Any]) -> None:
        draw(said, *rows)
        capsys.readouterr()
        assert run(ground, out, "--resume", "--corrections", str(said)) == 0
        assert f", {now} of them now" in capsys.readouterr().out
        fresh = tmp_path / "fresh"
        assert run(ground, fresh / str(now) / str(len(rows)), "--corrections", str(said)) == 0
        assert contents(out) == contents(fresh / str(now) / str(len(rows)))

    assert run(ground, out) == 0
    elsewhere = {"what": "no-go", "at": shapely.box(WEST - 950, NORTH, WEST - 900, NORTH + 50)}
    go_on(0, elsewhere)
    assert effects(out) == ["counted: it only refuses more"]
    go_on(1, reject(body, survey, spot()), elsewhere)
    assert effects(out)[0] == "lifts a hazard from ground of: first"
    # The same rejection under another number: the answer names it, so it is made anew.
    go_on(1, elsewhere, elsewhere, reject(body, survey, spot()))
    assert effects(out)[2] == "lifts a hazard from ground of: first"
    # Rows of a part that holds other parcels too are kept with what they say of rejections.
    together = tmp_path / "fresh" / "1" / "3"
    draw(said, elsewhere, elsewhere, reject(body, survey, spot()), {"what": "no-go", "at": lot(470)})
    for folder in (together, out):
        capsys.readouterr()
        assert run(ground, folder, "--resume", "--corrections", str(said)) == 0
        assert ", 1 of them now" in capsys.readouterr().out
        assert effects(folder)[2] == "lifts a hazard from ground of: first"
    assert contents(together) == contents(out)
    (out / "journal.jsonl").unlink()
    capsys.readouterr()
    assert run(ground, out, "--resume", "--corrections", str(said)) == 0
    assert ", 0 of them now" in capsys.readouterr().out
    assert effects(out)[2] == "lifts a hazard from ground of: first"
    # A confirmation counts wherever it was drawn, so all is screened again.
    sure = {"what": "confirm", "body": body, "at": spot(APART), "who": "Ø. Ram", "when": "2025-11-19"}
    go_on(3, sure)
    assert "confirmed on site" in set(layer(out, "water").origin)
    # Without the file nothing is lifted any more.
    assert run(ground, out, "--resume") == 0
    assert contents(out) == contents(ground / "out") and permitted(out) == permitted(ground / "out")


def test_a_portfolio_goes_out_on_a_phone_and_comes_back(ground: Path, tmp_path: Path) -> None:
    site, (body, survey) = tmp_path / "site.gpkg", names(ground / "out")["second"]
    assert main(["phone", str(ground / "out" / "portfolio.gpkg"), "--out", str(site), "--quiet"]) == 0
    with contextlib.closing(sqlite3.connect(site)) as db:
        forms = [text for (text,) in db.execute("SELECT styleQML FROM layer_styles WHERE f_table_name LIKE 'correct%'")]
    # Of two surveys the form lists both, and none stands in a new feature by itself.
    assert len(forms) == 3
    assert all(form.count('value="tiles:') == 2 and survey in form for form in forms)
    row = {"what": ["reject"], "body": [body], "survey": [survey], **{name: [text] for name, text in SIGNED.items()}}
    frame = gpd.GeoDataFrame(row, geometry=[spot(APART)], crs=CRS)
    pyogrio.write_dataframe(frame, site, layer="corrections_points", driver="GPKG", append=True)
    assert run(ground, tmp_path / "out", "--corrections", str(site)) == 0
    assert effects(tmp_path / "out") == ["lifts a hazard from ground of: second"]
    before, after = permitted(ground / "out"), permitted(tmp_path / "out")
    assert after["second"] > before["second"] and after["first"] == before["first"]


def test_a_file_that_cannot_be_read_stops_the_run(
    ground: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    said = draw(tmp_path / "said.gpkg", {"what": "bog", "at": spot()})
    capsys.readouterr()
    assert run(ground, tmp_path / "out", "--corrections", str(said)) == 2
    (line,) = capsys.readouterr().err.splitlines()
    assert "said.gpkg" in line and "says what = 'bog', which is not known" in line
    assert not (tmp_path / "out" / "portfolio.gpkg").exists()
