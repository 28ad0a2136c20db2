"""slopekit qgis: bring the scripts into QGIS, and prove that it sees them."""

import os
import sys
from pathlib import Path

import click

from slopekit.cli import console, options

_profile_option = click.option("--profile", metavar="NAME", help="Profile of QGIS. Without it, the one it starts with.")
_folder_option = click.option(
    "--profiles",
    type=click.Path(path_type=Path),
    metavar="FOLDER",
    help="Folder that holds the profiles, if QGIS keeps them elsewhere (Settings > User Profiles).",
)


@click.group(cls=console.Group, short_help="Bring slopekit into QGIS.")
def qgis() -> None:
    """Bring the Processing scripts, the model and the layouts into QGIS, and prove that it sees them."""


@qgis.command("install")
@_profile_option
@_folder_option
@options.overwrite_option
def install(profile: str | None, profiles: Path | None, overwrite: bool) -> None:
    """Copy scripts, model and layouts into a profile of QGIS, and write there where this slopekit lives.

    Where both QGIS 3 and QGIS 4 have been started here, each gets them. Run it again after slopekit was moved or
    brought up to date, then start QGIS anew.
    """
    from slopekit.outputs import qgis_profile

    found = _found(profile, profiles)
    counts = [len(qgis_profile.install(target, overwrite)) for target in found]
    console.result(
        *map(str, found),
        f"{counts[0]} files{' each' if len(counts) > 1 else ''}. Start QGIS anew: Processing Toolbox > Scripts > "
        "slopekit. To prove that it sees them: slopekit qgis check",
    )


@qgis.command("check")
@_profile_option
@_folder_option
@click.option("--qgis-process", type=click.Path(path_type=Path), metavar="FILE", help="Command line program of QGIS.")
def check(profile: str | None, profiles: Path | None, qgis_process: Path | None) -> None:
    """Ask QGIS which of the algorithms it sees in a profile, and let one of them run.

    Nothing is changed in the profile: QGIS is asked on a copy of it.
    """
    from slopekit.api.demo import demo_data
    from slopekit.outputs import qgis_check

    found = _found(profile, profiles)
    program = qgis_check.find_program(qgis_process)
    version = qgis_check.version_of(program)
    fitting = qgis_check.kept_by(version, found)
    for target in fitting:
        seen = qgis_check.check(target, program, demo_data() / "office_park.tif")
        lines = [f"script:{name}" for name in seen]
        console.result(f"QGIS {version} sees in {target}:", *lines, "and ran script:slopekit_inspect.")
    for target in found:
        if target not in fitting:
            console.result(f"{target}: kept by another version of QGIS, which was not asked: see --qgis-process.")


@qgis.command("styles")
@click.argument("folder", type=click.Path(path_type=Path))
@options.overwrite_option
def styles(folder: Path, overwrite: bool) -> None:
    """Write the styles as files into a folder: LAYER.qml for QGIS, LAYER.sld for other software.

    A GeoPackage carries its styles; Parquet files and map servers need these.
    """
    from slopekit.api.guard import make_folder
    from slopekit.outputs.styles import write_style_files

    make_folder(folder)
    console.result(*map(str, write_style_files(folder, overwrite)))


def _found(profile: str | None, profiles: Path | None) -> list[Path]:
    from slopekit.outputs.qgis_profile import find_profiles, profiles_folders

    folders = profiles_folders(sys.platform, os.environ, Path.home()) if profiles is None else [profiles]
    return find_profiles(folders, profile)
