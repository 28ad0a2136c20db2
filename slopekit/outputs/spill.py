"""Tables that wait on the disk, so that what is sorted or summed up need not fit into memory."""

from collections.abc import Callable, Iterable, Iterator
from itertools import pairwise
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
from numpy.typing import NDArray

from slopekit.schema.tables import arrow_of, arrow_schema

BUCKET = 256
"""Places that are sorted at once."""
_AT_ONCE = 16 << 20
"""Bytes of rows that are dealt out to buckets at once."""
Place = Callable[[pa.Table], NDArray[np.int64]]


class Spill:
    """Tables of one schema filed under whole numbers, in one file (Arrow's IPC file format).

    First all is added, then all is read. OSError where the disk does not take or give it.
    """

    def __init__(self, path: Path, schema: pa.Schema) -> None:
        self.schema = schema
        self.rows = 0
        self._path = path
        self._pieces: dict[int, list[int]] = {}
        self._count = 0
        self._writer: pa.ipc.RecordBatchFileWriter | None = pa.ipc.new_file(str(path), schema)

    def add(self, number: int, table: pa.Table) -> None:
        assert self._writer is not None, "it is read already"
        for batch in table.combine_chunks().to_batches():
            self._writer.write_batch(batch)
            self._pieces.setdefault(number, []).append(self._count)
            self._count += 1
            self.rows += batch.num_rows

    def of(self, number: int) -> pa.Table:
        """All that was added under a number."""
        return pa.Table.from_batches([*self._read(number)], self.schema)

    def __iter__(self) -> Iterator[pa.Table]:
        """Everything piece by piece, by number and then in the order in which it was added."""
        for number in sorted(self._pieces):
            for batch in self._read(number):
                yield pa.Table.from_batches([batch], self.schema)

    def _read(self, number: int) -> Iterator[pa.RecordBatch]:
        if self._writer is not None:
            self._writer.close()
            self._writer = None
        # Not mapped: mapped pages would count as memory of the process. Opened anew each time, so that no open file
        # stands in the way of those who take the folder away.
        with pa.OSFile(str(self._path)) as file, pa.ipc.open_file(file) as reader:
            for piece in self._pieces.get(number, ()):
                yield reader.get_batch(piece)


class Sorted:
    """Rows in the order of their places, a bucket of places at a time: an external sort."""

    def __init__(self, tables: Iterable[pa.Table], place: Place, spill: Spill) -> None:
        """place: (rows,) of a table: whole numbers from 0 on; rows below 0 are left out. Rows of one place stay in the
        order in which they come."""
        self._place, self._spill = place, spill
        for table in _gathered(tables):
            at = place(table)
            order = np.argsort(at, kind="stable")
            order = order[np.searchsorted(at[order], 0) :]
            table, bucket = table.take(order), at[order] // BUCKET
            starts = np.flatnonzero(np.diff(bucket, prepend=-1)).tolist()
            for start, end in pairwise([*starts, order.size]):
                spill.add(int(bucket[start]), table.slice(start, end - start))

    @property
    def rows(self) -> int:
        return self._spill.rows

    def bucket(self, number: int) -> pa.Table:
        """Rows at the places from `number * BUCKET` on, `BUCKET` of them."""
        table = self._spill.of(number)
        return table.take(np.argsort(self._place(table), kind="stable"))


class Filed:
    """Frames of a table of the registry without geometry, filed under whole numbers."""

    def __init__(self, path: Path, layer: str) -> None:
        self._spill = Spill(path, arrow_schema(layer))

    def add(self, number: int, frame: pd.DataFrame) -> None:
        if len(frame):
            self._spill.add(number, arrow_of(frame, self._spill.schema))

    def __len__(self) -> int:
        return self._spill.rows

    def frames(self) -> Iterator[pd.DataFrame]:
        """Its rows by number, then in the order in which they were added. At least one frame, which may be empty."""
        if not len(self):
            yield self._spill.schema.empty_table().to_pandas()
        for table in self._spill:
            yield table.to_pandas()


def frames_of(table: "pd.DataFrame | Filed") -> Iterator[pd.DataFrame]:
    """The rows of a table, piece by piece where it is on the disk."""
    return table.frames() if isinstance(table, Filed) else iter([table])


def _gathered(tables: Iterable[pa.Table]) -> Iterator[pa.Table]:
    """Thousands of small tables joined to some larger ones."""
    held: list[pa.Table] = []
    for table in tables:
        held.append(table)
        if sum(one.nbytes for one in held) >= _AT_ONCE:
            yield pa.concat_tables(held)
            held = []
    if held:
        yield pa.concat_tables(held)
