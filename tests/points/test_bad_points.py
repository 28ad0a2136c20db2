"""Files of points that cannot be used: one sentence that names the file, the value and the fix."""

import re
from pathlib import Path

import laspy
import numpy as np
import pytest
from ground_maker import UTM
from points_maker import Cloud, ground_cloud, layers_of, tilted, write_points

from slopekit.cli import main
from slopekit.errors import InputError
from slopekit.points.classes import classes_of
from slopekit.points.settings import PointSettings
from slopekit.sources.point_files import open_points

CLOUD = ground_cloud(tilted, 4.0, 30.0)


def refused(path: Path, folder: Path, words: str, **options: object) -> None:
    with pytest.raises(InputError, match=words) as told:
        layers_of(path, folder, **options)
    assert path.name in str(told.value)
    assert "\n" not in str(told.value)


def test_no_crs_needs_a_name_and_takes_one(tmp_path: Path) -> None:
    path = write_points(tmp_path / "a.laz", CLOUD, crs=None)
    refused(path, tmp_path / "s", "does not say its CRS.*--crs EPSG")
    assert np.isfinite(layers_of(path, tmp_path / "t", crs=UTM).ground).any()
    with pytest.raises(InputError, match="--crs 'nowhere' is not known"):
        open_points([path], crs="nowhere")


def test_feet_are_metres_inside(tmp_path: Path) -> None:
    foot = 1200.0 / 3937.0
    feet = {"crs": "EPSG:2263", "west": 980_000.0, "south": 190_000.0, "unit": foot, "z_unit": foot}
    path = write_points(tmp_path / "a.laz", CLOUD, **feet)  # type: ignore[arg-type]
    refused(path, tmp_path / "s", "nothing tells the unit of the heights, so name --z-unit")
    layers = layers_of(path, tmp_path / "t", z_unit="us-survey-foot")
    assert layers.grid.dx == pytest.approx(1.0)
    assert layers.grid.step_x == pytest.approx(1.0 / foot)
    middle = layers.ground[10:20, 10:20]
    assert np.nanmean(middle) == pytest.approx(50.3, abs=0.05)
    # The same cloud in metres has as many cells with ground.
    metric = layers_of(write_points(tmp_path / "b.laz", CLOUD), tmp_path / "u")
    assert np.isfinite(layers.ground).sum() == pytest.approx(np.isfinite(metric.ground).sum(), rel=0.1)


def test_degrees_are_measured_in_metres(tmp_path: Path) -> None:
    import pyproj

    to = pyproj.Transformer.from_crs(UTM, "EPSG:4326", always_xy=True)
    lon, lat = to.transform(500_000.0 + CLOUD.x, 4_100_000.0 - 60.0 + CLOUD.y)
    cloud = Cloud(lon, lat, CLOUD.z, CLOUD.code)
    path = write_points(tmp_path / "a.laz", cloud, crs="EPSG:4326", west=0.0, south=0.0, scale=1e-7)
    layers = layers_of(path, tmp_path / "s")
    assert "UTM zone 17N" in layers.grid.crs
    assert layers.returns.sum() == len(CLOUD.x)
    assert any("Lengths in" in note["value"] for note in layers.notes)


def test_a_coarse_or_wrong_scale_is_refused(tmp_path: Path) -> None:
    refused(write_points(tmp_path / "a.laz", CLOUD, scale=0.5), tmp_path / "s", "steps of 0.5 m.*scale")
    path = write_points(tmp_path / "b.las", CLOUD)
    raw = bytearray(path.read_bytes())
    # LAS 1.4: the scale factors of x, y, z stand at byte 131.
    raw[131:139] = np.float64(0.01).tobytes()
    path.write_bytes(raw)
    refused(path, tmp_path / "t", "outside the bounds that its header gives")
    raw[131:139] = np.float64(0.0).tobytes()
    path.write_bytes(raw)
    refused(path, tmp_path / "u", "scale .* cannot be")


def test_empty_and_cut_files_are_refused(tmp_path: Path) -> None:
    nothing = tmp_path / "nothing.laz"
    nothing.write_bytes(b"")
    refused(nothing, tmp_path / "s", "the file is empty")
    none = CLOUD.where(np.zeros(len(CLOUD.x), bool))
    refused(write_points(tmp_path / "none.laz", none), tmp_path / "t", "there are no points in it")
    for n, (name, keep) in enumerate((("a.laz", 0.6), ("b.las", 0.6), ("c.laz", 0.02), ("d.las", 0.001))):
        path = write_points(tmp_path / name, CLOUD)
        raw = path.read_bytes()
        path.write_bytes(raw[: int(keep * len(raw))])
        refused(path, tmp_path / f"cut{n}", "was cut off|cannot be read as LAS, LAZ or COPC")


def test_damaged_bytes_never_end_in_anything_but_a_sentence(tmp_path: Path) -> None:
    path = write_points(tmp_path / "a.laz", CLOUD)
    raw = path.read_bytes()
    rng = np.random.default_rng(0)
    refusals = 0
    for n in range(30):
        bad = bytearray(raw)
        for at in rng.integers(0, len(raw), 20):
            bad[at] = rng.integers(0, 256)
        path.write_bytes(bad)
        try:
            layers_of(path, tmp_path / f"s{n}")
        except InputError:
            refusals += 1
    assert refusals > 10


def test_no_points_of_theirs(tmp_path: Path) -> None:
    text = tmp_path / "a.laz"
    text.write_text("this is a text, not points at all, and long enough to be read as one" * 20)
    refused(text, tmp_path / "s", "cannot be read as LAS, LAZ or COPC")
    with pytest.raises(InputError, match="there is no such file or folder"):
        open_points([tmp_path / "gone.laz"])
    (tmp_path / "empty").mkdir()
    with pytest.raises(InputError, match=r"holds no \.las or \.laz"):
        open_points([tmp_path / "empty"])


def test_classes_of_a_file(tmp_path: Path) -> None:
    file = tmp_path / "classes.toml"
    file.write_text("ground = [2, 8]\nwater = [9]\n")
    table = classes_of(file).table()
    assert [int(table[code]) for code in (2, 8, 9, 6)] == [1, 1, 2, 0]
    for text, words in (
        ("ground = [2]\nwater = [2]\n", "class 2 is both ground and water"),
        ("water = [9]\n", "names no class of ground"),
        ("ground = [2]\ntrees = [5]\n", "'trees' is none of"),
        ("ground = [300]\n", "no list of class codes"),
        ("ground = [", "cannot be read"),
    ):
        file.write_text(text)
        with pytest.raises(InputError, match=re.escape(words)):
            classes_of(file)
    with pytest.raises(InputError, match="there is no such file of classes"):
        classes_of(tmp_path / "gone.toml")


def test_settings_have_bounds() -> None:
    cases = (({"cell_m": 2.0}, "--cell 2"), ({"gap_m": 50.0}, "--gap 50"), ({"roll_bar_m": 9.0}, "--roll-bar 9"))
    for bad, words in cases:
        with pytest.raises(InputError, match=words):
            PointSettings(**bad)


def test_the_command_says_it_in_one_line_and_exits_with_2(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    write_points(tmp_path / "a.laz", CLOUD, crs=None)
    assert main(["points", "a.laz", "--out", "out"]) == 2
    assert capsys.readouterr().err.startswith("Error: a.laz: the file does not say its CRS")
    write_points(tmp_path / "a.laz", CLOUD)
    assert main(["points", "a.laz", "--out", "out", "--quiet"]) == 0
    told = capsys.readouterr()
    assert "Not assessed: Water by class" in told.err
    assert {path.name for path in (tmp_path / "out").iterdir() if not path.name.startswith(".")} == {
        "ground.tif", "returns.tif", "steps.tif", "seen.tif", "walls.gpkg", "water.gpkg", "canopy.gpkg", "exclude.gpkg",
        "points_notes.csv",
    }  # fmt: skip
    (tmp_path / "out" / "ground.tif").write_bytes(b"mine")
    assert main(["points", "a.laz", "--out", "out", "--quiet"]) == 2
    assert "not one that slopekit wrote" in capsys.readouterr().err
    assert laspy.read(tmp_path / "a.laz").header.point_count == len(CLOUD.x)


def test_points_that_are_given_twice_are_refused(tmp_path: Path) -> None:
    write_points(tmp_path / "a.laz", CLOUD)
    write_points(tmp_path / "b.las", CLOUD)
    with pytest.raises(InputError, match=r"b\.las: it holds the same [\d,]+ points as a\.laz, so name only one"):
        open_points([tmp_path])


def test_heights_on_two_levels_are_refused(tmp_path: Path) -> None:
    half = CLOUD.x < 15.0
    # EPSG 5773 is EGM96, EPSG 5703 is NAVD88.
    write_points(tmp_path / "a.laz", CLOUD.where(half), crs=f"{UTM}+5773")
    write_points(tmp_path / "b.laz", CLOUD.where(~half), crs=f"{UTM}+5703")
    with pytest.raises(InputError, match=r"b\.laz: its heights count from .*, so convert them to one"):
        open_points([tmp_path])
