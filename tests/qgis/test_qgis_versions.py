"""The scripts against Qt 6, with which QGIS 4 is built: every class and enum of Qt that they name is looked up in
PyQt6, and every enum, also of QGIS, is named by its scope, which PyQt6 wants and PyQt5 takes since 5.11."""

import ast
import importlib
import importlib.util
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from slopekit.outputs.qgis_profile import shipped

ROOT = Path(__file__).resolve().parents[2]
SCRIPTS = [
    *sorted(shipped().glob("*.py")), ROOT / "scripts" / "make_qgis_files.py", ROOT / "docs" / "make_qgis_pictures.py",
    Path(__file__).with_name("in_qgis.py"),
]  # fmt: skip
NO_QT6 = pytest.mark.skipif(
    importlib.util.find_spec("PyQt6") is None, reason="PyQt6 is not here: install the extra 'test'"
)
# Classes that lie inside others.
INSIDE = {
    "QgsProcessingContext.LayerDetails", "QgsVectorFileWriter.SaveVectorOptions", "QgsRuleBasedRenderer.Rule",
    "QgsLayoutExporter.PdfExportSettings", "QgsLayoutExporter.ImageExportSettings",
}  # fmt: skip


def chains(tree: ast.AST) -> Iterator[list[str]]:
    """Names with dots, the longest of each place."""
    inner = {id(node.value) for node in ast.walk(tree) if isinstance(node, ast.Attribute)}
    for node in ast.walk(tree):
        if isinstance(node, ast.Attribute | ast.Name) and id(node) not in inner:
            text = ast.unparse(node)
            if re.fullmatch(r"\w+(\.\w+)*", text):
                yield text.split(".")


def of_qt(tree: ast.AST) -> dict[str, str]:
    """The module of Qt of each name that is imported from one."""
    return {
        alias.asname or alias.name: node.module.removeprefix("qgis.PyQt.")
        for node in ast.walk(tree)
        if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("qgis.PyQt.") and node.module
        for alias in node.names
    }


@NO_QT6
@pytest.mark.parametrize("path", SCRIPTS, ids=lambda path: path.name)
def test_qt_6_has_all_that_is_named(path: Path) -> None:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    modules = of_qt(tree)
    for name, module in modules.items():
        assert hasattr(importlib.import_module(f"PyQt6.{module}"), name), name
    for names in chains(tree):
        if names[0] in modules and len(names) > 1:
            found = getattr(importlib.import_module(f"PyQt6.{modules[names[0]]}"), names[0])
            for part in names[1:]:
                assert hasattr(found, part), ".".join(names)
                found = getattr(found, part)
                # What an object gives cannot be looked up without one.
                if callable(found) and not isinstance(found, type):
                    break


@pytest.mark.parametrize("path", SCRIPTS, ids=lambda path: path.name)
def test_enums_are_named_by_their_scope(path: Path) -> None:
    bare = [
        ".".join(names)
        for names in chains(ast.parse(path.read_text(encoding="utf-8")))
        if len(names) == 2 and re.match(r"Q[a-zA-Z]", names[0]) and names[1][0].isupper()
    ]
    assert [name for name in bare if name not in INSIDE] == []
    # Methods that PyQt6 has no more.
    assert not re.search(r"\.exec_\(", path.read_text(encoding="utf-8"))


@NO_QT6
def test_text_is_measured_in_qt_6(monkeypatch: pytest.MonkeyPatch) -> None:
    # The calls of `shrink` and `read_template` in slopekit_crew_map.py, whose arguments changed their types.
    monkeypatch.setenv("QT_QPA_PLATFORM", "offscreen")
    from PyQt6.QtCore import QRectF, Qt
    from PyQt6.QtGui import QFont, QFontMetricsF, QGuiApplication
    from PyQt6.QtXml import QDomDocument

    app = QGuiApplication.instance() or QGuiApplication([])
    large = QFontMetricsF(QFont("Sans Serif", 40, QFont.Weight.Bold))
    one, many = (
        large.boundingRect(QRectF(0.0, 0.0, 300.0, 1e6), int(Qt.TextFlag.TextWordWrap), "caution " * n).height()
        for n in (1, 20)
    )
    assert many > 5 * one > 0.0
    assert QDomDocument().setContent("<Layout/>")[0] and not QDomDocument().setContent("<Layout>")[0]
    del app
