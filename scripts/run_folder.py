"""Screens every parcel file of a folder and, if there is a season file, works out the hours.

Edit the lines between the two rulers, then double-click run_folder.bat (Windows) or start run_folder.sh (others).
Each parcel file gets a folder of its own in RESULTS. What is there already is left alone: delete a folder to have it
made again. Names without a drive or a leading slash are looked for beside this file.
"""
# ruff: noqa: E402 - people edit this file, so what they edit comes first.

# ------------------------------------------------------------------------------------------------------- your settings
PARCELS = "parcels"  # folder with one file for each site: .gpkg, .geojson, .shp, .fgb
ID_COLUMN = ""  # column of the parcels' ids; empty: they are numbered from 1
ELEVATION = "elevation"  # one raster, or a folder of tiles
FLEET = "fleet.toml"  # your machines and limits: slopekit fleet new fleet.toml
SEASON = ""  # season file, or empty: no hours
RESULTS = "results"  # folder for the results
# What is known of the ground, as "option": "file".
# Options: water, walls, hazards, dry, exclude, soft, canopy, coarse, entrances, drives, corrections.
# For example LAYERS = {"water": "ponds.gpkg", "exclude": "buildings.gpkg"}
LAYERS: dict[str, str] = {}
SURVEY_DATE = ""  # such as 2025-03-01; empty: not known
VERTICAL_ERROR_M = ""  # such as 0.10; empty: not known
# ------------------------------------------------------------------------------------------------ nothing to edit below

import contextlib
import os
import subprocess
import sys
from pathlib import Path

from slopekit.errors import InputError
from slopekit.outputs.atomic import written
from slopekit.outputs.csv_files import write_csv
from slopekit.outputs.manifest import refuse_foreign
from slopekit.wording import CAUTION

HERE = Path(__file__).resolve().parent
ENDINGS = (".gpkg", ".geojson", ".json", ".shp", ".fgb")
ZONES, BID, LIST = "zones.gpkg", "bid.xlsx", "list.csv"
RUN = "import sys; from slopekit.cli import main; sys.exit(main(sys.argv[1:]))"


def place(name: str) -> Path:
    return HERE / Path(name).expanduser()


def slopekit(*words: str) -> str:
    """Run one command. Gives an empty text, or the sentence that says what is wrong."""
    environment = {**os.environ, "PYTHONUTF8": "1"}
    done = subprocess.run(
        [sys.executable, "-c", RUN, *words, "--quiet"],
        stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, encoding="utf-8", errors="replace", env=environment,
        check=False,
    )  # fmt: skip
    if done.returncode == 0:
        return ""
    lines = [line for line in done.stderr.splitlines() if line.strip()] or [f"it ended with code {done.returncode}"]
    errors = [line.removeprefix("Error: ") for line in lines if line.startswith("Error: ")]
    return (errors or lines)[-1]


def screen(parcels: Path, folder: Path) -> str:
    words = ["screen", str(place(ELEVATION)), "--parcels", str(parcels), "--fleet", str(place(FLEET))]
    for option, file in LAYERS.items():
        words += [f"--{option}", str(place(file))]
    for option, value in (
        ("--id-column", ID_COLUMN), ("--survey-date", SURVEY_DATE), ("--z-rmse", VERTICAL_ERROR_M),
    ):  # fmt: skip
        words += [option, str(value)] if value else []
    return slopekit(*words, "--out", str(folder / ZONES))


def hours(folder: Path) -> str:
    words = ["hours", str(folder / ZONES), "--fleet", str(place(FLEET)), "--season", str(place(SEASON))]
    return slopekit(*words, "--out", str(folder / BID))


def one(parcels: Path) -> str:
    """Do what is not done yet for one parcel file."""
    folder = place(RESULTS) / parcels.stem
    folder.mkdir(parents=True, exist_ok=True)
    told = "" if (folder / ZONES).exists() else screen(parcels, folder)
    if not told and SEASON and not (folder / BID).exists():
        told = hours(folder)
    if told:
        # An empty folder would look like a result.
        with contextlib.suppress(OSError):
            folder.rmdir()
    return told


def run() -> int:
    folder = place(PARCELS)
    files = sorted(path for path in folder.glob("*") if path.suffix.lower() in ENDINGS) if folder.is_dir() else []
    if not files:
        print(f"{folder}: there is no parcel file in it, so check PARCELS at the top of {Path(__file__).name}.")
        return 2
    listed = place(RESULTS) / LIST
    try:
        refuse_foreign([listed], False)
    except InputError:
        print(f"{listed}: this list was edited, or is not from here, so move it away or name other RESULTS.")
        return 2
    rows = []
    for number, parcels in enumerate(files, 1):
        print(f"{number} of {len(files)}: {parcels.name} ...", flush=True)
        told = one(parcels)
        print(f"    {told or 'done'}", flush=True)
        rows.append((parcels.name, "failed" if told else "done", told))
    with written(listed) as (temp,):
        write_csv(temp, [("parcels", "state", "why"), *rows])
    failed = sum(state == "failed" for _, state, _ in rows)
    print(f"{len(rows) - failed} done, {failed} failed: see {listed}")
    print(f"{CAUTION} Read the cautions in each result.")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(run())
