"""Which changes of the code make answers anew: those on which answers rest, and no others."""

import shutil
import subprocess
import sys
from pathlib import Path

import pytest

import slopekit
from slopekit.portfolio.version import ANSWERS, MERGED, code_version, reached, version_of

PACKAGE = Path(slopekit.__file__).parent
SHEETS, PAGE = ("api/sheets.py",), ("api/page.py",)


@pytest.fixture
def copy(tmp_path: Path) -> Path:
    shutil.copytree(PACKAGE, tmp_path / "slopekit", ignore=shutil.ignore_patterns("__pycache__"))
    return tmp_path / "slopekit"


def test_a_copy_of_the_code_has_the_same_version(copy: Path) -> None:
    assert version_of(copy) == code_version()


@pytest.mark.parametrize(
    "name",
    ["outputs/symbology.py", "outputs/map.py", "outputs/crew_map.py", "outputs/page/map.js", "outputs/page/content.py",
     "outputs/qml_fields.py", "explain/words.py", "cli/screen.py"],
)  # fmt: skip
def test_a_colour_or_an_explanation_makes_no_answer_anew(copy: Path, name: str) -> None:
    with (copy / name).open("a") as file:
        file.write("\n# another colour\n")
    assert version_of(copy) == code_version()


def test_a_wheel_and_a_checkout_have_one_version(copy: Path) -> None:
    # The wheel holds the scripts of QGIS and the demo inside the package (pyproject.toml).
    for folder in ("qgis_scripts", "data_demo"):
        shutil.rmtree(copy / folder, ignore_errors=True)
    without = version_of(copy)
    for folder in ("qgis_scripts", "data_demo"):
        (copy / folder).mkdir()
        (copy / folder / "script.py").write_text("pass\n")
    assert version_of(copy) == without == code_version()


@pytest.mark.parametrize(
    ("begin", "name"),
    [(ANSWERS, name) for name in ("kernels/least_head.py", "zones/words.py", "schema/fields.py", "portfolio/keys.py")]
    + [(MERGED, name) for name in ("labour/totals.py", "outputs/workbook.py", "outputs/symbology.py")]
    + [(SHEETS, name) for name in ("outputs/crew_map.py", "outputs/pdf_text.py", "wording.py")]
    + [(PAGE, name) for name in ("outputs/page/content.py", "outputs/page/map.js", "outputs/page/page.css")],
)
def test_what_a_result_rests_on_makes_it_anew(copy: Path, begin: tuple[str, ...], name: str) -> None:
    assert (copy / name).is_file()
    with (copy / name).open("a") as file:
        file.write("\n# another answer\n" if name.endswith("py") else "\n/* another look */\n")
    assert version_of(copy, begin) != code_version(begin)


@pytest.mark.parametrize("begin", [ANSWERS, MERGED, SHEETS, PAGE])
def test_nothing_is_left_out_that_python_loads(begin: tuple[str, ...]) -> None:
    # Python's own list of what it loaded, in an interpreter of its own, against the imports that were read.
    names = [name.removesuffix(".py").replace("/", ".") for name in begin]
    code = f"import sys, {', '.join(f'slopekit.{name}' for name in names)}\n" + (
        "print(*(m.__file__ for n, m in sys.modules.items() if n.startswith('slopekit.') and m.__file__), sep='\\n')"
    )
    told = subprocess.run([sys.executable, "-P", "-c", code], capture_output=True, text=True, check=True).stdout
    loaded = {Path(line) for line in told.splitlines() if Path(line).name != "__init__.py"}
    assert len(loaded) > 40
    assert loaded - reached(PACKAGE, begin) == set()


def test_imports_inside_functions_and_of_folders_are_found(tmp_path: Path) -> None:
    package = tmp_path / "slopekit"
    (package / "b").mkdir(parents=True)
    for name, text in {
        "a.py": "from slopekit import __version__\ndef f():\n  from slopekit.b import c, Name\n  import slopekit.e\n",
        "b/__init__.py": "from slopekit.b.d import Name\n", "b/c.py": "", "b/d.py": "", "e.py": "",
        "b/style.css": "", "__init__.py": "", "f.py": "",
    }.items():  # fmt: skip
        (package / name).write_text(text)
    found = {path.relative_to(package).as_posix() for path in reached(package, ("a.py",))}
    assert found == {"a.py", "b/__init__.py", "b/c.py", "b/d.py", "e.py"}
    before = version_of(package, ("a.py",))
    for name, counts in (("f.py", False), ("__init__.py", False), ("b/style.css", True)):
        (package / name).write_text("another = 1\n")
        assert (version_of(package, ("a.py",)) != before) == counts, name
