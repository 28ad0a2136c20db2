"""Cells of a mosaic, window by window, in metres. A read costs what its window costs."""

import os
from collections import OrderedDict
from typing import Any

import numpy as np
import numpy.typing as npt
import rasterio
from rasterio.enums import MaskFlags
from rasterio.errors import RasterioError
from rasterio.windows import Window

from slopekit.errors import InputError
from slopekit.kernels.heights import heights
from slopekit.sources.cached import bring, opened
from slopekit.sources.mosaic import Mosaic, Tile, gdal_options, patiently
from slopekit.sources.seams import Seams

Heights = npt.NDArray[np.float64]

OPEN_FILES = 32
LOWEST_M, HIGHEST_M = -1000.0, 9000.0
"""No dry ground on Earth lies outside (shore of the Dead Sea about -430 m, highest summit 8849 m; common knowledge).
A value outside is an undeclared nodata value, such as -9999 or -3.4e38, and reads as missing."""


class TileReader:
    """Reads windows of a mosaic. Files are opened when first needed, and again in each process."""

    def __init__(self, mosaic: Mosaic, metres_per_z: float) -> None:
        self.mosaic = mosaic
        self.metres_per_z = metres_per_z
        self.off_earth = 0
        """Cells met so far that were dropped as an undeclared nodata value."""
        self.seams = Seams(mosaic.tiles, self._cells)
        self._edges = np.array([(t.row, t.row + t.height, t.col, t.col + t.width) for t in mosaic.tiles])
        self._open: OrderedDict[str, tuple[int, rasterio.DatasetReader]] = OrderedDict()
        """Files by name, each with what `bring` said when it was opened."""
        self._pid = os.getpid()

    def __reduce__(self) -> tuple[type["TileReader"], tuple[Mosaic, float]]:
        return TileReader, (self.mosaic, self.metres_per_z)

    def read(self, row: int, col: int, height: int, width: int) -> Heights:
        """Heights in metres of a window of the lattice, NaN where missing and outside every file.

        Where files overlap, the first in the given order that has a value wins.
        """
        top, bottom, left, right = self._edges.T
        if len(top) == 1 and top[0] <= row and bottom[0] >= row + height and left[0] <= col and right[0] >= col + width:
            return self._cells(self.mosaic.tiles[0], row, row + height, col, col + width)
        out = np.full((height, width), np.nan)
        touching = (top < row + height) & (bottom > row) & (left < col + width) & (right > col)
        for number in np.flatnonzero(touching):
            tile = self.mosaic.tiles[number]
            row0, row1 = max(row, tile.row), min(row + height, tile.row + tile.height)
            col0, col1 = max(col, tile.col), min(col + width, tile.col + tile.width)
            part = out[row0 - row : row1 - row, col0 - col : col1 - col]
            empty = np.isnan(part)
            if empty.any():
                np.copyto(part, self._cells(tile, row0, row1, col0, col1), where=empty)
        return out

    def close(self) -> None:
        if self._pid == os.getpid():
            for _, dataset in self._open.values():
                dataset.close()
        self._open.clear()

    def _cells(self, tile: Tile, row0: int, row1: int, col0: int, col1: int) -> Heights:
        top, left = row0 - tile.row, col0 - tile.col
        if tile.flip_rows:
            top = tile.height - (row1 - tile.row)
        if tile.flip_cols:
            left = tile.width - (col1 - tile.col)
        window = Window(left, top, col1 - col0, row1 - row0)
        there = bring(tile.name, window)
        try:
            with rasterio.Env(**gdal_options(tile.name)):
                raw, missing = patiently(tile.name, lambda: self._raw(tile.name, window, there))
        except RasterioError as error:
            raise InputError(
                f"{tile.name}: cells at rows {top} to {top + row1 - row0 - 1} cannot be read, so the file is damaged, "
                f"truncated or out of reach: fetch it again."
            ) from error
        metres = self.metres_per_z
        z, dropped = heights(raw, missing, tile.scale * metres, tile.offset * metres, LOWEST_M, HIGHEST_M)
        self.off_earth += dropped
        if tile.flip_rows:
            z = z[::-1]
        return z[:, ::-1] if tile.flip_cols else z

    def _raw(self, name: str, window: Window, there: int) -> tuple[npt.NDArray[Any], np.generic | None]:
        """Cells as they are stored, and the value that says missing; NaN says it where only a mask tells."""
        dataset = self._dataset(name, there)
        try:
            raw = dataset.read(1, window=window)
            missing = _missing_value(dataset)
            if missing is None and MaskFlags.all_valid not in dataset.mask_flag_enums[0]:
                raw = np.where(dataset.read_masks(1, window=window) == 0, np.nan, raw.astype(np.float64))
        except RasterioError:
            # An attempt that comes after this one must not find what is broken.
            self._open.pop(name)[1].close()
            raise
        return raw, missing

    def _dataset(self, name: str, there: int) -> rasterio.DatasetReader:
        if self._pid != os.getpid():
            # A forked child shares the parent's file positions, so it must not use its handles.
            self._open, self._pid = OrderedDict(), os.getpid()
        if name in self._open and self._open[name][0] != there:
            self._open.pop(name)[1].close()
        if name in self._open:
            self._open.move_to_end(name)
        else:
            self._open[name] = there, opened(name)
            if len(self._open) > OPEN_FILES:
                self._open.popitem(last=False)[1][1].close()
        return self._open[name][1]


def _missing_value(dataset: rasterio.DatasetReader) -> np.generic | None:
    """The nodata value as a cell holds it, where that alone tells what is missing; None where a mask must be read."""
    if dataset.mask_flag_enums[0] != [MaskFlags.nodata] or dataset.nodata is None:
        return None
    kind = np.dtype(dataset.dtypes[0])
    if kind.kind == "f":
        return kind.type(dataset.nodata)
    info = np.iinfo(kind)
    whole = float(dataset.nodata).is_integer() and info.min <= dataset.nodata <= info.max
    return kind.type(dataset.nodata) if whole else None
