"""From parcels to the elevation: which tiles of an index they need, and reading them through a cache."""

import os
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import geopandas as gpd

from slopekit.api.given import Features, Fleets, Name, features, id_of
from slopekit.api.given import fleet as fleet_given
from slopekit.api.guard import Guard
from slopekit.api.inputs import fleet_of
from slopekit.api.spoken import speaks_python
from slopekit.api.tables import check_ending
from slopekit.errors import InputError
from slopekit.outputs.tile_table import read_tile_table, tables_of, write_tile_table
from slopekit.screening.ground import reach_m
from slopekit.sources.files import is_virtual
from slopekit.sources.frames import Frame
from slopekit.sources.index_columns import COLUMNS
from slopekit.sources.parcels import Lots, read_lots
from slopekit.sources.presets import Preset, presets
from slopekit.sources.remote import without_keys
from slopekit.sources.stac import maybe_stac, stac_index
from slopekit.sources.tile_fetch import Fetched, selected
from slopekit.sources.tile_fetch import fetch_tiles as bring_tiles
from slopekit.sources.tile_index import Asked, TileIndex, is_address, shown_name, vector_index
from slopekit.sources.tile_plan import NONE, WHOLE, TilePlan, bounds_near, in_one_survey, plan_tiles

MOST = 2_000_000_000
"""Bytes that are fetched without a further word."""
_VECTORS = (".gpkg", ".shp", ".geojson", ".json", ".fgb", ".zip")
_COARSE_M = 5.0
"""Cells for which the reach is worked out where the index tells no size: it grows with the cell."""


@dataclass(frozen=True, eq=False, repr=False)
class FoundTiles:
    """The tiles that parcels need. `repr` and `print` show the table."""

    plan: TilePlan
    read: tuple[str, ...]
    """The files that it was made from, which it never replaces."""

    @property
    def tiles(self) -> gpd.GeoDataFrame:
        """One row a tile, in the CRS of the index."""
        return tables_of(self.plan)[0]

    @property
    def parcels(self) -> gpd.GeoDataFrame:
        """One row a parcel: the box of its look, and what the tiles cover as far as outlines tell."""
        return tables_of(self.plan)[1]

    @property
    def missing(self) -> dict[str, str]:
        """Parcels whose look no survey of the index covers, and what is covered."""
        return {one: need.covers for one, need in self.plan.needs.items() if need.covers != WHOLE}

    def __repr__(self) -> str:
        return "\n".join([*self.summary(), *self.plan.index.guesses])

    def summary(self) -> list[str]:
        """Surveys with tiles, bytes and parcels, then what is missing."""
        index = self.plan.index
        rows: dict[tuple[str, str, float | None, str], list[int]] = {}
        for number in self.plan.tiles:
            tile = index.tiles[number]
            key = (tile.said.survey or "-", tile.said.date or "no date", tile.cell_m, tile.said.datum or "-")
            rows.setdefault(key, []).append(number)
        lines = [f"{'survey':<32}{'date':<12}{'cell':>7}  {'vertical datum':<20}{'tiles':>7}{'MB':>10}{'parcels':>9}"]
        for (survey, day, cell, datum), numbers in sorted(rows.items(), key=lambda r: (r[0][2] or 99.0, r[0][:2])):
            mine = set(numbers)
            parcels = sum(1 for need in self.plan.needs.values() if mine & set(need.tiles))
            sizes = [index.tiles[n].bytes for n in numbers]
            size = f"{sum(s or 0 for s in sizes) / 1e6:,.0f}" if all(sizes) else "not told"
            shown = "?" if cell is None else f"{cell:g} m"
            lines.append(
                f"{survey[:31]:<32}{day:<12}{shown:>7}  {datum[:19]:<20}{len(numbers):>7,}{size:>10}{parcels:>9,}"
            )
        covers = [need.covers for need in self.plan.needs.values()]
        lines += [
            "",
            f"{len(covers):,} parcels: {covers.count(WHOLE):,} covered with their look, "
            f"{len(covers) - covers.count(WHOLE) - covers.count(NONE):,} in part or with a cut look, "
            f"{covers.count(NONE):,} without a tile",
            "MB are those of whole tiles; only the blocks under parcels and their looks are fetched.",
        ]
        credits = sorted({index.tiles[n].said.credit for n in self.plan.tiles} - {""})
        return lines + [f"Credit: {one}" for one in credits]

    @speaks_python
    def write(self, path: Name, overwrite: bool = False) -> Path:
        """Write the table as .gpkg, for QGIS and for `fetch_tiles`. Raises InputError and OutputError."""
        out = checked_table(path, overwrite, self.read)
        write_tile_table(out, self.plan)
        return out


def checked_table(path: Name, overwrite: bool, read: Sequence[str] = ()) -> Path:
    """The place of a table of tiles. Raises InputError and OutputError for one that cannot take it. read: files that it
    is made from."""
    out = Path(path)
    check_ending(out, (".gpkg",), "tables of tiles are written", "out")
    Guard([out], (), overwrite, others=read)
    return out


@dataclass(frozen=True, eq=False)
class FetchedTiles:
    """What came of fetching tiles."""

    elevation: Path
    """The file to give as elevation."""
    failures: dict[str, str]
    """One sentence for each tile that lacks something, by its address without keys."""
    bytes: int
    """That came now."""
    credits: tuple[str, ...]
    """To be printed with what is made of it."""


@speaks_python
def find_tiles(
    index: Name,
    parcels: Features,
    *,
    fleet: Fleets | None = None,
    id_column: str | None = None,
    layer: str = "",
    columns: Mapping[str, str] | None = None,
    asset: str = "",
    only: Mapping[str, str] | None = None,
    allow_private: bool = False,
) -> FoundTiles:
    """Which tiles of an index the parcels and their looks need. No tile is opened.

    index: a vector file with a column of addresses or paths, a STAC item collection, catalogue or API, each on this
    machine or at an address, or the name of a preset (`slopekit tiles sources`). parcels, id_column: as in `screen`.
    fleet: for the width of the look; the default without it. layer: of the vector file. columns: by address, survey,
    date, cell, datum, error, filled, bytes and credit, where the guess is wrong. asset: of STAC, with * for any
    letters. only: values that columns or properties must have. allow_private: let an index from elsewhere name this
    machine and its network. Raises InputError, one sentence that names the index and the fix.

    >>> import tempfile, geopandas, slopekit as sk
    >>> data = sk.demo_data()
    >>> lots = geopandas.read_file(data / "parcels.gpkg")
    >>> outline = lots.union_all().envelope.buffer(500.0)
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     tile = {"location": [str(data / "office_park.tif")], "cell": [1.0]}
    ...     geopandas.GeoDataFrame(tile, geometry=[outline], crs=lots.crs).to_file(f"{folder}/index.gpkg")
    ...     found = sk.find_tiles(f"{folder}/index.gpkg", data / "parcels.gpkg")
    >>> found.missing
    {}
    """
    wanted = set(columns or {}) - set(COLUMNS)
    if wanted:
        raise InputError(f"There is no column for '{min(wanted)}', so name one of: {', '.join(COLUMNS)}.")
    asked = Asked(dict(columns or {}), asset, dict(only or {}), layer, allow_private)
    name = os.fspath(index)
    source = features("parcels", parcels)
    lots = read_lots(source, id_of(parcels, id_column))
    fleets = None if fleet is None else fleet_given(fleet)
    plan, _ = _planned(name, lots, fleets, asked)
    read = [one for one in (name, source, fleets) if isinstance(one, str | Path)]
    return FoundTiles(plan, tuple(str(one).partition("|")[0] for one in read))


@speaks_python
def fetch_tiles(
    found: FoundTiles | Name,
    cache: Name,
    *,
    most_bytes: int = MOST,
    whole: bool = False,
    ask: bool = False,
    trust_index_error: bool = False,
    progress: Callable[[int, int], None] | None = None,
) -> FetchedTiles:
    """Bring what parcels need of the tiles that were found into a folder. What is there already is not fetched again.

    found: by `find_tiles`, or the table that it wrote. cache: a folder, made where there is none; several runs may
    share it. most_bytes: more than that is refused before any comes. whole: whole tiles instead of blocks. ask: ask
    the servers whether tiles that are there have changed. trust_index_error: work with the vertical error that the
    index tells, as with `z_rmse_m`. progress: called with bytes done and in all. Raises InputError; a tile that cannot
    be had is a sentence among `failures`, and the elevation names it so that its parcels are told.

    >>> import tempfile, geopandas, slopekit as sk
    >>> data = sk.demo_data()
    >>> lots = geopandas.read_file(data / "parcels.gpkg")
    >>> tile = {"location": [str(data / "office_park.tif")]}
    >>> outline = lots.union_all().envelope.buffer(500.0)
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     geopandas.GeoDataFrame(tile, geometry=[outline], crs=lots.crs).to_file(f"{folder}/index.gpkg")
    ...     got = sk.fetch_tiles(sk.find_tiles(f"{folder}/index.gpkg", lots), f"{folder}/cache")
    ...     basins = sk.landforms(got.elevation, lots, workers=1).layers["basins"]
    >>> got.bytes, got.failures, len(basins) > 0
    (0, {}, True)
    """
    plan = found.plan if isinstance(found, FoundTiles) else read_tile_table(Path(found))
    plan = _trusting(plan, trust_index_error)
    folder = Path(cache)
    got = fetch_tiles_of(plan, folder, most_bytes, progress, whole=whole, ask=ask)
    failures = {without_keys(plan.index.tiles[n].location): told for n, told in got.faults.items()}
    credits = tuple(sorted({plan.index.tiles[n].said.credit for n in plan.tiles} - {""}))
    return FetchedTiles(selected(plan, got, folder), failures, got.bytes, credits)


def fetch_tiles_of(
    plan: TilePlan, cache: Path, most: int, progress: Callable[[int, int], None] | None, **how: bool
) -> Fetched:
    """`fetch_tiles` into a folder that is made first."""
    from slopekit.api.screening import make_folder

    make_folder(cache)
    return bring_tiles(plan, cache, most, progress, **how)


def through_cache(
    elevation: Sequence[str],
    cache: Path | None,
    parcels: str | Frame | None,
    fleet: Any,
    *,
    id_column: str | None = None,
    spare_m: float = 0.0,
    one_survey: bool = False,
    most: int = MOST,
    trust_error: bool = False,
    progress: Callable[[int, int], None] | None = None,
) -> list[str]:
    """Names of elevation, with every index among them replaced by the file that names its tiles in a cache.

    spare_m: ground that is wanted beyond the look of a parcel. one_survey: whether all parcels must be answered by one.
    Raises InputError for an index without a cache, and as `fetch_tiles`.
    """
    out = []
    for name in elevation:
        if not _is_index(name, cache is not None):
            out.append(name)
            continue
        if cache is None:
            raise InputError(
                f"{shown_name(name)}: this is an index of tiles, so give --cache, a folder for what is read."
            )
        if parcels is None:
            raise InputError(f"{shown_name(name)}: of an index only what parcels need is read, so give --area.")
        lots = read_lots(parcels, id_column)
        plan, reach = _planned(name, lots, fleet, Asked(trust_error=trust_error), spare_m)
        if one_survey:
            plan = in_one_survey(plan, lots, reach)
        out.append(str(selected(plan, fetch_tiles_of(plan, cache, most, progress), cache)))
    return out


def _is_index(name: str, cached: bool) -> bool:
    """Whether a name of elevation is an index whose tiles are chosen by parcels. Without a cache a vector file of this
    machine is read as it always was: all rasters that it lists."""
    if name in presets():
        return not os.path.exists(name)
    if is_address(name):
        return name.partition("?")[0].lower().endswith(_VECTORS)
    if is_virtual(name) or not os.path.isfile(name.partition("|layername=")[0]):
        return False
    return maybe_stac(name) or (cached and name.partition("|layername=")[0].lower().endswith(_VECTORS))


def _planned(name: str, lots: Lots, fleet: Any, asked: Asked, spare_m: float = 0.0) -> tuple[TilePlan, float]:
    """The plan, and the metres round each parcel."""
    reach = reach_m(fleet_of(fleet), _COARSE_M) + spare_m
    index = _index(name, asked, lots, reach)
    return plan_tiles(index, lots, reach), reach


def _index(name: str, asked: Asked, lots: Lots, reach: float) -> TileIndex:
    preset = presets().get(name) if not os.path.exists(name) else None
    if preset is not None:
        name, asked = _of_preset(name, preset, asked)

    def near(crs: str) -> tuple[float, float, float, float]:
        return bounds_near(lots, reach, crs)

    return stac_index(name, asked, near) if maybe_stac(name) else vector_index(name, asked, near)


def _of_preset(name: str, preset: Preset, asked: Asked) -> tuple[str, Asked]:
    if not preset.index:
        raise InputError(f"{name}: slopekit cannot read how {preset.title} is listed. {preset.by_hand}")
    return preset.index, replace(
        asked,
        columns={**preset.columns, **asked.columns},
        asset=asked.asset or preset.asset,
        only={**preset.only, **asked.only},
        layer=asked.layer or preset.layer,
        credit=preset.credit,
        datum=preset.datum,
        cell_m=preset.cell_m,
        filled=preset.filled,
    )


def _trusting(plan: TilePlan, trust: bool) -> TilePlan:
    tiles = tuple(replace(t, said=replace(t.said, trusted=trust)) for t in plan.index.tiles)
    return replace(plan, index=replace(plan.index, tiles=tiles))
