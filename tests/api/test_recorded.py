"""A result in a file tells how it was made: spots are explained and fleets compared from it, wherever it lies.

What is refused is refused in one sentence. Ground and fleet are invented.
"""

import json
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pyogrio
import pytest
import rasterio
import shapely

import slopekit as sk
from slopekit.api.recorded import job_of
from slopekit.cli.entry import main

WEST, NORTH, CRS = 500_000.0, 5_600_000.0, "EPSG:25832"
AT = WEST + 60.5, NORTH - 70.5


def layer(path: Path, shape: shapely.Geometry, **columns: Any) -> Path:
    gpd.GeoDataFrame({name: [value] for name, value in columns.items()}, geometry=[shape], crs=CRS).to_file(path)
    return path


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with inputs, and a result of them in a folder within."""
    folder = tmp_path_factory.mktemp("made")
    z = np.add.outer(np.linspace(60.0, 40.0, 120), np.zeros(120)).astype("float32")
    grid = rasterio.Affine(1.0, 0.0, WEST, 0.0, -1.0, NORTH)
    size = {"height": 120, "width": 120, "count": 1, "dtype": z.dtype}
    with rasterio.open(folder / "ground.tif", "w", driver="GTiff", crs=CRS, transform=grid, **size) as file:
        file.write(z, 1)
    layer(folder / "lots.gpkg", shapely.box(WEST + 40, NORTH - 90, WEST + 80, NORTH - 50), name="lawn")
    layer(folder / "water.gpkg", shapely.box(WEST + 20, NORTH - 112, WEST + 100, NORTH - 106))
    layer(folder / "gates.gpkg", shapely.Point(WEST + 40, NORTH - 70), width=3.0)
    shutil.copy(sk.demo_data() / "fleet.toml", folder)
    with pytest.MonkeyPatch.context() as here:
        here.chdir(folder)
        line = ["screen", "ground.tif", "--parcels", "lots.gpkg", "--fleet", "fleet.toml", "--water", "water.gpkg"]
        line += ["--entrances", "gates.gpkg", "--id-column", "name", "--z-rmse", "0.1", "--survey-date", "2024-05-31"]
        Path("out").mkdir()
        assert main([*line, "--out", "out/zones.gpkg", "--quiet"]) == 0
    return folder


@pytest.fixture
def site(made: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """A copy of the folder. Whoever asks stands in an empty one."""
    shutil.copytree(made, tmp_path / "site")
    (tmp_path / "elsewhere").mkdir()
    monkeypatch.chdir(tmp_path / "elsewhere")
    yield tmp_path / "site"


def told(folder: Path) -> sk.Explanation:
    """What is said without a result, from everything that it was made from."""
    more: dict[str, Any] = {"parcels": folder / "lots.gpkg", "id_column": "name", "survey_date": "2024-05-31"}
    more |= {"water": folder / "water.gpkg", "entrances": folder / "gates.gpkg", "z_rmse_m": 0.1}
    return sk.why(folder / "ground.tif", *AT, folder / "fleet.toml", **more)


def refused(result: Path, *more: Any, **named: Any) -> str:
    with pytest.raises(sk.InputError) as caught:
        sk.why(result, *AT, *more, **named)
    text = str(caught.value)
    assert text.startswith(f"{result}: ") and text.endswith(".") and "\n" not in text and ". " not in text
    return text


def test_a_result_alone_explains_a_spot(site: Path, capsys: pytest.CaptureFixture[str]) -> None:
    found, due = sk.why(site / "out" / "zones.gpkg", *AT), told(site)
    assert found.facts() == due.facts()
    assert found.spot.parcel == "lawn" and found.answers and "water.gpkg" not in str(found.facts()["survey"])
    assert main(["why", str(site / "out" / "zones.gpkg"), "--at", f"{AT[0]},{AT[1]}", "--json"]) == 0
    assert json.loads(capsys.readouterr().out) == json.loads(json.dumps(due.facts()))
    assert sk.why(sk.screen(site / "ground.tif", site / "lots.gpkg", site / "fleet.toml"), *AT).spot.parcel == "1"


def test_parquet_tells_the_same(site: Path) -> None:
    result = sk.screen(site / "ground.tif", site / "lots.gpkg", site / "fleet.toml", id_column="name")
    result.write("zones.parquet")
    assert sk.why("zones.parquet", *AT).facts() == result.why(*AT).facts()


def test_inputs_are_found_where_they_were_where_one_stands_and_beside_the_result(
    site: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    result = site / "out" / "zones.gpkg"
    assert Path(job_of(result).parcels).samefile(site / "lots.gpkg")
    moved = shutil.copy(result, Path.cwd() / "moved.gpkg")
    for name in ("fleet.toml", "ground.tif", "lots.gpkg", "water.gpkg", "gates.gpkg"):
        assert f" {name} (" in refused(Path(moved))
        shutil.copy(site / name, name)
    assert sk.why(moved, *AT).facts() == told(Path.cwd()).facts()
    monkeypatch.chdir(site.parent)
    assert job_of(moved).parcels == str(Path(moved).with_name("lots.gpkg"))
    monkeypatch.chdir(site)
    assert job_of(moved).parcels == "lots.gpkg"


def test_what_is_gone_or_has_changed_is_named(site: Path) -> None:
    result = site / "out" / "zones.gpkg"
    (site / "fleet.toml").rename("fleet.toml.kept")
    said = refused(result)
    assert "fleet.toml (fleet), which it was made from, is neither where it was nor beside the result" in said
    assert "another fleet" in said
    assert sk.why(result, *AT, "fleet.toml.kept").answers
    text = Path("fleet.toml.kept").read_text(encoding="utf-8")
    assert text.count("across_deg = 15.0") == 1
    Path("other.toml").write_text(text.replace("across_deg = 15.0", "across_deg = 16.0"), encoding="utf-8")
    assert "across_deg was 15.0 and is 16.0" in refused(result, "other.toml")
    layer(site / "water.gpkg", shapely.box(WEST + 20, NORTH - 113, WEST + 100, NORTH - 106))
    assert "the water it was made from has changed since" in refused(result, "fleet.toml.kept")
    with rasterio.open(site / "ground.tif", "r+") as file:
        file.write(file.read(1) + 1.0, 1)
    assert "the elevation it was made from has changed since" in refused(result, "fleet.toml.kept")
    (site / "water.gpkg").unlink()
    assert "water.gpkg (water), which it was made from, is neither" in refused(result, "fleet.toml.kept")


def test_a_result_names_all_else(site: Path, capsys: pytest.CaptureFixture[str]) -> None:
    result = site / "out" / "zones.gpkg"
    assert refused(result, water=site / "water.gpkg", cell_m=2.0).endswith("so leave out water, cell_m.")
    line = ["why", str(result), "--at", f"{AT[0]},{AT[1]}", "--z-rmse", "0.1", "--parcels", str(site / "lots.gpkg")]
    assert main(line) == 2
    assert "so leave out --parcels, --z-rmse." in capsys.readouterr().err
    assert main(["why", str(site / "ground.tif"), "--at", f"{AT[0]},{AT[1]}"]) == 2
    assert "Missing option '--fleet'" in capsys.readouterr().err
    with pytest.raises(sk.InputError, match=r"^fleet: the machines are not given"):
        sk.why(site / "ground.tif", *AT)


def test_what_the_session_alone_had_is_said(site: Path) -> None:
    lots, fleet = gpd.read_file(site / "lots.gpkg"), sk.load_fleet(site / "fleet.toml")
    with rasterio.open(site / "ground.tif") as file:
        heights = sk.Raster(file.read(1), file.transform[:6], CRS, unit="metre")
    for name, given, said in (
        ("array", (heights, site / "lots.gpkg", site / "fleet.toml"), "an array in memory (elevation)"),
        ("table", (site / "ground.tif", lots, site / "fleet.toml"), "a table in memory (parcels)"),
        ("values", (site / "ground.tif", site / "lots.gpkg", fleet), "values in memory (fleet)"),
    ):
        result = sk.screen(*given)
        path = result.write(f"{name}.gpkg")[0]
        assert f"it was made from {said}, which it does not hold" in refused(path)
        assert sk.why(result, *AT).facts() == result.why(*AT).facts()
        text = str(result.notes["value"][result.notes["name"] == "job"].item())
        assert "slopekit-held" not in text and json.loads(text)["version"] == 1
    assert sk.why("values.gpkg", *AT, fleet).answers


def test_a_file_without_a_job_and_one_of_no_screening(site: Path) -> None:
    result = site / "out" / "zones.gpkg"
    notes = pyogrio.read_dataframe(result, layer="run_notes")
    kept = notes[notes["name"] != "job"]
    pyogrio.write_dataframe(kept, result, layer="run_notes")
    assert "does not say how it was made" in refused(result)
    sk.landforms(site / "ground.tif", site / "lots.gpkg").write("forms.gpkg")
    assert "this is no screening of parcels" in refused(Path("forms.gpkg"))
