"""Fetching over HTTP, with all that goes wrong there. What the server holds is the ground truth."""

import hashlib
import json
import re
import shutil
from pathlib import Path

import numpy as np
import pytest
import rasterio
from rasterio.windows import Window
from tile_server import serving_tiles
from tile_site import Site

import slopekit as sk
from slopekit.cli import main
from slopekit.sources import cached, tile_bytes, web
from slopekit.sources.cached import cached as tile_of
from slopekit.sources.cached import opened
from slopekit.sources.files import rasters_of


def found(site: Site, folder: Path, index: Path | None = None) -> sk.FoundTiles:
    return sk.find_tiles(index or site.index(folder / "index.gpkg"), site.parcels, fleet=site.fleet, id_column="pid")


def fingerprint(folder: Path) -> dict[str, str]:
    """Every file of a cache and its content."""
    return {
        str(p.relative_to(folder)): hashlib.sha256(p.read_bytes()).hexdigest() for p in folder.rglob("*") if p.is_file()
    }


def whole(cache: Path) -> None:
    """Nothing half is in a cache: each part that is said to be there has its sum, and no temporary file is left."""
    for mark in (cache / "data").glob("*/*-*"):
        first, length = map(int, mark.name.split("-"))
        with open(mark.parent / "cells", "rb") as file:
            file.seek(first)
            content = file.read(length)
        assert len(content) == length and hashlib.sha256(content).hexdigest() == mark.read_text()
    assert not list(cache.rglob("*.part"))


def test_blocks_under_the_looks_come_and_are_those_of_the_file(site: Site, tmp_path: Path) -> None:
    got = sk.fetch_tiles(found(site, tmp_path), tmp_path / "cache")
    assert got.failures == {}
    whole(tmp_path / "cache")
    names = rasters_of([got.elevation])
    assert len(names) == 4
    asked = site.server.asked()
    sizes = {p.name: p.stat().st_size for p in site.folder.glob("*.tif")}
    assert 0 < got.bytes < 0.5 * sum(sizes.values())
    assert all(re.fullmatch(r"bytes=\d+-\d+", one["range"]) for one in asked)
    # Heights of a window that was not wanted before are fetched when they are read, and are the file's own.
    for name in names:
        address = tile_of(name).bytes.known.address
        with rasterio.open(site.folder / Path(address).name) as file:
            for window in (Window(100, 130, 90, 70), Window(0, 0, file.width, file.height)):
                cached.bring(name, window)
                with opened(name) as tile:
                    assert np.array_equal(tile.read(1, window=window), file.read(1, window=window))
    whole(tmp_path / "cache")


def test_a_second_time_only_what_lacks_is_fetched(site: Site, tmp_path: Path) -> None:
    plan, cache = found(site, tmp_path), tmp_path / "cache"
    first = sk.fetch_tiles(plan, cache)
    before = fingerprint(cache)
    site.server.rules()
    again = sk.fetch_tiles(plan, cache)
    assert again.bytes == 0 and site.server.asked() == [] and again.elevation == first.elevation
    assert fingerprint(cache) == before
    # One part of one tile is lost, and one is damaged.
    tiles = sorted((cache / "data").glob("*-*"))
    lost = max(tiles[0].glob("*-*"), key=lambda p: int(p.name.split("-")[0]))
    lost.unlink()
    hurt = max(tiles[1].glob("*-*"), key=lambda p: int(p.name.split("-")[0]))
    with open(tiles[1] / "cells", "r+b") as file:
        file.seek(int(hurt.name.split("-")[0]))
        file.write(b"\0\1\2\3")
    third = sk.fetch_tiles(plan, cache)
    assert third.bytes > 0 and fingerprint(cache) == before
    assert len(site.server.asked()) <= 4


@pytest.mark.parametrize(
    ("rule", "sentence"),
    [
        ({"do": "status", "code": 404}, r"the server answers 404 \(not found\), so check the address"),
        ({"do": "status", "code": 503}, r"the server answered 503 in 4 attempts"),
        ({"do": "status", "code": 429, "headers": {"Retry-After": "7200"}}, r"the server asks to wait 7,200 s"),
        ({"do": "hang"}, r"the server did not answer in time in 4 attempts"),
        ({"do": "cut"}, r"the answer broke off in 4 attempts"),
        ({"do": "page"}, r"the server answers with a page, not with a tile"),
        ({"do": "status", "code": 302, "headers": {"Location": "/t00.tif"}}, r"from place to place more than 5 times"),
        ({"do": "status", "code": 302, "headers": {"Location": "ftp://example.com/a"}}, r"an address of ftp, and only"),
        ({"do": "status", "code": 302, "headers": {"Location": "file:///etc/hosts"}}, r"an address of file, and only"),
    ],
)
def test_a_tile_that_cannot_be_had_is_named_and_the_others_come(
    site: Site, tmp_path: Path, rule: dict[str, object], sentence: str
) -> None:
    site.server.rules(t00=rule)
    cache = tmp_path / "cache"
    got = sk.fetch_tiles(found(site, tmp_path), cache)
    assert list(got.failures) == [f"{site.server.address}/t00.tif"]
    (told,) = got.failures.values()
    assert re.search(sentence, told) and told.startswith(f"{site.server.address}/t00.tif: ")
    whole(cache)
    known = [json.loads(p.read_text())["address"] for p in cache.glob("data/*.json")]
    assert {Path(address).name for address in known} == {"t01.tif", "t11.tif", "coarse.tif"}
    # Whoever opens the elevation is told, and when the server is well again only the one tile is fetched.
    with pytest.raises(sk.InputError, match=sentence):
        sk.screen(got.elevation, site.parcels, site.fleet)
    site.server.rules()
    again = sk.fetch_tiles(found(site, tmp_path), cache)
    assert again.failures == {} and {one["name"] for one in site.server.asked()} == {"t00.tif"}


@pytest.mark.parametrize(
    "rule",
    [
        {"do": "status", "code": 503, "times": 2},
        {"do": "status", "code": 429, "times": 1, "headers": {"Retry-After": "0"}},
        {"do": "hang", "times": 1},
        {"do": "cut", "times": 2},
        {"do": "status", "code": 302, "headers": {"Location": "/moved/t00.tif"}},
    ],
)
def test_what_passes_is_tried_again(site: Site, tmp_path: Path, rule: dict[str, object]) -> None:
    (site.folder / "moved").mkdir(exist_ok=True)
    shutil.copy2(site.folder / "t00.tif", site.folder / "moved")
    plain = sk.fetch_tiles(found(site, tmp_path), tmp_path / "plain")
    site.server.rules(t00=rule)
    got = sk.fetch_tiles(found(site, tmp_path), tmp_path / "cache")
    assert got.failures == {} and got.bytes == plain.bytes
    whole(tmp_path / "cache")


def test_pauses_grow_and_the_server_s_own_wish_counts(site: Site, monkeypatch: pytest.MonkeyPatch) -> None:
    slept: list[float] = []
    monkeypatch.setattr(web.time, "sleep", slept.append)
    client = web.Web(True)
    site.server.rules(t00={"do": "status", "code": 503})
    with pytest.raises(sk.InputError, match="503"):
        client.read(f"{site.server.address}/t00.tif", 10**9)
    assert slept == [0.01, 0.02, 0.03]
    slept.clear()
    site.server.rules(t00={"do": "status", "code": 429, "headers": {"Retry-After": "7"}, "times": 2})
    assert len(client.read(f"{site.server.address}/t00.tif", 10**9)) == (site.folder / "t00.tif").stat().st_size
    assert slept == [7.0, 7.0]


def test_a_server_without_ranges_sends_whole_tiles(site: Site, tmp_path: Path) -> None:
    site.server.rules(**{name: {"do": "no ranges"} for name in site.boxes})
    got = sk.fetch_tiles(found(site, tmp_path), tmp_path / "cache")
    assert got.failures == {}
    whole(tmp_path / "cache")
    assert len(site.server.asked()) == 4
    for name in rasters_of([got.elevation]):
        file = site.folder / Path(tile_of(name).bytes.known.address).name
        assert tile_of(name).bytes.cells.read_bytes() == file.read_bytes()


def test_whole_tiles_on_request(site: Site, tmp_path: Path) -> None:
    got = sk.fetch_tiles(found(site, tmp_path), tmp_path / "cache", whole=True)
    for name in rasters_of([got.elevation]):
        file = site.folder / Path(tile_of(name).bytes.known.address).name
        assert tile_of(name).bytes.cells.read_bytes() == file.read_bytes()


def test_a_file_that_changed_on_the_server(site: Site, tmp_path: Path) -> None:
    served, cache = tmp_path / "served", tmp_path / "cache"
    shutil.copytree(site.folder, served)
    with serving_tiles(served) as server:
        index = site.index(tmp_path / "index.gpkg", prefix=server.address)
        plan = found(site, tmp_path, index)
        got = sk.fetch_tiles(plan, cache)
        shutil.copy2(served / "old.tif", served / "t00.tif")
        # All that is wanted is there, so nobody asks; on request everybody is asked.
        assert sk.fetch_tiles(plan, cache).bytes == 0
        anew = sk.fetch_tiles(plan, cache, ask=True)
        assert anew.failures == {} and anew.elevation != got.elevation
        (name,) = [n for n in rasters_of([anew.elevation]) if Path(n).name.startswith("t00")]
        cached.bring(name, Window(0, 0, 600, 600))
        with rasterio.open(served / "old.tif") as file, opened(name) as tile:
            assert np.array_equal(tile.read(1), file.read(1))
        whole(cache)
        # Where more is wanted of a tile that has changed since, fetching begins anew with it by itself.
        shutil.copy2(site.folder / "t00.tif", served / "t00.tif")
        later = sk.fetch_tiles(plan, cache, whole=True)
        assert later.failures == {}
        whole(cache)


def test_more_bytes_than_agreed_are_refused_before_any_comes(
    site: Site, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    found(site, tmp_path).write(tmp_path / "tiles.gpkg")
    site.server.rules()
    line = ["tiles", "fetch", str(tmp_path / "tiles.gpkg"), "--cache", str(tmp_path / "cache"), "--most"]
    assert main([*line, "10kB"]) == 2
    told = capsys.readouterr().err
    assert re.search(
        r"[\d,]+ bytes would be fetched, more than the 10,000 that are agreed to, so confirm with --most", told
    )
    # Not even the first bytes of each tile.
    assert site.server.asked() == []
    assert main([*line, "200kB"]) == 2
    assert "more than the 200,000 that are agreed to" in capsys.readouterr().err
    heads = site.server.asked()
    assert len(heads) == 4 and all(one["range"] == f"bytes=0-{cached.HEAD - 1}" for one in heads)
    assert main([*line, "2GB"]) == 0
    assert main([*line, "lots"]) == 2
    assert "'lots' is no number of bytes: give one such as 500MB or 2GB" in capsys.readouterr().err


def test_few_connections_at_a_time(site: Site, tmp_path: Path) -> None:
    sk.fetch_tiles(found(site, tmp_path), tmp_path / "cache", whole=True)
    assert 1 <= len({one["port"] for one in site.server.asked()}) <= web.CONNECTIONS


def test_a_table_is_read_back_as_it_was_written(site: Site, tmp_path: Path) -> None:
    plan = found(site, tmp_path)
    plan.write(tmp_path / "tiles.gpkg")
    direct = sk.fetch_tiles(plan, tmp_path / "one")
    table = sk.fetch_tiles(tmp_path / "tiles.gpkg", tmp_path / "two")
    assert table.bytes == direct.bytes
    assert sorted(p.name for p in (tmp_path / "two").glob("data/*/*")) == sorted(
        p.name for p in (tmp_path / "one").glob("data/*/*")
    )
    with pytest.raises(sk.InputError, match="this is no table of slopekit tiles find"):
        sk.fetch_tiles(tmp_path / "index.gpkg", tmp_path / "three")


@pytest.mark.parametrize("compress", [None, "deflate"])
def test_a_hole_is_never_read_as_ground_whatever_the_order_of_windows(
    tmp_path: Path, compress: str | None, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The system reads ahead: a file that stays open must not keep zeros of a hole that was filled since."""
    from slopekit.sources.elevation import open_elevation

    monkeypatch.setattr(tile_bytes, "GAP", 0)
    monkeypatch.setattr(cached, "HEAD", 1 << 12)
    served = tmp_path / "served"
    served.mkdir()
    z = np.random.default_rng(1).uniform(50.0, 60.0, (300, 300)).astype(np.float32)
    with rasterio.open(
        served / "a.tif", "w", driver="GTiff", height=300, width=300, count=1, dtype="float32", crs="EPSG:25832",
        transform=rasterio.Affine(1, 0, 500000, 0, -1, 5600300), tiled=True, blockxsize=16, blockysize=16,
        compress=compress,
    ) as file:  # fmt: skip
        file.write(z, 1)
    with serving_tiles(served) as server:
        client = web.Web(True)
        stub = cached.begin(tmp_path / "cache", f"{server.address}/a.tif", client, cached.Said())
        with open_elevation([stub]) as elevation:
            for place in range(80, 140):
                row, col = 15 * (place // 20), 15 * (place % 20)
                west, north = 500000 + col, 5600300 - row
                got = elevation.read((west, north - 15, west + 15, north))
                assert np.array_equal(got.z, z[row : row + 15, col : col + 15].astype(np.float64))
