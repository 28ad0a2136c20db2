"""Crew sheets for zones that were screened: a page or two a parcel, to print."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from slopekit.api.given import Fleets, Name, Seasons, units_of
from slopekit.api.given import fleet as fleet_given
from slopekit.api.given import season as season_given
from slopekit.api.guard import Guard, make_folder
from slopekit.api.inputs import fleet_of
from slopekit.api.pricing import name_of, names_of
from slopekit.api.screened import Screened
from slopekit.api.spoken import speaks_python
from slopekit.api.tables import check_ending
from slopekit.errors import InputError
from slopekit.fleet.model import Fleet
from slopekit.fleet.noted import noted
from slopekit.fleet.words import limit_words
from slopekit.labour.bid import IF_THERE, other_permits, price
from slopekit.outputs.crew_content import LAYERS, Crew, sheets_of
from slopekit.outputs.crew_page import PAPERS
from slopekit.outputs.crew_sheets import write_crew_sheets
from slopekit.outputs.rasters import file_stems
from slopekit.sources.results import of_parcels, read_result
from slopekit.wording import hours_words

_ON_ZONES = ("mowing", "hand work")


@speaks_python
def sheets(
    zones: Name | Screened,
    out: Name,
    *,
    fleet: Fleets | None = None,
    season: Seasons | None = None,
    paper: str = "a4",
    units: str = "metric",
    per_parcel: Name | None = None,
    parcels: Sequence[str] = (),
    overwrite: bool = False,
    more: tuple[str, ...] = (),
) -> list[Path]:
    """Write a sheet a parcel to print and to carry, as one .pdf: map, zones, who is refused and why, how to work.

    zones: a `Result`, or the file of one or of a portfolio. fleet: as in `screen`, with the limits of the screening;
    with it a file's sheets tell these limits, and advice follows its `tread`. season: also tell hours; a file then
    needs the fleet. paper: a4 or letter. units: metric or us. per_parcel: a folder for a file of each parcel too.
    parcels: ids, where not all are asked for. more:
    sentences for the head of each sheet's notes. Returns the files, `out` first. Raises InputError for what is not
    known, for other limits than those of the screening and for a file that may not be replaced; OutputError for a place
    that cannot take one.

    >>> import tempfile, slopekit as sk
    >>> data = sk.demo_data()
    >>> result = sk.screen(data / "office_park.tif", data / "parcels.gpkg", data / "fleet.toml", workers=1)
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     files = sk.sheets(result, folder + "/sheets.pdf")
    >>> [file.name for file in files]
    ['sheets.pdf']
    """
    place = Path(out)
    check_ending(place, (".pdf",), "sheets are written")
    shown = units_of(units)
    paper_of(paper)
    read = names_of(zones, [fleet], season)
    guard = Guard([place], () if isinstance(zones, Screened) else read, overwrite, others=read)
    machines = (
        fleet_of(fleet_given(fleet)) if fleet is not None else zones.fleet if isinstance(zones, Screened) else None
    )
    if season is not None and machines is None:
        raise InputError(f"{zones}: the file does not hold the machines' figures, so give --fleet beside --season.")
    tables = zones.layers if isinstance(zones, Screened) else read_result(Path(zones), LAYERS, IF_THERE)
    tables = of_parcels(name_of(zones), tables, parcels)
    crew = replace(_crew(tables, machines, season), more=more)
    each: dict[str, Path] = {}
    if per_parcel is not None:
        folder = Path(per_parcel)
        make_folder(folder)
        stems = file_stems(tables["parcels"]["parcel_id"].astype(str).tolist())
        each = {parcel: folder / f"{stem}.pdf" for parcel, stem in stems.items()}
        guard.add(each.values())
    guard.again()
    write_crew_sheets(place, sheets_of(tables, crew, shown), shown, paper, each)
    return [place, *each.values()]


def paper_of(name: str) -> None:
    """Raise InputError for a size of paper that is not known."""
    if name not in PAPERS:
        raise InputError(f"paper: '{name}' is not known, so give {' or '.join(PAPERS)}.")


def _crew(tables: Mapping[str, Any], fleet: Fleet | None, season: Seasons | None) -> Crew:
    """Who works: by the fleet, and without one as far as the notes of the screening tell."""
    notes = tables["run_notes"]
    if fleet is None:
        settings = notes[notes["topic"] == "settings"]
        machines, conditions = noted(zip(settings["name"], settings["value"], strict=True))
        return Crew(machines, conditions, {}, {})
    differs = other_permits(notes, fleet)
    if differs:
        raise InputError(
            f"The parcels were screened with other limits: {differs}; screen them again with this fleet file, or name "
            "the one that they were screened with."
        )
    machines, conditions = noted(fleet.as_notes())
    limits = {name: limit_words(fleet, name) for name in machines}
    hours = (
        {} if season is None else _hours(price(tables, fleet, season_given(season, fleet)).tables["work"], conditions)
    )
    return Crew(machines, conditions, limits, hours)


def _hours(work: Any, conditions: Mapping[str, str]) -> dict[str, str]:
    """By zone the hours of one visit, machine by machine. work: the table of a bid."""
    told: dict[str, dict[str, list[str]]] = {}
    for row in work[work["what"].isin(_ON_ZONES)].to_dict("records"):
        under = f"{hours_words(row['hours'])} {conditions[row['condition']]}"
        told.setdefault(row["zone_id"], {}).setdefault(row["machine"], []).append(under)
    return {zone: " ".join(f"{name}: {', '.join(of)}." for name, of in own.items()) for zone, own in told.items()}
