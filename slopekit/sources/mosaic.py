"""Many files read as one lattice of cells: what each file's header says, and where it lies on the lattice."""

import math
import time
import warnings
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any, TypeVar

import rasterio
from rasterio.errors import NotGeoreferencedWarning, RasterioError
from rasterio.transform import Affine

from slopekit.errors import InputError
from slopekit.paths import refuse_special
from slopekit.sources.behind import rasters_behind
from slopekit.sources.cached import cached, opened, said_of
from slopekit.sources.files import is_virtual, listed, short_name
from slopekit.sources.remote import remote_sources, without_keys
from slopekit.sources.said import Said
from slopekit.sources.units_of import crs_height_axis, same_crs

Answer = TypeVar("Answer")
_LISTS = (".vrt", ".gti", ".gti.gpkg", ".gti.fgb")
"""Endings of files through which GDAL reads others."""
PAUSES_S = (0.2, 1.0)
"""Seconds between the attempts to reach a file on another machine."""
Coefficients = tuple[float, float, float, float, float, float]
"""a to f of x = a col + b row + c, y = d col + e row + f."""


def place(affine: Coefficients, col: Any, row: Any) -> tuple[Any, Any]:
    """Map coordinates of positions counted in cells from the outer corner; numbers or arrays."""
    a, b, c, d, e, f = affine
    return a * col + b * row + c, d * col + e * row + f


def inverse_of(affine: Coefficients) -> Coefficients:
    """Coefficients that turn map coordinates back into columns and rows."""
    a, b, c, d, e, f = affine
    area = a * e - b * d
    return e / area, -b / area, (b * f - c * e) / area, -d / area, a / area, (c * d - a * f) / area


# Listing a folder for each of its thousand tiles is quadratic: GDAL then asks for the few sidecars by name.
# A small block cache keeps memory flat whatever the machine has.
# A server that does not answer must not hold a run for ever: seconds.
GDAL_OPTIONS: dict[str, str | int] = {
    "GDAL_DISABLE_READDIR_ON_OPEN": "TRUE",
    "GDAL_CACHEMAX": 64 << 20,  # bytes
    "GDAL_NUM_THREADS": "1",
    "GDAL_HTTP_MAX_RETRY": "3",
    "GDAL_HTTP_RETRY_DELAY": "0.5",
    "GDAL_HTTP_CONNECTTIMEOUT": "10",
    "GDAL_HTTP_TIMEOUT": "60",
}
# GDAL's manual, "Configuration options" and "Cloud-optimised GeoTIFF": nothing is looked for beside the file, its
# directory comes with the first request, and neighbouring blocks with one. tests/sources/test_requests.py counts.
_OVER_HTTP: dict[str, str | int] = {
    "GDAL_DISABLE_READDIR_ON_OPEN": "EMPTY_DIR",
    "GDAL_INGESTED_BYTES_AT_OPEN": "32768",
    "GDAL_HTTP_MERGE_CONSECUTIVE_RANGES": "YES",
    "GDAL_HTTP_MULTIPLEX": "YES",
    "VSI_CACHE": "TRUE",
}


def gdal_options(name: str) -> dict[str, str | int]:
    """Settings of the raster library for one raster."""
    return {**GDAL_OPTIONS, **(_OVER_HTTP if "://" in name else {})}


@dataclass(frozen=True)
class Tile:
    """One file on the lattice. Flips turn its stored rows and columns north-up."""

    name: str
    height: int
    width: int
    affine: Coefficients
    """Of the tile after the flips."""
    flip_rows: bool
    flip_cols: bool
    scale: float
    offset: float
    row: int = 0
    col: int = 0


@dataclass(frozen=True)
class Header:
    """What a file says about itself, apart from its cells."""

    tile: Tile
    crs: str
    """WKT, as the file gives it: it may be compound."""
    dtype: str
    bands: int
    unit: str
    """Unit tag of band 1, or ''."""
    texts: tuple[str, ...]
    """Description, metadata values and file name: where a file may say what it shows."""
    tags: tuple[tuple[str, str], ...]
    files: tuple[str, ...]
    """Every file that GDAL reads for it, down to those that hold the numbers."""
    said: Said | None = None
    """What the index says of a tile that is read through a cache."""


@dataclass(frozen=True)
class Mosaic:
    """Tiles on one lattice. `affine` places the lattice's cell (0, 0), the least row and column of any tile."""

    tiles: tuple[Tile, ...]
    affine: Coefficients
    height: int
    width: int
    crs: str

    @property
    def straight(self) -> bool:
        """Rows run east and columns south, so that cells can be read as they are."""
        return self.affine[1] == 0.0 and self.affine[3] == 0.0


def read_header(name: str) -> Header:
    """Open a raster, check that band 1 can be ground heights somewhere on the Earth, and keep what matters."""
    refuse_special(name)
    if name.startswith("GTI:") or name.lower().endswith(_LISTS):
        _refuse_whole_files(name)
    with warnings.catch_warnings(), rasterio.Env(**gdal_options(name)):
        warnings.simplefilter("ignore", NotGeoreferencedWarning)
        try:
            dataset = patiently(name, lambda: opened(name))
        except RasterioError as error:
            raise InputError(
                f"{name}: this cannot be opened as a raster, so check that the file is whole and is elevation data."
            ) from error
        with dataset:
            return _header(name, dataset)


def _refuse_whole_files(name: str) -> None:
    """Raise InputError for a list of files that GDAL reads, and that names an http address as it is: GDAL's driver HTTP
    loads the whole of such a file, for each process anew."""
    file = name.removeprefix("GTI:").partition("?")[0]
    named = [without_keys(one) for one in listed(file) or () if "://" in one]
    for one in [*named, *(found.name for found in remote_sources([file]) if found.via)]:
        if one.startswith(("http://", "https://")):
            raise InputError(
                f"{file}: it names {one}, which would be loaded whole, so write /vsicurl/ before the address, "
                f"or name an index with --cache."
            )


def patiently(name: str, act: Callable[[], Answer]) -> Answer:
    """`act()`, and for a file that is not on this machine again after a pause or two when the raster library fails."""
    for pause in PAUSES_S if is_virtual(name) else ():
        try:
            return act()
        except RasterioError:
            time.sleep(pause)
    return act()


def _header(name: str, dataset: rasterio.DatasetReader) -> Header:
    if dataset.count == 0:
        inside = f" such as {dataset.subdatasets[0]}" if dataset.subdatasets else ""
        raise InputError(f"{name}: the file has no bands, so name a raster with one band of heights{inside}.")
    dtype = dataset.dtypes[0]
    if dtype.startswith("complex"):
        raise InputError(f"{name}: band 1 holds complex numbers ({dtype}), so name a raster of real heights.")
    if dataset.crs is None:
        raise InputError(f"{name}: the raster has no CRS, so assign the right one (in QGIS: Assign projection).")
    affine = dataset.transform
    if affine == Affine.identity() or abs(affine.determinant) == 0.0:
        raise InputError(f"{name}: the raster has no position on the map, so georeference it first.")
    tile = _north_up(name, dataset.height, dataset.width, affine, dataset.scales[0], dataset.offsets[0])
    said = said_of(name)
    tags = {**dataset.tags(), **dataset.tags(1), **({} if said is None else said.tags)}
    named = dataset.files or [name] if cached(name) is None else [name]
    for file in named:
        refuse_special(file)
    files = tuple(rasters_behind(named))
    for file in files:
        refuse_special(file)
    alpha = sum(1 for c in dataset.colorinterp if c.name == "alpha")
    return Header(
        tile=tile,
        crs=dataset.crs.to_wkt(version="WKT2_2019"),
        dtype=dtype,
        bands=dataset.count - alpha,
        unit=dataset.units[0] or "",
        texts=(dataset.descriptions[0] or "", *tags.values(), short_name(name)),
        tags=tuple(sorted(tags.items())),
        files=files,
        said=said,
    )


def _north_up(name: str, height: int, width: int, affine: Affine, scale: float, offset: float) -> Tile:
    a, b, c, d, e, f = tuple(affine)[:6]
    flip_rows = flip_cols = False
    # A rotation that moves the far corner by less than a thousandth of a cell is rounding in the header.
    if abs(b) * height < 1e-3 * abs(a) and abs(d) * width < 1e-3 * abs(e):
        b = d = 0.0
        if flip_rows := e > 0.0:
            f, e = f + e * height, -e
        if flip_cols := a < 0.0:
            c, a = c + a * width, -a
    return Tile(name, height, width, (a, b, c, d, e, f), flip_rows, flip_cols, scale, offset)


def phase_of(tile: Tile) -> tuple[float, float]:
    """Where the corners of a tile's cells fall within the cells of a lattice through the origin of the CRS, 0 to 1."""
    col, row = place(inverse_of(tile.affine), 0.0, 0.0)
    return -col % 1.0, -row % 1.0


def lattice_rank(header: Header) -> tuple[Any, ...]:
    """Whose lattice counts where files differ in the last digits: that of the least, in whatever order they come."""
    tile = header.tile
    a, b, c, d, e, f = tile.affine
    return (a, b, d, e, *phase_of(tile), header.crs, c, f)


def mosaic_of(headers: Sequence[Header]) -> Mosaic:
    """Place every file on one lattice: that of the file that `lattice_rank` puts first.

    Raises InputError, naming both files, when one has another CRS, height unit, vertical datum as an index tells it or
    cell size, or lies off the lattice by more than 1e-3 of a cell; and when the whole is fewer than 3 cells high or
    wide, since no gradient exists there.
    """
    first = min(headers, key=lattice_rank)
    inverse = inverse_of(first.tile.affine)
    placed: list[Tile] = []
    for header in headers:
        tile = header.tile
        pair = f"{tile.name} and {first.tile.name}"
        if not same_crs(header.crs, first.crs):
            raise InputError(f"{pair}: the two files have different CRSs, so reproject one to the other's grid.")
        if header.unit != first.unit:
            raise InputError(
                f"{pair}: the two files give heights in different units ('{header.unit}' and '{first.unit}'), "
                f"so convert one of them."
            )
        up, first_up = crs_height_axis(header.crs), crs_height_axis(first.crs)
        if up != first_up:
            told = ["no height axis" if axis is None else f"heights in {axis[0]}" for axis in (up, first_up)]
            raise InputError(f"{pair}: their CRSs have {told[0]} and {told[1]}, so convert one of them.")
        datums = [one.said.datum if one.said else "" for one in (header, first)]
        if datums[0] != datums[1]:
            raise InputError(
                f"{pair}: the tile index names the vertical datums '{datums[0]}' and '{datums[1]}', so convert one of "
                f"them, or choose tiles with --only."
            )
        col, row = place(inverse, *place(tile.affine, 0, 0))
        far_col, far_row = place(inverse, *place(tile.affine, tile.width, tile.height))
        stretch = max(abs(far_col - col - tile.width), abs(far_row - row - tile.height))
        if stretch > 1e-2:
            raise InputError(
                f"{pair}: the two files have different cell sizes ({tile.affine[0]:.9g} and "
                f"{first.tile.affine[0]:.9g} along a row), so resample one to the other's grid."
            )
        if max(abs(col - round(col)), abs(row - round(row))) > 1e-3:
            raise InputError(
                f"{pair}: the cells of the two files do not line up (off by {col - round(col):.3f} columns and "
                f"{row - round(row):.3f} rows), so resample one to the other's grid."
            )
        placed.append(replace(tile, row=round(row), col=round(col)))
    top, left = min(t.row for t in placed), min(t.col for t in placed)
    height = max(t.row + t.height for t in placed) - top
    width = max(t.col + t.width for t in placed) - left
    if min(height, width) < 3:
        raise InputError(
            f"{first.tile.name}: the raster has {height} rows and {width} columns, and a slope needs at least 3 of "
            f"each, so name a larger raster."
        )
    west, north = place(first.tile.affine, left, top)
    a, b, _, d, e, _ = first.tile.affine
    if not all(math.isfinite(v) for v in (a, b, west, d, e, north)):
        raise InputError(f"{first.tile.name}: the raster's position is not a number, so georeference it anew.")
    tiles = tuple(replace(t, row=t.row - top, col=t.col - left) for t in placed)
    return Mosaic(tiles, (a, b, west, d, e, north), height, width, first.crs)


def anchored(mosaic: Mosaic, cells: int) -> Mosaic:
    """The same files on a lattice that begins at a multiple of `cells` from the origin of the CRS.

    Only for a straight mosaic. More files move the beginning only if they lie beyond it.
    """
    a, b, c, d, e, f = mosaic.affine
    # Counted from the origin of the CRS; a corner that lies on a cell edge must not fall on either side by rounding.
    left, top = math.floor(c / a + 1e-3) % cells, math.floor(f / e + 1e-3) % cells
    tiles = tuple(replace(t, row=t.row + top, col=t.col + left) for t in mosaic.tiles)
    west, north = place(mosaic.affine, -left, -top)
    return Mosaic(tiles, (a, b, west, d, e, north), mosaic.height + top, mosaic.width + left, mosaic.crs)
