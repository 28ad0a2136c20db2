"""Files appear whole or not at all: errors, full disks, kills."""

import os
import shutil
import signal
import stat
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from child_process import environment
from listing import names
from output_worker import NAMES

from slopekit.errors import OutputError
from slopekit.outputs.atomic import check_writable, written

HERE = Path(__file__).parent
WORKER = HERE / "output_worker.py"
OLD = b"what an earlier run left"


def _start(kind: str, folder: Path, *mode: str) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, str(WORKER), kind, str(folder), *mode],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=environment(HERE),
    )  # fmt: skip


@pytest.fixture
def tiny_disk(tmp_path: Path) -> Iterator[Path]:
    """A file system of 24 kB."""
    folder = tmp_path / "tiny"
    folder.mkdir()
    subprocess.run(["mount", "-t", "tmpfs", "-o", "size=24k", "tmpfs", str(folder)], check=True)
    yield folder
    subprocess.run(["umount", str(folder)], check=True)


def _may_mount() -> bool:
    if not hasattr(os, "geteuid") or os.geteuid() != 0 or shutil.which("unshare") is None:
        return False
    probe = ["unshare", "--mount", "mount", "-t", "tmpfs", "-o", "size=24k", "tmpfs", "/mnt"]
    return subprocess.run(probe, capture_output=True).returncode == 0


def test_a_file_appears_only_at_the_end(tmp_path: Path) -> None:
    target = tmp_path / "out.json"
    with written(target) as (temp,):
        temp.write_bytes(b"new")
        assert not target.exists()
        assert temp.parent == tmp_path and temp.name == f".out.json.{os.getpid()}.partial"
    assert target.read_bytes() == b"new"
    assert names(tmp_path) == ["out.json"]


@pytest.mark.parametrize("error", [OSError(28, "No space left on device"), ValueError("a fault of ours")])
def test_an_error_keeps_the_old_file_and_leaves_nothing(tmp_path: Path, error: Exception) -> None:
    target = tmp_path / "out.json"
    target.write_bytes(OLD)
    want = OutputError if isinstance(error, OSError) else ValueError
    with pytest.raises(want) as caught, written(target) as (temp,):
        temp.write_bytes(b"half")
        Path(f"{temp}-journal").write_bytes(b"log")
        raise error
    assert target.read_bytes() == OLD
    assert names(tmp_path) == ["out.json"]
    if want is OutputError:
        assert str(caught.value) == (
            f"{target} cannot be written (No space left on device): free some space, or name a folder that may be "
            "written to."
        )


def test_of_several_files_the_last_one_tells_that_all_are_there(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    beside, main = tmp_path / "a.water.parquet", tmp_path / "a.parquet"
    main.write_bytes(OLD)
    moves: list[str] = []

    def note(source: Path, target: Path) -> None:
        assert not main.exists()
        moves.append(target.name)
        os.rename(source, target)

    monkeypatch.setattr(os, "replace", note)
    with written(beside, main) as temps:
        for temp in temps:
            temp.write_bytes(b"new")
        assert main.read_bytes() == OLD
    assert moves == ["a.water.parquet", "a.parquet"]


def test_a_link_keeps_pointing_where_its_owner_wants_it(tmp_path: Path) -> None:
    real = tmp_path / "shelf" / "real.json"
    real.parent.mkdir()
    link = tmp_path / "link.json"
    link.symlink_to(real)
    with written(link) as (temp,):
        temp.write_bytes(b"new")
    assert link.is_symlink() and real.read_bytes() == b"new"


def test_places_that_cannot_take_a_file(tmp_path: Path) -> None:
    (tmp_path / "plain").write_bytes(OLD)
    for target, words in (
        (tmp_path / "none" / "out.gpkg", "create it first"),
        (tmp_path / "plain" / "out.gpkg", "name a folder instead"),
        (tmp_path, "not an ordinary file"),
    ):
        with pytest.raises(OutputError, match=words):
            check_writable(target)
        with pytest.raises(OutputError, match=words), written(target) as (temp,):
            temp.write_bytes(b"never")
    assert os.listdir(tmp_path) == ["plain"]
    check_writable(tmp_path / "out.gpkg")
    assert os.listdir(tmp_path) == ["plain"]


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="this system has no /dev/full")
def test_a_device_is_refused_and_stays_a_device() -> None:
    with pytest.raises(OutputError, match="not an ordinary file"), written("/dev/full") as (temp,):
        temp.write_bytes(b"never")
    assert stat.S_ISCHR(os.stat("/dev/full").st_mode)


@pytest.mark.parametrize("end", ["-wal", "-journal"])
def test_a_database_that_another_program_has_open_is_refused(tmp_path: Path, end: str) -> None:
    # SQLite, "Write-Ahead Logging" and "How To Corrupt An SQLite Database File" (sqlite.org): a log that lies beside a
    # database of the same name is played into it, whoever's it was.
    target = tmp_path / "out.gpkg"
    target.write_bytes(OLD)
    Path(f"{target}{end}").write_bytes(b"log")
    with pytest.raises(OutputError, match="is open in another program"), written(target) as (temp,):
        temp.write_bytes(b"new")
    assert target.read_bytes() == OLD


@pytest.mark.skipif(os.name == "nt", reason="Windows has no file size limit for a process")
@pytest.mark.parametrize("kind", NAMES)
def test_a_disk_that_takes_no_more_keeps_the_old_file(tmp_path: Path, kind: str) -> None:
    (tmp_path / NAMES[kind]).write_bytes(OLD)
    answer = _start(kind, tmp_path, "limit", "2000").communicate(timeout=120)[0]
    assert answer.startswith("refused: ") and "cannot be written" in answer and answer.count("\n") == 1
    assert (tmp_path / NAMES[kind]).read_bytes() == OLD
    assert os.listdir(tmp_path) == [NAMES[kind]]


@pytest.mark.skipif(os.name == "nt", reason="Windows has no file size limit for a process")
@pytest.mark.parametrize("bytes_allowed", [40_000, 120_000, 200_000, 250_000])
def test_a_package_that_is_cut_anywhere_is_refused(tmp_path: Path, bytes_allowed: int) -> None:
    answer = _start("gpkg", tmp_path, "limit", str(bytes_allowed)).communicate(timeout=120)[0]
    assert answer.startswith("refused: ") and "cannot be written" in answer
    assert os.listdir(tmp_path) == []


@pytest.mark.skipif(not _may_mount(), reason="mounting a small file system needs more rights than this process has")
@pytest.mark.parametrize("kind", ["gpkg", "parquet", "png"])
def test_a_full_disk_is_told_in_one_sentence(tiny_disk: Path, kind: str) -> None:
    answer = _start(kind, tiny_disk, "as-is").communicate(timeout=120)[0]
    assert answer.startswith("refused: ") and "cannot be written" in answer
    assert os.listdir(tiny_disk) == []


@pytest.mark.skipif(os.name == "nt", reason="Windows has no SIGKILL")
@pytest.mark.parametrize(
    ("kind", "mode"), [("gpkg", "slow"), ("gpkg", "hold"), ("parquet", "hold"), ("tif", "hold"), ("png", "hold")]
)
@pytest.mark.parametrize("older", [True, False])
def test_a_kill_leaves_the_old_file_or_none(tmp_path: Path, kind: str, mode: str, older: bool) -> None:
    target = tmp_path / NAMES[kind]
    if older:
        target.write_bytes(OLD)
    process = _start(kind, tmp_path, mode)
    assert process.stdout is not None
    assert process.stdout.readline() == "stopped\n"
    process.send_signal(signal.SIGKILL)
    process.communicate(timeout=60)
    # A set of several files is announced by its last one, which is taken away before the others are put in place.
    assert target.exists() == (older and kind != "parquet")
    if target.exists():
        assert target.read_bytes() == OLD
    left = [name for name in names(tmp_path) if name != target.name]
    assert left and all(name.startswith(".") and ".partial" in name for name in left)
