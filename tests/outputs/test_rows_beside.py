"""CSV files with rows that a sheet cannot hold are results too: foreign ones stay, edited ones stop, old ones go."""

from pathlib import Path

import pytest

from slopekit.errors import InputError
from slopekit.outputs import workbook
from slopekit.outputs.workbook import write_workbook

LONG = {"Work of all": [["id"], *([str(n)] for n in range(5))]}
SHORT = {"Work of all": [["id"], ["0"]]}


@pytest.fixture
def book(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setattr(workbook, "MOST_ROWS", 3)
    return tmp_path / "bid.xlsx"


def test_a_file_of_others_is_not_replaced(book: Path) -> None:
    beside = book.with_name("bid_work_of_all.csv")
    beside.write_text("somebody's")
    with pytest.raises(InputError, match=r"bid_work_of_all\.csv: this file is not one that slopekit wrote here"):
        write_workbook(book, LONG)
    assert beside.read_text() == "somebody's" and not book.exists()
    # Where all rows fit, nothing is in the way.
    assert write_workbook(book, SHORT) == (book,)
    assert beside.read_text() == "somebody's"
    assert write_workbook(book, LONG, overwrite=True) == (beside, book)
    lines = beside.read_text(encoding="utf-8-sig").splitlines()
    assert [line.partition(",")[0] for line in lines] == ["id", "0", "1", "2", "3", "4"]


def test_old_rows_go_with_their_workbook_unless_edited(book: Path) -> None:
    beside, _ = write_workbook(book, LONG)
    content, old = beside.read_bytes(), book.read_bytes()
    beside.write_bytes(content + b"a note\r\n")
    with pytest.raises(InputError, match=r"bid_work_of_all\.csv: slopekit wrote this file, it was edited since"):
        write_workbook(book, SHORT)
    assert book.read_bytes() == old and beside.read_bytes() == content + b"a note\r\n"
    beside.write_bytes(content)
    write_workbook(book, SHORT)
    assert not beside.exists()
