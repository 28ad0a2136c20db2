"""What Windows does otherwise, by its errors and names put in place here: nobody ran this on Windows.

Numbers of errors: Microsoft, "System Error Codes": 3 path not found, 5 access denied, 32 sharing violation, 206 name
too long. That a move over an open file is denied (5), and that a move or removal of one is a sharing violation (32):
common practice, no source.
"""

import contextlib
import ctypes
import errno
import io
import os
import sqlite3
import sys
import types
from pathlib import Path, PurePosixPath, PureWindowsPath
from typing import Any

import click
import numpy as np
import pytest
import rasterio

import slopekit as sk
from slopekit import memory, pool, windows
from slopekit.api.guard import Guard
from slopekit.cli import console, main
from slopekit.cli.entry import commands
from slopekit.errors import InputError, OutputError
from slopekit.outputs import atomic
from slopekit.outputs.atomic import check_writable, written
from slopekit.outputs.geopackage import address_of
from slopekit.outputs.manifest import note, take_away
from slopekit.outputs.rasters import file_stems
from slopekit.paths import remedy
from slopekit.portfolio import journal
from slopekit.sources import tile_bytes
from slopekit.sources.files import is_virtual, named_parts
from slopekit.sources.remote import check_local

OLD = b"what an earlier run left"


def windows_error(number: int, file: Path, *second: Path) -> OSError:
    """As Python makes it there: the system's number beside that of C (CPython, PC/errmap.h)."""
    told = {3: errno.ENOENT, 5: errno.EACCES, 32: errno.EACCES, 206: errno.ENOENT}[number]
    error = OSError(told, "as Windows says it", str(file), None, *map(str, second))
    error.winerror = number  # type: ignore[attr-defined]
    return error


@pytest.fixture
def opened(monkeypatch: pytest.MonkeyPatch) -> set[Path]:
    """Files that another program has open, to which everything answers as Windows does."""
    held: set[Path] = set()
    replace, unlink = os.replace, Path.unlink

    def move(old: str | Path, new: str | Path) -> None:
        for one, number in ((old, 32), (new, 5)):
            if Path(one) in held:
                raise windows_error(number, Path(old), Path(new))
        replace(old, new)

    def remove(path: Path, missing_ok: bool = False) -> None:
        if path in held:
            raise windows_error(32, path)
        unlink(path, missing_ok)

    monkeypatch.setattr(os, "replace", move)
    monkeypatch.setattr(Path, "unlink", remove)
    monkeypatch.setattr(windows, "_PAUSES_S", (0.0, 0.0))
    for module in (windows, atomic):
        monkeypatch.setattr(module, "ON_WINDOWS", True)
    return held


# Python's own list, which follows Microsoft's "Naming Files, Paths, and Namespaces".
@pytest.mark.skipif(sys.version_info >= (3, 13), reason="there Python asks another function for it")
@pytest.mark.parametrize(
    "name",
    ["CON", "con.gpkg", "Nul.a.b", "AUX.", "prn .txt", "COM1", "lpt9.pdf", "COM³", "CONIN$", "conout$.x", "COM0",
     "COM10", "console", "a.con", "_CON", "nul1", "auxiliary.gpkg", "COM", "LPT¹.pdf", "zones.gpkg", "CON_slope.tif"],
)  # fmt: skip
def test_names_that_windows_keeps(name: str) -> None:
    assert windows.is_device(name) == PureWindowsPath(name).is_reserved()


@pytest.mark.parametrize("name", ["a:b.gpkg", "a?.pdf", "a*", "a|b", "a<b", 'a"b', "a.gpkg.", "a ", "tab\t.csv"])
def test_names_that_cannot_be(name: str, tmp_path: Path, opened: set[Path]) -> None:
    # The same list of Microsoft's: < > : " / \ | ? *, characters below 32, and an end that is a dot or a space.
    assert windows.cannot_be_named(name)
    with pytest.raises(OutputError, match="Windows has no files of this name: name another"):
        check_writable(tmp_path / name)
    assert not windows.cannot_be_named("Größe 三 (2).v1.gpkg")
    check_writable(tmp_path / "Größe 三 (2).v1.gpkg")


def test_a_parcel_with_the_name_of_a_device_gets_files() -> None:
    ids = ["CON", "nul.2", "a:b", "x.", "7?", "Süd\\Nord", "com1 "]
    stems = file_stems(ids)
    assert len({stem.casefold() for stem in stems.values()}) == len(ids)
    for stem in stems.values():
        for name in (f"{stem}.pdf", f"{stem}_slope.tif"):
            assert not windows.cannot_be_named(name), name


def test_a_result_that_is_open_is_found_before_the_work(tmp_path: Path, opened: set[Path]) -> None:
    target, other = tmp_path / "zones.gpkg", tmp_path / "zones.water.parquet"
    for path in (target, other):
        path.write_bytes(OLD)
        note(path, path)
    Guard([target], [], older=[other])
    for path in (target, other):
        opened.add(path)
        with pytest.raises(OutputError, match=f"^{path} is open in another program: close it there"):
            Guard([target], [], older=[other])
        opened.clear()
    target.chmod(0o444)
    if not os.access(target, os.W_OK):  # root may
        with pytest.raises(OutputError, match="marked as read-only"):
            check_writable(target)
    assert sorted(path.name for path in tmp_path.iterdir()) == [".slopekit_outputs.jsonl", target.name, other.name]


def test_the_command_line_tells_before_it_screens(tmp_path: Path, opened: set[Path]) -> None:
    from slopekit.api.demo import demo_data

    data, target = demo_data(), tmp_path / "Süd 三.gpkg"
    target.write_bytes(OLD)
    note(target, target)
    opened.add(target)
    err = io.StringIO()
    words = ["screen", *(str(data / name) for name in ("office_park.tif",)), "--parcels", str(data / "parcels.gpkg")]
    with contextlib.redirect_stderr(err):
        code = main([*words, "--fleet", str(data / "fleet.toml"), "--out", str(target)])
    assert code == 2
    (line,) = err.getvalue().splitlines()
    assert line.startswith(f"Error: {target} is open in another program") and "Screening" not in err.getvalue()


def test_one_that_is_opened_during_the_work_keeps_the_old_set(tmp_path: Path, opened: set[Path]) -> None:
    beside, main_file = tmp_path / "a.water.parquet", tmp_path / "a.parquet"
    for path in (beside, main_file):
        path.write_bytes(OLD)
    told = r"a\.water\.parquet is open in another program"
    with pytest.raises(OutputError, match=told), written(beside, main_file) as temps:
        for temp in temps:
            temp.write_bytes(b"new")
        opened.add(beside)
    assert beside.read_bytes() == main_file.read_bytes() == OLD
    assert sorted(path.name for path in tmp_path.iterdir()) == [main_file.name, beside.name]


def test_leftovers_beside_a_locked_one_are_removed(tmp_path: Path, opened: set[Path]) -> None:
    with pytest.raises(ValueError, match="a fault"), written(tmp_path / "a.gpkg") as (temp,):
        for end in ("", "-journal", "-wal"):
            Path(f"{temp}{end}").write_bytes(b"half")
        opened.add(temp)
        raise ValueError("a fault of ours")
    assert [path.name for path in tmp_path.iterdir()] == [temp.name]


def test_an_older_result_that_is_open_is_told(tmp_path: Path, opened: set[Path]) -> None:
    old = tmp_path / "page_001.html"
    old.write_bytes(OLD)
    note(old, old)
    opened.add(old)
    with pytest.raises(OutputError, match=r"page_001\.html is a result of an earlier run and cannot be taken away"):
        take_away([old])


def test_a_scanner_that_lets_go_is_waited_for(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    replace, tries = os.replace, []

    def busy(old: Path, new: Path) -> None:
        tries.append(old)
        if len(tries) < 3:
            raise windows_error(32, old, new)
        replace(old, new)

    monkeypatch.setattr(windows, "_PAUSES_S", (0.0, 0.0, 0.0))
    monkeypatch.setattr(os, "replace", busy)
    (tmp_path / "new").write_bytes(b"new")
    windows.move(tmp_path / "new", tmp_path / "old")
    assert (tmp_path / "old").read_bytes() == b"new" and len(tries) == 3
    # Any other error is no matter of time.
    tries[:] = [None] * 5
    with pytest.raises(FileNotFoundError):
        windows.move(tmp_path / "new", tmp_path / "old")
    assert len(tries) == 6


def test_a_denied_folder_is_no_open_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    target = tmp_path / "a.gpkg"

    def denied(path: Path, *rest: object) -> None:
        raise windows_error(5, path)

    monkeypatch.setattr(Path, "touch", denied)
    with pytest.raises(OutputError, match="Permission denied") as caught:
        check_writable(target)
    assert "open in another program" not in str(caught.value)
    assert windows.is_open_elsewhere(windows_error(5, tmp_path / "temp", target))


def test_a_path_that_is_too_long_is_told(tmp_path: Path) -> None:
    # 260 characters with the end of the text (Microsoft, "Maximum Path Length Limitation").
    long = Path("C:\\" + "a" * 260)
    for error in (windows_error(206, tmp_path), windows_error(3, long)):
        assert remedy(error, "free some space") == "give it a shorter name"
    assert remedy(windows_error(3, tmp_path), "free some space") == "free some space"


def test_paths_of_windows_are_files_of_this_machine() -> None:
    for name in ("C:\\Tiles\\a b.tif", "C:/Größe/三.tif", "\\\\server\\share\\a.tif", "c:a.tif"):
        assert not is_virtual(name)
        assert named_parts(f"{name}|layername=plots")[:2] == (name, "plots")
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("SLOPEKIT_NO_REMOTE", "1")
        check_local(["C:\\Tiles\\a b.tif", "C:/Größe/三.tif"])


def test_addresses_of_databases(tmp_path: Path) -> None:
    # The first three as in sqlite.org, "Uniform Resource Identifiers"; that of a share from memory.
    for path, told in (
        (PureWindowsPath("C:\\Documents and Settings\\fred\\data.db"), "file:///C:/Documents%20and%20Settings/fred/data.db"),
        (PurePosixPath("/home/fred/data.db"), "file:///home/fred/data.db"),
        (PurePosixPath("/home/a?b#c%d"), "file:///home/a%3Fb%23c%25d"),
        (PureWindowsPath("\\\\server\\share\\data.db"), "file:////server/share/data.db"),
    ):  # fmt: skip
        assert address_of(path, "mode=ro") == f"{told}?mode=ro"
    place = tmp_path / "Süd 三 a?b#c%d.gpkg"
    sqlite3.connect(place).close()
    sqlite3.connect(address_of(place, "mode=ro"), uri=True).close()


def test_two_runs_in_one_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    held: set[int] = set()

    def locking(handle: int, how: int, count: int) -> None:
        # Python's manual, "msvcrt": LK_NBLCK raises OSError where the bytes cannot be locked.
        key = os.fstat(handle).st_ino
        if key in held:
            raise OSError(errno.EACCES, "Permission denied")
        held.add(key)

    monkeypatch.setitem(sys.modules, "msvcrt", types.SimpleNamespace(locking=locking, LK_NBLCK=2))
    monkeypatch.setattr(journal, "fcntl", None)
    told = pytest.raises(InputError, match="another run is at work in this folder")
    with journal.Journal(tmp_path / "journal.jsonl", go_on=False), told:
        journal.Journal(tmp_path / "journal.jsonl", go_on=False)


def test_a_small_file_that_a_neighbour_reads_counts_as_written(tmp_path: Path, opened: set[Path]) -> None:
    tile_bytes.write_whole(tmp_path / "mark", b"sum")
    opened.add(tmp_path / "mark")
    tile_bytes.write_whole(tmp_path / "mark", b"sum")
    with pytest.raises(OutputError, match="the cache cannot be written"):
        tile_bytes.write_whole(tmp_path / "mark", b"another")
    assert [path.name for path in tmp_path.iterdir()] == ["mark"]


def test_free_memory(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    class Status(ctypes.Structure):
        """MEMORYSTATUSEX as Microsoft's documentation gives it."""

        _fields_ = (
            ("dwLength", ctypes.c_uint32), ("dwMemoryLoad", ctypes.c_uint32),
            *((name, ctypes.c_uint64) for name in (
                "ullTotalPhys", "ullAvailPhys", "ullTotalPageFile", "ullAvailPageFile", "ullTotalVirtual",
                "ullAvailVirtual", "ullAvailExtendedVirtual")),
        )  # fmt: skip

    def tell(place: object) -> int:
        status = ctypes.cast(place, ctypes.POINTER(Status)).contents  # type: ignore[arg-type]
        assert status.dwLength == ctypes.sizeof(Status) == 64
        status.ullTotalPhys, status.ullAvailPhys = 16_000_000_000, 5_000_000_000
        return 1

    kernel = types.SimpleNamespace(GlobalMemoryStatusEx=tell)
    monkeypatch.setattr(ctypes, "windll", types.SimpleNamespace(kernel32=kernel), raising=False)
    monkeypatch.setattr(memory, "ON_WINDOWS", True)
    monkeypatch.setattr(memory, "_PROC", tmp_path)
    assert windows.free_bytes() == memory._machine() == 5e9


def test_no_more_processes_than_can_be_waited_for(monkeypatch: pytest.MonkeyPatch) -> None:
    # Python's manual, ProcessPoolExecutor: on Windows max_workers must be 61 or less.
    assert windows.most_processes(200) == 200
    monkeypatch.setattr(windows, "ON_WINDOWS", True)
    assert windows.most_processes(200) <= 61 and windows.most_processes(8) == 8


def _tree(command: click.Command, path: str) -> list[tuple[str, click.Command]]:
    below = command.commands.items() if isinstance(command, click.Group) else ()
    return [(path, command), *(row for name, one in below for row in _tree(one, f"{path} {name}"))]


def test_help_and_answers_on_a_console_of_old(monkeypatch: pytest.MonkeyPatch) -> None:
    # Redirected output has the code page of the system there: in western Europe and America 1252.
    for path, command in _tree(commands, "slopekit"):
        command.get_help(click.Context(command, info_name=path)).encode("cp1252")
    raw = io.BytesIO()
    monkeypatch.setattr(sys, "stdout", io.TextIOWrapper(raw, encoding="cp1252"))
    console.result("Süd 三.gpkg")
    sys.stdout.flush()
    assert raw.getvalue().decode("cp1252").strip() == "Süd ?.gpkg"


@pytest.fixture(scope="module")
def small(tmp_path_factory: pytest.TempPathFactory) -> tuple[Any, ...]:
    """Ground that is steep in one half, two parcels, a fleet."""
    import geopandas as gpd
    from shapely import box

    folder = tmp_path_factory.mktemp("small Süd 三")
    x = np.arange(60.0)
    z = np.tile(np.where(x < 30, 0.1 * x, 3.0 + 0.7 * (x - 30)), (40, 1)).astype(np.float32)
    profile = {"driver": "GTiff", "height": 40, "width": 60, "count": 1, "dtype": "float32", "crs": "EPSG:25832"}
    transform = rasterio.Affine(1.0, 0.0, 500_000.0, 0.0, -1.0, 5_600_000.0)
    with rasterio.open(folder / "z.tif", "w", **profile, transform=transform) as file:
        file.write(z, 1)
    west, north = 500_000.0, 5_600_000.0
    shapes = [box(west + at, north - 30, west + at + 20, north - 10) for at in (5, 35)]
    parcels = gpd.GeoDataFrame({"parcel_id": ["a", "b"]}, geometry=shapes, crs="EPSG:25832")

    from slopekit.api.demo import demo_data

    return folder / "z.tif", parcels, demo_data() / "fleet.toml"


def test_processes_that_are_not_forked_give_the_same(
    small: tuple[Any, ...], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # As on Windows (Python's manual, "multiprocessing": start methods).
    alone = sk.screen(*small, workers=1)
    monkeypatch.setattr(pool, "_method", lambda: "spawn")
    spawned = sk.screen(*small, workers=2)
    assert len(alone.zones) > 1
    assert spawned.zones.to_json() == alone.zones.to_json()
    outcome = sk.portfolio(*small, tmp_path, workers=2, memory_limit_mb=1000)
    assert (outcome.answered, outcome.failures) == (2, {})
