"""A disk that fills up while a part is written and during the merge: one sentence, and a run to go on with."""

import os
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest
from conftest import Unbroken
from portfolio_runner import Answer, contents, lines, run


def may_mount() -> bool:
    if not hasattr(os, "geteuid") or os.geteuid() != 0 or shutil.which("unshare") is None:
        return False
    probe = ["unshare", "--mount", "mount", "-t", "tmpfs", "-o", "size=24k", "tmpfs", "/mnt"]
    return subprocess.run(probe, capture_output=True).returncode == 0


pytestmark = pytest.mark.skipif(not may_mount(), reason="mounting a small file system needs rights this process lacks")


@pytest.fixture
def disk(tmp_path: Path) -> Iterator[Path]:
    """A small file system, empty."""
    folder = tmp_path / "disk"
    folder.mkdir()
    subprocess.run(["mount", "-t", "tmpfs", "-o", "size=100k", "tmpfs", str(folder)], check=True)
    yield folder
    subprocess.run(["umount", str(folder)], check=True)


def grow(disk: Path, size: str) -> None:
    subprocess.run(["mount", "-o", f"remount,size={size}", str(disk)], check=True)


def told(answer: Answer) -> str:
    assert answer.code == 2, answer
    assert "Traceback" not in answer.err
    return answer.err.splitlines()[-1]


def line(unbroken: Unbroken, disk: Path, *more: str) -> list[str]:
    arguments = unbroken.district.line("unused", "--workers", "1", "--quiet", *more)
    arguments[arguments.index("--out") + 1] = str(disk / "out")
    return arguments


def test_a_disk_that_fills_up_during_parts_and_during_the_merge(unbroken: Unbroken, disk: Path) -> None:
    """The same folder meets both, since the merge needs more room than the parts."""
    sizes = ["100k", *(f"{size}k" for size in range(150, 2000, 100))]
    places: set[str] = set()
    done = 0
    for number, size in enumerate(sizes):
        grow(disk, size)
        answer = run(line(unbroken, disk, *(["--resume"] if number else [])), SMALL_TASKS="6")
        if answer.code == 3:
            break
        sentence = told(answer)
        assert "cannot be written" in sentence and "free some space" in sentence, sentence
        places.add("part" if "part-" in sentence else "merge" if "portfolio.gpkg" in sentence else "other")
        assert lines(disk / "out") >= done
        done = lines(disk / "out")
    assert answer.code == 3, answer
    assert {"part", "merge"} <= places
    assert contents(disk / "out") == unbroken.bytes
