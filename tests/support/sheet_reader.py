"""The few formulas of a bid's workbook, worked out from the cells as a spreadsheet would, and by LibreOffice itself."""

import re
import subprocess
from pathlib import Path
from typing import Any

import openpyxl
from openpyxl.utils import column_index_from_string

_REFERENCE = re.compile(r"(?:('[^']+'|\w+)!)?\$?([A-Z]{1,3})\$?(\d+)")
_COLUMN = re.compile(r"(?:('[^']+'|\w+)!)?\$?([A-Z]{1,3})(?:\$?(\d+))?:\$?([A-Z]{1,3})(?:\$?(\d+))?")
_OPERATORS = {
    "=": lambda a, b: a == b, "<>": lambda a, b: a != b, "<": lambda a, b: a < b, ">": lambda a, b: a > b,
    "<=": lambda a, b: a <= b, ">=": lambda a, b: a >= b,
}  # fmt: skip


class Worked:
    """A workbook whose formulas are worked out on reading: SUMIFS, SUM, references, + and *, and nothing else."""

    def __init__(self, path: Path) -> None:
        self.book = openpyxl.load_workbook(path)

    def rows(self, title: str) -> list[list[Any]]:
        return [[self._value(title, cell) for cell in row] for row in self.book[title].iter_rows()]

    def _value(self, title: str, cell: Any) -> Any:
        return self._formula(title, cell.value[1:]) if cell.data_type == "f" else cell.value

    def _formula(self, title: str, text: str) -> float:
        text = re.sub(r"SUMIFS\(([^()]*)\)", lambda m: f"{self._sumifs(title, m[1]):.17g}", text)
        text = re.sub(r"SUM\(([^()]*)\)", lambda m: f"{sum(_numbers(self._range(title, m[1]))):.17g}", text)
        text = _REFERENCE.sub(lambda m: f"{self._at(title, m[0]):.17g}", text)
        assert re.fullmatch(r"[\d.e+*-]+", text), text
        total = 0.0
        for product in text.split("+"):
            worth = 1.0
            for factor in product.split("*"):
                worth *= float(factor)
            total += worth
        return total

    def _sumifs(self, title: str, arguments: str) -> float:
        summed, *pairs = _split(arguments)
        values = self._range(title, summed)
        keep = [True] * len(values)
        for where, criterion in zip(pairs[::2], pairs[1::2], strict=True):
            wanted = criterion[1:-1] if criterion.startswith('"') else self._at(title, criterion)
            keep = [k and _matches(value, wanted) for k, value in zip(keep, self._range(title, where), strict=True)]
        return sum(_numbers([value for value, k in zip(values, keep, strict=True) if k]))

    def _at(self, title: str, reference: str) -> Any:
        sheet, column, row = _REFERENCE.fullmatch(reference).groups()
        title = sheet.strip("'") if sheet else title
        return self._value(title, self.book[title][f"{column}{row}"])

    def _range(self, title: str, text: str) -> list[Any]:
        sheet, first, top, last, bottom = _COLUMN.fullmatch(text).groups()
        title = sheet.strip("'") if sheet else title
        assert first == last, text
        end = int(bottom) if bottom else self.book[title].max_row
        cells = (self.book[title].cell(row, column_index_from_string(first)) for row in range(int(top or 1), end + 1))
        return [self._value(title, cell) for cell in cells]


def _numbers(values: list[Any]) -> list[float]:
    """Text and empty cells do not count in a sum."""
    return [float(value) for value in values if isinstance(value, int | float) and not isinstance(value, bool)]


def _matches(value: Any, wanted: Any) -> bool:
    """Whether a cell meets a criterion (ISO/IEC 29500-1, 18.17.7, SUMIFS; as COUNTIF).

    A number wants that number. Text may begin with an operator; without one it wants text, in any case of letters, in
    which * and ? stand for anything and ~ takes that away.
    """
    if isinstance(wanted, int | float):
        return isinstance(value, int | float) and value == wanted
    sign, rest = re.fullmatch(r"(<>|<=|>=|<|>|=)?(.*)", str(wanted), re.DOTALL).groups()
    if re.fullmatch(r"-?\d+(\.\d+)?", rest):
        return isinstance(value, int | float) and _OPERATORS[sign or "="](value, float(rest))
    if sign in ("<", ">", "<=", ">="):
        return isinstance(value, str) and _OPERATORS[sign](value.lower(), rest.lower())
    parts = re.findall(r"~[*?~]|.", rest, re.DOTALL)
    pattern = "".join({"*": ".*", "?": "."}.get(p, re.escape(p[-1])) for p in parts)
    same = isinstance(value, str) and bool(re.fullmatch(pattern, value, re.DOTALL | re.IGNORECASE))
    return not same if sign == "<>" else same


def _split(arguments: str) -> list[str]:
    """Arguments of a function; commas between quotes do not count."""
    return re.findall(r"""(?:"[^"]*"|'[^']*'|[^,"'])+""", arguments)


def by_libreoffice(path: Path, folder: Path) -> openpyxl.Workbook:
    """The workbook as LibreOffice calculates it. openpyxl writes no values, so every formula is worked out anew."""
    bare = folder / path.name
    openpyxl.load_workbook(path).save(bare)
    profile = f"-env:UserInstallation={(folder / 'profile').as_uri()}"
    out = folder / "calculated"
    command = ["soffice", profile, "--headless", "--convert-to", "xlsx", "--outdir", str(out), str(bare)]
    subprocess.run(command, check=True, capture_output=True, timeout=180)
    return openpyxl.load_workbook(out / path.name, data_only=True)
