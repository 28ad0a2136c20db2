"""Indexes of elevation tiles: which tiles there are, where each lies, and what is told of it, before any is opened."""

import os
import re
import tempfile
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import Any
from urllib.parse import urljoin, urlsplit
from urllib.request import url2pathname

import numpy as np
import pyogrio
import shapely
from numpy.typing import NDArray
from pyogrio.errors import DataLayerError, DataSourceError, FieldError

from slopekit.errors import InputError
from slopekit.grid import Bounds
from slopekit.paths import refuse_special
from slopekit.sources.keys import kept_apart
from slopekit.sources.remote import check_local, locked, names_sources, without_keys
from slopekit.sources.said import Said
from slopekit.sources.vectors import as_text, in_time
from slopekit.sources.web import Web, host_of

MOST_INDEX = 2_000_000_000
"""Bytes of an index that is fetched."""
# Names of columns in the order in which they are believed. GDAL's manual, gdaltindex and GTI, names the first of each
# of address and sort; the others are those of published indexes (see presets.toml) and common practice, no source.
_GUESSES: Mapping[str, tuple[str, ...]] = {
    "address": ("location", "dataset_link", "download_url", "downloadurl", "href", "url", "link", "path", "filename",
                "file"),
    "survey": ("survey", "project", "project_name", "collection", "workunit", "dataset", "product"),
    "date": ("acquisition_date", "survey_date", "measured", "flown", "collect_end", "collection_date", "datetime",
             "start_datetime", "capture_date", "acquisition_year", "survey_year", "date", "year"),
    "cell": ("cell_m", "cell", "cellsize", "cell_size", "resolution", "gsd", "pixel_size", "res"),
    "datum": ("vertical_datum", "vert_datum", "vdatum", "height_datum", "vertical_crs"),
    "error": ("vertical_rmse", "rmse_z", "rmsez", "z_rmse", "vert_rmse", "vertical_error"),
    "filled": ("voids_filled", "void_fill", "filled_voids", "voids", "backfill"),
    "bytes": ("bytes", "file_size", "filesize", "size"),
    "credit": ("credit", "attribution", "licence", "license"),
}  # fmt: skip
COLUMNS = tuple(_GUESSES)
FOUND, _PRIVATE, _HOME = "tiles", "may_be_private", "index_host"
"""Layer and columns of a table of `slopekit tiles find`."""
_SHOWN = 10
"""Values of a column that a sentence names."""
_LOOKS_LIKE = re.compile(r"(?i)(https?://|/vsi)\S+|\S.*\.tiff?")
_DAY = re.compile(r"\s*((?:18|19|20)\d\d)(?:[-/.]?(\d\d)(?:[-/.]?(\d\d))?)?(?!\d)")


@dataclass(frozen=True)
class Listed:
    """One tile as its index tells it."""

    location: str = field(repr=False)
    """Address or path, resolved against the place of the index. It may hold a key: print it by `without_keys`."""
    said: Said
    cell_m: float | None
    bytes: int | None
    order: float = 0.0
    """Of two tiles alike in all else, the one with the higher number is preferred (GDAL's SORT_FIELD)."""

    def as_row(self, index: "TileIndex") -> dict[str, Any]:
        """As a table keeps it: without keys, and with names of columns that are guessed when it is read."""
        remote = is_address(self.location)
        bare = kept_apart(self.location) if remote else self.location
        return {
            "location": bare,
            "survey": self.said.survey,
            "survey_date": self.said.date,
            "cell_m": self.cell_m,
            "vertical_datum": self.said.datum,
            "vertical_rmse": self.said.error_m,
            "voids_filled": self.said.filled,
            "credit": self.said.credit,
            "bytes": self.bytes,
            "needs_key": bare != self.location,
            _PRIVATE: index.private,
            _HOME: " ".join(sorted(index.home)),
        }


@dataclass(frozen=True, eq=False)
class TileIndex:
    name: str
    """Without keys."""
    crs: str
    """WKT of the outlines."""
    outlines: NDArray[np.object_]
    tiles: tuple[Listed, ...]
    guesses: tuple[str, ...]
    """What was guessed, one sentence each."""
    private: bool
    """Whether it may name this machine and its network."""
    home: frozenset[str] = frozenset()
    """Hosts with ports that it comes from."""

    @property
    def web(self) -> Web:
        """A client that may ask for what the index may name."""
        return Web(self.private, self.home)


@dataclass(frozen=True)
class Asked:
    """How an index is to be read."""

    columns: Mapping[str, str] = field(default_factory=dict)
    """Columns (of STAC: properties) by the names of COLUMNS, instead of guesses."""
    asset: str = ""
    """Of STAC: name of the asset, with * for any letters."""
    only: Mapping[str, str] = field(default_factory=dict)
    """Values that columns must have."""
    layer: str = ""
    allow_private: bool = False
    credit: str = ""
    datum: str = ""
    filled: str = ""
    cell_m: float | None = None
    """These, and the credit, where no column tells."""
    trust_error: bool = False


def vector_index(name: str, asked: Asked, near: Callable[[str], Bounds]) -> TileIndex:
    """The tiles of a vector file, on this machine or at an http address, near the bounds that are wanted.

    near: bounds in a CRS given as WKT. Raises InputError for a file that cannot be read, has no column of addresses, or
    lists nothing that fits `asked`.
    """
    if not is_address(name):
        file = name.partition("|layername=")[0]
        refuse_special(file)
        check_local([file])
        if not os.path.isfile(file):
            raise InputError(f"{file}: there is no such file, so check the name of the index.")
        return _vector(file, name, asked, near, True, frozenset(), os.path.dirname(os.path.abspath(file)))
    home = frozenset([host_of(name)])
    web = Web(asked.allow_private, home)
    with tempfile.TemporaryDirectory(prefix="slopekit-index-") as folder:
        file = os.path.join(folder, Path(urlsplit(name).path).name or "index")
        Path(file).write_bytes(web.read(name, MOST_INDEX))
        if names_sources(file):
            raise InputError(f"{without_keys(name)}: this leads to other files, so name the vector file itself.")
        private = asked.allow_private or web.may_name_home(True)
        # Whatever else it may lead to, GDAL cannot follow it.
        with locked():
            return _vector(file, name, asked, near, private, home, name)


def is_address(name: str) -> bool:
    return name.lower().startswith(("http://", "https://"))


@in_time()
def _vector(
    file: str, name: str, asked: Asked, near: Callable[[str], Bounds], private: bool, home: frozenset[str], place: str
) -> TileIndex:
    shown = without_keys(name) if is_address(name) else name
    source = f"/vsizip/{file}" if file.lower().endswith(".zip") else file
    layer = asked.layer or name.partition("|layername=")[2]
    try:
        layer = layer or _layer(source, shown)
        info = pyogrio.read_info(source, layer=layer)
        if not info["crs"]:
            raise InputError(f"{shown}: the index has no CRS, so assign the right one (in QGIS: Set layer CRS).")
        box = near(info["crs"])
        meta, _, wkb, values = pyogrio.raw.read(
            source, layer=layer, bbox=box if np.isfinite(box).all() else None, force_2d=True, datetime_as_string=True
        )
    except (DataSourceError, DataLayerError, FieldError) as error:
        raise InputError(
            f"{shown}: this cannot be read as an index of tiles, so name a vector file or a STAC file, and its "
            "layer with "
            f"--layer where there are several."
        ) from error
    table = {str(c): np.asarray(v, dtype=object) for c, v in zip(meta["fields"], values, strict=True)}
    outlines = np.empty(0, object) if wkb is None else shapely.from_wkb(wkb)
    rows = [dict(zip(table, row, strict=True)) for row in zip(*table.values(), strict=True)]
    told = info.get("layer_metadata") or {}
    columns, guesses = columns_of([str(c) for c in meta["fields"]], rows, asked, told, shown)
    sort, ascending = told.get("SORT_FIELD", ""), told.get("SORT_FIELD_ASC", "YES").upper() != "NO"
    rank = _orders([row.get(sort) for row in rows], ascending)
    if rows and _PRIVATE in rows[0]:
        # A table of slopekit tiles find: what an index from elsewhere may not do, its table may not either.
        private = private and all(row[_PRIVATE] for row in rows)
        home = frozenset(h for row in rows for h in as_text(row[_HOME]).split())
    fits = matching(rows, asked.only, shown)
    keep = [n for n in fits if outlines[n] is not None and as_text(rows[n][columns["address"]])]
    tiles = tuple(
        listed(rows[n], columns, resolve(as_text(rows[n][columns["address"]]), place), asked, rank[n]) for n in keep
    )
    return TileIndex(shown, info["crs"], outlines[keep], tiles, guesses, private, home)


def _layer(source: str, shown: str) -> str:
    layers = [str(name) for name, kind in pyogrio.list_layers(source) if kind is not None]
    if FOUND in layers or len(layers) == 1:
        return FOUND if FOUND in layers else layers[0]
    raise InputError(f"{shown}: the index has the layers {', '.join(layers) or 'none'}, so name one with --layer.")


def columns_of(
    names: Sequence[str], rows: Sequence[Mapping[str, Any]], asked: Asked, told: Mapping[str, str], shown: str
) -> tuple[dict[str, str], tuple[str, ...]]:
    """Which column tells what, and a sentence on what was guessed. Raises InputError where none holds addresses."""
    lower = {name.lower(): name for name in reversed(names)}
    found: dict[str, str] = {}
    guessed = []
    for what, guesses in _GUESSES.items():
        named = asked.columns.get(what) or (told.get("LOCATION_FIELD", "") if what == "address" else "")
        if named:
            if named not in names:
                raise InputError(f"{shown}: the index has no column '{named}', so name one of: {', '.join(names)}.")
            found[what] = named
            continue
        column = next((lower[g] for g in guesses if g in lower), None)
        if column is None and what == "address":
            column = next((c for c in names if _all_addresses(rows, c)), None)
        if column is not None:
            found[what] = column
            guessed.append(f"{what} from '{column}'")
    if "address" not in found:
        raise InputError(
            f"{shown}: no column of the index looks like addresses or paths of tiles, so name it with --column "
            "address=NAME,"
            f" one of: {', '.join(names) or 'none'}."
        )
    return found, (f"Guessed from the names of columns: {', '.join(guessed)}.",) if guessed else ()


def _all_addresses(rows: Sequence[Mapping[str, Any]], column: str) -> bool:
    some = [as_text(row[column]) for row in rows[:20]]
    return bool(some) and all(_LOOKS_LIKE.fullmatch(text) for text in some)


def matching(rows: Sequence[Mapping[str, Any]], only: Mapping[str, str], shown: str) -> list[int]:
    """Numbers of the rows whose columns say what --only wants; numbers are compared as such.

    Raises InputError, naming what the columns say, where there are rows and none fits.
    """
    found = [n for n, row in enumerate(rows) if all(_says(row.get(c), wanted) for c, wanted in only.items())]
    if found or not rows:
        return found
    for column, wanted in only.items():
        said = sorted({as_text(row[column]) for row in rows if column in row} - {""})
        if not said:
            names = ", ".join(dict.fromkeys(name for row in rows for name in row))
            raise InputError(f"{shown}: the index has no column '{column}' for --only, so name one of: {names}.")
        if not any(_says(row.get(column), wanted) for row in rows):
            told = ", ".join(said[:_SHOWN]) + (f" and {len(said) - _SHOWN} more" if len(said) > _SHOWN else "")
            raise InputError(
                f"{shown}: no tile near the parcels has '{wanted}' in the column '{column}' of --only, which says: "
                f"{told}."
            )
    raise InputError(f"{shown}: no tile near the parcels has all that --only asks for, so ask for less.")


def _says(value: Any, wanted: str) -> bool:
    if as_text(value) == wanted:
        return True
    try:
        return isinstance(value, int | float) and float(wanted) == value
    except ValueError:
        return False


def listed(row: Mapping[str, Any], columns: Mapping[str, str], location: str, asked: Asked, order: float) -> Listed:
    """A tile from the values of its row."""

    def text(what: str) -> str:
        return as_text(row.get(columns.get(what, "")))

    said = Said(
        survey=text("survey"),
        date=_day(text("date")),
        datum=text("datum") or asked.datum,
        error_m=_positive(text("error")),
        trusted=asked.trust_error,
        filled=asked.filled if text("filled").lower() in ("", "no", "none", "false", "0") else text("filled"),
        credit=text("credit") or asked.credit,
    )
    size = _positive(text("bytes"))
    return Listed(location, said, _positive(text("cell")) or asked.cell_m, None if size is None else round(size), order)


def resolve(location: str, place: str) -> str:
    """What an index names, from the index's own place on: an http address or the path of a file.

    Raises InputError for another kind of address, and for a file of this machine in an index from elsewhere.
    """
    name = location.strip()
    for prefix in ("/vsicurl/", "/vsicurl_streaming/"):
        name = name.removeprefix(prefix)
    if is_address(name):
        return name
    if is_address(place):
        if not re.match(r"[A-Za-z][A-Za-z0-9+.-]*:|/vsi|\\\\", name):
            return urljoin(place, name)
    elif (parts := urlsplit(name)).scheme.lower() == "file" and parts.netloc.lower() in ("", "localhost"):
        return url2pathname(parts.path)
    elif not re.match(r"[A-Za-z][A-Za-z0-9+.-]+:|/vsi", name):
        return name if os.path.isabs(name) or os.path.isfile(name) else os.path.join(place, name)
    shown = without_keys(name) if "://" in name or name.startswith("/vsi") else name
    bucket = re.match(r"(?:s3://|/vsis3/)([^/]+)/(.+)", shown)
    told = f"; a public bucket answers at https://{bucket[1]}.s3.amazonaws.com/{bucket[2]}" if bucket else ""
    raise InputError(
        f"{without_keys(place) if is_address(place) else place}: the index names {shown}, and only http, https and "
        f"names of files are followed, files only from an index on this machine{told}."
    )


def _orders(values: Sequence[Any], ascending: bool) -> list[float]:
    known = sorted({v for v in values if v is not None}, key=lambda v: (isinstance(v, str), v), reverse=not ascending)
    place = {v: float(n) for n, v in enumerate(known, 1)}
    return [place.get(v, 0.0) for v in values]


def _day(text: str) -> str:
    found = _DAY.match(text)
    if found is None:
        return ""
    parts = [p for p in found.groups() if p]
    try:
        date(int(parts[0]), *(int(p) for p in (*parts[1:], *("1",) * (3 - len(parts)))))
    except ValueError:
        return ""
    return "-".join(parts)


def _positive(text: str) -> float | None:
    found = re.match(r"\s*([0-9]*\.?[0-9]+(?:[eE][-+]?\d+)?)\s*(m|metres?|meters?)?\s*$", text)
    value = float(found[1]) if found else 0.0
    return value if 0.0 < value < float("inf") else None
