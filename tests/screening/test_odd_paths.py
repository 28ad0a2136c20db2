"""Paths behind which no ordinary file stands, names that are too long, and a local CRS: one sentence each, at once."""

import os
import socket
from pathlib import Path

import pytest
from command_line import Runner, assert_done, assert_one_sentence
from fault_site import HEAD, LAWN, WALK_BEHIND, Site, write_shapes

from slopekit.errors import InputError
from slopekit.fleet.load import load_fleet
from slopekit.fleet.model import MOST_PAIRS
from slopekit.paths import refuse_special
from slopekit.portfolio.index import index_of

pytestmark = pytest.mark.fault

POSIX = pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="the system has no named pipes")
OPTIONS = ("--parcels", "--fleet", "--water", "--hazards", "--corrections", "--season")
# A plan drawn from a peg on site: OGC 01-009 (WKT 1) calls it LOCAL_CS.
LOCAL = 'LOCAL_CS["plan",UNIT["metre",1],AXIS["x",EAST],AXIS["y",NORTH]]'


def portfolio(site: Site, *more: str, elevation: str = "ground.tif") -> list[str]:
    named = ["--parcels", "parcels.gpkg", "--fleet", "fleet.toml", "--out", "out"]
    return ["portfolio", elevation, *named, *more]


@POSIX
@pytest.mark.parametrize("option", OPTIONS)
@pytest.mark.parametrize("name", ["pipe", "pipe.gpkg", "/dev/zero"])
def test_a_pipe_or_device_is_refused(run: Runner, site: Site, option: str, name: str) -> None:
    if not name.startswith("/"):
        os.mkfifo(site.folder / name)
    line = site.line() if option == "--corrections" else portfolio(site)
    before = site.names()
    what = "a device" if name.startswith("/") else "a pipe"
    assert_one_sentence(run([*line, option, name], site.folder), f"{name}: this is {what}", "save what comes from it")
    assert site.names() == before


@POSIX
@pytest.mark.parametrize("command", ["screen", "portfolio", "inspect"])
def test_elevation_from_a_pipe_is_refused(run: Runner, site: Site, command: str) -> None:
    os.mkfifo(site.folder / "ground.vrt")
    line = {"screen": site.line, "portfolio": lambda elevation: portfolio(site, elevation=elevation)}
    words = line[command](elevation="ground.vrt") if command in line else ["inspect", "ground.vrt"]
    assert_one_sentence(run(words, site.folder), "ground.vrt: this is a pipe", "save what comes from it")
    assert_one_sentence(run([w.replace("ground.vrt", "/vsistdin/") for w in words], site.folder), "save it as a file")


@POSIX
def test_a_pipe_among_tiles_is_one_tile_that_cannot_be_used(site: Site) -> None:
    tiles = site.folder / "tiles"
    tiles.mkdir()
    (site.folder / "ground.tif").rename(tiles / "a.tif")
    os.mkfifo(tiles / "b.tif")
    # A VRT that tells the size of its files is opened without a look at them.
    size = 'RasterXSize="80" RasterYSize="60" DataType="Float32" BlockXSize="80" BlockYSize="8"'
    vrt = (
        '<VRTDataset rasterXSize="80" rasterYSize="60"><SRS>EPSG:25832</SRS><GeoTransform>500000,1,0,5600000,0,-1'
        '</GeoTransform><VRTRasterBand dataType="Float32" band="1"><SimpleSource><SourceFilename relativeToVRT="1">'
        f"b.tif</SourceFilename><SourceBand>1</SourceBand><SourceProperties {size}/></SimpleSource></VRTRasterBand>"
        "</VRTDataset>"
    )
    (tiles / "c.vrt").write_text(vrt)
    faults = index_of([str(tiles)], None).faults
    assert [os.path.basename(name) for name in faults] == ["b.tif", "c.vrt"]
    assert all("b.tif: this is a pipe" in sentence for sentence in faults.values())


def test_what_is_special(tmp_path: Path) -> None:
    file = tmp_path / "file"
    file.write_text("")
    for harmless in (file, tmp_path, tmp_path / "none", "https://example.org/a.tif", "a" * 5000, "a\0b"):
        refuse_special(harmless)
    if hasattr(socket, "AF_UNIX"):
        with socket.socket(socket.AF_UNIX) as one:
            # The path of a socket may have 108 bytes at most (unix(7)).
            here = Path.cwd()
            os.chdir(tmp_path)
            try:
                one.bind("door")
            finally:
                os.chdir(here)
        with pytest.raises(InputError, match="door: this is a socket"):
            refuse_special(tmp_path / "door")


@pytest.mark.parametrize("length", [252, 300, 5000])
def test_an_output_with_too_long_a_name(run: Runner, site: Site, length: int) -> None:
    """POSIX lets a name have 255 bytes (NAME_MAX) and a path 4096 (PATH_MAX, Linux). Names in work are longer."""
    name = "a" * (length - 5) if length < 4096 else "/".join(["b" * 99] * (length // 100))
    before = site.names()
    for words in (
        site.line(out=f"{name}.gpkg"),
        site.line("--report", f"{name}.json"),
        site.line("--profiles", f"{name}.png"),
        *([site.line("--rasters", name), portfolio(site, "--out", name)] if length > 255 else []),
        *([["fleet", "new", f"{name}.toml"]] if length > 255 else []),
    ):
        assert_one_sentence(run(words, site.folder), "too long", "give it a shorter name")
        assert site.names() == before


def test_the_longest_name_that_passes_the_check_is_written(run: Runner, site: Site) -> None:
    # .NAME.PID.partial-journal must still fit: at most 7 digits of a process (proc(5)).
    name = "a" * (255 - len("..1234567.partial-journal") - len(".gpkg")) + ".gpkg"
    assert_done(run(site.line(out=name), site.folder))
    assert (site.folder / name).is_file()


@pytest.mark.filterwarnings("ignore:'crs' was not provided")
@pytest.mark.parametrize("option", ["parcels", "water"])
def test_shapes_in_a_local_crs(run: Runner, site: Site, option: str) -> None:
    write_shapes(site.folder / "plan.shp", [LAWN], None)
    (site.folder / "plan.prj").write_text(LOCAL)
    before = site.names() | {"out"}
    for words in (site.line(**{option: "plan.shp"}), portfolio(site, f"--{option}", "plan.shp")):
        assert_one_sentence(run(words, site.folder), "plan.shp: the CRS 'plan' has no known place", "assign the right")
        assert site.names() <= before


def test_a_fleet_of_thousands_of_machines(tmp_path: Path) -> None:
    path = tmp_path / "fleet.toml"
    machines = [WALK_BEHIND.replace("m1", f"m{n}") for n in range(3000)]
    path.write_text(HEAD + "".join(machines))
    with pytest.raises(InputError, match=f"machines and conditions make 3,000 pairs, and {MOST_PAIRS} at most"):
        load_fleet(path)
    path.write_text(HEAD + "".join(machines[:MOST_PAIRS]))
    assert len(load_fleet(path).machines) == MOST_PAIRS
