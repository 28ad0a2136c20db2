"""The scripts without QGIS: what they import, how they find slopekit, run it, stop it, and how they are installed."""

import ast
import json
import os
import re
import signal
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path
from types import ModuleType

import pytest

from slopekit.outputs.qgis_profile import WHERE_FILE, shipped

ROOT = Path(__file__).resolve().parents[2]
ON_POSIX = pytest.mark.skipif(os.name == "nt", reason="Windows has no shell scripts and no such interrupts")


@pytest.fixture(scope="module")
def child() -> ModuleType:
    sys.path.insert(0, str(shipped()))
    try:
        import slopekit_child
    finally:
        sys.path.remove(str(shipped()))
    return slopekit_child


@pytest.mark.parametrize("path", sorted(shipped().glob("*.py")), ids=lambda path: path.name)
def test_scripts_import_the_standard_library_and_qgis_only(path: Path) -> None:
    # QGIS 3.22 comes with Python 3.9 on Windows and macOS (its own installers).
    tree = ast.parse(path.read_text(encoding="utf-8"), feature_version=(3, 9))
    found = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            found |= {alias.name.partition(".")[0] for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert not node.level
            found.add((node.module or "").partition(".")[0])
    own = {file.stem for file in shipped().glob("*.py")}
    allowed = sys.stdlib_module_names | own | ({"qgis", "processing"} if path.stem != "slopekit_child" else set())
    assert found - allowed == set()
    assert "slopekit" not in found


def test_no_helper_offers_itself_as_an_algorithm() -> None:
    # Processing takes the first class of a script's own names that is an algorithm (ScriptUtils.loadAlgorithm, 3.22).
    for path in shipped().glob("*.py"):
        tree = ast.parse(path.read_text(encoding="utf-8"))
        bases = {ast.unparse(base) for node in tree.body if isinstance(node, ast.ClassDef) for base in node.bases}
        classes = [node for node in tree.body if isinstance(node, ast.ClassDef) and "QgsProcessingAlgorithm" in bases]
        helper = path.stem in (
            "slopekit_child",
            "slopekit_given",
            "slopekit_inputs",
            "slopekit_printing",
            "slopekit_qgis",
        )
        assert len(classes) == (0 if helper else 1), path.name


def test_no_file_tells_of_the_machine_it_was_made_on() -> None:
    for path in shipped().glob("slopekit_*"):
        text = path.read_text(encoding="utf-8")
        places = (tempfile.gettempdir(), str(Path.home()), str(ROOT), os.sep + os.path.join("usr", ""))
        assert not [place for place in places if place in text], path.name


def test_order_in_which_slopekit_is_looked_for(child: ModuleType, tmp_path: Path) -> None:
    for name in ("given", "variable", "file"):
        python = tmp_path / name / "bin" / "python"
        python.parent.mkdir(parents=True)
        python.touch()
    (tmp_path / WHERE_FILE).write_text(json.dumps({"python": str(tmp_path / "file/bin/python"), "folders": ["x"]}))
    variable = {child.VARIABLE: str(tmp_path / "variable")}
    asked = [(str(tmp_path / "given"), variable), ("", variable), ("", {})]
    found = [child.find_home(given, environ, str(tmp_path)) for given, environ in asked]
    assert [Path(home.python).parts[-3] for home in found] == ["given", "variable", "file"]
    assert [home.folders for home in found] == [(), (), ("x",)]
    # Environments of Windows, of venv and of conda.
    for inside in ("Scripts/python.exe", "python.exe"):
        python = tmp_path / "windows" / inside
        python.parent.mkdir(parents=True, exist_ok=True)
        python.touch()
        assert Path(child.find_home(str(tmp_path / "windows"), {}, "").python) == python
        # "Copy as path" puts marks round it.
        assert Path(child.find_home(f'"{python}"', {}, "").python) == python
        python.unlink()
    for given, beside in (("", str(tmp_path / "given")), (str(tmp_path / "nothing"), str(tmp_path))):
        with pytest.raises(child.Failed, match="slopekit"):
            child.find_home(given, {}, beside)
    (tmp_path / "file" / "bin" / "python").unlink()
    with pytest.raises(child.Failed, match="not there any more"):
        child.find_home("", {}, str(tmp_path))


def test_the_child_gets_a_clean_environment(child: ModuleType) -> None:
    named = ("PYTHONPATH", "PYTHONHOME", "LD_LIBRARY_PATH", "GDAL_DATA", "PROJ_LIB", "PROJ_DATA")
    cleaned = child.clean_environment({**dict.fromkeys(named, "of QGIS"), "HOME": "/h", "PATH": "/p"})
    assert cleaned == {"HOME": "/h", "PATH": "/p"}


def home_of(child: ModuleType) -> object:
    import slopekit

    return child.Home(sys.executable, (str(Path(slopekit.__file__).parents[1]),))


def test_what_the_child_says_is_passed_on(child: ModuleType, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PYTHONPATH", "/no/such/folder")
    info: list[str] = []
    said = child.run_slopekit(["--version"], home_of(child), child.Ears(info.append))
    assert said.startswith("slopekit ") and info == []
    with pytest.raises(child.Failed, match=r"^/no 三\.tif: there is no such file or folder"):
        child.run_slopekit(["inspect", "/no 三.tif"], home_of(child), child.Ears(info.append))
    with pytest.raises(child.Failed, match="No such command"):
        child.run_slopekit(["mow"], home_of(child), child.Ears(info.append))


FAKE = """#!/bin/sh
{trap}
echo "Screening: 3 of 12" >&2
echo "Warning: found in 95 of 100 cases" >&2
echo $$ > "{folder}/pid"
echo ready > "{folder}/ready"
echo half > "{folder}/.out.gpkg.$$.partial"
echo half > "{folder}/.out.gpkg.$$.partial-journal"
while true; do sleep 0.05; done
"""


def fake(folder: Path, trap: str) -> str:
    path = folder / "fake.sh"
    path.write_text(FAKE.format(trap=trap, folder=folder))
    path.chmod(0o755)
    return str(path)


@ON_POSIX
@pytest.mark.parametrize("listens", [True, False])
def test_a_child_that_must_stop_leaves_nothing(
    child: ModuleType, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, listens: bool
) -> None:
    monkeypatch.setattr(child, "_PATIENCE_S", 1.0)
    (tmp_path / ".out.gpkg.77.partial").write_text("somebody else's, from before")
    os.utime(tmp_path / ".out.gpkg.77.partial", (1.0, 1.0))
    trap = f"trap 'rm -f \"{tmp_path}\"/.out.gpkg.$$.*; exit 130' INT" if listens else "trap '' INT"
    heard: list[float] = []
    warned: list[str] = []
    ears = child.Ears(lambda text: None, warned.append, heard.append, (tmp_path / "ready").exists)
    began = time.monotonic()
    with pytest.raises(child.Cancelled):
        child.run_slopekit(["screen"], child.Home(fake(tmp_path, trap)), ears, [str(tmp_path / "out.gpkg")])
    assert time.monotonic() - began < 10.0
    assert sorted(path.name for path in tmp_path.iterdir()) == [".out.gpkg.77.partial", "fake.sh", "pid", "ready"]
    assert set(heard) <= {25.0} and set(warned) <= {"Warning: found in 95 of 100 cases"}
    assert not _runs(int((tmp_path / "pid").read_text()))


@ON_POSIX
def test_an_interrupt_that_the_parent_ignores_reaches_the_child(child: ModuleType) -> None:
    # A QGIS that a shell started in the background ignores interrupts, and its children inherit that.
    before = signal.signal(signal.SIGINT, signal.SIG_IGN)
    stop = threading.Event()
    try:
        threading.Timer(1.0, stop.set).start()
        began = time.monotonic()
        words = ["corrections", "new", "--help"]
        sleeping = child._CODE.replace("sys.exit(main(json.loads(line)))", "time.sleep(60)")
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(child, "_CODE", sleeping)
            with pytest.raises(child.Cancelled):
                child.run_slopekit(words, home_of(child), child.Ears(cancelled=stop.is_set))
        assert time.monotonic() - began < 10.0
    finally:
        signal.signal(signal.SIGINT, before)


@ON_POSIX
def test_a_parent_that_is_killed_takes_the_child_along(tmp_path: Path) -> None:
    # A child that never looks up: it has to be ended, since no interrupt reaches it.
    code = (
        f"import sys; sys.path.insert(0, {str(shipped())!r}); import slopekit_child as child\n"
        "child._PATIENCE_S = 0.5\n"
        "child._CODE = child._CODE.replace('from slopekit.cli import main', 'signal.signal(signal.SIGINT, "
        "signal.SIG_IGN); print(os.getpid(), flush=True); time.sleep(60)')\n"
        "process = child._start(['inspect'], child.Home(sys.executable))\n"
        "print(process.stdout.readline().strip(), flush=True)\n"
        "import time; time.sleep(60)\n"
    )
    parent = subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, text=True)
    assert parent.stdout is not None
    pid = int(parent.stdout.readline())
    assert _runs(pid)
    parent.kill()
    parent.wait()
    parent.stdout.close()
    until = time.monotonic() + 20.0
    while _runs(pid) and time.monotonic() < until:
        time.sleep(0.1)
    assert not _runs(pid)


def _runs(pid: int) -> bool:
    try:
        state = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0]
    except OSError:
        return False
    return state != "Z"


# What the child asks of Windows, with the answers of this system. Its pipe has ended when the parent is gone
# (Microsoft, "PeekNamedPipe": it fails then, and does not wait).
AS_ON_WINDOWS = """
import ctypes, select, types
def peek(pipe, *rest):
    poll = select.poll()
    poll.register(pipe.value or 0, select.POLLHUP)
    return not any(flags & select.POLLHUP for _, flags in poll.poll(0))
ctypes.windll = types.SimpleNamespace(kernel32=types.SimpleNamespace(PeekNamedPipe=peek))
sys.modules["msvcrt"] = types.SimpleNamespace(get_osfhandle=lambda number: number)
os.name = "nt"
def watch():"""
KIND = """
print("at work", flush=True)
try:
    while True:
        time.sleep(0.05)
except KeyboardInterrupt:
    sys.exit(7)
"""


@ON_POSIX
def test_the_child_is_stopped_as_on_windows(child: ModuleType, monkeypatch: pytest.MonkeyPatch) -> None:
    code = child._CODE.replace("from slopekit.cli import main", KIND).replace("\ndef watch():", AS_ON_WINDOWS)
    monkeypatch.setattr(child, "_CODE", code.replace("{", "{{").replace("}", "}}").replace("{{more!r}}", "{more!r}")
                        .replace("{{patience}}", "{patience}"))  # fmt: skip
    with child._start(["inspect"], child.Home(sys.executable)) as process:
        assert process.stdout.readline() == "at work\n"
        with pytest.raises(subprocess.TimeoutExpired):
            process.wait(0.6)
        with monkeypatch.context() as patch:
            patch.setattr(os, "name", "nt")
            child._stop(process)
    assert process.returncode == 7


def test_more_words_than_a_command_line_holds(child: ModuleType, tmp_path: Path) -> None:
    # 32767 characters are the most on Windows (Microsoft, CreateProcess), 2 MiB the usual most on Linux (execve(2)).
    words = [str(tmp_path / f"{n:0150d}.tif") for n in range(20_000)]
    assert sum(map(len, words)) > 2 * 1024**2
    with pytest.raises(child.Failed, match=f"^{re.escape(words[0])}: there is no such file"):
        child.run_slopekit(["inspect", *words], home_of(child), child.Ears(lambda text: None))


def test_one_leftover_that_is_locked_does_not_keep_the_others(
    child: ModuleType, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # As Windows has it: a file that a program holds open cannot be removed, and its message is this one.
    for end in ("", "-journal", "-wal"):
        (tmp_path / f".out.gpkg.7.partial{end}").touch()
    remove, tries = os.remove, []

    def locked(path: str) -> None:
        tries.append(path)
        if path.endswith("partial") or tries.count(path) == 1:
            raise PermissionError(13, "The process cannot access the file because it is being used by another process")
        remove(path)

    monkeypatch.setattr(os, "remove", locked)
    scratch = tmp_path / ".out.gpkg.7.partial.d"
    scratch.mkdir()
    (scratch / "half").touch()
    child._remove_leftovers(str(tmp_path / "out.gpkg"), 0.0)
    assert [path.name for path in tmp_path.iterdir()] == [".out.gpkg.7.partial"]
