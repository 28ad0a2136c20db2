"""Indexes of elevation tiles: which tiles there are, where each lies, and what is told of it, before any is opened."""

import contextlib
import os
import re
import tempfile
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
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
from slopekit.sources.formats import within
from slopekit.sources.index_columns import columns_of, day, matching, orders, positive
from slopekit.sources.keys import kept_apart
from slopekit.sources.remote import check_local, locked, names_sources, without_keys
from slopekit.sources.said import Said
from slopekit.sources.vectors import as_text, in_time
from slopekit.sources.web import Web, host_of

MOST_INDEX = 2_000_000_000
"""Bytes of an index that is fetched."""
FOUND, _PRIVATE, _HOME = "tiles", "may_be_private", "index_host"
"""Layer and columns of a table of `slopekit tiles find`."""


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
        if "://" in name or name.startswith("/vsi"):
            raise InputError(
                f"{shown_name(name)}: an index is read from a file or from an http or https address{_bucket(name)}."
            )
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
    shown = shown_name(name)
    source = within(file)
    source = f"/vsizip/{file}" if source == file and file.lower().endswith(".zip") else source
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
    columns, guesses = columns_of([str(c) for c in meta["fields"]], rows, asked.columns, told, shown)
    sort, ascending = told.get("SORT_FIELD", ""), told.get("SORT_FIELD_ASC", "YES").upper() != "NO"
    rank = orders([row.get(sort) for row in rows], ascending)
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


def listed(row: Mapping[str, Any], columns: Mapping[str, str], location: str, asked: Asked, order: float) -> Listed:
    """A tile from the values of its row."""

    def text(what: str) -> str:
        return as_text(row.get(columns.get(what, "")))

    said = Said(
        survey=text("survey"),
        date=day(text("date")),
        datum=text("datum") or asked.datum,
        error_m=positive(text("error")),
        trusted=asked.trust_error,
        filled=asked.filled if text("filled").lower() in ("", "no", "none", "false", "0") else text("filled"),
        credit=text("credit") or asked.credit,
    )
    size = positive(text("bytes"))
    return Listed(location, said, positive(text("cell")) or asked.cell_m, None if size is None else round(size), order)


def resolve(location: str, place: str) -> str:
    """What an index names, from the index's own place on: an http address or the path of a file.

    Raises InputError for another kind of address, and for a file of this machine in an index from elsewhere.
    """
    name = location.strip()
    for prefix in ("/vsicurl/", "/vsicurl_streaming/"):
        name = name.removeprefix(prefix)
    here = not is_address(place)
    if not here and not re.match(r"[A-Za-z][A-Za-z0-9+.-]*:|/vsi|\\\\", name):
        with contextlib.suppress(ValueError):
            name = urljoin(place, name)
    if is_address(name):
        host_of(name)
        return name
    if here and re.match(r"(?i)file:(//(localhost)?(?=/))?(?!//)", name):
        return url2pathname(urlsplit(name).path)
    if here and not re.match(r"[A-Za-z][A-Za-z0-9+.-]+:|/vsi", name):
        return name if os.path.isabs(name) or os.path.isfile(name) else os.path.join(place, name)
    raise InputError(
        f"{shown_name(place)}: the index names {shown_name(name)}, and only http, https and names of files are "
        f"followed, files only from an index on this machine{_bucket(name)}."
    )


def shown_name(name: str) -> str:
    """A name of an index or a tile for others to read."""
    return without_keys(name) if "://" in name or name.startswith("/vsi") else name


def _bucket(name: str) -> str:
    """Where the file of a public bucket answers, as the end of a sentence."""
    found = re.match(r"(?:s3://|/vsis3/)([^/]+)/(.+)", shown_name(name))
    return f"; a public bucket answers at https://{found[1]}.s3.amazonaws.com/{found[2]}" if found else ""
