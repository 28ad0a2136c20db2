"""The scripts for QGIS: where its profiles are, and how the scripts get into one of them."""

import contextlib
import importlib.resources
import json
import os
import site
import sys
import sysconfig
from collections.abc import Mapping, Sequence
from configparser import ConfigParser, Error
from pathlib import Path

from slopekit.errors import InputError
from slopekit.outputs.atomic import written
from slopekit.outputs.help_pages import help_files
from slopekit.outputs.manifest import refuse_foreign, take_away

FOLDER_VARIABLE = "QGIS_CUSTOM_CONFIG_PATH"
"""QGIS itself reads its profiles from the folder that this variable names."""
WHERE_FILE = "slopekit_where.json"
SCRIPTS = Path("processing", "scripts", "slopekit")
HELP = SCRIPTS / "help"
MODELS = Path("processing", "models")
TEMPLATES = Path("composer_templates")
_DEFAULT = "default"
_VERSIONS = ("QGIS3", "QGIS4")


def profiles_folders(platform: str, environ: Mapping[str, str], home: Path) -> list[Path]:
    """The folders in which the versions of QGIS on this machine keep their profiles; that of QGIS 3 where there is none
    yet. platform: as `sys.platform`; home: the user's folder.
    """
    if environ.get(FOLDER_VARIABLE):
        return [Path(environ[FOLDER_VARIABLE], "profiles")]
    if platform == "win32":
        base = Path(environ.get("APPDATA") or home / "AppData" / "Roaming")
    elif platform == "darwin":
        base = home / "Library" / "Application Support"
    else:
        base = Path(environ.get("XDG_DATA_HOME") or home / ".local" / "share")
    folders = [base / "QGIS" / version / "profiles" for version in _VERSIONS]
    return [folder for folder in folders if folder.is_dir()] or folders[:1]


def find_profiles(folders: Sequence[Path], name: str | None) -> list[Path]:
    """The folder of a profile in each of the folders that has it, by default of the one that each QGIS starts with. It
    may not be there yet.

    Raises InputError for a named profile that exists nowhere.
    """
    if name is None:
        return [profiles / _starts_with(profiles) for profiles in folders]
    found = [profiles / name for profiles in folders if name == _DEFAULT or (profiles / name).is_dir()]
    if not found:
        there = sorted({path.name for one in folders if one.is_dir() for path in one.iterdir() if path.is_dir()})
        told = f"there are: {', '.join(there)}" if there else "there is none yet, so start QGIS once"
        raise InputError(f"{name}: QGIS has no profile of this name in {', '.join(map(str, folders))} ({told}).")
    return found


def version_of(profile: Path) -> int | None:
    """The version of QGIS that keeps a profile, 3 or 4; None where the folder does not tell."""
    kept = profile.parent.parent.name
    return int(kept.removeprefix("QGIS")) if kept in _VERSIONS else None


def _starts_with(profiles: Path) -> str:
    """The profile that QGIS starts with, as its file profiles.ini says."""
    told = ConfigParser(strict=False, interpolation=None)
    with contextlib.suppress(Error, UnicodeDecodeError):
        told.read(profiles / "profiles.ini", encoding="utf-8")
    for key in ("defaultProfile", "lastProfile"):
        name = told.get("core", key, fallback="").strip('"')
        if name and (profiles / name).is_dir():
            return name
    return _DEFAULT


def shipped() -> Path:
    """Where the scripts lie: inside an installed package, beside the package in a checkout."""
    package = Path(str(importlib.resources.files("slopekit")))
    for folder in (package / "qgis_scripts", package.parent / "scripts" / "qgis"):
        if (folder / "slopekit_qgis.py").is_file():
            return folder
    raise InputError(f"{package}: the scripts for QGIS did not come with this installation, so install slopekit anew.")


def install(profile: Path, overwrite: bool = False) -> list[Path]:
    """Copy scripts, model, layouts and help into a profile, say there where slopekit lives, and give the files.

    Files of an earlier version that are no longer shipped are taken away. Raises InputError for a file that slopekit
    did not write, or that was edited since, unless `overwrite`; OutputError when the place cannot take them.
    """
    source = shipped()
    texts: dict[Path, bytes] = {}
    for file in sorted(source.glob("slopekit_*")):
        for folder in _places(file):
            texts[profile / folder / file.name] = file.read_bytes()
    texts |= {profile / HELP / name: text for name, text in help_files().items()}
    where = {"python": sys.executable, "folders": _folders()}
    texts[profile / SCRIPTS / WHERE_FILE] = (json.dumps(where, indent=2) + "\n").encode()
    refuse_foreign([target for target, text in texts.items() if not _holds(target, text)], overwrite)
    for target, text in texts.items():
        with contextlib.suppress(OSError):
            target.parent.mkdir(parents=True, exist_ok=True)
        with written(target) as (temp,):
            temp.write_bytes(text)
    there = [*(profile / SCRIPTS).glob("slopekit_*"), *(profile / HELP).glob("*")]
    take_away(old for old in there if old not in texts)
    return list(texts)


def _holds(target: Path, text: bytes) -> bool:
    return target.is_file() and target.read_bytes() == text


def _places(file: Path) -> tuple[Path, ...]:
    if file.suffix == ".model3":
        return (MODELS,)
    # The script that prints reads the layouts beside it; QGIS offers those in its own folder.
    return (SCRIPTS, TEMPLATES) if file.suffix == ".qpt" else (SCRIPTS,)


def _folders() -> list[str]:
    """What the Python of slopekit must look in to find it: nothing where it is installed."""
    package = Path(str(importlib.resources.files("slopekit"))).parent
    usual = [sysconfig.get_path("purelib"), sysconfig.get_path("platlib"), site.getusersitepackages()]
    installed = any(os.path.realpath(folder) == os.path.realpath(package) for folder in usual)
    return [] if installed else [str(package)]
