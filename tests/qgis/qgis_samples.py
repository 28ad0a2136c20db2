"""The real QGIS with a profile of its own, the demo in a folder of its own, and both sides' words for it."""

import contextlib
import json
import os
import shutil
import sqlite3
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import geopandas as gpd

SYSTEM_PYTHON = shutil.which("python3", path=os.defpath) or ""
PROGRAM = shutil.which("qgis_process.bin") or ""
WORKER = Path(__file__).with_name("in_qgis.py")
# Two parcels have all there is: banks, a drop, water that was not given, a basin.
PARCELS = ("terrace", "basin")
SPOT = (400_240.0, 6_200_290.0)


@dataclass(frozen=True)
class Done:
    """What a run of qgis_process came to."""

    code: int
    text: str
    results: dict[str, str]

    @property
    def errors(self) -> list[str]:
        return [line.partition(":")[2].strip() for line in self.text.splitlines() if line.startswith("ERROR:")]


@dataclass(frozen=True)
class Qgis:
    """The real program with a profile of its own."""

    settings: Path

    @property
    def profile(self) -> Path:
        return self.settings / "profiles" / "default"

    def environment(self) -> dict[str, str]:
        # What a Python of ours may have set would lead that of QGIS astray.
        kept = {n: v for n, v in os.environ.items() if not n.startswith(("PYTHON", "COVERAGE", "GDAL_", "PROJ_"))}
        kept["PATH"] = os.pathsep.join(
            folder
            for folder in kept.get("PATH", os.defpath).split(os.pathsep)
            if folder != os.path.dirname(sys.executable)
        )
        return {**kept, "QGIS_CUSTOM_CONFIG_PATH": str(self.settings), "QT_QPA_PLATFORM": "offscreen"}

    def process(self, *words: str) -> Done:
        done = subprocess.run(
            [PROGRAM, *words], capture_output=True, text=True, env=self.environment(), timeout=240, check=False
        )
        text = done.stdout + done.stderr
        last = done.stdout.rpartition("----------------\nResults\n----------------\n")[2]
        results = dict(line.split(":\t", 1) for line in last.splitlines() if ":\t" in line)
        return Done(done.returncode, text, results)

    def run(self, algorithm: str, **values: Any) -> Done:
        return self.process("run", f"script:slopekit_{algorithm}", "--", *(f"{n}={v}" for n, v in values.items()))

    def ask(self, what: str, **given: Any) -> Any:
        """What in_qgis.py finds out inside the Python of QGIS."""
        done = subprocess.run(
            [SYSTEM_PYTHON, "-W", "ignore", str(WORKER), what, json.dumps(given, default=str)],
            capture_output=True, text=True, env=self.environment(), timeout=900, check=False,
        )  # fmt: skip
        assert done.returncode == 0, done.stderr
        return json.loads(done.stdout.splitlines()[-1])


@dataclass(frozen=True)
class Place:
    """The demo's files in a folder of their own."""

    folder: Path

    def file(self, name: str) -> str:
        return str(self.folder / name)

    def tile_index(self) -> Path:
        """An index that names the demo's raster as its one tile, in a folder of its own."""
        path = self.folder / "tiles" / "index.gpkg"
        if not path.exists():
            path.parent.mkdir()
            parcels = gpd.read_file(self.folder / "parcels.gpkg")
            tile = {"location": [self.file("office_park.tif")], "cell": [1.0], "survey": ["demo"]}
            outline = [parcels.union_all().envelope.buffer(500.0)]
            gpd.GeoDataFrame(tile, geometry=outline, crs=parcels.crs).to_file(path)
        return path

    def ground(self) -> dict[str, str]:
        """The layers of the demo by the names of the parameters."""
        names = ("water", "walls", "hazards", "exclude", "soft", "canopy", "entrances", "drives")
        return {name.upper(): self.file(f"{name}.gpkg") for name in names}

    def ground_words(self) -> list[str]:
        return [word for name, file in self.ground().items() for word in (f"--{name.lower()}", file)]


@dataclass(frozen=True)
class Said:
    code: int
    out: str
    err: str

    @property
    def sentence(self) -> str:
        (line,) = [line for line in self.err.splitlines() if line.startswith("Error: ")]
        return line.removeprefix("Error: ")


def screen_values(place: Place) -> dict[str, str]:
    return {
        "ELEVATION": place.file("office_park.tif"), "PARCELS": place.file("parcels.gpkg"), "ID_COLUMN": "parcel_id",
        "FLEET": place.file("fleet.toml"), **place.ground(), "SURVEY_DATE": "2025-03-01", "Z_RMSE": "0.05",
        "SURFACE": "ground",
    }  # fmt: skip


def screen_words(place: Place) -> list[str]:
    return [
        "screen", place.file("office_park.tif"), "--parcels", place.file("parcels.gpkg"), "--id-column", "parcel_id",
        "--fleet", place.file("fleet.toml"), *place.ground_words(), "--survey-date", "2025-03-01", "--z-rmse", "0.05",
        "--surface", "ground",
    ]  # fmt: skip


def content(package: Path) -> list[str]:
    """Everything in a GeoPackage as SQL. SQLite's own counters in the file's head may differ."""
    with contextlib.closing(sqlite3.connect(package)) as db:
        lines = list(db.iterdump())
    assert len(lines) > 50
    return lines
