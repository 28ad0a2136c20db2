"""The names that the package offers lead where they say, have types, and each has an example that runs."""

import ast
import doctest
import inspect
import re
import subprocess
import sys
from pathlib import Path
from types import FunctionType

import pytest
from click import Option

import slopekit
from slopekit.api.given import Known, Reading
from slopekit.api.screening import Screening
from slopekit.api.spoken import OPTIONS
from slopekit.cli.screen import screen as command
from slopekit.schema.inputs import INPUTS

ROOT = Path(__file__).resolve().parents[2]
PACKAGE = ROOT / "slopekit"
PAGE = (ROOT / "docs" / "library.md").read_text(encoding="utf-8")
FUNCTIONS = [name for name in slopekit.__all__ if isinstance(getattr(slopekit, name), FunctionType)]


def fresh(code: str) -> str:
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=ROOT)
    return done.stdout.strip()


def test_every_public_name_loads() -> None:
    assert all(callable(getattr(slopekit, name)) for name in slopekit.__all__)
    assert set(slopekit.__all__) <= set(dir(slopekit))
    assert len(FUNCTIONS) > 12


def test_the_types_are_of_the_same_names() -> None:
    stub = ast.parse((PACKAGE / "__init__.pyi").read_text(encoding="utf-8"))
    typed = {alias.name: node.module for node in stub.body if isinstance(node, ast.ImportFrom) for alias in node.names}
    assert typed == slopekit._HOME
    assert (PACKAGE / "py.typed").is_file()


def test_a_room_of_the_same_name_does_not_take_the_place_of_a_function() -> None:
    code = (
        "import slopekit, slopekit.portfolio.run, slopekit.landforms.basins, slopekit.points.settings\n"
        "from slopekit.landforms.basins import __name__ as room\n"
        "print(type(slopekit.portfolio).__name__, type(slopekit.landforms).__name__, room)"
    )
    assert fresh(code) == "function function slopekit.landforms.basins"


def test_importing_slopekit_loads_nothing_heavy() -> None:
    code = (
        "import sys, time; before = time.perf_counter(); import slopekit; took = time.perf_counter() - before\n"
        "print(f'{took:.3f}', [m for m in ('numpy', 'numba', 'rasterio', 'pandas') if m in sys.modules])"
    )
    took, _, loaded = fresh(code).partition(" ")
    print(f"import slopekit: {took} s")
    assert loaded == "[]"


@pytest.mark.parametrize("name", [*FUNCTIONS, "Raster", "Result.rasters", "Result.why"])
def test_the_example_of_each_function_runs(name: str) -> None:
    owner, _, method = name.partition(".")
    found = inspect.getattr_static(getattr(slopekit, owner), method) if method else getattr(slopekit, owner)
    tests = [one for one in doctest.DocTestFinder(recurse=False).find(found, name) if one.examples]
    assert tests
    for one in tests:
        result = doctest.DocTestRunner().run(one)
        assert result.attempted > 1
        assert result.failed == 0


@pytest.mark.parametrize("name", FUNCTIONS)
def test_each_function_says_what_it_raises(name: str) -> None:
    text = " ".join((inspect.getdoc(getattr(slopekit, name)) or "").split())
    assert "Raises InputError" in text
    assert re.search(rf"^#+ .*`{name}\(", PAGE, re.MULTILINE), "docs/library.md lacks it"


def test_the_page_tells_of_every_name_and_argument() -> None:
    arguments = {*Screening.__annotations__, *Known.__annotations__, *Reading.__annotations__}
    for name in FUNCTIONS:
        arguments |= set(inspect.signature(getattr(slopekit, name)).parameters) - {
            "known",
            "reading",
            "fleets",
            "given",
        }
    assert [one for one in (*slopekit.__all__, *sorted(arguments)) if f"`{one}" not in PAGE] == []


def test_every_option_of_the_command_is_an_argument() -> None:
    options = {one.name for one in command.params if isinstance(one, Option)}
    written = {"out", "report", "picture", "profiles", "rasters", "overwrite", "quiet", "help"}
    # What the library asks of an index has a function of its own, `fetch_tiles`.
    written |= {"cache", "most", "trust_index_error"}
    # Units are those of the pictures, each a method of the result.
    written |= {"units"}
    own = {"z_rmse": "z_rmse_m", "cell": "cell_m"}
    asked = {own.get(str(one), str(one)) for one in options} - written - {"parcels", "fleet"}
    given = {*Screening.__annotations__, *Known.__annotations__, *Reading.__annotations__}
    assert asked - {"no_remote"} <= given
    assert {*INPUTS} <= set(Known.__annotations__)


def test_every_option_in_a_sentence_has_an_argument() -> None:
    ours = [
        path
        for path in PACKAGE.rglob("*.py")
        if path.relative_to(PACKAGE).parts[0] not in ("cli", "data_demo", "qgis_scripts")
        and path.name not in ("qgis_check.py", "cluster.py", "qgis_profile.py")
    ]
    named = {
        option
        for path in ours
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Constant) and isinstance(node.value, str)
        for option in re.findall(r"(?<![\w-])--([a-z][a-z-]+)", node.value)
    }
    assert len(named) > 15
    assert named - {*OPTIONS} == set()


def test_a_strict_check_of_types_passes_on_every_public_name(tmp_path: Path) -> None:
    script = ROOT / "tests" / "api" / "strict_script.py"
    text = script.read_text(encoding="utf-8")
    assert [name for name in slopekit.__all__ if f"sk.{name}" not in text] == []
    base = [sys.executable, "-m", "mypy", "--strict", "--ignore-missing-imports", "--follow-imports=silent"]
    base += ["--config-file=", f"--cache-dir={tmp_path}"]
    done = subprocess.run([*base, str(script)], capture_output=True, text=True, cwd=ROOT)
    assert done.returncode == 0, done.stdout
    # What is wrong must not pass, or the names have no types.
    wrong = tmp_path / "wrong.py"
    wrong.write_text("import slopekit as sk\nsk.screen('a.tif', 'b.gpkg', 'c.toml', z_rmse_m='x')\nsk.nothing\n")
    done = subprocess.run([*base, str(wrong)], capture_output=True, text=True, cwd=ROOT)
    assert done.returncode == 1
    assert "z_rmse_m" in done.stdout and "nothing" in done.stdout
