"""Every command and each of its outputs beside files that are not slopekit's: nothing is lost without a word."""

import contextlib
import os
import shutil
import sqlite3
import warnings
import zipfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import laspy
import numpy as np
import pyproj
import pytest
import rasterio
import rasterio.shutil
from cli_samples import FLEET, NORTH, WEST, write_grid, write_layer
from shapely import box

import slopekit.screening.batch
from slopekit.cli import main
from slopekit.cli.portfolio import NOT_ALL
from slopekit.outputs.manifest import RECORD
from slopekit.outputs.parquet import parquet_paths
from slopekit.outputs.qgis_profile import SCRIPTS, WHERE_FILE
from slopekit.outputs.symbology import LOOKS
from slopekit.schema.fields import FIELDS
from slopekit.schema.layers import ALL_LAYERS, LANDFORM_LAYERS, LAYERS

pytestmark = pytest.mark.fault

CREW = """efficiency = 0.8
[machines.crew]
class = "hand crew"
across_deg = 40.0
up_down_deg = 40.0
hand_rate_m2_h = 100.0
above_hazard = true
"""
SEASON = "schema = 1\nvisits = { dry = 2 }\n"
BANDS = [f"tifs/lawn_{f.name}.tif" for f in FIELDS if f.layer == "rasters"]
PORTFOLIO = ("manifest.json", "portfolio.gpkg", "summary.csv", "summary.xlsx", "summary.json")


@dataclass(frozen=True)
class Call:
    """A command line within the folder of a site, and all that it writes."""

    line: str
    outputs: tuple[str, ...]
    again: str = ""
    """What a second run needs beside."""
    code: int = 0
    """Of a portfolio: its tiles do not cover the look."""


SCREEN = "screen ground.tif --parcels parcels.gpkg --id-column name --fleet fleet.toml --quiet"
RUN = "portfolio ground.tif --parcels parcels.gpkg --id-column name --fleet fleet.toml --workers 1 --quiet --out folder"
CALLS = {
    "screen": Call(
        f"{SCREEN} --out a.gpkg --report a.json --profiles a.png --rasters tifs", ("a.gpkg", "a.json", "a.png", *BANDS)
    ),
    "screen to parquet": Call(
        f"{SCREEN} --out a.parquet", tuple(str(p) for p in parquet_paths("a.parquet", LAYERS).values())
    ),
    "demo": Call(
        "demo --quiet --out folder",
        tuple(
            f"folder/{n}" for n in ("zones.gpkg", "report.json", "map.png", "profiles.png", "sheets.pdf", "page.html")
        ),
    ),
    "landforms": Call("landforms ground.tif --quiet --out a.gpkg --table a.xlsx", ("a.gpkg", "a.xlsx")),
    "landforms to parquet": Call(
        "landforms ground.tif --quiet --out a.parquet --table a.csv",
        ("a.csv", *(str(p) for p in parquet_paths("a.parquet", [*LANDFORM_LAYERS, "run_notes"]).values())),
    ),
    "export": Call(
        "export zones.gpkg --quiet --out folder",
        tuple(f"folder/zones.{end}" for end in ("shp", "shx", "dbf", "prj", "cpg", "qml")) + ("folder/notes.txt",),
    ),
    "sheets": Call("sheets zones.gpkg --quiet --out a.pdf --per-parcel tifs", ("a.pdf", "tifs/lawn.pdf")),
    "hours": Call("hours zones.gpkg --fleet fleet.toml --quiet --out a.xlsx --passes a.gpkg", ("a.xlsx", "a.gpkg")),
    "hours to csv": Call("hours zones.gpkg --fleet fleet.toml --quiet --out a.csv", ("a.csv",)),
    "hours to json": Call("hours zones.gpkg --fleet fleet.toml --quiet --out a.json", ("a.json",)),
    "page": Call("page zones.gpkg --quiet --out a.html", ("a.html",)),
    "compare": Call("compare zones.gpkg --fleet fleet.toml --fleet fleet.toml --quiet --out a.csv", ("a.csv",)),
    "phone to kmz": Call("phone zones.gpkg --quiet --out a.kmz", ("a.kmz",)),
    "phone to gpkg": Call("phone zones.gpkg --quiet --out a.gpkg", ("a.gpkg",)),
    "portfolio": Call(RUN, tuple(f"folder/{n}" for n in PORTFOLIO), "--resume", NOT_ALL),
    "portfolio with a season": Call(
        f"{RUN} --season season.toml", tuple(f"folder/{n}" for n in (*PORTFOLIO, "bid.xlsx")), "--resume", NOT_ALL
    ),
    "points": Call(
        "points cloud.laz --quiet --out folder",
        tuple(
            f"folder/{n}"
            for n in (
                "ground.tif",
                "returns.tif",
                "steps.tif",
                "seen.tif",
                "walls.gpkg",
                "water.gpkg",
                "canopy.gpkg",
                "exclude.gpkg",
                "points_notes.csv",
            )
        ),
    ),
    "qgis styles": Call("qgis styles folder", tuple(f"folder/{one}.{end}" for one in LOOKS for end in ("qml", "sld"))),
    "qgis install": Call(
        "qgis install --profiles folder",
        (
            f"folder/default/{SCRIPTS}/slopekit_screen.py",
            f"folder/default/{SCRIPTS}/{WHERE_FILE}",
            "folder/default/processing/models/slopekit_screen_hours_map.model3",
            "folder/default/composer_templates/slopekit_crew_map_a4.qpt",
        ),
    ),
}
FOREIGN = (
    "notes.txt",
    "folder/photo.jpg",
    "folder/sub/summary.csv",
    "folder/.lock",
    "tifs/lawn.tif",
    "a.zones.parquet",
)


def write_cloud(path: Path) -> None:
    head = laspy.LasHeader(point_format=6, version="1.4")
    head.scales, head.offsets = [0.01] * 3, [WEST, NORTH - 20.0, 0.0]
    head.add_crs(pyproj.CRS("EPSG:32617"))
    cloud = laspy.LasData(head)
    x, y = (WEST + np.arange(400) % 20, NORTH - 20.0 + np.arange(400) // 20)
    cloud.x, cloud.y, cloud.z = x, y, np.full(400, 50.0)
    cloud.classification = np.full(400, 2, np.uint8)
    cloud.write(str(path))


@pytest.fixture(scope="module")
def template(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A site with its zones, as other folders are copied from."""
    folder = tmp_path_factory.mktemp("template")
    rows, cols = np.mgrid[:60, :80]
    z = (100.0 - 0.05 * rows + 0.02 * cols + 0.3 * np.sin(cols / 5.0) * np.cos(rows / 7.0)).astype("float32")
    write_grid(folder / "ground.tif", z)
    write_layer(folder / "parcels.gpkg", [box(WEST + 20, NORTH - 40, WEST + 60, NORTH - 20)], name=["lawn"])
    (folder / "fleet.toml").write_text(FLEET + CREW)
    (folder / "season.toml").write_text(SEASON)
    write_cloud(folder / "cloud.laz")
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(folder)
        assert main(f"{SCREEN} --out zones.gpkg".split()) == 0
    (folder / RECORD).unlink()
    return folder


@pytest.fixture
def site(template: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    folder = tmp_path / "site"
    shutil.copytree(template, folder)
    monkeypatch.chdir(folder)
    return folder


def plant(name: str, content: bytes = b"not slopekit's") -> None:
    Path(name).parent.mkdir(parents=True, exist_ok=True)
    Path(name).write_bytes(content)


def tree(folder: Path) -> dict[str, bytes]:
    return {str(path.relative_to(folder)): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


@pytest.mark.parametrize("name", CALLS)
def test_what_is_not_ours_is_never_replaced(name: str, site: Path, capsys: pytest.CaptureFixture[str]) -> None:
    call = CALLS[name]
    line, more = call.line.split(), call.again.split()
    # A run goes into an empty folder or into its own, so nothing of others is replaced there even with --overwrite.
    alone = name.startswith("portfolio")

    def refused(output: str, remedy: str, *words: str) -> None:
        before = tree(site)
        capsys.readouterr()
        assert main([*line, *words]) == 2, output
        err = capsys.readouterr().err.splitlines()
        assert len(err) == 1 and output.rpartition("/")[2] in err[0] and err[0].endswith(f"with {remedy}."), err
        assert tree(site) == before

    others = [other for other in FOREIGN if other not in call.outputs]
    early = [other for other in others if not (alone and other.startswith("folder/"))]
    for other in early:
        plant(other)
    for output in call.outputs:
        plant(output)
        refused(output, "--out" if alone else "--overwrite")
        if alone:
            refused(output, "--out", "--overwrite")
        Path(output).unlink()
    if alone:
        assert main(line) == call.code, capsys.readouterr().err
        for other in others:
            plant(other)
    edited = {output: (Path(output).read_bytes() if alone else b"not slopekit's") + b" " for output in call.outputs}
    for output, content in edited.items():
        plant(output, content)
    assert main([*line, *more, "--overwrite"]) == call.code, capsys.readouterr().err
    assert [output for output, content in edited.items() if Path(output).read_bytes() == content] == []
    assert main([*line, *more]) == call.code, capsys.readouterr().err
    for output in call.outputs:
        content = Path(output).read_bytes()
        plant(output, content + b" ")
        refused(output, "--overwrite", *more)
        plant(output, content)
    assert [other for other in others if Path(other).read_bytes() != b"not slopekit's"] == []
    assert all(Path(given).read_bytes() == content for given, content in given_files(site).items())


def given_files(site: Path) -> dict[str, bytes]:
    return {name: (site / name).read_bytes() for name in ("ground.tif", "parcels.gpkg", "fleet.toml", "zones.gpkg")}


INPUTS = [
    (f"{SCREEN} --out parcels.gpkg", "parcels.gpkg"),
    (f"{SCREEN} --out linked.gpkg", "linked.gpkg"),
    (f"{SCREEN.replace('ground.tif', 'tiles.gpkg')} --out tiles.gpkg", "tiles.gpkg"),
    (f"{SCREEN.replace('ground.tif', 'outer.vrt')} --out z.gpkg --rasters tiles", "tiles/lawn_slope.tif"),
    (f"{SCREEN.replace('ground.tif', 'tiles')} --out z.gpkg --rasters tiles/../tiles", "tiles"),
    (f"{SCREEN.replace('ground.tif', 'GPKG:heights.gpkg:z')} --out heights.gpkg", "heights.gpkg"),
    (f"{SCREEN} --water water.vrt --out water.gpkg", "water.gpkg"),
    ("landforms ground.tif --area parcels.gpkg --out parcels.gpkg", "parcels.gpkg"),
    ("sheets zones.gpkg --fleet sheets.pdf --out sheets.pdf", "sheets.pdf"),
    ("hours zones.gpkg --fleet fleet.toml --out a.csv --passes zones.gpkg", "zones.gpkg"),
    ("hours zones.gpkg --fleet fleet.toml --season season.json --out season.json", "season.json"),
    ("page zones.html --out zones.html", "zones.html"),
    ("compare zones.gpkg --fleet fleet.toml --fleet fleet.json --out fleet.json", "fleet.json"),
    ("phone zones.gpkg --out zones.gpkg", "zones.gpkg"),
    (RUN.replace("parcels.gpkg", "folder/portfolio.gpkg"), "folder/portfolio.gpkg"),
    (RUN.replace("fleet.toml", "folder/manifest.json"), "folder/manifest.json"),
    (f"{RUN} --season folder/summary.json", "folder/summary.json"),
    (f"{RUN} --water folder/index.json", "folder/index.json"),
]


@pytest.mark.parametrize(("line", "output"), INPUTS, ids=[f"{line.split()[0]} {output}" for line, output in INPUTS])
@pytest.mark.parametrize("more", [[], ["--overwrite"]])
def test_an_input_is_never_an_output(
    line: str, output: str, more: list[str], site: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    os.link("parcels.gpkg", "linked.gpkg")
    shutil.copy("fleet.toml", "sheets.pdf")
    for name in ("folder", "tiles"):
        Path(name).mkdir()
    shutil.copy("ground.tif", "tiles/lawn_slope.tif")
    shutil.copy("parcels.gpkg", "folder/portfolio.gpkg")
    shutil.copy("fleet.toml", "folder/manifest.json")
    shutil.copy("fleet.toml", "fleet.json")
    shutil.copy("zones.gpkg", "zones.html")
    write_layer(site / "water.gpkg", [box(WEST, NORTH - 5, WEST + 5, NORTH)])
    shutil.copy("water.gpkg", "folder/index.json")
    for name in ("season.json", "folder/summary.json"):
        shutil.copy("season.toml", name)
    write_layer(site / "tiles.gpkg", [box(WEST, NORTH - 60, WEST + 80, NORTH)], location=["tiles/lawn_slope.tif"])
    with rasterio.open("ground.tif") as file, warnings.catch_warnings():
        warnings.simplefilter("ignore")  # numbers of the ground's corner that this format does not store
        rasterio.shutil.copy(file, "heights.gpkg", driver="GPKG", raster_table="z")
    vrt(site / "inner.vrt", "tiles/lawn_slope.tif")
    vrt(site / "outer.vrt", "inner.vrt")
    Path("water.vrt").write_text(
        '<OGRVRTDataSource><OGRVRTLayer name="water">'
        "<SrcDataSource>water.gpkg</SrcDataSource></OGRVRTLayer></OGRVRTDataSource>"
    )
    before = tree(site)
    assert main([*line.split(), *more]) == 2
    err = capsys.readouterr().err.splitlines()
    told = ("that it is made from", "would read", "belongs to the run")
    assert output in err[-1] and any(text in err[-1] for text in told), err
    assert tree(site) == before


def vrt(path: Path, source: str) -> None:
    path.write_text(
        '<VRTDataset rasterXSize="80" rasterYSize="60"><SRS>EPSG:25832</SRS>'
        f"<GeoTransform>{WEST},1,0,{NORTH},0,-1</GeoTransform>"
        '<VRTRasterBand dataType="Float32" band="1"><SimpleSource>'
        f'<SourceFilename relativeToVRT="1">{source}</SourceFilename><SourceBand>1</SourceBand>'
        "</SimpleSource></VRTRasterBand></VRTDataset>"
    )


def changing(path: Path, monkeypatch: pytest.MonkeyPatch, act: Callable[[], object]) -> None:
    """Screenings during which `act` happens, after the work."""
    screen = slopekit.screening.batch.screen

    def slow(*given: object, **more: object) -> object:
        result = screen(*given, **more)  # type: ignore[arg-type]
        act()
        return result

    monkeypatch.setattr(slopekit.screening.batch, "screen", slow)


@pytest.mark.parametrize("name", ["ground.tif", "parcels.gpkg", "fleet.toml", "a.zip"])
def test_an_input_that_changes_meanwhile(
    name: str, site: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    with zipfile.ZipFile("a.zip", "w") as archive:
        archive.write("ground.tif")
    line = SCREEN.replace("ground.tif", "/vsizip/a.zip/ground.tif") if name == "a.zip" else SCREEN
    changing(site, monkeypatch, lambda: plant(name, Path(name).read_bytes() + b"\n"))
    assert main(f"{line} --out a.gpkg --report a.json --rasters tifs".split()) == 2
    told = "/vsizip/a.zip/ground.tif" if name == "a.zip" else name
    assert f"{told}: this file changed while it was worked on" in capsys.readouterr().err
    assert not any(Path(one).exists() for one in ("a.gpkg", "a.json", *BANDS))


def test_an_input_that_is_only_touched(site: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    changing(site, monkeypatch, lambda: os.utime("parcels.gpkg"))
    assert main(f"{SCREEN} --out a.gpkg".split()) == 0


def test_a_file_that_somebody_else_puts_there_meanwhile(
    site: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    changing(site, monkeypatch, lambda: plant("a.gpkg"))
    assert main(f"{SCREEN} --out a.gpkg".split()) == 2
    assert "a.gpkg: this file is not one that slopekit wrote here" in capsys.readouterr().err
    assert Path("a.gpkg").read_bytes() == b"not slopekit's"


def test_layers_of_an_older_result_are_not_left_beside_a_new_one(
    site: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    line = f"{SCREEN} --out a.parquet".split()
    plant("a.basins.parquet")
    assert main(line) == 0  # never ours
    assert Path("a.basins.parquet").read_bytes() == b"not slopekit's"
    Path("a.basins.parquet").unlink()
    assert main([*line, "--landforms"]) == 0
    assert {*site.glob("a*.parquet")} == {*parquet_paths(site / "a.parquet", ALL_LAYERS).values()}
    berms = Path("a.berms.parquet").read_bytes()
    plant("a.berms.parquet", berms + b" ")
    capsys.readouterr()
    assert main(line) == 2
    assert "a.berms.parquet: slopekit wrote this file, it was edited since" in capsys.readouterr().err
    plant("a.berms.parquet", berms)
    assert main(line) == 0
    assert {path.name for path in site.glob("a*.parquet")} == {
        p.name for p in parquet_paths("a.parquet", LAYERS).values()
    }


@pytest.mark.parametrize("damage", ["cut", "flip", "gone", "noise", "folder"])
def test_a_damaged_record_costs_a_question_and_nothing_else(damage: str, site: Path) -> None:
    line = f"{SCREEN} --out a.gpkg".split()
    assert main(line) == 0
    record = site / RECORD
    text = record.read_bytes()
    if damage == "gone":
        record.unlink()
    elif damage == "folder":
        record.unlink()
        record.mkdir()
    else:
        place = text.index(b"sha256") + 20
        flipped = text[:place] + (b"0" if text[place : place + 1] != b"0" else b"1") + text[place + 1 :]
        record.write_bytes({"cut": text[: len(text) // 2], "flip": flipped, "noise": b"\xff[1]\n{}\n"}[damage])
    before = Path("a.gpkg").read_bytes()
    assert main(line) == 2
    assert Path("a.gpkg").read_bytes() == before
    assert main([*line, "--overwrite"]) == 0
    assert main(line) == (2 if damage == "folder" else 0)


def test_a_result_that_was_only_looked_at_is_still_ours(site: Path) -> None:
    line = f"{SCREEN} --out a.gpkg".split()
    assert main(line) == 0
    before = Path("a.gpkg").read_bytes()
    # As QGIS does with a GeoPackage that it shows (its OGR provider): another journal while it is open.
    for mode in ("WAL", "DELETE"):
        with contextlib.closing(sqlite3.connect("a.gpkg")) as db:
            db.execute(f"PRAGMA journal_mode = {mode}")
    assert Path("a.gpkg").read_bytes() != before
    assert main(line) == 0
    with contextlib.closing(sqlite3.connect("a.gpkg")) as db, db:
        db.execute("UPDATE run_notes SET value = 'walked on Monday'")
    assert main(line) == 2


def test_a_record_is_not_written_through_a_link(site: Path) -> None:
    plant("mine.txt")
    (site / RECORD).symlink_to(site / "mine.txt")
    assert main(f"{SCREEN} --out a.gpkg".split()) == 0
    assert Path("mine.txt").read_bytes() == b"not slopekit's"
