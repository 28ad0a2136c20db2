"""A disk that fills up while a part is written and during the merge: one sentence, and a run to go on with."""

import os
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest
from command_line import Answer
from portfolio_runner import contents, lines, run
from unbroken import Unbroken


def may_mount() -> bool:
    if not hasattr(os, "geteuid") or os.geteuid() != 0 or shutil.which("unshare") is None:
        return False
    probe = ["unshare", "--mount", "mount", "-t", "tmpfs", "-o", "size=24k", "tmpfs", "/mnt"]
    return subprocess.run(probe, capture_output=True).returncode == 0


pytestmark = [
    pytest.mark.fault,
    pytest.mark.skipif(not may_mount(), reason="mounting a small file system needs rights this process lacks"),
]


@pytest.fixture
def disk(tmp_path: Path) -> Iterator[Path]:
    """A small file system, empty."""
    folder = tmp_path / "disk"
    folder.mkdir()
    subprocess.run(["mount", "-t", "tmpfs", "-o", "size=100k", "tmpfs", str(folder)], check=True)
    yield folder
    subprocess.run(["umount", str(folder)], check=True)


def grow(disk: Path, size: int) -> None:
    subprocess.run(["mount", "-o", f"remount,size={size}", str(disk)], check=True)


def told(answer: Answer) -> str:
    assert answer.code == 2, answer
    assert "Traceback" not in answer.err
    return answer.err.splitlines()[-1]


def line(unbroken: Unbroken, disk: Path, *more: str) -> list[str]:
    arguments = unbroken.district.line("unused", "--workers", "1", "--quiet", *more)
    arguments[arguments.index("--out") + 1] = str(disk / "out")
    return arguments


def room(*paths: Path) -> int:
    """Bytes that files take on a tmpfs, which gives each whole pages."""
    return sum(-(-path.stat().st_size // 4096) * 4096 for path in paths)


def test_a_disk_that_fills_up_during_parts_and_during_the_merge(unbroken: Unbroken, disk: Path) -> None:
    """The same folder meets both, since the merge needs more room than the parts."""
    parts: dict[str, list[Path]] = {}
    for path in (unbroken.out / "dataset").glob("*/part-*"):
        parts.setdefault(path.stem, []).append(path)
    first, second, *others = sorted(parts)
    head = room(unbroken.out / "index.json", unbroken.out / "journal.jsonl", *parts[first])
    in_second = head + room(*parts[second]) // 2
    in_merge = head + room(*(path for part in (second, *others) for path in parts[part]))
    in_merge += room(unbroken.out / "portfolio.gpkg") // 2
    done = 1
    for number, (size, place) in enumerate([(in_second, "part-"), (in_merge, "portfolio.gpkg")]):
        grow(disk, size)
        sentence = told(run(line(unbroken, disk, *(["--resume"] if number else []))))
        assert "cannot be written" in sentence and "free some space" in sentence and place in sentence, sentence
        assert lines(disk / "out") > done
        done = lines(disk / "out")
    grow(disk, 16 << 20)
    answer = run(line(unbroken, disk, "--resume"))
    assert answer.code == 3, answer
    assert contents(disk / "out") == unbroken.bytes
