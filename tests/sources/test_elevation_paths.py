"""Where a survey may lie: archives, web addresses, text grids; and its fingerprint."""

import functools
import http.server
import os
import re
import shutil
import zipfile
from multiprocessing import get_context
from typing import Any

import numpy as np
from rasterio.shutil import copy as raster_copy

from slopekit.sources.elevation import open_elevation

WEST, NORTH = 500_000.0, 4_000_000.0


def box(row0, row1, col0, col1):
    return WEST + col0, NORTH - row1, WEST + col1, NORTH - row0


def whole(elevation):
    return elevation.read(elevation.survey.grid.bounds).z


def test_gdal_virtual_path_into_an_archive(write, ground, tmp_path):
    z = ground(30, 30)
    path = write("a.tif", z)
    with zipfile.ZipFile(tmp_path / "a.zip", "w") as archive:
        archive.write(path, "inner/a.tif")
    with open_elevation([f"/vsizip/{tmp_path}/a.zip/inner/a.tif"]) as elevation:
        np.testing.assert_array_equal(whole(elevation), z)
        assert elevation.survey.checksum.startswith("sha256:")


class _Ranges(http.server.SimpleHTTPRequestHandler):
    """Files with byte ranges, as object stores give them."""

    sent: Any = None

    def do_GET(self):
        path = self.translate_path(self.path)
        if not os.path.isfile(path):
            self.send_error(404)
            return
        size = os.path.getsize(path)
        asked = re.fullmatch(r"bytes=(\d+)-(\d*)", self.headers.get("Range", ""))
        first, last = (int(asked[1]), min(int(asked[2] or size - 1), size - 1)) if asked else (0, size - 1)
        self.send_response(206 if asked else 200)
        self.send_header("Accept-Ranges", "bytes")
        self.send_header("Content-Length", str(last - first + 1))
        if asked:
            self.send_header("Content-Range", f"bytes {first}-{last}/{size}")
        self.end_headers()
        with open(path, "rb") as stream:
            stream.seek(first)
            with self.sent.get_lock():
                self.sent.value += last - first + 1
            self.wfile.write(stream.read(last - first + 1))

    def log_message(self, *_):
        pass


def _serve(folder, port, sent):
    _Ranges.sent = sent
    handler = functools.partial(_Ranges, directory=folder)
    with http.server.ThreadingHTTPServer(("127.0.0.1", 0), handler) as server:
        port.send(server.server_port)
        server.serve_forever()


def test_http_reads_only_ranges(ground, write, tmp_path):
    # A process of its own: the reader may hold the interpreter's lock while it waits for an answer.
    z = ground(1024, 1024)
    path = write("a.tif", z, tiled=True, blockxsize=128, blockysize=128)
    context = get_context("spawn")
    sent = context.Value("q", 0)
    here, there = context.Pipe()
    server = context.Process(target=_serve, args=(str(tmp_path), there, sent), daemon=True)
    server.start()
    try:
        assert here.poll(20)
        address = f"http://127.0.0.1:{here.recv()}/a.tif"
        with open_elevation([address]) as elevation:
            opening = sent.value
            np.testing.assert_array_equal(elevation.read(box(300, 320, 300, 320)).z, z[300:320, 300:320])
            assert elevation.survey.names == (address,)
            assert elevation.survey.checksum.startswith("stat:")
    finally:
        server.terminate()
        server.join()
    assert opening < os.path.getsize(path)
    assert sent.value - opening < os.path.getsize(path) / 4


def test_checksum_follows_content_and_not_the_name(write, ground, tmp_path):
    z = ground(30, 30)
    path = write("a.tif", z)
    first = open_elevation([path]).survey.checksum
    shutil.copy(path, tmp_path / "b.tif")
    (tmp_path / "b.tif.aux.xml").write_text("<PAMDataset/>")
    assert open_elevation([tmp_path / "b.tif"]).survey.checksum == first
    z[0, 0] += 0.5
    assert open_elevation([write("a.tif", z)]).survey.checksum != first


def test_ascii_grid_with_its_own_crs_file(write, ground, tmp_path):
    z = np.round(ground(12, 15), 2)
    z[0, 0] = -9999
    (tmp_path / "g").mkdir()
    raster_copy(write("a.tif", z, nodata=-9999), tmp_path / "g" / "b.asc", driver="AAIGrid")
    with open_elevation([tmp_path / "g"]) as elevation:
        got = whole(elevation)
    assert np.isnan(got[0, 0])
    np.testing.assert_allclose(got[1:], z[1:], atol=1e-4)
