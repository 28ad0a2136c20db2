"""Compiled kernels are pickles, and a pickle that somebody else put there is never read.

That reading one runs it: Python's manual, "pickle", the warning at its head. Modes and the sticky bit: POSIX.1-2017,
chmod.
"""

import os
import pickle
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
from child_process import environment

from slopekit.kernels.cache import SETTING, give_cache_a_home, trusted

ON_POSIX = pytest.mark.skipif(os.name == "nt", reason="Windows has no such modes and owners")
AS_ROOT = pytest.mark.skipif(getattr(os, "geteuid", lambda: 1)() != 0, reason="only root can give a file to another")
pytestmark = [pytest.mark.fault, ON_POSIX]
NOBODY = 65534
KERNEL = (
    "import logging; logging.basicConfig(level=logging.INFO); import numpy as np\n"
    "from slopekit.kernels.contour import level_line\n"
    "z = np.arange(25.0).reshape(5, 5); m = np.ones((5, 5), bool)\n"
    "print(level_line(z, m, m, 7.5, 1.0, 1.0))"
)


class Payload:
    """What an attacker's pickle does when it is read."""

    def __init__(self, mark: Path) -> None:
        self.mark = mark

    def __reduce__(self) -> tuple[Callable[..., None], tuple[str]]:
        return os.mkdir, (str(self.mark),)


def compute(**variables: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-c", KERNEL], capture_output=True, text=True, env=environment(**variables),
        timeout=300, check=True,
    )  # fmt: skip


@pytest.fixture(scope="module")
def compiled(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str]:
    """A private folder that keeps one kernel, and what the kernel answers."""
    folder = tmp_path_factory.mktemp("kept")
    folder.chmod(0o700)
    return folder, compute(**{SETTING: str(folder)}).stdout


def planted(folder: Path, like: Path, mark: Path) -> None:
    """A cache whose every file is an attacker's."""
    for path in like.rglob("*"):
        target = folder / path.relative_to(like)
        if path.is_dir():
            target.mkdir(parents=True)
        else:
            target.parent.mkdir(parents=True, exist_ok=True)
            target.write_bytes(pickle.dumps(Payload(mark)))


def of_nobody(folder: Path) -> None:
    for path in (folder, *folder.rglob("*")):
        os.chown(path, NOBODY, NOBODY)


@pytest.mark.parametrize(
    "way", ["private", "open to all", pytest.param("of another user", marks=AS_ROOT)], ids=lambda way: way
)
def test_a_planted_pickle_is_run_in_a_private_folder_only(way: str, compiled: tuple[Path, str], tmp_path: Path) -> None:
    """In a private folder the attack works, so this test would see it; there only we could have planted it."""
    kept, answer = compiled
    assert any(kept.rglob("*.nbi"))
    folder, mark = tmp_path / "cache", tmp_path / "mark"
    folder.mkdir(mode=0o700)
    planted(folder, kept, mark)
    if way == "open to all":
        folder.chmod(0o777)
    if way == "of another user":
        of_nobody(folder)
    before = {path: path.read_bytes() for path in folder.rglob("*.nbi")}
    environment = {SETTING: str(folder)}
    if way == "private":
        with pytest.raises(subprocess.CalledProcessError):
            compute(**environment)
        assert mark.is_dir()
        return
    done = compute(**environment)
    assert not mark.exists()
    assert done.stdout == answer
    assert done.stderr.count("compiled kernels are not kept") == 1
    assert before == {path: path.read_bytes() for path in folder.rglob("*.nbi")}


def closed(folder: Path) -> Path:
    folder.mkdir(parents=True)
    folder.chmod(0o700)
    (folder / "kernel.nbi").write_bytes(b"")
    return folder


def test_a_closed_folder_is_trusted(tmp_path: Path) -> None:
    assert trusted(closed(tmp_path / "a"))
    (tmp_path / "a").chmod(0o755)
    assert trusted(tmp_path / "a")
    assert not trusted(tmp_path / "gone")
    # A way such as /tmp: all may write, only owners may rename.
    way = tmp_path / "way"
    closed(way / "a")
    way.chmod(0o1777)
    assert trusted(way / "a")


@pytest.mark.parametrize("fault", ["all", "group", "way", "file", "linked file", "link to open"])
def test_what_others_can_write_to_is_not(fault: str, tmp_path: Path) -> None:
    folder = closed(tmp_path / "way" / "a")
    asked = folder
    if fault in ("all", "group"):
        folder.chmod(0o707 if fault == "all" else 0o770)
    if fault == "way":
        folder.parent.chmod(0o777)
    if fault == "file":
        folder.chmod(0o755)
        (folder / "kernel.nbi").chmod(0o666)
    if fault == "linked file":
        (folder / "other.nbc").symlink_to(tmp_path / "elsewhere")
    if fault == "link to open":
        folder.chmod(0o777)
        asked = tmp_path / "link"
        asked.symlink_to(folder)
    assert not trusted(asked)


@AS_ROOT
@pytest.mark.parametrize("whose", ["folder", "way", "file", "folder inside"])
def test_what_another_user_owns_is_not(whose: str, tmp_path: Path) -> None:
    folder = closed(tmp_path / "way" / "a")
    (folder / "inside").mkdir()
    place = {"folder": folder, "way": folder.parent, "file": folder / "kernel.nbi", "folder inside": folder / "inside"}
    assert trusted(folder)
    os.chown(place[whose], NOBODY, NOBODY)
    assert not trusted(folder)
    assert trusted(folder, NOBODY)


def test_where_kernels_go(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture) -> None:
    """Beside the sources, else the user's cache, else the folder for temporary files, else nowhere."""
    sources, home, temp = (tmp_path / name for name in ("sources", "home", "temp"))
    for folder in (sources, home, temp):
        folder.mkdir()
    monkeypatch.setattr("tempfile.tempdir", str(temp))
    monkeypatch.setenv("HOME", str(home))
    monkeypatch.delenv("XDG_CACHE_HOME", raising=False)

    def place() -> str | None:
        monkeypatch.delenv(SETTING, raising=False)
        kept = give_cache_a_home(sources)
        return os.environ.get(SETTING, "beside") if kept else None

    assert place() == "beside"
    assert (sources / "__pycache__").stat().st_mode & 0o777 == 0o700
    (sources / "__pycache__").chmod(0o777)
    own = home / ".cache" / "slopekit" / "kernels"
    assert place() == str(own)
    assert own.stat().st_mode & 0o777 == 0o700
    home.chmod(0o777)
    in_temp = temp / f"slopekit-kernels-{os.geteuid()}"
    assert place() == str(in_temp)
    assert in_temp.stat().st_mode & 0o777 == 0o700
    with caplog.at_level("INFO", "slopekit"):
        in_temp.chmod(0o777)
        assert place() is None
    assert [record.getMessage().count("No folder is private enough") for record in caplog.records] == [1]
    monkeypatch.delenv(SETTING, raising=False)
