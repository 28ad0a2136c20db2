"""The layers of the package: who may import whom. The rules are the project's own (DEVELOPERS.md)."""

import ast
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from graphlib import CycleError, TopologicalSorter
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
PACKAGE = ROOT / "slopekit"

# Top to bottom. A module imports from its own layer and from those below. Parts in one row must not know each other.
LAYERS: tuple[tuple[str, ...], ...] = (
    ("cli",),
    ("api",),
    ("portfolio",),
    ("explain",),
    ("screening",),
    ("outputs",),
    ("labour",),
    ("points",),
    ("sources",),
    ("zones",),
    ("access",),
    ("permits",),
    ("fleet",),
    ("landforms",),
    ("runout",),
    ("hazards",),
    ("terrain",),
    ("kernels",),
    ("grid",),
    ("schema",),
    ("pool",),
    ("paths", "memory"),
    ("units", "errors", "texts", "wording", "windows"),
)
RANK = {part: len(LAYERS) - row for row, parts in enumerate(LAYERS) for part in parts}

FILES_AND_CRS = {"rasterio", "pyogrio", "pyproj"}
# What the command line may load before it knows what is asked of it.
LIGHT_PARTS = {"cli", "schema", "paths", "memory", "units", "errors", "texts", "wording", "windows"}
LIGHT_LIBRARIES = {"click", "rich"}


@dataclass(frozen=True)
class Import:
    where: str
    part: str
    """Layer of the importing module: the first name below the package."""
    target: str
    """Full dotted name that is imported."""
    at_load: bool
    """Run when the module is loaded: outside functions and not for type checking alone."""

    @property
    def library(self) -> str:
        return self.target.partition(".")[0]

    @property
    def target_part(self) -> str | None:
        """Layer that is imported from; None outside the package and for the package itself (its version)."""
        names = self.target.split(".")
        return names[1] if names[0] == "slopekit" and len(names) > 1 and names[1] in RANK else None


def _statements(node: ast.AST, at_load: bool = True) -> Iterator[tuple[ast.Import | ast.ImportFrom, bool]]:
    for child in ast.iter_child_nodes(node):
        if isinstance(child, ast.Import | ast.ImportFrom):
            yield child, at_load
        elif isinstance(child, ast.If) and "TYPE_CHECKING" in ast.unparse(child.test):
            for statement in child.body:
                yield from _statements(ast.Module([statement], []), False)
            for statement in child.orelse:
                yield from _statements(ast.Module([statement], []), at_load)
        else:
            yield from _statements(child, at_load and not isinstance(child, ast.FunctionDef | ast.AsyncFunctionDef))


def imports_in(source: str, module: str) -> list[Import]:
    """Every import of a module, wherever it stands."""
    out = []
    part = module.split(".")[1] if "." in module else ""
    for node, at_load in _statements(ast.parse(source)):
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        elif node.level:
            names = [f"slopekit.relative imports hide the layer in line {node.lineno}"]
        else:
            names = [f"{node.module}.{alias.name}" for alias in node.names]
        out += [Import(f"{module}:{node.lineno}", part, name, at_load) for name in names]
    return out


def _modules() -> list[tuple[Path, str]]:
    return [
        (path, ".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__"))
        for path in sorted(PACKAGE.rglob("*.py"))
        if "data_demo" not in path.parts
    ]


def upward(found: list[Import]) -> list[str]:
    return [
        f"{i.where} ({i.part}) imports {i.target}"
        for i in found
        if i.target_part is not None
        and i.part in RANK
        and i.target_part != i.part
        and RANK[i.target_part] >= RANK[i.part]
    ]


def heavy(found: list[Import]) -> list[str]:
    return [
        f"{i.where} imports {i.target}"
        for i in found
        if i.part == "cli"
        and i.at_load
        and i.library not in sys.stdlib_module_names | LIGHT_LIBRARIES
        and (i.library != "slopekit" or i.target_part not in LIGHT_PARTS | {None})
    ]


@pytest.fixture(scope="module")
def found() -> list[Import]:
    return [i for path, module in _modules() for i in imports_in(path.read_text(encoding="utf-8"), module)]


def test_every_part_has_a_layer(found: list[Import]) -> None:
    parts = {module.split(".")[1] for _, module in _modules() if "." in module}
    assert parts <= set(RANK), "give the new part a place in LAYERS and in DEVELOPERS.md"
    assert {i.part for i in found} >= {"cli", "screening", "outputs", "zones", "permits", "hazards", "kernels"}
    assert len(found) > 200


def test_no_layer_imports_from_above(found: list[Import]) -> None:
    assert upward(found) == []


def test_files_and_crs_are_read_in_two_places(found: list[Import]) -> None:
    users = [i for i in found if i.library in FILES_AND_CRS]
    assert len(users) > 5
    assert [f"{i.where} imports {i.target}" for i in users if i.part not in ("sources", "outputs")] == []


def test_pictures_are_drawn_in_few_modules(found: list[Import]) -> None:
    users = {i.where.partition(":")[0] for i in found if i.library == "matplotlib"}
    assert users == {"slopekit.outputs.map", "slopekit.outputs.paper", "slopekit.outputs.profile_plot"}


def test_pages_of_pdf_are_made_in_few_modules(found: list[Import]) -> None:
    users = {i.where.partition(":")[0] for i in found if i.library in ("reportlab", "pypdf")}
    names = {"crew_legend", "crew_map", "crew_marks", "crew_page", "crew_sheets", "crew_table", "pdf_place", "pdf_text"}
    assert users == {f"slopekit.outputs.{name}" for name in names}


def test_kernels_know_arrays_only(found: list[Import]) -> None:
    users = [i for i in found if i.part == "kernels" and i.library != "slopekit"]
    assert {i.library for i in users} - sys.stdlib_module_names <= {"numba", "numpy"}
    assert [i.where for i in found if i.library == "numba" and i.part != "kernels"] == []


def test_arrays_with_coordinates_are_known_in_one_module(found: list[Import]) -> None:
    users = {i.where.partition(":")[0] for i in found if i.library in ("xarray", "rioxarray") and i.at_load}
    assert users == {"slopekit.api.arrays"}
    # Elsewhere for the types alone.
    others = [i for i in found if i.library in ("xarray", "rioxarray") and i.where.partition(":")[0] not in users]
    assert {i.at_load for i in others} <= {False}


def test_commands_load_heavy_things_when_they_run(found: list[Import]) -> None:
    assert heavy(found) == []


def test_loading_the_commands_loads_no_heavy_library() -> None:
    # The same rule by what the interpreter has really loaded, whichever way it came in.
    code = "import sys, slopekit.cli; print(*sorted({m.partition('.')[0] for m in sys.modules}))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, cwd=ROOT, check=True)
    loaded = set(done.stdout.split())
    assert "click" in loaded
    heavy_libraries = {"numpy", "numba", "scipy", "pandas", "geopandas", "shapely", "matplotlib", "pydantic", "pyarrow"}
    assert loaded & (heavy_libraries | FILES_AND_CRS) == set()


def test_the_reading_of_imports_finds_what_it_must() -> None:
    source = """
from typing import TYPE_CHECKING
import numpy as np
from slopekit.cli import console
if TYPE_CHECKING:
    from slopekit.screening.batch import screen
def run():
    import shapely
    from slopekit.screening.parcel import screen_parcel
try:
    from slopekit.grid import Grid
except ImportError:
    pass
"""
    in_cli = imports_in(source, "slopekit.cli.new")
    assert [i.target for i in in_cli if i.at_load] == [
        "typing.TYPE_CHECKING",
        "numpy",
        "slopekit.cli.console",
        "slopekit.grid.Grid",
    ]
    assert [text.partition(" imports ")[2] for text in heavy(in_cli)] == ["numpy", "slopekit.grid.Grid"]
    in_zones = imports_in(source, "slopekit.zones.new")
    assert [text.partition(" imports ")[2] for text in upward(in_zones)] == [
        "slopekit.cli.console",
        "slopekit.screening.batch.screen",
        "slopekit.screening.parcel.screen_parcel",
    ]
    # Neighbours in one row must not know each other.
    assert len(upward(imports_in("from slopekit.memory import held_bytes", "slopekit.paths"))) == 1
    assert upward(imports_in("from slopekit import __version__", "slopekit.zones.new")) == []
    assert upward(imports_in("from slopekit import screening", "slopekit.zones.new")) != []
    # What works on arrays reads no file.
    for part in ("zones", "access", "permits", "landforms", "runout", "hazards", "terrain"):
        assert len(upward(imports_in("from slopekit.sources.layers import Layers", f"slopekit.{part}.new"))) == 1


def circles(found: list[Import], modules: set[str]) -> list[str]:
    """Modules that cannot be set in an order in which each needs only those before it."""
    needs: dict[str, set[str]] = {module: set() for module in sorted(modules)}
    for i in found:
        # What is imported is a module, or a name in one.
        target = i.target if i.target in modules else i.target.rpartition(".")[0]
        if target in modules and "." in i.where:
            needs[i.where.partition(":")[0]].add(target)
    try:
        TopologicalSorter(needs).prepare()
    except CycleError as circle:
        return list(circle.args[1])
    return []


def test_no_module_needs_itself_by_way_of_others(found: list[Import]) -> None:
    modules = {module for _, module in _modules() if "." in module}
    assert len(modules) > 200
    assert circles(found, modules) == []
    made = imports_in("from slopekit.b import x", "slopekit.a") + imports_in("import slopekit.a", "slopekit.b")
    assert circles(made, {"slopekit.a", "slopekit.b"}) == ["slopekit.a", "slopekit.b", "slopekit.a"]
