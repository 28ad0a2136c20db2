"""Indexes of tiles in the SpatioTemporal Asset Catalog's form (STAC 1.0): files, static catalogues, and APIs.

The specification (stacspec.org): items are GeoJSON features in longitude and latitude with named assets; a catalogue
leads to its children and items by links; an API says so by what it conforms to.
"""

import fnmatch
import json
import os
import re
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import shapely

from slopekit.errors import InputError
from slopekit.grid import Bounds
from slopekit.paths import refuse_special
from slopekit.sources.index_columns import COLUMNS, matching
from slopekit.sources.remote import check_local, without_keys
from slopekit.sources.tile_index import (
    Asked,
    Listed,
    TileIndex,
    is_address,
    listed,
    resolve,
    vector_index,
)
from slopekit.sources.web import Web, host_of

LON_LAT = "OGC:CRS84"
_MOST = 500_000_000
"""Bytes of one JSON text."""
_AT_ONCE = 6
_MOST_TEXTS = 200_000
"""Catalogues and items that are followed."""
# Properties of items and assets: STAC 1.0 and its extensions file, raster and projection.
_PROPERTIES: Mapping[str, tuple[str, ...]] = {
    "date": ("start_datetime", "datetime"),
    "cell": ("gsd", "raster:spatial_resolution"),
    "bytes": ("file:size",),
    "survey": ("collection",),
    "error": (),
    "filled": (),
    "datum": (),
    "credit": (),
}
_TIFF = re.compile(r"image/(tiff|vnd\.stac\.geotiff)")
_VECTOR = (".gpkg", ".shp", ".zip", ".fgb", ".parquet", ".kml", ".gml")


def maybe_stac(name: str) -> bool:
    """Whether a name may be that of a STAC text: JSON on this machine that says so, or an address of no vector file."""
    file = name.partition("|")[0]
    if is_address(name):
        return not name.partition("?")[0].lower().endswith(_VECTOR)
    if not os.path.isfile(file) or not file.lower().endswith((".json", ".geojson")):
        return False
    refuse_special(file)
    with open(file, "rb") as stream:
        return b'"stac_version"' in stream.read(1 << 20)


@dataclass(eq=False)
class _Reader:
    """Texts, by whatever place they lie at."""

    web: Web
    most: int = _MOST_TEXTS
    seen: set[str] = field(default_factory=set)

    def json(self, place: str) -> Any:
        if is_address(place):
            raw = self.web.read(place, _MOST)
        else:
            check_local([place])
            refuse_special(place)
            try:
                with open(place, "rb") as stream:
                    raw = stream.read()
            except OSError as error:
                raise InputError(
                    f"{place}: this cannot be read ({error.strerror}), so check the links of the index."
                ) from error
        try:
            return json.loads(raw)
        except ValueError as error:
            shown = without_keys(place) if is_address(place) else place
            raise InputError(
                f"{shown}: this is no JSON, so name a STAC item collection, a catalogue, an API, or a vector file."
            ) from error

    def may_be_private(self, remote: bool, asked: Asked) -> None:
        """Have what was read so far say whether the index may name this machine and its network."""
        self.web.private = asked.allow_private or self.web.may_name_home(remote)

    def fresh(self, places: Sequence[str]) -> list[str]:
        """Those that were not read yet. Raises InputError for an index without end."""
        out = [p for p in dict.fromkeys(places) if p not in self.seen]
        self.seen.update(out)
        if len(self.seen) > self.most:
            raise InputError(
                f"The index leads to more than {self.most:,} texts, so name one of its collections instead."
            )
        return out


def stac_index(name: str, asked: Asked, near: Callable[[str], Bounds]) -> TileIndex:
    """The tiles of a STAC item collection, catalogue or API near the bounds that are wanted.

    Raises InputError as `vector_index`, and where an item has several assets of which none is named.
    """
    remote = is_address(name)
    home = frozenset([host_of(name)]) if remote else frozenset()
    reader = _Reader(Web(not remote or asked.allow_private, home))
    place = name if remote else os.path.abspath(name)
    root = reader.json(place)
    shown = without_keys(name) if remote else name
    box = near(LON_LAT)
    credit = ""
    reader.may_be_private(remote, asked)
    if not isinstance(root, dict):
        raise InputError(f"{shown}: this JSON is no STAC text, so name an item collection, a catalogue or an API.")
    if root.get("type") == "FeatureCollection" and root.get("features") and not any(map(_is_item, root["features"])):
        return vector_index(name, asked, near)
    if _is_api(root):
        from slopekit.sources.stac_api import search

        items = [(place, item) for item in search(name, box, asked.only.get("collection", ""), reader.web)]
    else:
        reader.fresh([place])
        items, credit = _walk(reader, place, root, box, asked)
    reader.may_be_private(remote, asked)
    if not asked.credit and credit:
        asked = replace(asked, credit=credit)
    outlines, tiles, used = [], [], set()
    items = [(at, item) for at, item in items if item.get("geometry") is not None]
    for number in matching([_told(item) for _, item in items], asked.only, shown):
        at, item = items[number]
        asset_name, asset = _asset(item, asked.asset, shown)
        used.add(asset_name)
        try:
            outlines.append(shapely.from_geojson(json.dumps(item["geometry"])))
        except shapely.errors.GEOSException as error:
            raise InputError(f"{shown}: item '{item.get('id')}' has no sound outline, so mend the index.") from error
        tiles.append(_listed(item, asset, resolve(asset["href"], _base(at, item)), asked))
    told = f"Guessed: asset {', '.join(sorted(used)[:3])}{' and others' if len(used) > 3 else ''}."
    crs = shapely.force_2d(np.array(outlines, dtype=object))
    guesses = () if asked.asset or not used else (told,)
    return TileIndex(shown, LON_LAT, crs, tuple(tiles), guesses, reader.web.private, home)


def _is_api(root: Mapping[str, Any]) -> bool:
    conforms = root.get("conformsTo") or ()
    return any("item-search" in str(one) for one in conforms) or any(
        link.get("rel") == "search" for link in root.get("links", ()) if isinstance(link, dict)
    )


def _walk(
    reader: _Reader, place: str, root: Mapping[str, Any], box: Bounds, asked: Asked
) -> tuple[list[tuple[str, Any]], str]:
    """Items with the places that their links count from, and the credit of the collections that hold them."""
    items: list[tuple[str, Any]] = []
    credit: dict[str, None] = {}
    level: list[tuple[str, Any]] = [(place, root)]
    while level:
        onward: list[str] = []
        for at, text in level:
            kind = text.get("type") if isinstance(text, dict) else None
            if kind == "FeatureCollection":
                items += [(at, one) for one in text.get("features", ()) if _is_item(one)]
                onward += _onward(text, at, ("next",))
            elif kind == "Feature" and _is_item(text):
                items.append((at, text))
            elif kind in ("Catalog", "Collection") and _meets(text, box):
                if told := _credit(text):
                    credit[told] = None
                onward += _onward(text, at, ("child", "item", "items"))
            elif kind not in ("Catalog", "Collection"):
                shown = without_keys(at) if is_address(at) else at
                raise InputError(
                    f"{shown}: this is no STAC catalogue, collection or item, so check the links of the index."
                )
        places = reader.fresh(onward)
        with ThreadPoolExecutor(_AT_ONCE) as crew:
            level = list(zip(places, crew.map(reader.json, places), strict=True))
        reader.may_be_private(is_address(place), asked)
    return items, "; ".join(credit)


def _is_item(feature: Any) -> bool:
    return isinstance(feature, dict) and isinstance(feature.get("assets"), dict)


def _onward(text: Mapping[str, Any], at: str, kinds: tuple[str, ...]) -> list[str]:
    """Where the links of some kinds lead."""
    links = [k for k in text.get("links") or () if isinstance(k, dict) and k.get("rel") in kinds and k.get("href")]
    return [resolve(link["href"], _folder(at)) for link in links]


def _folder(place: str) -> str:
    return place if is_address(place) else os.path.dirname(place)


def _base(place: str, item: Mapping[str, Any]) -> str:
    """What hrefs of an item count from: its own place, which an answer of an API or a collection names by a link."""
    own = next((link.get("href", "") for link in item.get("links", ()) if link.get("rel") == "self"), "")
    return own if is_address(own) and is_address(place) else _folder(place)


def _meets(collection: Mapping[str, Any], box: Bounds) -> bool:
    """Whether the extent of a collection meets bounds; yes where it tells none."""
    boxes = ((collection.get("extent") or {}).get("spatial") or {}).get("bbox") or []
    if not boxes or not np.isfinite(box).all():
        return True
    west, south, east, north = box
    for one in boxes[1:] or boxes:
        half = len(one) // 2
        left, right = one[0], one[half]
        # A box whose west lies east of its east spans the 180th meridian (RFC 7946, 5.2).
        along = left <= east and right >= west if left <= right else left <= east or right >= west
        if along and one[1] <= north and one[half + 1] >= south:
            return True
    return False


def _credit(collection: Mapping[str, Any]) -> str:
    """Licence, and who is to be named: licensors, else all that provide."""
    if collection.get("type") != "Collection":
        return ""
    providers = [p for p in collection.get("providers") or () if isinstance(p, dict)]
    names = [p.get("name", "") for p in providers if "licensor" in (p.get("roles") or ())]
    names = names or [p.get("name", "") for p in providers]
    return ", ".join(filter(None, (*names, str(collection.get("license") or ""))))


def _told(item: Mapping[str, Any]) -> dict[str, Any]:
    """What --only may ask for."""
    told = {k: v for k, v in (item.get("properties") or {}).items() if not isinstance(v, dict | list)}
    return {**told, "collection": item.get("collection", ""), "id": item.get("id", "")}


def _asset(item: Mapping[str, Any], wanted: str, shown: str) -> tuple[str, Mapping[str, Any]]:
    assets: dict[str, Any] = {k: a for k, a in item["assets"].items() if isinstance(a, dict) and a.get("href")}
    if wanted:
        fitting = [k for k in assets if fnmatch.fnmatchcase(k, wanted)]
    else:
        fitting = [k for k, a in assets.items() if _TIFF.match(str(a.get("type", ""))) or _is_tiff(a["href"])]
        data = [k for k in fitting if "data" in (assets[k].get("roles") or ())]
        fitting = data or fitting
        cells = {k: _number(_property(item, assets[k], _PROPERTIES["cell"])) for k in fitting}
        finest = min((c for c in cells.values() if c is not None), default=None)
        fitting = [k for k in fitting if finest is None or cells[k] == finest]
    if len(fitting) != 1:
        told = "several assets that may be" if fitting else "no asset that is"
        raise InputError(
            f"{shown}: item '{item.get('id')}' has {told} the heights, so name it with --asset, one of: "
            f"{', '.join(fitting or assets) or 'none'}."
        )
    return fitting[0], assets[fitting[0]]


def _is_tiff(href: str) -> bool:
    return href.partition("?")[0].lower().endswith((".tif", ".tiff"))


def _listed(item: Mapping[str, Any], asset: Mapping[str, Any], location: str, asked: Asked) -> Listed:
    names = {what: (asked.columns[what],) if what in asked.columns else _PROPERTIES.get(what, ()) for what in COLUMNS}
    row = {what: _property(item, asset, among) for what, among in names.items()}
    return listed(row, {what: what for what in COLUMNS}, location, asked, 0.0)


def _property(item: Mapping[str, Any], asset: Mapping[str, Any], names: Sequence[str]) -> Any:
    """The first of some properties that the asset, its first band or the item tells."""
    bands = asset.get("raster:bands") or asset.get("bands") or [{}]
    properties = item.get("properties") or {}
    for name in names:
        for place in (asset, bands[0] if isinstance(bands[0], dict) else {}, properties, item):
            for key in (name, name.removeprefix("raster:")):
                if place.get(key) is not None and not isinstance(place[key], dict | list):
                    return place[key]
    return None


def _number(value: Any) -> float | None:
    return float(value) if isinstance(value, int | float) else None
