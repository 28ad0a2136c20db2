"""The merge: the same bytes whatever its batches, the rows of the parts in order, memory within bounds."""

import contextlib
import hashlib
import io
import json
import sys
from pathlib import Path

import geopandas as gpd
import openpyxl
import pandas as pd
import pyogrio
import pytest
from district import WEST_CRS, District
from made_portfolio import make_template, peak_of, season_line
from unbroken import Unbroken

from slopekit.cli import main
from slopekit.outputs import spill, workbook
from slopekit.portfolio import merge
from slopekit.portfolio.run import BESIDE
from slopekit.schema.layers import LAYERS

pytestmark = pytest.mark.fault

FEW, MANY, BOUND_MB = 400, 1600, 150.0
"""Four times the parcels may take this much more. Whole tables in memory took 720 MB for 400 and 1684 MB for 2000
(measured once)."""


@pytest.fixture(scope="module")
def template(tmp_path_factory: pytest.TempPathFactory) -> District:
    made = make_template(tmp_path_factory.mktemp("template") / "district")
    with contextlib.redirect_stdout(io.StringIO()):
        assert main([*season_line(made, made), "--landforms", "--rank", "hours"]) == 0
    return made


def hashes(out: Path) -> dict[str, str]:
    return {path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in out.glob("[!.]*") if path.is_file()}


def merged_again(template: District) -> dict[str, str]:
    """Hashes of the results after they were taken away and merged anew from the same parts."""
    out = template.folder / "out"
    for path in out.glob("[bps]*"):
        if path.is_file():
            path.unlink()
    with contextlib.redirect_stdout(io.StringIO()) as said:
        assert main([*season_line(template, template), "--landforms", "--rank", "hours", "--resume"]) == 0
    assert ", 0 of them now" in said.getvalue()
    return {name: found for name, found in hashes(out).items() if name[0] in "bps"}


def test_the_batches_change_no_byte(template: District, monkeypatch: pytest.MonkeyPatch) -> None:
    """All at once against parcel by parcel: the layers, landforms, hours, ranks and sums over all parcels."""
    before = merged_again(template)
    assert {"portfolio.gpkg", "summary.csv", "summary.json", "summary.xlsx", "bid.xlsx"} == set(before)
    for module in (spill, merge):
        monkeypatch.setattr(module, "BUCKET", 1)
    monkeypatch.setattr(spill, "_AT_ONCE", 1)
    assert merged_again(template) == before


def test_the_layers_are_the_rows_of_the_parts_by_parcel(unbroken: Unbroken) -> None:
    """pandas reads and sorts the parts; geometries and all values of every layer are the same."""
    compared = 0
    for layer in (name for name in LAYERS if (unbroken.out / "dataset" / name).exists()):
        paths = sorted((unbroken.out / "dataset" / layer).glob("*.parquet"))
        has_shape = pyogrio.read_info(unbroken.out / "portfolio.gpkg", layer=layer)["geometry_type"] is not None
        rows = pd.concat([gpd.read_parquet(p) if has_shape else pd.read_parquet(p) for p in paths])
        rows = rows.sort_values("parcel_id", kind="stable").reset_index(drop=True)
        told = pyogrio.read_dataframe(unbroken.out / "portfolio.gpkg", layer=layer)
        assert len(told) == len(rows) > 0
        for name in rows.columns.drop("geometry", errors="ignore"):
            one, two = (t[name].astype(object).where(t[name].notna(), None).tolist() for t in (told, rows))
            assert one == two, (layer, name)
            compared += 1
        if has_shape:
            assert told.crs == WEST_CRS
            assert told.geometry.geom_equals_exact(rows.geometry.set_crs(WEST_CRS, allow_override=True), 0.0).all()
    assert compared > 50


def test_rows_that_no_sheet_holds_are_csv(template: District, monkeypatch: pytest.MonkeyPatch) -> None:
    """With a sheet of 20 rows, as if there were a million pieces of work: the same figures, in a file that is named."""
    out = template.folder / "out"
    merged_again(template)
    whole = openpyxl.load_workbook(out / "bid.xlsx", data_only=True)
    monkeypatch.setattr(workbook, "MOST_ROWS", 20)
    made = merged_again(template)
    assert "bid_work_of_one_visit.csv" in made
    # The rows of these do not grow with the parcels.
    short = {"bid_figures.csv", "bid_notes.csv", "summary_columns.csv", "summary_notes.csv"}
    assert {name for name in made if name.endswith(".csv")} - {"summary.csv", *short} <= {*BESIDE}
    assert {*made} <= {*json.loads((out / "manifest.json").read_text())["files"]}
    rows = pd.read_csv(out / "bid_work_of_one_visit.csv")
    # A file has no sheet beside it that could hold the caution.
    assert rows.pop("caution").nunique() == 1
    sheet = pd.read_excel(io.BytesIO(saved(whole)), sheet_name="Work of one visit")
    pd.testing.assert_frame_equal(rows, sheet, check_dtype=False, atol=1e-9)
    few = openpyxl.load_workbook(out / "bid.xlsx")
    told = few["Work of one visit"]["A2"].value
    assert (
        told == f"A sheet holds 20 rows and these are {len(rows) + 1}: see bid_work_of_one_visit.csv, beside this file."
    )
    # No formula can reach the file, so what they gave is there as numbers.
    for row in few["By machine"].iter_rows(2, max_row=few["By machine"].max_row - 1):
        assert [cell.value for cell in row] == [whole["By machine"][cell.coordinate].value for cell in row]
    assert few["Summary"]["C2"].value == pytest.approx(whole["Summary"]["C2"].value, abs=1e-4)
    monkeypatch.undo()
    # A run whose rows fit again leaves no old file that could be taken for its own.
    assert "bid_work_of_one_visit.csv" not in merged_again(template)


def saved(book: openpyxl.Workbook) -> bytes:
    stream = io.BytesIO()
    book.save(stream)
    return stream.getvalue()


@pytest.mark.skipif(sys.platform != "linux", reason="the memory of a process is read from /proc")
def test_memory_does_not_grow_with_the_parcels(template: District, tmp_path: Path) -> None:
    peaks = {count: peak_of(tmp_path / str(count), template, count)[1] for count in (FEW, MANY)}
    assert peaks[MANY] - peaks[FEW] < BOUND_MB, peaks
