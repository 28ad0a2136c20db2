"""Disks that are full or read-only, and folders that are not there: nothing half-written, older results untouched."""

import os
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest
from command_line import Runner, assert_done, assert_one_sentence, fresh
from fault_site import Site
from listing import names

from slopekit.outputs.manifest import note

pytestmark = pytest.mark.fault

OLD = b"what an earlier run left"
POSIX = pytest.mark.skipif(os.name == "nt", reason="Windows has neither a file size limit nor these permissions")


def may_mount() -> bool:
    if not hasattr(os, "geteuid") or os.geteuid() != 0 or shutil.which("unshare") is None:
        return False
    probe = ["unshare", "--mount", "mount", "-t", "tmpfs", "-o", "size=24k", "tmpfs", "/mnt"]
    return subprocess.run(probe, capture_output=True).returncode == 0


MOUNTS = pytest.mark.skipif(not may_mount(), reason="mounting a small file system needs rights this process lacks")


@pytest.fixture
def disk(tmp_path: Path) -> Iterator[Path]:
    """A file system of 24 kB, empty."""
    folder = tmp_path / "disk"
    folder.mkdir()
    subprocess.run(["mount", "-t", "tmpfs", "-o", "size=24k", "tmpfs", str(folder)], check=True)
    yield folder
    subprocess.run(["umount", str(folder)], check=True)


PLACES = {
    "out": ["--out", "disk/zones.gpkg"],
    "parquet": ["--out", "disk/zones.parquet"],
    "report": ["--report", "disk/report.json"],
    "rasters": ["--rasters", "disk"],
}


@MOUNTS
@pytest.mark.parametrize("place", ["out", "parquet", "rasters"])
def test_a_full_disk(run: Runner, site: Site, disk: Path, place: str) -> None:
    answer = run(site.line(*PLACES[place], "--id-column", "name"), site.folder)
    assert_one_sentence(answer, "disk/", "cannot be written", "free some space")
    # Rasters that were complete before the disk was full may stay; they read whole.
    assert all(place == "rasters" and name.endswith(".tif") for name in names(disk))
    assert not site.out.exists()


@MOUNTS
@pytest.mark.parametrize("place", ["out", "report", "rasters"])
def test_a_disk_that_is_full_already_keeps_the_older_file(run: Runner, site: Site, disk: Path, place: str) -> None:
    older = disk / {"out": "zones.gpkg", "report": "report.json", "rasters": "lawn_slope.tif"}[place]
    older.write_bytes(OLD)
    note(older, older)
    with open(disk / "filler", "wb", buffering=0) as filler, pytest.raises(OSError, match="No space left"):
        while True:
            filler.write(bytes(512))
    before = {path.name: path.read_bytes() for path in disk.iterdir()}
    answer = run(site.line(*PLACES[place], "--id-column", "name"), site.folder)
    why = "the disk did not take the database" if place == "out" else "No space left on device"
    assert_one_sentence(answer, "disk/", why, "free some space")
    # The zones are written before the report, to another disk here: they are whole, or not there.
    assert site.out.exists() == (place == "report")
    assert {path.name: path.read_bytes() for path in disk.iterdir()} == before


@MOUNTS
@pytest.mark.parametrize("place", PLACES)
def test_a_read_only_file_system(run: Runner, site: Site, disk: Path, place: str) -> None:
    (disk / "zones.gpkg").write_bytes(OLD)
    subprocess.run(["mount", "-o", "remount,ro", str(disk)], check=True)
    answer = run(site.line(*PLACES[place]), site.folder)
    assert_one_sentence(answer, "disk/", "Read-only file system", "name a folder that may be written to")
    assert os.listdir(disk) == ["zones.gpkg"] and (disk / "zones.gpkg").read_bytes() == OLD
    assert not site.out.exists()


@POSIX
@pytest.mark.skipif(hasattr(os, "geteuid") and os.geteuid() == 0, reason="permissions do not hold back root")
@pytest.mark.parametrize("place", PLACES)
def test_a_folder_without_write_permission(run: Runner, site: Site, place: str) -> None:
    folder = site.folder / "disk"
    folder.mkdir(mode=0o555)
    answer = run(site.line(*PLACES[place]), site.folder)
    assert_one_sentence(answer, "disk/", "Permission denied", "name a folder that may be written to")
    assert os.listdir(folder) == [] and not site.out.exists()


@pytest.mark.parametrize("place", ["out", "parquet", "report"])
def test_a_folder_that_is_not_there(run: Runner, site: Site, place: str) -> None:
    before = site.names()
    answer = run(site.line(*PLACES[place]), site.folder)
    assert_one_sentence(answer, "disk/", "disk is not there", "create it first")
    assert site.names() == before


def test_a_rasters_folder_that_is_not_there_is_made(run: Runner, site: Site) -> None:
    assert_done(run(site.line("--rasters", "new/rasters", "--id-column", "name"), site.folder))
    fields = ("aspect", "hazard", "machine_slope", "slope", "speed_to_hazard")
    assert names(site.folder / "new" / "rasters") == [f"lawn_{field}.tif" for field in fields]


def test_a_rasters_folder_inside_a_file(run: Runner, site: Site) -> None:
    answer = run(site.line("--rasters", "fleet.toml/rasters"), site.folder)
    assert_one_sentence(answer, "fleet.toml/rasters: the folder cannot be created", "name one in a place")


def test_rasters_into_the_folder_of_the_tiles(run: Runner, site: Site) -> None:
    (site.folder / "tiles").mkdir()
    shutil.move(site.folder / "ground.tif", site.folder / "tiles" / "ground.tif")
    answer = run(site.line("--rasters", "tiles/../tiles", elevation="tiles"), site.folder)
    assert_one_sentence(answer, "tiles/../tiles: ", "as elevation", "name another --rasters folder")
    assert os.listdir(site.folder / "tiles") == ["ground.tif"]


@POSIX
@pytest.mark.parametrize(("place", "allowed"), [("out", 60_000), ("out", 200_000), ("parquet", 9_000)])
def test_files_that_may_not_grow(run: Runner, site: Site, place: str, allowed: int) -> None:
    """Any user can limit the size of files: the disk that ends in the middle of the write."""
    # A first run fills the cache of compiled code, which the limit would hold back too.
    (site.folder / "disk").mkdir()
    assert_done(run(site.line("--out", "other.gpkg"), site.folder))
    older = site.folder / PLACES[place][1]
    older.write_bytes(OLD)
    note(older, older)
    limit = (
        "import resource, signal; signal.signal(signal.SIGXFSZ, signal.SIG_IGN); "
        f"resource.setrlimit(resource.RLIMIT_FSIZE, ({allowed}, resource.RLIM_INFINITY)); "
    )
    answer = fresh(site.line("--quiet", *PLACES[place]), site.folder, before=limit)
    assert_one_sentence(answer, f"{PLACES[place][1]} cannot be written", "free some space")
    assert older.read_bytes() == OLD
    assert names(older.parent) == [older.name]
    assert not site.out.exists()


@MOUNTS
def test_no_space_for_compiled_code(site: Site, disk: Path) -> None:
    """Numba keeps compiled code in NUMBA_CACHE_DIR (its manual, "Environment variables"): also a disk that can fill."""
    # A new disk is open to all, and compiled code is only kept where nobody else can write.
    disk.chmod(0o700)
    elsewhere = f"import os; os.environ['NUMBA_CACHE_DIR'] = {str(disk)!r}; "
    answer = fresh(site.line("--quiet"), site.folder, before=elsewhere)
    assert_one_sentence(answer, "A disk is full", "No space left on device", "free some space")
    assert not site.out.exists()
