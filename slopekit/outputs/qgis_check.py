"""Proof that QGIS sees the scripts and that they reach slopekit: its own command line is asked."""

import contextlib
import os
import re
import shutil
import subprocess
import tempfile
from dataclasses import dataclass
from pathlib import Path

from slopekit.errors import InputError
from slopekit.outputs.qgis_profile import FOLDER_VARIABLE, shipped

_PROGRAMS = ("qgis_process.bin", "qgis_process", "qgis_process-qgis", "qgis_process-qgis-ltr")
_PLACES = (
    ("C:/Program Files", "QGIS*/bin/qgis_process-qgis*.bat"),
    ("C:/OSGeo4W", "bin/qgis_process-qgis*.bat"),
    ("/Applications", "QGIS*.app/Contents/MacOS/bin/qgis_process"),
    ("/Applications", "QGIS*.app/Contents/MacOS/qgis_process"),
)
# What belongs to this Python and would lead that of QGIS astray.
_OURS = ("PYTHONPATH", "PYTHONHOME", "GDAL_DATA", "PROJ_LIB", "PROJ_DATA", "VIRTUAL_ENV")
_ALGORITHM = re.compile(r"\bscript:(slopekit_\w+)")
_PATIENCE_S = 180.0


@dataclass(frozen=True)
class Seen:
    """What QGIS answered."""

    program: Path
    version: str
    algorithms: tuple[str, ...]


def find_program(given: Path | None) -> Path:
    """The command line of QGIS. Raises InputError when there is none."""
    if given is not None:
        if not given.is_file():
            raise InputError(f"{given}: there is no such program, so check --qgis-process.")
        return given
    for name in _PROGRAMS:
        found = shutil.which(name)
        if found:
            return Path(found)
    for folder, pattern in _PLACES:
        there = sorted(Path(folder).glob(pattern))
        if there:
            return there[-1]
    raise InputError("qgis_process was not found: it comes with QGIS 3.16 and newer, so name it with --qgis-process.")


def check(profile: Path, program: Path, elevation: Path) -> Seen:
    """Ask QGIS on a copy of the profile which algorithms it sees, and let one of them read the elevation.

    A copy, since asking would switch plug-ins on and off in the user's own. Raises InputError for what is missing.
    """
    scripts = profile / "processing"
    if not scripts.is_dir():
        raise InputError(f"{profile}: the scripts are not in this profile, so run 'slopekit qgis install'.")
    # A profile can lie on another disk and hold gigabytes; these parts decide what Processing sees.
    with tempfile.TemporaryDirectory(prefix="slopekit-") as temporary:
        copy = Path(temporary, "profiles", "default")
        shutil.copytree(scripts, copy / "processing", ignore=shutil.ignore_patterns("__pycache__", "outputs"))
        settings = profile / "QGIS" / "QGIS3.ini"
        if settings.is_file():
            (copy / "QGIS").mkdir()
            shutil.copy(settings, copy / "QGIS")
        # QGIS calls it a fault when the plug-in is enabled already. Without it the list says all.
        with contextlib.suppress(InputError):
            _ask(program, temporary, "plugins", "enable", "processing")
        listed = _ask(program, temporary, "list")
        seen = tuple(sorted(set(_ALGORITHM.findall(listed))))
        wanted = {
            file.stem
            for file in shipped().glob("slopekit_*.py")
            if "QgsProcessingAlgorithm)" in file.read_text("utf-8")
        }
        missing = sorted(wanted.difference(seen))
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
    version = re.search(r"QGIS (\d\S*)", _ask(program, temporary, "--version"))
    return Seen(program, version[1] if version else "of unknown version", seen)


def _ask(program: Path, settings: str, *words: str) -> str:
    environment = {name: value for name, value in os.environ.items() if name not in _OURS}
    environment[FOLDER_VARIABLE] = settings
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
