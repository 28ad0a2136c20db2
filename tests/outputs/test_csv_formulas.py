"""No text of a user's becomes a formula in a spreadsheet, and every text reads back as it was.

What begins a formula: OWASP's page "CSV Injection" (the wide signs and the semicolon from memory). LibreOffice opens
the file as a user would.
"""

import csv
import re
import shutil
import subprocess
from pathlib import Path
from typing import Any

import openpyxl
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from labour_maker import CREW, fleet, season
from result_maker import Zone, made_result
from shapely import box

from slopekit.labour.bid import price
from slopekit.labour.compare import compare_bids
from slopekit.outputs.bid import write_bid, write_comparison
from slopekit.outputs.csv_files import as_text, write_csv
from slopekit.outputs.landform_table import write_landform_table
from slopekit.outputs.summary_files import Column, write_summary_file
from slopekit.schema.tables import conform

pytestmark = pytest.mark.fault

EVIL = (
    "=1+1",
    "+1+1",
    "-1+1",
    "@SUM(1)",
    "\t=1+1",
    "\tlot",
    "\r=1+1",
    "\n=1+1",
    " =1+1",
    "\ufeff=1+1",
    "\u200b=1+1",
    "'=1+1",
    "''=1+1",
    "'\tlot",
    "\uff1d1+1",
    "a;=1+1",
    "a\n=1+1",
    'a";=1+1;"',
    "-5",
    "'tis a lot",
    "lot, east",
    "a - b; c",
)


def read_back(text: str) -> str:
    """By the rule that the documents give, written anew here."""
    unseen = r"[\s\x00-\x1f\x7f-\x9f\u200b-\u200f\u202a-\u202e\u2060-\u2069\ufeff']*"
    signs = "[=+\\-@\uff1d\uff0b\uff0d\uff20]"
    return re.sub(rf"(^|[\t\r\n;])'(?={unseen}{signs})|^'(?='*[\t\r\n])", lambda m: m[1] or "", text)


def begins_a_formula(text: str) -> bool:
    return bool(re.match(r"\s*[=+\-@]|[\t\r\n]", text))


def rows(path: Path) -> list[list[str]]:
    with path.open(newline="", encoding="utf-8-sig") as file:
        return list(csv.reader(file))


@given(st.text(alphabet="=+-@'\t\r\n; a,\"\ufeff\uff1d0"))
def test_every_text_reads_back(text: str) -> None:
    assert read_back(as_text(text)) == text
    assert not begins_a_formula(as_text(text))
    # Nor where another program would begin a cell.
    assert not any(re.match(r"\s*[=+\-@]", part) for part in re.split("[\t\r\n;]", as_text(text)))


def test_numbers_stay_numbers(tmp_path: Path) -> None:
    assert as_text(-1.5) == -1.5 and as_text(-3) == -3 and as_text(None) is None
    write_csv(tmp_path / "a.csv", [("id", "x"), ("-1", -1.5), ("b", -2.0)])
    read = pd.read_csv(tmp_path / "a.csv", encoding="utf-8-sig")
    assert read["x"].tolist() == [-1.5, -2.0] and read["id"].tolist() == ["'-1", "b"]


def written_by_all(folder: Path, evil: str, tables: dict[str, Any], landforms: dict[str, Any]) -> list[Path]:
    """Each kind of CSV of the product, with a text that a stranger's file can bring in."""
    machines, plan = fleet(crew=CREW), season(visits={"dry": 2})
    result = made_result(machines, [Zone("z1", box(0, 0, 40, 50), "crew", parcel=evil)])
    bid = price(result, machines, plan).tables
    write_bid(folder / "bid.csv", bid, 0.0)
    side = {**bid, "zones": result["zones"]}
    write_comparison(folder / "comparison.csv", compare_bids(side, side), bid["run_notes"])
    inventory = conform(landforms | {"run_notes": tables["run_notes"]}, ())
    inventory["basins"]["parcels"] = evil
    write_landform_table(folder / "basins.csv", inventory)
    columns = [Column("parcel_id", "str", "-", "which"), Column("area", "float", "m2", "how much")]
    told = [{"parcel_id": evil, "area": -1.5}]
    write_summary_file(folder / "summary.csv", columns, lambda: told, len(told), "", tables["run_notes"])
    return [folder / f"{name}.csv" for name in ("bid", "comparison", "basins", "summary")]


@pytest.mark.parametrize("evil", EVIL)
def test_every_csv_is_harmless(evil: str, tmp_path: Path, tables: dict[str, Any], landforms: dict[str, Any]) -> None:
    for path in written_by_all(tmp_path, evil, tables, landforms):
        cells = [cell for line in rows(path)[1:] for cell in line]
        assert evil in [read_back(cell) for cell in cells], path
        for cell in cells:
            number = re.fullmatch(r"-?\d+(\.\d+)?(e-?\d+)?", cell)
            assert number or not begins_a_formula(cell), (path, cell)
    assert rows(tmp_path / "summary.csv")[1][1] == "-1.5"


@pytest.mark.skipif(shutil.which("soffice") is None, reason="LibreOffice is not installed")
@pytest.mark.parametrize("separator", ["44", "59", "9"], ids=["comma", "semicolon", "tab"])
def test_libreoffice_takes_them_as_text(tmp_path: Path, separator: str) -> None:
    """Opened with formulas allowed, divided by what the user's country divides by."""
    texts = [text for text in EVIL if "\r" not in text]
    write_csv(tmp_path / "evil.csv", [("id", "number"), *((text, -1.5) for text in texts)])
    with (tmp_path / "bare.csv").open("w", newline="", encoding="utf-8-sig") as file:
        csv.writer(file).writerows([("id", "number"), *((text, -1.5) for text in texts)])
    found = {}
    for name in ("evil", "bare"):
        profile = f"-env:UserInstallation={(tmp_path / 'profile').as_uri()}"
        # Token 13 of the filter's options has it work out formulas (LibreOffice's help, "Filter Options").
        kind = f"--infilter=CSV:{separator},34,76,1,,0,false,true,false,false,false,0,true"
        command = ["soffice", profile, "--headless", kind, "--convert-to", "xlsx", "--outdir", str(tmp_path / "out")]
        subprocess.run([*command, str(tmp_path / f"{name}.csv")], check=True, capture_output=True, timeout=180)
        sheet = openpyxl.load_workbook(tmp_path / "out" / f"{name}.xlsx").active
        found[name] = [cell for row in sheet.iter_rows() for cell in row]
    assert [cell.value for cell in found["evil"] if cell.data_type == "f"] == []
    assert [cell.value for cell in found["bare"] if cell.data_type == "f"] != []
    if separator == "44":
        shown = [cell for cell in found["evil"] if cell.column == 1][1:]
        assert {cell.data_type for cell in shown} == {"s"}
        assert {cell.value for cell in found["evil"] if cell.column == 2} == {"number", -1.5}
