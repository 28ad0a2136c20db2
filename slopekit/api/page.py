"""Zones, hazards and reasons as HTML for a browser without a network."""

import json
import math
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

import pandas as pd

from slopekit.api.given import Name, is_name, units_of
from slopekit.api.guard import Guard
from slopekit.api.inputs import file_of, fingerprints
from slopekit.api.pricing import Hours, name_of
from slopekit.api.screened import Screened
from slopekit.api.spoken import speaks_python
from slopekit.api.tables import check_ending, notes_of
from slopekit.errors import InputError
from slopekit.outputs.manifest import take_away
from slopekit.outputs.page.document import check_leaflet
from slopekit.outputs.page.pages import LAYERS, About, SeasonHours, Tables
from slopekit.outputs.page.write import district_names, write_pages
from slopekit.portfolio.run import PACKAGE
from slopekit.schema.fields import SCHEMA_VERSION
from slopekit.sources.results import of_parcels, read_result

_FACTS = ("survey date", "cell", "surface", "vertical RMSE", "look")
_HOURS = ("hours", "hours_low", "hours_high")


@speaks_python
def page(
    zones: Name | Screened,
    out: Name,
    *,
    hours: Name | Hours | None = None,
    units: str = "metric",
    title: str | None = None,
    parcels: Sequence[str] = (),
    overwrite: bool = False,
    more: tuple[str, ...] = (),
) -> list[Path]:
    """Write one HTML file with map, list of parcels, reasons and profiles, for a browser without a network.

    zones: a `Result`, or the file of one, or the folder of a portfolio. out: .html; of more than 2000 parcels or 20 000
    zones it becomes an index, with a page for each district beside it. parcels: ids, where not all are asked for.
    hours: `Hours`, or the .json that `slopekit hours` wrote for these zones. units: metric, or us for acres, feet and
    miles an hour. more: sentences that stand before the cautions. Returns the files. Needs the extra `page`. Raises
    InputError for zones that have no refusals, as older results, and for hours of other zones;
    OutputError for a place that cannot take the files.

    >>> import tempfile, slopekit as sk
    >>> data = sk.demo_data()
    >>> result = sk.screen(data / "office_park.tif", data / "parcels.gpkg", data / "fleet.toml", workers=1)
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     [file.name for file in sk.page(result, f"{folder}/page.html")]
    ['page.html']
    """
    told = units_of(units).sentence
    target = Path(out)
    check_ending(target, (".html",), "pages are written")
    check_leaflet()
    read = zones.read if isinstance(zones, Screened) else [str(_file(zones))]
    guard = Guard([target], [str(hours)] if is_name(hours) else [], overwrite, others=read)
    every, of, name = _source(zones)
    whole = of_parcels(name_of(zones), every, parcels)
    ids = set(whole["parcels"]["parcel_id"].astype(str))
    about = About(
        title=f"Where which machine may work, and why not: {name}" if title is None else title,
        units=units,
        sentences={
            "warnings": [*more, *map(told, notes_of(whole, "warning"))],
            "missing": [*map(told, notes_of(whole, "not assessed"))],
            "cautions": [*map(told, notes_of(whole, "cautions"))],
        },
        facts=[(name, told(value)) for name, value in _facts(whole["run_notes"])],
        failures=_failures(whole),
        hours=None if hours is None else _season(hours, ids, zones),
    )
    asked = list(parcels) or None
    made = write_pages(target, whole["parcels"], lambda some: of(some or asked), about, guard.add)
    take_away([one for one in district_names(target) if one not in made], overwrite)
    guard.again()
    return made


def _file(zones: Name) -> Path:
    """The file that holds a result."""
    path = Path(zones)
    return path / PACKAGE if path.is_dir() else path


def _source(zones: Name | Screened) -> tuple[Tables, Callable[[list[str] | None], Tables], str]:
    """Parcels and notes, the layers of some parcels by id, and a name."""
    if isinstance(zones, Screened):
        layers = zones.layers

        def held(ids: list[str] | None) -> Tables:
            if ids is None:
                return layers
            own = {name: layers[name][layers[name]["parcel_id"].isin(ids)] for name in LAYERS}
            return {**own, "run_notes": layers["run_notes"]}

        return layers, held, Path(file_of(str(zones.job.parcels))).stem
    path, file = Path(zones), _file(zones)
    whole = read_result(file, ("parcels",), ("failures",))
    _refuse_older(file)

    def read(ids: list[str] | None) -> Tables:
        return read_result(file, LAYERS, parcels=ids)

    return whole, read, path.name if path.is_dir() else path.stem


def _refuse_older(file: Path) -> None:
    """Raise InputError for a result without reasons, before the work."""
    try:
        read_result(file, ("refusals",), parcels=[""])
    except InputError as error:
        raise InputError(
            f"{file}: it does not hold the table 'refusals', which says why machines are refused, so screen the "
            "parcels again with this slopekit."
        ) from error


def _facts(notes: pd.DataFrame) -> list[tuple[str, str]]:
    ground = notes[notes["topic"] == "ground"]
    rows = zip(ground["name"].astype(str), ground["value"].astype(str), strict=True)
    # Of a portfolio the name of the survey stands before.
    return [
        (name, value)
        for name, value in rows
        if name.rpartition(": ")[2] in _FACTS or name.rpartition(": ")[2].startswith("detection limit")
    ]


def _failures(tables: Tables) -> list[tuple[str, str]]:
    if "failures" not in tables:
        return []
    table = tables["failures"]
    return list(zip(table["parcel_id"].astype(str), table["sentence"].astype(str), strict=True))


def _season(hours: "Name | Hours", ids: set[str], zones: Name | Screened) -> SeasonHours:
    """Hours by parcel and class. Raises InputError for those of other zones."""
    if isinstance(hours, Hours):
        name, totals = "hours", hours.layers["totals"].to_dict("records")
    else:
        name = str(hours)
        told = _bid(name)
        totals = told["totals"]
        if not isinstance(zones, Screened) and Path(zones).is_file():
            _refuse_other_zones(name, told, zones)
    rows = [row for row in totals if row["by"] in ("parcel", "class")]
    parcels = {str(row["name"]): _figures(row) for row in rows if row["by"] == "parcel"}
    strange = sorted(set(parcels) - ids)
    if strange:
        raise InputError(
            f"{name}: these hours are of a parcel '{strange[0]}' that is not among the zones, so make them anew with "
            "'slopekit hours'."
        )
    table = pd.DataFrame.from_dict(parcels, orient="index", columns=list(_HOURS), dtype="float64")
    return SeasonHours(table, [(str(row["name"]), *_figures(row)) for row in rows if row["by"] == "class"])


def _figures(row: Mapping[str, Any]) -> tuple[float, float, float]:
    low, most, high = (math.nan if row[name] is None else float(row[name]) for name in _HOURS)
    return low, most, high


def _bid(name: str) -> dict[str, Any]:
    fix = "so name the .json that 'slopekit hours' wrote"
    try:
        told = json.loads(Path(name).read_text(encoding="utf-8"))
    except OSError as error:
        raise InputError(f"{name}: this cannot be read ({error.strerror}), {fix}.") from error
    except ValueError as error:
        raise InputError(f"{name}: this is no JSON, {fix}.") from error
    if not isinstance(told, dict) or not {"totals", "run_notes", "schema_version"} <= set(told):
        raise InputError(f"{name}: this is no bid, {fix}.")
    if told["schema_version"] != SCHEMA_VERSION:
        raise InputError(f"{name}: another version of slopekit wrote this, so make it anew with 'slopekit hours'.")
    return told


def _refuse_other_zones(name: str, told: Mapping[str, Any], zones: Name) -> None:
    """Raise InputError where the bid's notes name zones of another content."""
    said = [row["value"] for row in told["run_notes"] if (row["topic"], row["name"]) == ("inputs", "zones")]
    own = fingerprints({"zones": str(zones)})["zones"]
    if said and said[0].rpartition("(")[2] != own.rpartition("(")[2]:
        raise InputError(
            f"{name}: these hours are of other zones than {zones}, so make them anew with 'slopekit hours'."
        )
