"""Rows sorted on the disk come as pandas sorts them in memory, whatever the buckets."""

from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pytest

from slopekit.outputs import spill
from slopekit.outputs.spill import Filed, Sorted, Spill, frames_of


@pytest.mark.parametrize(("bucket", "at_once"), [(1, 1), (7, 300), (256, 16 << 20)])
def test_sorted_rows_are_those_of_pandas(
    tmp_path: Path, bucket: int, at_once: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A stable sort, so that rows of one place stay in the order in which they came."""
    monkeypatch.setattr(spill, "BUCKET", bucket)
    monkeypatch.setattr(spill, "_AT_ONCE", at_once)
    rng = np.random.default_rng(4)
    rows = pd.DataFrame({"place": rng.integers(-1, 40, 500), "number": np.arange(500), "text": ["é" * 3] * 500})
    whole = pa.Table.from_pandas(rows, preserve_index=False).replace_schema_metadata(None)
    parts = [whole.slice(start, 13) for start in range(0, 500, 13)]
    found = Sorted(parts, lambda table: table["place"].to_numpy(), Spill(tmp_path / "rows.arrow", whole.schema))
    kept = rows[rows.place >= 0].sort_values("place", kind="stable")
    assert found.rows == len(kept)
    told = pa.concat_tables([found.bucket(n) for n in range(-(-40 // bucket))]).to_pandas()
    assert told.number.tolist() == kept.number.tolist() and told.place.tolist() == kept.place.tolist()
    assert found.bucket(1000).num_rows == 0


def test_filed_frames_come_by_number_then_as_they_were_added(tmp_path: Path) -> None:
    def frame(*whys: str) -> pd.DataFrame:
        rows = [("p", "z", "dry", 1.0, np.nan, why) for why in whys]
        return pd.DataFrame(rows, columns=["parcel_id", "zone_id", "condition", "plan_m2", "edge_m", "why"])

    filed = Filed(tmp_path / "left.arrow", "not_priced")
    for number, whys in ((2, "ab"), (0, "c"), (2, "d"), (1, ""), (0, "e")):
        filed.add(number, frame(*whys))
    told = pd.concat(frames_of(filed), ignore_index=True)
    assert "".join(told["why"]) == "ceabd" and len(filed) == 5
    # What is missing is missing again.
    assert told["edge_m"].isna().all() and told["plan_m2"].tolist() == [1.0] * 5


def test_nothing_filed_is_an_empty_table_with_its_columns(tmp_path: Path) -> None:
    (told,) = frames_of(Filed(tmp_path / "left.arrow", "not_priced"))
    assert told.empty and "why" in told
