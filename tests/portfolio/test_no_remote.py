"""A stranger's file makes this machine fetch nothing with `--no-remote`, and what is fetched otherwise is named.

The vectors are what GDAL's manual lists: virtual file systems, drivers of services, VRT, tile indexes, sidecars. A web
server of our own counts what it is asked for.
"""

import os
import tarfile
import zipfile
from collections.abc import Callable, Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import click
import geopandas as gpd
import numpy as np
import pyogrio
import pytest
import rasterio
from command_line import Answer, finish, forked
from district import FLEET
from range_server import Server, serving
from rasterio.transform import Affine
from shapely import box

from slopekit.cli import main
from slopekit.cli.entry import commands
from slopekit.errors import InputError
from slopekit.portfolio import tasks
from slopekit.portfolio.limits import Limits
from slopekit.sources.remote import check_local, is_locked, locked, remote_sources

pytestmark = pytest.mark.fault

CRS, WEST, NORTH = "EPSG:25832", 500_000.0, 5_600_000.0
VRT = (
    '<VRTDataset rasterXSize="60" rasterYSize="60"><SRS>EPSG:25832</SRS>'
    "<GeoTransform>500000,1,0,5600000,0,-1</GeoTransform>"
    '<Metadata><MDI key="origin">https://example.com/about</MDI></Metadata>'
    '<VRTRasterBand dataType="Float32" band="1"><SimpleSource><SourceFilename relativeToVRT="{beside}">{source}'
    "</SourceFilename><SourceBand>1</SourceBand></SimpleSource></VRTRasterBand></VRTDataset>"
)
OGR_VRT = (
    "<OGRVRTDataSource><OGRVRTLayer name='x'><SrcDataSource>{}</SrcDataSource><SrcLayer>x</SrcLayer>"
    "</OGRVRTLayer></OGRVRTDataSource>"
)
WMS = (
    "<GDAL_WMS><Service name='TMS'><ServerUrl>{}/${{z}}</ServerUrl></Service><DataWindow>"
    "<UpperLeftX>500000</UpperLeftX>"
    "<UpperLeftY>5600000</UpperLeftY><LowerRightX>500064</LowerRightX><LowerRightY>5599936</LowerRightY>"
    "<SizeX>64</SizeX><SizeY>64</SizeY></DataWindow><Projection>EPSG:25832</Projection><BandsCount>1</BandsCount>"
    "</GDAL_WMS>"
)
GML = (
    '<wfs:FeatureCollection xmlns:wfs="http://www.opengis.net/wfs" xmlns:gml="http://www.opengis.net/gml" '
    'xmlns:n="http://n" xmlns:xsi="http://www.w3.org/2001/XMLSchema-instance" xsi:schemaLocation="http://n {}?SERVICE='
    'WFS&amp;VERSION=1.1.0&amp;REQUEST=DescribeFeatureType&amp;TYPENAME=n:a"><gml:featureMember><n:a fid="1"><n:g>'
    '<gml:Point srsName="EPSG:4326"><gml:pos>1 2</gml:pos></gml:Point></n:g></n:a></gml:featureMember>'
    "</wfs:FeatureCollection>"
)


def tile(path: Path, side: int = 60) -> Path:
    rows, cols = np.mgrid[:side, :side]
    z = (100.0 - 0.05 * rows + 0.02 * cols + 0.3 * np.sin(cols / 5.0) * np.cos(rows / 7.0)).astype("float32")
    affine = Affine(1.0, 0.0, WEST, 0.0, -1.0, NORTH)
    with rasterio.open(
        path, "w", driver="GTiff", crs=CRS, transform=affine, height=side, width=side, count=1, dtype="float32"
    ) as file:
        file.write(z, 1)
    return path


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    folder = tmp_path_factory.mktemp("served")
    tile(folder / "x.tif")
    with serving(folder) as running:
        yield running


def rasters(folder: Path, web: str) -> dict[str, Callable[[], str]]:
    """How elevation can lead to the server: a name to give, whose files are made when it is asked for."""

    def file(name: str, text: str) -> str:
        (folder / name).write_text(text)
        return str(folder / name)

    def vrt(name: str, source: str, beside: int = 0) -> str:
        return file(name, VRT.format(source=source, beside=beside))

    def index() -> str:
        frame = gpd.GeoDataFrame({"location": [f"{web}/x.tif"]}, geometry=[box(0, 0, 1, 1)], crs=CRS)
        frame.to_file(folder / "index.gpkg")
        return str(folder / "index.gpkg")

    def gti() -> str:
        index()
        return file(
            "tiles.gti",
            f"<GDALTileIndexDataset><IndexDataset>{folder / 'index.gpkg'}</IndexDataset><IndexLayer>index</IndexLayer>"
            "<LocationField>location</LocationField></GDALTileIndexDataset>",
        )

    def packed(kind: str) -> str:
        vrt("in.vrt", f"/vsicurl/{web}/in_{kind}.tif")
        if kind == "zip":
            with zipfile.ZipFile(folder / "a.zip", "w") as archive:
                archive.write(folder / "in.vrt", "in.vrt")
        else:
            with tarfile.open(folder / "a.tar", "w") as tar:
                tar.add(folder / "in.vrt", "in.vrt")
        return f"/vsi{kind}/{folder / f'a.{kind}'}/in.vrt"

    def sidecar() -> str:
        path = tile(folder / "side.tif", 600)
        file(
            "side.tif.aux.xml",
            f"<PAMDataset><Metadata domain='OVERVIEWS'><MDI key='OVERVIEW_FILE'>/vsicurl/{web}/o.ovr</MDI></Metadata>"
            "</PAMDataset>",
        )
        return str(path)

    def chain() -> str:
        vrt("deepest.vrt", f"/vsicurl/{web}/deep.tif")
        vrt("deeper.vrt", "deepest.vrt", 1)
        return vrt("deep.vrt", str(folder / "deeper.vrt"))

    return {
        "http": lambda: f"{web}/h.tif?key=secret",
        "ftp": lambda: f"ftp{web.removeprefix('http')}/f.tif",
        "vsicurl": lambda: f"/vsicurl/{web}/c.tif",
        "its own proxy": lambda: f"/vsicurl?proxy={web}&url=http%3A%2F%2Fexample.com%2Fc.tif",
        "streaming": lambda: f"/vsicurl_streaming/{web}/s.tif",
        "zip": lambda: f"/vsizip//vsicurl/{web}/z.zip/a.tif",
        "webhdfs": lambda: f"/vsiwebhdfs/{web}/w.tif",
        "wms": lambda: f"WMS:{web}/wms",
        "wcs": lambda: f"WCS:{web}/wcs",
        "inline": lambda: WMS.format(f"{web}/i"),
        "netcdf": lambda: f'NETCDF:"{web}/n.nc":v',
        "wms file": lambda: file("plain.tif", WMS.format(f"{web}/p")),
        "vrt": lambda: vrt("a.vrt", f"/vsicurl/{web}/v.tif"),
        "vrt of http": lambda: vrt("b.vrt", f"{web}/v2.tif"),
        "vrt of wms": lambda: vrt("w.vrt", WMS.format(f"{web}/t").replace("<", "&lt;")),
        "vrt of vrt": chain,
        "index": index,
        "gti": gti,
        "zipped vrt": lambda: packed("zip"),
        "tarred vrt": lambda: packed("tar"),
        "sidecar": sidecar,
    }


def vectors(folder: Path, web: str) -> dict[str, Callable[[], str]]:
    def file(name: str, text: str) -> str:
        (folder / name).write_text(text)
        return str(folder / name)

    return {
        "http": lambda: f"{web}/a.geojson",
        "wfs": lambda: f"WFS:{web}/wfs",
        "oapif": lambda: f"OAPIF:{web}/oapif",
        "ogr vrt": lambda: file("v.vrt", OGR_VRT.format(f"/vsicurl/{web}/v.geojson")),
        "ogr vrt as gpkg": lambda: file("v.gpkg", OGR_VRT.format(f"{web}/v2.geojson")),
        "wfs file": lambda: file("w.xml", f"<OGRWFSDataSource><URL>{web}/wfs2</URL></OGRWFSDataSource>"),
        "pipeline": lambda: file(
            "p.gdalg.json",
            '{"type":"gdal_streamed_alg","command_line":"gdal vector reproject --dst-crs EPSG:4326 --input '
            f'{web}/p.geojson --output-format stream --output s"}}',
        ),
        "schema": lambda: file("s.gml", GML.format(f"{web}/schema")),
    }


def run(words: list[str]) -> Answer:
    """A process of its own, since GDAL remembers in a process what it has asked for."""
    return finish(forked(words, variables={"GDAL_HTTP_MAX_RETRY": "0"}))


# Whoever speaks FTP waits for the server to begin, and a sidecar's overview is not needed to read heights.
# The last two are refused in any case, since GDAL would load whole files (tests/tiles/test_requests.py).
MAY_ASK_NOTHING = ("ftp", "sidecar", "vrt of http", "gti")
UNSEEN = ("schema",)
"""What is no source of heights or shapes: it is read without, and nothing is fetched."""


WAYS = [f"raster {n}" for n in rasters(Path(), "")] + [f"vector {n}" for n in vectors(Path(), "")]


@pytest.mark.parametrize("way", WAYS)
@pytest.mark.filterwarnings("ignore")
def test_nothing_is_fetched(
    way: str, server: Server, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    kind, _, name = way.partition(" ")

    def run_anew(number: int, *more: str) -> int:
        """With names that GDAL has not met before, since it remembers what it could not fetch."""
        folder = tmp_path / str(number)
        folder.mkdir()
        made = (rasters if kind == "raster" else vectors)(folder, f"{server.address}/{number}")[name]()
        command = ["inspect", made, "--z-unit", "metre"] if kind == "raster" else ["corrections", "check", made]
        return main([*command, *more])

    # Somebody may have told curl to pass proxies by, or to use one.
    monkeypatch.setenv("no_proxy", "127.0.0.1")
    monkeypatch.setenv("http_proxy", server.address)
    before = server.state()["asked"]
    code = run_anew(1, "--no-remote")
    err = capsys.readouterr().err
    assert server.state()["asked"] == before, err
    assert code == 2, err
    assert ("leave out --no-remote" in err) is (name not in UNSEEN), err
    assert "secret" not in err
    if name not in MAY_ASK_NOTHING:
        run_anew(2)
        assert server.state()["asked"] > before, capsys.readouterr().err
    # The last wall alone, as for what cannot be seen.
    before = server.state()["asked"]
    monkeypatch.setattr("slopekit.sources.remote.remote_sources", lambda _: iter(()))
    run_anew(3, "--no-remote")
    assert server.state()["asked"] == before


def test_files_of_this_machine_are_no_remote_sources(tmp_path: Path) -> None:
    tile(tmp_path / "a.tif")
    (tmp_path / "a.vrt").write_text(VRT.format(source="a.tif", beside=1))
    (tmp_path / "vsite").mkdir()
    tile(tmp_path / "vsite" / "b c.tif")
    with zipfile.ZipFile(tmp_path / "a.zip", "w") as archive:
        archive.write(tmp_path / "a.tif", "a.tif")
    frame = gpd.GeoDataFrame({"location": ["a.tif"]}, geometry=[box(0, 0, 1, 1)], crs=CRS)
    frame.to_file(tmp_path / "index.gpkg")
    names = ["a.tif", "a.vrt", "vsite/b c.tif", "index.gpkg"]
    given = [
        *(str(tmp_path / name) for name in names),
        f"/vsizip/{tmp_path}/a.zip/a.tif",
        f"GTIFF_DIR:1:{tmp_path}/a.tif",
    ]
    assert list(remote_sources(given)) == []
    for name in given:
        assert main(["inspect", name, "--z-unit", "metre", "--no-remote", "--quiet"]) == 0, name
    assert not is_locked()


def test_the_lock_is_put_back_and_outlives_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("http_proxy", "http://proxy.example:8080")
    monkeypatch.delenv("PROJ_NETWORK", raising=False)
    before = dict(os.environ)
    check_local(["https://example.com/a.tif"])
    with locked():
        assert is_locked()
        with locked(False):
            assert is_locked()
        with pytest.raises(InputError, match="no file of this machine"):
            check_local(["https://example.com/a.tif"])
        with pytest.raises(InputError, match=r"PG:\.\.\.") as told:
            check_local(["PG:host=example.com password=secret"])
        assert "secret" not in str(told.value)
    assert dict(os.environ) == before


def test_a_misused_line_unlocks_too() -> None:
    before = dict(os.environ)
    kept = []
    for words in (["inspect", "--no-remote", "--no-such"], ["screen", "--no-remote", "--z-rmse", "words", "a.tif"]):
        try:
            commands.main(args=words, prog_name="slopekit", standalone_mode=False)
        except click.UsageError as error:
            kept.append(error)  # and with it the context that was never left
    assert len(kept) == 2 and dict(os.environ) == before


def test_tasks_obey_wherever_they_are_done(monkeypatch: pytest.MonkeyPatch) -> None:
    """A worker of a cluster was not started by the command, so the task itself brings the lock."""
    seen = []

    def look(*_: Any) -> None:
        seen.append(is_locked())
        raise InputError("seen")

    monkeypatch.setattr(tasks, "screen_group", look)
    monkeypatch.setattr(tasks, "replace", lambda job, **_: job)
    monkeypatch.setattr(tasks, "encoded", lambda *_: {})
    survey = SimpleNamespace(grid=SimpleNamespace(metres_per_unit=1.0))
    elevation = SimpleNamespace(survey=survey, reader=None)
    job: Any = SimpleNamespace(elevation=elevation, fleet=SimpleNamespace(conditions=()), landforms=False)
    task = (tasks.Group("s", (tasks.Parcel("a", box(0, 0, 1, 1)),)),)
    for wanted in (True, False):
        done = tasks.do(tasks.Work({"s": job}, CRS, Limits(10.0, 4000.0), wanted), task, lambda _: None)
        assert done.failures == {"a": "seen"}
    assert seen == [True, False]


@pytest.fixture
def site(tmp_path: Path) -> Path:
    tile(tmp_path / "x.tif")
    lots = [box(WEST + 20, NORTH - 40, WEST + 40, NORTH - 20)]
    gpd.GeoDataFrame({"pid": ["a"]}, geometry=lots, crs=CRS).to_file(tmp_path / "parcels.gpkg")
    (tmp_path / "fleet.toml").write_text(FLEET.format(run=30))
    return tmp_path


def notes(path: Path) -> dict[str, str]:
    table = pyogrio.read_dataframe(path, layer="run_notes")
    table = table[table["topic"] == "inputs"]
    return {name: value for name, value in zip(table["name"], table["value"], strict=True) if "remote" in name}


@pytest.mark.parametrize("command", ["screen", "portfolio", "landforms"])
def test_notes_name_remote_sources(command: str, site: Path, server: Server) -> None:
    named = {
        "screen": ["--parcels", "parcels.gpkg", "--fleet", "fleet.toml", "--out", "out.gpkg"],
        "portfolio": ["--parcels", "parcels.gpkg", "--fleet", "fleet.toml", "--out", "out", "--workers", "1"],
        "landforms": ["--out", "out.gpkg", "--fleet", "fleet.toml"],
    }[command]
    words = [word if word[0] == "-" or word == "1" else str(site / word) for word in named]
    result = site / ("out/portfolio.gpkg" if command == "portfolio" else "out.gpkg")
    (site / "a.vrt").write_text(VRT.format(source=f"/vsicurl/{server.address}/x.tif?key=secret", beside=0))
    done = run([command, str(site / "a.vrt"), *words, "--z-unit", "metre", "--quiet"])
    # The small tile cuts the look, which a portfolio tells by its exit code.
    assert done.code == (3 if command == "portfolio" else 0), done.err
    assert notes(result) == {"remote source 1": f"/vsicurl/{server.address}/x.tif, named in a.vrt"}
    # Refused before anything is written, and a file of this machine goes through.
    before = result.read_bytes()
    assert run([command, str(site / "a.vrt"), *words, "--no-remote"]).code == 2
    assert result.read_bytes() == before
    (site / "a.vrt").write_text(VRT.format(source="x.tif", beside=1))
    more = ["--resume"] if command == "portfolio" else []
    done = run([command, str(site / "a.vrt"), *words, "--z-unit", "metre", "--quiet", "--no-remote", *more])
    assert done.code == (3 if command == "portfolio" else 0), done.err
    assert notes(result) == {"remote sources": "refused (--no-remote)"}


def test_every_command_that_reads_takes_the_option() -> None:
    from slopekit.cli.entry import commands

    reading = {name: commands.commands[name] for name in ("screen", "landforms", "why", "inspect", "hours", "compare")}
    for group in ("portfolio", "corrections"):
        reading |= {f"{group} {name}": one for name, one in commands.commands[group].commands.items()}  # type: ignore[attr-defined]
    assert len(reading) == 10
    for name, command in reading.items():
        assert "--no-remote" in {text for p in command.params for text in p.opts}, name
