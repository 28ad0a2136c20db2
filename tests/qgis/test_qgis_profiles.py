"""Where QGIS keeps its profiles and its programs, how the scripts get there, and how that is checked."""

import json
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest
from qgis_samples import Said

from slopekit.errors import InputError, OutputError
from slopekit.outputs import qgis_check
from slopekit.outputs.manifest import note
from slopekit.outputs.qgis_check import find_program, kept_by, places
from slopekit.outputs.qgis_profile import (
    HELP,
    SCRIPTS,
    WHERE_FILE,
    find_profiles,
    install,
    profiles_folders,
    shipped,
    version_of,
)


# The folders that the QGIS user guide gives for profiles ("QGIS Configuration", "Working with User Profiles").
@pytest.mark.parametrize(
    "platform, environ, told",
    [
        ("linux", {}, "/h/.local/share/QGIS/QGIS3/profiles"),
        ("darwin", {}, "/h/Library/Application Support/QGIS/QGIS3/profiles"),
        ("win32", {"APPDATA": "/h/AppData/Roaming"}, "/h/AppData/Roaming/QGIS/QGIS3/profiles"),
        ("win32", {}, "/h/AppData/Roaming/QGIS/QGIS3/profiles"),
        ("linux", {"QGIS_CUSTOM_CONFIG_PATH": "/own"}, "/own/profiles"),
    ],
)
def test_where_profiles_are(platform: str, environ: dict[str, str], told: str) -> None:
    assert profiles_folders(platform, environ, Path("/h")) == [Path(told)]


def test_both_versions_are_found(tmp_path: Path) -> None:
    kept = tmp_path / ".local" / "share" / "QGIS"
    (kept / "QGIS4" / "profiles").mkdir(parents=True)
    assert profiles_folders("linux", {}, tmp_path) == [kept / "QGIS4" / "profiles"]
    (kept / "QGIS3" / "profiles" / "work").mkdir(parents=True)
    folders = profiles_folders("linux", {}, tmp_path)
    assert folders == [kept / "QGIS3" / "profiles", kept / "QGIS4" / "profiles"]
    both = [folder / "default" for folder in folders]
    assert find_profiles(folders, None) == find_profiles(folders, "default") == both
    assert find_profiles(folders, "work") == [folders[0] / "work"]
    assert [version_of(profile) for profile in (*both, tmp_path / "own" / "profiles" / "default")] == [3, 4, None]
    # Each is asked with a program of its own version.
    assert [kept_by(version, both) for version in ("3.40.6", "4.0.1")] == [both[:1], both[1:]]
    with pytest.raises(InputError, match="no profile of QGIS 3"):
        kept_by("3.40.6", both[1:])


def test_which_profile(tmp_path: Path) -> None:
    def found(name: str | None) -> Path:
        (one,) = find_profiles([tmp_path], name)
        return one

    assert found(None) == tmp_path / "default"
    with pytest.raises(InputError, match="there is none yet"):
        found("work")
    for name in ("default", "work"):
        (tmp_path / name).mkdir()
    assert found("work") == tmp_path / "work"
    (tmp_path / "profiles.ini").write_text("[core]\ndefaultProfile=work\n")
    assert found(None) == tmp_path / "work"
    (tmp_path / "profiles.ini").write_text("[core]\ndefaultProfile=gone\n")
    assert found(None) == tmp_path / "default"
    with pytest.raises(InputError, match="there are: default, work"):
        found("Work2")


def test_installing_again_brings_the_new_and_takes_the_old_away(tmp_path: Path) -> None:
    scripts = tmp_path / SCRIPTS
    scripts.mkdir(parents=True)
    for name in ("slopekit_old.py", "slopekit_mine.py"):
        (scripts / name).touch()
    note(scripts / "slopekit_old.py", scripts / "slopekit_old.py")
    (scripts.parent / "mine.py").touch()
    (scripts / "mine_too.py").touch()
    files = install(tmp_path)
    assert files == install(tmp_path)
    assert all(path.is_file() for path in files)
    assert not (scripts / "slopekit_old.py").exists()
    assert (scripts.parent / "mine.py").exists() and (scripts / "mine_too.py").exists()
    assert (scripts / "slopekit_mine.py").exists()  # slopekit did not write it
    shipped_names = {path.name for path in shipped().glob("slopekit_*")}
    helping = {path.name for path in files if path.parent == tmp_path / HELP}
    assert {path.name for path in files} == {*shipped_names, WHERE_FILE, *helping}
    assert {path.suffix for path in files} == {".py", ".qpt", ".model3", ".json", ".html", ".png"}
    assert "qgis.html" in helping
    where = json.loads((scripts / WHERE_FILE).read_text(encoding="utf-8"))
    done = subprocess.run(
        [where["python"], "-c", f"import sys; sys.path[:0] = {where['folders']!r}; import slopekit"], cwd=tmp_path
    )
    assert done.returncode == 0


def test_a_place_that_cannot_be_written(tmp_path: Path) -> None:
    (tmp_path / "processing").write_text("a file where a folder is due")
    with pytest.raises(OutputError, match="cannot be written"):
        install(tmp_path)


def test_the_command_line_tells_what_it_did(command_line: Callable[..., Said], tmp_path: Path) -> None:
    said = command_line("qgis", "install", "--profiles", str(tmp_path))
    assert said.code == 0 and said.out.startswith(str(tmp_path / "default"))
    said = command_line("qgis", "install", "--profiles", str(tmp_path), "--profile", "nobody")
    assert (said.code, said.sentence.startswith("nobody: QGIS has no profile")) == (2, True)
    said = command_line("qgis", "check", "--profiles", str(tmp_path), "--qgis-process", str(tmp_path / "no"))
    assert (said.code, said.sentence.endswith("check --qgis-process.")) == (2, True)


def test_without_qgis(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("PATH", str(tmp_path))
    monkeypatch.setattr(qgis_check, "places", lambda environ, home: [(tmp_path, "*")])
    with pytest.raises(InputError, match="--qgis-process"):
        find_program(None)


def test_the_newest_of_several_is_taken(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("PATH", str(tmp_path))
    # The names of the installers for Windows (qgis.org, "OSGeo4W" and "standalone"): from memory.
    programs = tmp_path / "Programs"
    for name in ("QGIS 3.9.1", "QGIS 3.40.6", "QGIS 3.34.0"):
        (programs / name / "bin").mkdir(parents=True)
        (programs / name / "bin" / "qgis_process-qgis-ltr.bat").touch()
    environ = {"PROGRAMFILES": str(programs), "LOCALAPPDATA": str(tmp_path / "Local")}
    monkeypatch.setattr(qgis_check, "places", lambda _, home: places(environ, home))
    assert find_program(None) == programs / "QGIS 3.40.6" / "bin" / "qgis_process-qgis-ltr.bat"
    # Installed by somebody who is no administrator.
    own = tmp_path / "Local" / "Programs" / "OSGeo4W" / "bin"
    own.mkdir(parents=True)
    (own / "qgis_process-qgis.bat").touch()
    assert (own.parent, "bin/qgis_process-qgis*.bat") in places(environ, tmp_path)


def test_a_profile_in_which_processing_is_off_is_told(tmp_path: Path) -> None:
    install(tmp_path)
    (tmp_path / "QGIS").mkdir()
    (tmp_path / "QGIS" / "QGIS4.ini").write_text("[General]\nx=%1\n[PythonPlugins]\nprocessing=false\n")
    with pytest.raises(InputError, match=r"QGIS4\.ini: the plug-in Processing is switched off"):
        qgis_check.check(tmp_path, tmp_path / "no program", tmp_path)
