"""From named files to the tables of a result: what `screen`, `demo` and `why` share."""

import os
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from slopekit.cli import console
from slopekit.cli.guard import Guard
from slopekit.errors import InputError
from slopekit.paths import refuse_special, remedy

if TYPE_CHECKING:
    from slopekit.fleet.model import Fleet
    from slopekit.sources.elevation import Elevation, Survey
    from slopekit.sources.layers import Layers

# Which geometries each layer may hold, and the column that is kept.
LAYER_KINDS: dict[str, tuple[Literal["polygon", "line", "any", "entrance"], str | None]] = {
    "water": ("polygon", None),
    "walls": ("line", None),
    "hazards": ("any", "kind"),
    "dry": ("polygon", None),
    "exclude": ("polygon", None),
    "soft": ("polygon", None),
    "canopy": ("polygon", None),
    "entrances": ("entrance", None),
    "drives": ("polygon", None),
}


COMMAND = "command"
"""What the notes call the line that made a result."""


_RELIEF_CELLS = 2500
"""Of the longer side of what a map may show: more are no sharper on paper."""


@dataclass(frozen=True, kw_only=True)
class Sources:
    """What the ground and the rules are read from, by name."""

    elevation: Sequence[str]
    fleet: Path | None
    """None where blank limits and the default settings will do."""
    layers: Mapping[str, str]
    """Files by the names of LAYER_KINDS; a layer that is not there was not given."""
    corrections: str | None = None
    survey_date: date | None = None
    surface: str | None = None
    z_unit: str | None = None
    z_rmse: float | None = None
    cell: float | None = None
    prescreen: bool = False


@dataclass(frozen=True, kw_only=True)
class Job(Sources):
    """Every input of a run over parcels, by name."""

    parcels: str
    landforms: bool = False
    id_column: str | None = None
    workers: int | None = None
    rasters: Path | None = None
    realisations: int | None = None
    seed: int = 0


@dataclass(frozen=True, kw_only=True)
class Inventory(Sources):
    """Every input of an inventory of landforms, by name."""

    area: str | None = None
    id_column: str | None = None
    workers: int | None = None


def check_inputs(job: Sources) -> "tuple[Fleet, list[str]]":
    """The fleet, and the names of all that the job reads on this machine, in archives too.

    Raises InputError for what would fail later."""
    from slopekit.fleet.load import blank_fleet, load_fleet
    from slopekit.sources.behind import rasters_behind
    from slopekit.sources.checksum import local_file
    from slopekit.sources.files import is_virtual
    from slopekit.sources.raster import session
    from slopekit.sources.remote import check_local, local_rasters

    if job.survey_date is not None and job.survey_date > date.today():
        raise InputError(f"The survey date {job.survey_date} lies in the future, so correct --survey-date.")
    fleet = blank_fleet() if job.fleet is None else load_fleet(job.fleet)
    named = local_rasters(job.elevation)
    for option, name in _named(job).items():
        file = file_of(name)
        refuse_special(file)
        check_local([file])
        if not is_virtual(file) and not os.path.exists(file):
            raise InputError(f"{file}: there is no such file, so check the path after --{option}.")
    with session():
        rasters = rasters_behind(named)
    files = [*job.elevation, *rasters, *files_beside_elevation(job)]
    return fleet, [file for file in files if os.path.exists(file) or local_file(file) is not None]


def files_beside_elevation(job: Sources) -> list[str]:
    """Every file that the job reads but the elevation."""
    from slopekit.sources.behind import vectors_behind

    return [*vectors_behind(map(file_of, _named(job).values())), *([] if job.fleet is None else [str(job.fleet)])]


def check_pictures(pictures: Mapping[str, Path | None]) -> list[Path]:
    """The pictures that are asked for. Raises InputError for an ending other than .png.

    pictures: the path by the name of its option.
    """
    for option, path in pictures.items():
        if path is not None and path.suffix.lower() != ".png":
            raise InputError(f"{path}: this is drawn as .png, so give --{option} this ending.")
    return [path for path in pictures.values() if path is not None]


def check_sheet(out: Path, what: str) -> None:
    """Raise InputError for an ending that bids and comparisons are not written with. what: such as "bids"."""
    if out.suffix.lower() not in (".xlsx", ".csv", ".json"):
        raise InputError(f"{out}: {what} are written as .xlsx, .csv or .json, so give --out one of these endings.")


def result_files(out: Path, layers: Iterable[str]) -> tuple[list[Path], list[Path]]:
    """Every file that a result with these layers consists of, and those that only one with other layers has.

    Raises InputError for an ending that is not written."""
    ending = out.suffix.lower()
    if ending not in (".gpkg", ".parquet"):
        raise InputError(f"{out}: results are written as .gpkg or .parquet, so give --out one of these endings.")
    if ending == ".gpkg":
        return [out], []
    from slopekit.outputs.parquet import older_parquet, parquet_paths

    names = list(layers)
    return list(parquet_paths(out, names).values()), older_parquet(out, names)


def open_job(job: Sources) -> "Elevation":
    """The elevation of a job, open for reading."""
    from slopekit.sources.elevation import open_elevation

    return open_elevation(
        job.elevation,
        z_unit=job.z_unit,
        z_rmse_m=job.z_rmse,
        cell_m=job.cell,
        survey_date=job.survey_date,
        surface=job.surface,
        prescreen=job.prescreen,
    )


def run_job(
    job: Job,
    elevation: "Elevation",
    fleet: "Fleet",
    guard: Guard,
    quiet: bool,
    more: Mapping[str, str] | None = None,
) -> dict[str, Any]:
    """Read parcels and layers, screen every parcel, and return the tables of the result by layer.

    guard: of the job's files; it learns of the rasters, and is asked again when all is done. more: what the notes say
    of the inputs beside their names and fingerprints.
    """
    from slopekit.batch import screen
    from slopekit.outputs.manifest import take_away
    from slopekit.outputs.rasters import band_paths
    from slopekit.realise import Draws
    from slopekit.sources.parcels import read_parcels

    parcels = read_parcels(job.parcels, job.id_column, elevation.survey.grid.crs)
    layers = read_layers(job, elevation.survey)
    bands: list[Path] = []
    if job.rasters is not None:
        make_folder(job.rasters)
        bands = band_paths(job.rasters, [parcel.id for parcel in parcels])
        guard.add(bands)
    count = len(parcels)
    console.log.info("Screening %d parcel%s of %s.", count, "" if count == 1 else "s", os.path.basename(job.parcels))
    with console.Watch("Screening", quiet) as watch:
        tables = screen(
            elevation,
            parcels,
            fleet,
            layers,
            workers=job.workers,
            rasters=job.rasters,
            landforms=job.landforms,
            draws=None if job.realisations is None else Draws(job.realisations, job.seed),
            inputs={**inputs_of(job), **(more or {})},
            progress=watch,
        )
    try:
        guard.again()
    except InputError:
        # These were put in place one by one, and are as wrong as the rest would be.
        take_away(bands)
        raise
    return tables


def words_of(job: Job) -> list[str]:
    """The command line of `screen` for a job, without what does not change its zones."""
    words = ["screen", *job.elevation, "--parcels", job.parcels, "--fleet", str(job.fleet)]
    for name, path in job.layers.items():
        words += [f"--{name}", path]
    for name in ("id_column", "corrections", "survey_date", "surface", "z_unit", "z_rmse", "cell"):
        value = getattr(job, name)
        words += [] if value is None else [f"--{name.replace('_', '-')}", str(value)]
    return [*words, *(["--prescreen"] if job.prescreen else [])]


def make_folder(folder: Path) -> None:
    """Create a folder for results, with its parents, if it is not there. Raises InputError when that cannot be."""
    if os.path.exists(folder) and not os.path.isdir(folder):
        raise InputError(f"{folder}: this is a file and a folder is due, so name a folder.")
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        fix = remedy(error, "name one in a place that you can write to")
        raise InputError(f"{folder}: the folder cannot be created ({error.strerror}), so {fix}.") from error


def notes_of(tables: Mapping[str, Any], *topics: str) -> list[str]:
    """What the run notes say on some topics, each sentence once: "warning", "not assessed", "cautions"."""
    notes = tables["run_notes"]
    rows = list(zip(notes["topic"], notes["name"], notes["value"], strict=True))
    found: dict[str, None] = {}
    for topic in topics:
        for where, name, value in rows:
            if where == topic or (topic == "warning" and where == "ground" and name.startswith("warning")):
                found[str(value)] = None
    return list(found)


def sentences_of(tables: Mapping[str, Any], *more: str) -> list[str]:
    """What stands at the foot of a picture: `more`, warnings, what was not assessed, cautions."""
    missing = [f"Not assessed: {sentence}" for sentence in notes_of(tables, "not assessed")]
    return [*more, *notes_of(tables, "warning"), *missing, *notes_of(tables, "cautions")]


def map_of(path: Path, tables: Mapping[str, Any], elevation: "Elevation", title: str, *more: str) -> None:
    """Draw the map of a result on the relief of its survey. more: see `sentences_of`."""
    from slopekit.outputs.map import draw_map
    from slopekit.sources.relief import relief

    west, south, east, north = tables["parcels"].total_bounds
    # The page shows more than the parcels, on two of their sides.
    beside = 0.9 * max(east - west, north - south) + 20.0 * elevation.survey.grid.step_x
    ground = relief(elevation, (west - beside, south - beside, east + beside, north + beside), _RELIEF_CELLS)
    draw_map(path, z=ground.z, grid=ground.grid, tables=tables, title=title, cautions=sentences_of(tables, *more))


def say_cautions(tables: Mapping[str, Any], *more: str) -> None:
    """Print warnings, what was not assessed and the cautions, each once, to stderr."""
    for head, topics in (("Warning", ("warning",)), ("Not assessed", ("not assessed",)), ("Caution", ("cautions",))):
        for sentence in [*(more if head == "Caution" else ()), *notes_of(tables, *topics)]:
            console.say(f"{head}: {sentence}")


def inputs_of(job: Sources) -> dict[str, str]:
    """Name and fingerprint of every file but the elevation, which the survey describes itself, and what is remote."""
    from slopekit.sources.files import rasters_of
    from slopekit.sources.remote import remote_notes

    named = _named(job) if job.fleet is None else {**_named(job), "fleet": str(job.fleet)}
    return fingerprints(named) | remote_notes([*job.elevation, *rasters_of(job.elevation), *_named(job).values()])


def fingerprints(named: Mapping[str, str]) -> dict[str, str]:
    """Name and fingerprint of files by role."""
    from slopekit.sources.behind import vectors_behind
    from slopekit.sources.checksum import checksum
    from slopekit.sources.files import short_name

    return {role: f"{short_name(name)} ({checksum(vectors_behind([file_of(name)]))})" for role, name in named.items()}


def _named(job: Sources) -> dict[str, str]:
    """The vector files of a job by their options."""
    parcels = {"parcels": job.parcels} if isinstance(job, Job) else {}
    if isinstance(job, Inventory) and job.area is not None:
        parcels = {"area": job.area}
    said = {} if job.corrections is None else {"corrections": job.corrections}
    return {**parcels, **job.layers, **said}


def file_of(name: str) -> str:
    """The file of a name such as 'site.gpkg|layername=parcels'."""
    return name.partition("|layername=")[0]


def read_layers(job: Sources, survey: "Survey") -> "Layers":
    """The layers of a job in the survey's CRS, with what its corrections add."""
    from slopekit.sources.corrections import read_corrections, with_corrections
    from slopekit.sources.layers import Layers, read_layer

    grid = survey.grid
    read: dict[str, Any] = {}
    for name, path in job.layers.items():
        geometry, column = LAYER_KINDS[name]
        read[name] = read_layer(
            path,
            grid.crs,
            metres_per_unit=grid.metres_per_unit,
            geometry=geometry,
            column=column,
        )
    layers = Layers(**read)
    if job.corrections is None:
        return layers
    said = read_corrections(job.corrections, grid.crs, metres_per_unit=grid.metres_per_unit)
    return with_corrections(layers, said, survey.checksum)
