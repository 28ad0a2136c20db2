"""Proof that QGIS sees the scripts and that they reach slopekit: its own command line is asked."""

import contextlib
import os
import re
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Mapping, Sequence
from configparser import ConfigParser, Error
from pathlib import Path

from slopekit.errors import InputError
from slopekit.outputs import qgis_profile

_PROGRAMS = ("qgis_process.bin", "qgis_process", "qgis_process-qgis", "qgis_process-qgis-ltr")
# What belongs to this Python and would lead that of QGIS astray.
_OURS = ("PYTHONPATH", "PYTHONHOME", "GDAL_DATA", "PROJ_LIB", "PROJ_DATA", "VIRTUAL_ENV")
_ALGORITHM = re.compile(r"\bscript:(slopekit_\w+)")
_PATIENCE_S = 180.0


def find_program(given: Path | None) -> Path:
    """The command line of QGIS, of the newest where several are installed. Raises InputError when there is none."""
    if given is not None:
        if not given.is_file():
            raise InputError(f"{given}: there is no such program, so check --qgis-process.")
        return given
    for name in _PROGRAMS:
        found = shutil.which(name)
        if found:
            return Path(found)
    there = [path for folder, pattern in places(os.environ, Path.home()) for path in folder.glob(pattern)]
    if there:
        return max(there, key=_numbers)
    raise InputError("qgis_process was not found: it comes with QGIS 3.16 and newer, so name it with --qgis-process.")


def places(environ: Mapping[str, str], home: Path) -> list[tuple[Path, str]]:
    """Where the installers of QGIS for Windows and macOS put its command line: folders, and patterns in them.

    home: the user's folder.
    """
    drive = environ.get("SYSTEMDRIVE", "C:") + "/"
    # A user may install without an administrator, which goes to a folder of their own.
    own = Path(environ.get("LOCALAPPDATA") or home / "AppData" / "Local")
    programs = dict.fromkeys([environ.get("PROGRAMFILES") or f"{drive}Program Files", f"{drive}Program Files"])
    # The shell of OSGeo4W tells where it lies.
    told = [Path(environ["OSGEO4W_ROOT"])] if environ.get("OSGEO4W_ROOT") else []
    trees = dict.fromkeys([*told, Path(drive, "OSGeo4W"), Path(drive, "OSGeo4W64"), own / "Programs" / "OSGeo4W"])
    return [
        *((Path(folder), "QGIS*/bin/qgis_process-qgis*.bat") for folder in programs),
        *((folder, "bin/qgis_process-qgis*.bat") for folder in trees),
        *((folder / "Applications", "QGIS*.app/Contents/MacOS/bin/qgis_process") for folder in (Path("/"), home)),
        *((folder / "Applications", "QGIS*.app/Contents/MacOS/qgis_process") for folder in (Path("/"), home)),
    ]


def _numbers(path: Path) -> tuple[list[int], str]:
    """By the version in its folder: 3.9 before 3.40."""
    return [int(number) for number in re.findall(r"\d+", str(path))], str(path)


def version_of(program: Path) -> str:
    """Such as 3.22.16. Raises InputError where the program does not answer."""
    with tempfile.TemporaryDirectory(prefix="slopekit-") as temporary:
        found = re.search(r"QGIS (\d[\d.]*)", _ask(program, temporary, "--version"))
    return found[1] if found else "of unknown version"


def kept_by(version: str, profiles: Sequence[Path]) -> list[Path]:
    """Those of the profiles that a QGIS of this version keeps. Raises InputError where none of them is."""
    fitting = [one for one in profiles if str(qgis_profile.version_of(one) or version[0]) == version[0]]
    if not fitting:
        raise InputError(
            f"{profiles[0]}: this is no profile of QGIS {version}, so name the program of its own QGIS with "
            "--qgis-process."
        )
    return fitting


def check(profile: Path, program: Path, elevation: Path) -> tuple[str, ...]:
    """Ask QGIS on a copy of the profile which algorithms it sees, and let one of them read the elevation.

    A copy, since QGIS may write into a profile that it opens. Raises InputError for what is missing.
    """
    scripts = profile / "processing"
    if not scripts.is_dir():
        raise InputError(f"{profile}: the scripts are not in this profile, so run 'slopekit qgis install'.")
    # A profile can lie on another disk and hold gigabytes; these parts decide what Processing sees.
    with tempfile.TemporaryDirectory(prefix="slopekit-") as temporary:
        copy = Path(temporary, "profiles", "default")
        shutil.copytree(scripts, copy / "processing", ignore=shutil.ignore_patterns("__pycache__", "outputs"))
        (copy / "QGIS").mkdir()
        for settings in (profile / "QGIS").glob("QGIS*.ini"):
            _refuse_switched_off(settings)
            shutil.copy(settings, copy / "QGIS")
        # The desktop has it on unless it was switched off; the command line wants to be told, and calls it a fault
        # when it was told before.
        with contextlib.suppress(InputError):
            _ask(program, temporary, "plugins", "enable", "processing")
        seen = tuple(sorted(set(_ALGORITHM.findall(_ask(program, temporary, "list")))))
        missing = sorted(algorithms().difference(seen))
        if missing:
            raise InputError(
                f"{profile}: QGIS does not see {', '.join(missing)}, so run 'slopekit qgis install' again."
            )
        page = Path(temporary, "inspect.txt")
        # QGIS may write statistics beside a raster that it opens.
        ground = shutil.copy(elevation, temporary)
        _ask(program, temporary, "run", "script:slopekit_inspect", "--", f"ELEVATION={ground}", f"OUTPUT={page}")
        if not page.is_file():
            raise InputError(f"{profile}: an algorithm ran in QGIS without a result, so run 'slopekit qgis install'.")
    return seen


def algorithms() -> set[str]:
    """Names of the algorithms that are shipped."""
    files = qgis_profile.shipped().glob("slopekit_*.py")
    return {file.stem for file in files if "QgsProcessingAlgorithm)" in file.read_text("utf-8")}


def _refuse_switched_off(settings: Path) -> None:
    if _setting(settings, "PythonPlugins", "processing") == "false":
        raise InputError(
            f"{settings}: the plug-in Processing is switched off in this profile, so switch it on in QGIS: Plugins > "
            "Manage and Install Plugins > Installed > Processing."
        )


def _setting(path: Path, section: str, key: str) -> str:
    """A value of a file of settings, '' where it has none."""
    told = ConfigParser(strict=False, interpolation=None, delimiters=("=",), comment_prefixes=(";",))
    with contextlib.suppress(Error, UnicodeDecodeError):
        told.read(path, encoding="utf-8")
    return told.get(section, key, fallback="").strip('"').lower()


def _ask(program: Path, settings: str, *words: str) -> str:
    environment = {name: value for name, value in os.environ.items() if name not in _OURS}
    # QGIS takes its standard library from the first Python on the path, which an activated environment makes ours.
    own = os.path.dirname(sys.executable)
    path = environment.get("PATH", os.defpath).split(os.pathsep)
    environment["PATH"] = os.pathsep.join(folder for folder in path if folder != own)
    environment[qgis_profile.FOLDER_VARIABLE] = settings
    environment.setdefault("QT_QPA_PLATFORM", "offscreen")
    try:
        done = subprocess.run(
            [str(program), *words], capture_output=True, encoding="utf-8", errors="replace", env=environment,
            timeout=_PATIENCE_S, check=False,
        )  # fmt: skip
    except (OSError, subprocess.TimeoutExpired) as error:
        raise InputError(f"{program}: QGIS does not answer ({type(error).__name__}), so try it by hand.") from error
    if done.returncode != 0:
        told = [line for line in done.stderr.splitlines() if line.startswith("ERROR:")] or done.stderr.splitlines()
        why = told[-1].removeprefix("ERROR:").strip() if told else f"code {done.returncode}"
        raise InputError(f"{program}: '{' '.join(words[:2])}' failed in QGIS: {why}")
    return done.stdout
