"""A result for the phone: a KMZ to look at, or a GeoPackage whose project is ready to draw corrections in."""

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from slopekit.api.given import Name
from slopekit.api.guard import Guard
from slopekit.api.pricing import name_of
from slopekit.api.recorded import corrections_of
from slopekit.api.screened import Screened
from slopekit.api.spoken import speaks_python
from slopekit.api.tables import check_ending, sentences_of
from slopekit.errors import InputError
from slopekit.outputs.kmz import KML_LAYERS, write_kmz
from slopekit.outputs.phone_package import TAKEN, refuse_drawn, write_phone
from slopekit.schema.fields import fields_of
from slopekit.schema.layers import in_groups
from slopekit.screening.notes import surveys_told
from slopekit.sources.corrections import drawn_corrections
from slopekit.sources.results import of_parcels, read_result

_DUE = tuple(layer for layer in in_groups("result") if layer in {*TAKEN, *KML_LAYERS})
_IF_THERE = tuple(layer for layer in TAKEN if layer not in _DUE)


@speaks_python
def phone(zones: Name | Screened, out: Name, overwrite: bool = False, parcels: Sequence[str] = ()) -> Path:
    """Write a result for the phone, and return the file.

    zones: a `Result`, or the file of one or of a portfolio. out: .kmz, longitude and latitude for any map program, with
    what each zone's note says in its balloon; or .gpkg, which carries a project of QGIS with layers to draw corrections
    in (docs/phone.md), the earlier ones among them. parcels: ids, where not all are asked for.
    The .gpkg that comes back is what `screen` takes as corrections.
    Raises InputError for another ending, a file that is no result, corrections that are gone or have changed since, a
    file that slopekit did not write or that was edited since unless `overwrite`, and one with corrections drawn in it;
    OutputError for a place that cannot take it.

    >>> import tempfile, slopekit as sk
    >>> data = sk.demo_data()
    >>> result = sk.screen(data / "office_park.tif", data / "parcels.gpkg", data / "fleet.toml", workers=1)
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     sk.phone(result, f"{folder}/site.kmz").name
    'site.kmz'
    """
    target = Path(out)
    check_ending(target, (".kmz", ".gpkg"), "files for the phone are written")
    draw = target.suffix.lower() == ".gpkg"
    if draw:
        refuse_drawn(target)
    if isinstance(zones, Screened):
        guard, tables = Guard([target], (), overwrite, others=zones.read), dict(zones.layers)
    else:
        guard = Guard([target], [str(zones)], overwrite)
        tables = read_result(Path(zones), _DUE, _IF_THERE)
    tables = dict(of_parcels(name_of(zones), tables, parcels))
    conditions = conditions_of(tables["zones"])
    check_columns(zones, tables, conditions)
    sentences = [*_unanswered(tables), *sentences_of(tables)]
    if not draw:
        guard.again()
        write_kmz(target, tables, f"Zones: {target.stem}", sentences)
        return target
    said = corrections_of(zones, tables["run_notes"])
    drawn = [] if said is None else drawn_corrections(said, tables["zones"].crs.to_wkt())
    guard.again()
    write_phone(
        target,
        tables,
        conditions,
        surveys=surveys_told(tables["run_notes"]),
        drawn=drawn,
        title=f"Zones: {target.stem}",
        sentences=sentences,
    )
    return target


def check_columns(zones: object, tables: Any, conditions: list[str]) -> None:
    """Raise InputError for a result of other columns, as an edited one is, or one of an earlier slopekit."""
    if tables["zones"].crs is None:
        raise InputError(f"{zones}: its zones have no CRS, so screen the parcels again.")
    for layer in tables:
        missing = [field.name for field in fields_of(layer, conditions) if field.name not in tables[layer].columns]
        if missing:
            raise InputError(
                f"{zones}: the layer '{layer}' has no column '{missing[0]}', so screen the parcels again with this "
                "slopekit."
            )


def _unanswered(tables: Any) -> list[str]:
    """Parcels of a portfolio without an answer, which nothing on the map tells of."""
    failures = tables.get("failures")
    if failures is None:
        return []
    rows = zip(failures["parcel_id"], failures["sentence"], strict=True)
    return [f"Parcel {parcel} has no answer: {sentence}" for parcel, sentence in rows]


def conditions_of(zones: Any) -> list[str]:
    """The conditions that a result was made under, by its columns."""
    return [name.removeprefix("permitted_") for name in zones.columns if name.startswith("permitted_")]
