"""A cache that is broken off, shared, full or closed. What the server holds is the ground truth."""

import os
import shutil
import signal
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
import rasterio
from command_line import PATIENCE_S, start
from rasterio.windows import Window
from test_fetch_tiles import fingerprint, found, whole
from tile_server import serving_tiles
from tile_site import Site

import slopekit as sk
from slopekit.sources import cached
from slopekit.sources.cached import opened
from slopekit.sources.files import rasters_of
from slopekit.sources.tile_bytes import key_of

pytestmark = pytest.mark.fault


def may_mount() -> bool:
    if not hasattr(os, "geteuid") or os.geteuid() != 0 or shutil.which("unshare") is None:
        return False
    probe = ["unshare", "--mount", "mount", "-t", "tmpfs", "-o", "size=24k", "tmpfs", "/mnt"]
    return subprocess.run(probe, capture_output=True).returncode == 0


mounting = pytest.mark.skipif(not may_mount(), reason="mounting a small file system needs rights this process lacks")


@pytest.fixture
def disk(tmp_path: Path) -> Iterator[Path]:
    """A small file system, empty."""
    folder = tmp_path / "disk"
    folder.mkdir()
    subprocess.run(["mount", "-t", "tmpfs", "-o", "size=600k", "tmpfs", str(folder)], check=True)
    yield folder
    subprocess.run(["umount", str(folder)], check=True)


def table(site: Site, folder: Path) -> Path:
    return found(site, folder).write(folder / "tiles.gpkg")


def marks(cache: Path) -> list[Path]:
    return list((cache / "data").glob("*/*-*"))


def test_a_fetch_that_is_killed_goes_on_where_it_was(site: Site, tmp_path: Path) -> None:
    tiles, cache = table(site, tmp_path), tmp_path / "cache"
    plain = sk.fetch_tiles(tiles, tmp_path / "plain", whole=True)
    line = ["tiles", "fetch", str(tiles), "--cache", str(cache), "--whole"]
    for least in (1, 5, 6):
        site.server.rules(**{name: {"do": "slow"} for name in site.boxes})
        process = start(line)
        until = time.monotonic() + PATIENCE_S
        while len(marks(cache)) < least and process.poll() is None and time.monotonic() < until:
            time.sleep(0.01)
        process.send_signal(signal.SIGKILL)
        process.communicate(timeout=PATIENCE_S)
        assert process.returncode == -signal.SIGKILL
        site_had = {(mark.parent.name, mark.name) for mark in marks(cache)}
        assert len(site_had) >= least
    site.server.rules()
    again = sk.fetch_tiles(tiles, cache, whole=True)
    assert again.failures == {} and 0 < again.bytes < plain.bytes
    for name in rasters_of([again.elevation]):
        tile = cached.cached(name).bytes
        assert tile.cells.read_bytes() == (site.folder / Path(tile.known.address).name).read_bytes()
    # What was there was not asked for again.
    asked = {(one["name"], one["range"]) for one in site.server.asked()}
    assert len(asked) == len(site.server.asked())
    site.server.rules()
    assert sk.fetch_tiles(tiles, cache, whole=True).bytes == 0 and site.server.asked() == []


def test_two_processes_fill_one_cache(site: Site, tmp_path: Path) -> None:
    tiles, cache = table(site, tmp_path), tmp_path / "cache"
    site.server.rules(**{name: {"do": "slow"} for name in site.boxes})
    line = ["tiles", "fetch", str(tiles), "--cache", str(cache), "--quiet"]
    both = [start([*line, *more]) for more in ([], ["--whole"])]
    for process in both:
        out, err = process.communicate(timeout=PATIENCE_S)
        assert process.returncode == 0, err
        assert out.strip().endswith(".tiles")
    whole(cache)
    site.server.rules()
    got = sk.fetch_tiles(tiles, cache, whole=True)
    assert got.bytes == 0 and site.server.asked() == []
    for name in rasters_of([got.elevation]):
        tile = cached.cached(name).bytes
        assert tile.cells.read_bytes() == (site.folder / Path(tile.known.address).name).read_bytes()


@mounting
def test_a_full_disk_is_one_sentence_and_a_run_to_go_on_with(site: Site, tmp_path: Path, disk: Path) -> None:
    tiles = table(site, tmp_path)
    with pytest.raises(sk.OutputError, match=r"the cache takes no more .*No space left on device.*so free some space"):
        sk.fetch_tiles(tiles, disk / "cache", whole=True)
    subprocess.run(["mount", "-o", "remount,size=64m", str(disk)], check=True)
    whole(disk / "cache")
    got = sk.fetch_tiles(tiles, disk / "cache", whole=True)
    assert got.failures == {}
    for name in rasters_of([got.elevation]):
        tile = cached.cached(name).bytes
        assert tile.cells.read_bytes() == (site.folder / Path(tile.known.address).name).read_bytes()


@mounting
def test_a_cache_that_cannot_be_written_serves_what_it_has(site: Site, tmp_path: Path, disk: Path) -> None:
    subprocess.run(["mount", "-o", "remount,size=64m", str(disk)], check=True)
    tiles, cache = table(site, tmp_path), disk / "cache"
    first = sk.fetch_tiles(tiles, cache)
    before = fingerprint(cache)
    subprocess.run(["mount", "-o", "remount,ro", str(disk)], check=True)
    again = sk.fetch_tiles(tiles, cache)
    assert again.bytes == 0 and again.failures == {} and again.elevation == first.elevation
    with pytest.raises(sk.OutputError, match=r"Read-only file system.*or name another cache"):
        sk.fetch_tiles(tiles, cache, whole=True)
    assert fingerprint(cache) == before


def test_a_tile_that_changed_while_it_is_read_comes_anew_with_the_next_run(site: Site, tmp_path: Path) -> None:
    served, cache = tmp_path / "served", tmp_path / "cache"
    shutil.copytree(site.folder, served)
    with serving_tiles(served) as server:
        plan = found(site, tmp_path, site.index(tmp_path / "index.gpkg", prefix=server.address))
        got = sk.fetch_tiles(plan, cache)
        (name,) = [n for n in rasters_of([got.elevation]) if Path(n).name.startswith("t00")]
        shutil.copy2(served / "old.tif", served / "t00.tif")
        with pytest.raises(sk.InputError, match=r"it has changed on the server .* so run again, which fetches it anew"):
            cached.bring(name, Window(0, 0, 600, 600))
        # Without being told to ask, since what was known of it is forgotten.
        server.rules()
        anew = sk.fetch_tiles(plan, cache)
        assert anew.failures == {} and {one["name"] for one in server.asked()} == {"t00.tif"}
        (name,) = [n for n in rasters_of([anew.elevation]) if Path(n).name.startswith("t00")]
        cached.bring(name, Window(0, 0, 600, 600))
        with rasterio.open(served / "old.tif") as file, opened(name) as tile:
            assert np.array_equal(tile.read(1), file.read(1))
        # Nothing of the older file is kept.
        assert len(list((cache / "data").glob(f"{key_of(cached.cached(name).bytes.known.address)}-*"))) == 1


def test_a_server_that_gives_each_answer_another_version_is_named(site: Site, tmp_path: Path) -> None:
    site.server.rules(t00={"do": "other version"})
    got = sk.fetch_tiles(found(site, tmp_path), tmp_path / "cache")
    assert list(got.failures) == [f"{site.server.address}/t00.tif"]
    assert (
        "it has changed on the server since parts of it were fetched" in got.failures[f"{site.server.address}/t00.tif"]
    )
    whole(tmp_path / "cache")
