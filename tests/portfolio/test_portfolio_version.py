"""Which changes of the code make answers anew: those on which answers rest, and no others."""

import ast
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

import slopekit
from slopekit.portfolio.version import code_version, counts, version_of

PACKAGE = Path(slopekit.__file__).parent
ASKED = ("portfolio/tasks.py", "portfolio/keys.py", "portfolio/index.py", "portfolio/choice.py")


@pytest.fixture
def copy(tmp_path: Path) -> Path:
    shutil.copytree(PACKAGE, tmp_path / "slopekit", ignore=shutil.ignore_patterns("__pycache__"))
    return tmp_path / "slopekit"


def test_a_copy_of_the_code_has_the_same_version(copy: Path) -> None:
    assert version_of(copy) == code_version()


@pytest.mark.parametrize("name", ["outputs/symbology.py", "outputs/map.py", "explain/words.py", "cli/screen.py"])
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


@pytest.mark.parametrize("name", ["kernels/least_head.py", "zones/words.py", "fields.py", "outputs/tables.py"])
def test_what_answers_rest_on_makes_them_anew(copy: Path, name: str) -> None:
    with (copy / name).open("a") as file:
        file.write("\n# another answer\n")
    assert version_of(copy) != code_version()


def test_nothing_that_answers_are_made_with_is_left_out() -> None:
    found = set(_reached([PACKAGE / name for name in ASKED]))
    assert len(found) > 100
    assert sorted(str(path) for path in found if not counts(path)) == []


def _reached(begin: list[Path]) -> Iterator[Path]:
    """The modules that some modules import, and those that these import, by their paths inside the package."""
    seen: set[Path] = set()
    ahead = list(begin)
    while ahead:
        path = ahead.pop()
        if path in seen:
            continue
        seen.add(path)
        yield path.relative_to(PACKAGE)
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.ImportFrom) and (node.module or "").partition(".")[0] == "slopekit":
                module = PACKAGE.joinpath(*str(node.module).split(".")[1:])
                near = [module, *(module / name.name for name in node.names)]
                files = [p for one in near for p in (one.with_suffix(".py"), one / "__init__.py")]
                ahead += [file for file in files if file.is_file()]
