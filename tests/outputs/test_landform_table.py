"""Tables for people: the header tells units, nothing that is missing becomes a number, the same bytes twice.

openpyxl reads the workbook back, the standard library the CSV and the archive.
"""

import csv
import time
import zipfile
from pathlib import Path
from typing import Any

import numpy as np
import openpyxl
import pandas as pd
import pytest
from listing import names

from slopekit.errors import OutputError
from slopekit.outputs.landform_table import write_landform_table
from slopekit.schema.fields import fields_of
from slopekit.schema.tables import conform

Tables = dict[str, Any]
# openpyxl gives a number without decimals as int.
KINDS = {"str": (str,), "int": (int,), "float": (float, int), "bool": (bool,)}


@pytest.fixture
def inventory(tables: Tables, landforms: Tables) -> Tables:
    return conform(landforms | {"run_notes": tables["run_notes"]}, ())


def read_csv(path: Path) -> list[list[str]]:
    with path.open(newline="", encoding="utf-8-sig") as file:
        return list(csv.reader(file))


def test_csv_has_units_in_the_header_and_one_row_a_basin(tmp_path: Path, inventory: Tables) -> None:
    write_landform_table(tmp_path / "basins.csv", inventory)
    head, *rows = read_csv(tmp_path / "basins.csv")
    fields = fields_of("basins")
    assert len(head) - 1 == len(fields) and len(head) == len(set(head)) and head[-1] == "caution"
    for text, field in zip(head[:-1], fields, strict=True):
        assert text.endswith(f" ({field.unit})") is (field.unit != "-"), text
        # Words, with no unit twice.
        assert "_" not in text and not text.partition(" (")[0].endswith((" m", " m2", " m3", " deg")), text
    named = dict(zip(head, rows[0], strict=True))
    assert named["basin"] == "b-0a41c9e2"
    assert (named["depth (m)"], named["area (m2)"], named["volume (m3)"]) == ("2.5", "5000.0", "6250.0")
    assert named["side hv (H:V)"] == "3.0"
    assert named["parcels"] == "north lawn,east bank"
    names = [*inventory["basins"]["basin"], *inventory["water_bodies"]["body"]]
    assert [row[0] for row in rows] == names
    pond = dict(zip(head, rows[-1], strict=True))
    assert (pond["inside"], pond["area (m2)"], pond["water (m2)"]) == ("b-77d0035b", "600.0", "600.0")
    # Spreadsheets take text without a byte-order mark for another encoding (common practice, no source).
    assert (tmp_path / "basins.csv").read_bytes().startswith(b"\xef\xbb\xbf")


def test_what_is_missing_is_empty(tmp_path: Path, inventory: Tables) -> None:
    inventory["basins"]["rectangularity"] = [np.nan, 0.5]
    write_landform_table(tmp_path / "basins.csv", inventory)
    write_landform_table(tmp_path / "basins.xlsx", inventory)
    head, first, second, _ = read_csv(tmp_path / "basins.csv")
    at = {text: n for n, text in enumerate(head)}
    assert [row[at["rectangularity (0..1)"]] for row in (first, second)] == ["", "0.5"]
    assert [row[at["side hv (H:V)"]] for row in (first, second)] == ["3.0", ""]
    for text in {cell.lower() for row in (first, second) for cell in row}:
        assert text not in ("nan", "none", "<na>", "inf", "-inf")
    book = openpyxl.load_workbook(tmp_path / "basins.xlsx")
    sheet = book["Basins"]
    assert [sheet.cell(row, at["rectangularity (0..1)"] + 1).value for row in (2, 3)] == [None, 0.5]
    for sheet in book:
        # A cell of type "e" holds an error such as #NUM! (ECMA-376, part 1, 18.18.11).
        assert {cell.data_type for row in sheet.iter_rows() for cell in row} <= {"s", "inlineStr", "n", "b"}
        assert {str(v).lower() for row in sheet.iter_rows(values_only=True) for v in row}.isdisjoint({"nan", "<na>"})


def test_workbook_has_a_sheet_for_each_table(tmp_path: Path, inventory: Tables) -> None:
    write_landform_table(tmp_path / "landforms.xlsx", inventory)
    book = openpyxl.load_workbook(tmp_path / "landforms.xlsx")
    assert book.sheetnames == ["Basins", "Bodies of water", "Berms", "Stage and storage", "Notes"]
    for name, layer in (
        ("Basins", "basins"),
        ("Bodies of water", "water_bodies"),
        ("Berms", "berms"),
        ("Stage and storage", "stage_storage"),
    ):
        head, *rows = book[name].iter_rows(values_only=True)
        fields, table = fields_of(layer), inventory[layer]
        assert len(rows) == len(table)
        assert [text.endswith(f" ({f.unit})") for text, f in zip(head, fields, strict=True)] == [
            f.unit != "-" for f in fields
        ]
        for n, field in enumerate(fields):
            for row, value in zip(rows, table[field.name], strict=True):
                # An empty text and an empty cell are one in a workbook.
                if pd.isna(value) or value == "":
                    assert row[n] in (None, ""), field.name
                else:
                    assert type(row[n]) in KINDS[field.type], field.name
                    # Four decimals are shown.
                    assert row[n] == (pytest.approx(value, abs=5.1e-5) if field.type == "float" else value), field.name
    at = [f.name for f in fields_of("basins")].index("wet")
    assert [row[at] for row in book["Basins"].iter_rows(2, values_only=True)] == [True, False]
    assert ("inputs", "elevation", "ground.tif") in list(book["Notes"].iter_rows(values_only=True))


def test_text_stays_text(tmp_path: Path, inventory: Tables) -> None:
    # A parcel's id is the user's own text. A workbook runs what begins with "=" (CWE-1236), and XML 1.0, section 2.2,
    # has no place for most control characters.
    inventory["basins"]["parcels"] = ["=1+1", "#N/A\x07"]
    inventory = conform(inventory, ())
    write_landform_table(tmp_path / "landforms.xlsx", inventory)
    sheet = openpyxl.load_workbook(tmp_path / "landforms.xlsx")["Basins"]
    cells = [sheet.cell(row, [f.name for f in fields_of("basins")].index("parcels") + 1) for row in (2, 3)]
    assert [(c.value, "s" if c.data_type == "inlineStr" else c.data_type) for c in cells] == [
        ("=1+1", "s"),
        ("#N/A", "s"),
    ]


@pytest.mark.parametrize("name", ["a.csv", "a.xlsx"])
def test_the_same_result_has_the_same_bytes(tmp_path: Path, inventory: Tables, name: str) -> None:
    write_landform_table(tmp_path / name, inventory)
    # ZIP keeps times in steps of two seconds (PKWARE APPNOTE, 4.4.6).
    time.sleep(2.1)
    write_landform_table(tmp_path / f"again_{name}", inventory)
    assert (tmp_path / name).read_bytes() == (tmp_path / f"again_{name}").read_bytes()
    assert names(tmp_path) == [name, f"again_{name}"]


def test_workbook_is_a_sound_archive(tmp_path: Path, inventory: Tables) -> None:
    write_landform_table(tmp_path / "a.xlsx", inventory)
    with zipfile.ZipFile(tmp_path / "a.xlsx") as archive:
        assert archive.testzip() is None
        # ECMA-376, part 2, 10.1.2: every package has this part.
        assert "[Content_Types].xml" in archive.namelist()


@pytest.mark.parametrize("name", ["a.csv", "a.xlsx"])
def test_nothing_found_leaves_the_headers(tmp_path: Path, inventory: Tables, name: str) -> None:
    write_landform_table(tmp_path / name, {layer: table.iloc[:0] for layer, table in inventory.items()})
    if name.endswith("csv"):
        assert len(read_csv(tmp_path / name)) == 1
    else:
        assert [sheet.max_row for sheet in openpyxl.load_workbook(tmp_path / name)] == [1, 1, 1, 1, 1]


def test_other_endings_and_bad_places_are_refused(tmp_path: Path, inventory: Tables) -> None:
    with pytest.raises(OutputError, match=r"a\.ods: tables are written as \.csv or \.xlsx"):
        write_landform_table(tmp_path / "a.ods", inventory)
    with pytest.raises(OutputError, match="nowhere"):
        write_landform_table(tmp_path / "nowhere" / "a.csv", inventory)
    assert list(tmp_path.iterdir()) == []
