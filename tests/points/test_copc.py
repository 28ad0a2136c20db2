"""COPC files, on the disk and on a slow server, of which only the boxes that are needed are read."""

import contextlib
import threading
import time
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from importlib.util import find_spec
from pathlib import Path

import geopandas as gpd
import laspy
import numpy as np
import pytest
import shapely
from ground_maker import NORTH, UTM, WEST
from points_maker import ground_cloud, layers_of, tilted, write_points

import slopekit as sk
from slopekit.errors import InputError
from slopekit.points.classes import classes_of
from slopekit.points.settings import PointSettings
from slopekit.points.survey import survey_points
from slopekit.sources.http_file import HttpFile
from slopekit.sources.point_files import open_points
from slopekit.sources.remote import locked

pytestmark = pytest.mark.skipif(find_spec("copclib") is None, reason="copclib, which writes COPC files, is missing")

SIZE = 480.0
SOUTH = NORTH - SIZE


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """The same cloud as LAZ and as COPC."""
    import copclib as copc

    folder = tmp_path_factory.mktemp("copc")
    cloud = ground_cloud(tilted, 2.0, SIZE)
    plain = write_points(folder / "plain.laz", cloud, south=SOUTH)
    config = copc.CopcConfigWriter(
        6, (0.001, 0.001, 0.001), (WEST, SOUTH, 0.0), laspy.read(plain).header.parse_crs().to_wkt()
    )
    config.las_header.min = (WEST, SOUTH, 0.0)
    config.las_header.max = (WEST + SIZE, SOUTH + SIZE, 100.0)
    half = SIZE / 2.0
    # Without these box queries find nothing.
    info = config.copc_info
    info.center_x, info.center_y, info.center_z = WEST + half, SOUTH + half, 60.0
    info.halfsize, info.spacing = half, 1.0
    path = folder / "tile.copc.laz"
    writer = copc.FileWriter(str(path), config)
    left = np.ones(len(cloud.x), bool)
    # One point for each node on the way down, all others in the leaves. The cubes are as high as wide, and the ground
    # at 50 to 60 m lies in one layer of them.
    for depth in range(5):
        side = SIZE / 2**depth
        for i in range(2**depth):
            for j in range(2**depth):
                inside = np.flatnonzero(left & (cloud.x // side == i) & (cloud.y // side == j))
                inside = inside if depth == 4 else inside[:1]
                left[inside] = False
                points = copc.Points(config.las_header)
                for k in inside.tolist():
                    one = points.CreatePoint()
                    one.x, one.y, one.z = WEST + cloud.x[k], SOUTH + cloud.y[k], cloud.z[k]
                    one.classification, one.intensity, one.return_number, one.number_of_returns = 2, 1000, 1, 1
                    points.AddPoint(one)
                writer.AddNode(copc.VoxelKey(depth, i, j, int((55.0 - (60.0 - half)) // side)), points)
    writer.Close()
    assert not left.any()
    return plain, path


class Slow(BaseHTTPRequestHandler):
    """Serves one folder, in ranges, after a wait."""

    folder: Path
    wait_s = 0.02
    fails = 0
    ranges = True
    sent = 0

    def do_GET(self) -> None:
        kind = type(self)
        time.sleep(kind.wait_s)
        data = (kind.folder / self.path.strip("/")).read_bytes()
        if kind.fails > 0:
            kind.fails -= 1
            self.send_error(503)
            return
        start, stop = (int(v) for v in self.headers["Range"].removeprefix("bytes=").split("-"))
        part = data[start : stop + 1] if kind.ranges else data
        kind.sent += len(part)
        self.send_response(206 if kind.ranges else 200)
        if kind.ranges:
            self.send_header("Content-Range", f"bytes {start}-{start + len(part) - 1}/{len(data)}")
        self.send_header("Content-Length", str(len(part)))
        self.end_headers()
        with contextlib.suppress(OSError):
            self.wfile.write(part)

    def log_message(self, *args: object) -> None:
        pass


@pytest.fixture
def server(files: tuple[Path, Path]) -> Iterator[type[Slow]]:
    kind = type("Own", (Slow,), {"folder": files[1].parent})
    with ThreadingHTTPServer(("127.0.0.1", 0), kind) as served:
        kind.url = f"http://127.0.0.1:{served.server_port}"
        thread = threading.Thread(target=served.serve_forever, daemon=True)
        thread.start()
        yield kind
        served.shutdown()


def test_a_copc_file_holds_what_the_plain_one_holds(tmp_path: Path, files: tuple[Path, Path]) -> None:
    plain, path = files
    one, two = layers_of(plain, tmp_path / "s"), layers_of(path, tmp_path / "t")
    assert one.returns.sum() == two.returns.sum()
    n = int(SIZE)
    assert np.nanmax(np.abs(one.ground[:n, :n] - two.ground[:n, :n])) < 0.05


def area() -> gpd.GeoDataFrame:
    return gpd.GeoDataFrame(geometry=[shapely.box(WEST + 30.0, SOUTH + 30.0, WEST + 60.0, SOUTH + 60.0)], crs=UTM)


@pytest.mark.parametrize("remote", [False, True])
def test_only_the_boxes_that_are_needed_are_read(
    tmp_path: Path, files: tuple[Path, Path], server: type[Slow], remote: bool
) -> None:
    plain, path = files
    name = f"{server.url}/{path.name}" if remote else str(path)  # type: ignore[attr-defined]
    names = enumerate((str(plain), name))
    folders = [sk.points(one, tmp_path / f"out{n}", area(), around_m=20.0) for n, one in names]
    import rasterio

    grids = []
    for folder in folders:
        with rasterio.open(folder / "returns.tif") as file:
            grids.append((file.read(1), file.transform, file.read(1).sum()))
    assert grids[0][1] == grids[1][1]
    np.testing.assert_array_equal(grids[0][0], grids[1][0])
    assert 70 * 70 * 1.8 < grids[0][2] < 71 * 71 * 2.2
    if remote:
        assert server.sent < 0.5 * path.stat().st_size


def test_a_server_that_stumbles_is_asked_again_and_a_poor_one_is_told(
    tmp_path: Path, files: tuple[Path, Path], server: type[Slow]
) -> None:
    url = f"{server.url}/{files[1].name}"  # type: ignore[attr-defined]
    server.fails = 2
    assert open_points([url]).count > 0
    server.fails = 99
    with pytest.raises(InputError, match=r"tile\.copc\.laz: the server does not answer as it should \(it says 503\)"):
        open_points([url])
    server.fails, server.ranges = 0, False
    with pytest.raises(InputError, match="does not give parts of a file"):
        open_points([url])
    server.ranges = True
    with pytest.raises(InputError, match="only COPC files are read from a server"):
        open_points([f"{server.url}/{files[0].name}"])  # type: ignore[attr-defined]
    with locked(), pytest.raises(InputError, match="this is no file of this machine"):
        open_points([url])


def test_a_silent_server_is_given_up(
    files: tuple[Path, Path], server: type[Slow], monkeypatch: pytest.MonkeyPatch
) -> None:
    from slopekit.sources import http_file

    monkeypatch.setattr(http_file, "_SILENCE_S", 0.2)
    server.wait_s = 1.0
    with pytest.raises(InputError, match=r"does not answer as it should .*timed out"):
        HttpFile(f"{server.url}/{files[1].name}")  # type: ignore[attr-defined]


def test_the_file_of_a_server_reads_as_one_of_the_disk(files: tuple[Path, Path], server: type[Slow]) -> None:
    raw = files[1].read_bytes()
    with contextlib.closing(HttpFile(f"{server.url}/{files[1].name}")) as stream:  # type: ignore[attr-defined]
        for start, count in ((0, 10), (70_000, 200_000), (len(raw) - 5, 50), (65_530, 20)):
            stream.seek(start)
            assert stream.read(count) == raw[start : start + count]
            assert stream.tell() == min(len(raw), start + count)


def test_boxes_do_not_count_a_point_twice(
    tmp_path: Path, files: tuple[Path, Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    from slopekit.sources import points

    monkeypatch.setattr(points, "_BOX_M", 17.0)
    survey = open_points([files[1]])
    tmp_path.joinpath("s").mkdir()
    boxes = [
        (WEST - 5.0, SOUTH - 5.0, WEST + 90.0, SOUTH + 70.0),
        (WEST + 50.0, SOUTH + 40.0, WEST + 200.0, SOUTH + 90.0),
    ]
    found = survey_points(survey, classes_of("asprs"), PointSettings(), tmp_path / "s", boxes)
    las = laspy.read(files[0])
    x, y = np.asarray(las.x), np.asarray(las.y)
    inside = np.zeros(len(x), bool)
    for w, s, e, n in boxes:
        inside |= (x >= w) & (x < e) & (y >= s) & (y < n)
    assert found.returns.sum() == pytest.approx(inside.sum(), rel=0.01)
