"""Which code made a result: a result of other code is made anew."""

import ast
import hashlib
from collections.abc import Sequence
from functools import cache
from pathlib import Path

import slopekit

ANSWERS = ("portfolio/prepare.py", "portfolio/tasks.py")
"""Modules that screen. With all that they import they are what an answer rests on."""
MERGED = (
    "portfolio/merge.py",
    "portfolio/summary.py",
    "portfolio/hours.py",
    "outputs/bid.py",
    "outputs/summary_files.py",
)
"""Modules that make the folder's files of the answers."""


@cache
def code_version(begin: tuple[str, ...] = ANSWERS) -> str:
    """Hash of the package's own sources on which rests what some of its modules make."""
    return version_of(Path(slopekit.__file__).parent, begin)


def version_of(package: Path, begin: Sequence[str] = ANSWERS) -> str:
    """Hash of the files of a package folder on which its modules `begin` rest (paths inside the folder)."""
    whole = hashlib.sha256()
    for path in sorted(_with_data(package, reached(package, begin))):
        whole.update(path.relative_to(package).as_posix().encode() + b"\0" + path.read_bytes() + b"\0")
    return whole.hexdigest()[:16]


def reached(package: Path, begin: Sequence[str]) -> set[Path]:
    """Some modules of a package folder, those that they import, inside functions too, and those that these import."""
    modules = {_dotted(path.relative_to(package.parent)): path for path in package.rglob("*.py")}
    seen: set[Path] = set()
    ahead = [package / name for name in begin]
    while ahead:
        path = ahead.pop()
        if path not in seen:
            seen.add(path)
            ahead += [modules[name] for name in _imported(path.read_bytes()) if name in modules and "." in name]
    return seen


def _dotted(inside: Path) -> str:
    parts = inside.with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


@cache
def _imported(source: bytes) -> tuple[str, ...]:
    """All that may be modules among what a module imports, by their full names."""
    found: list[str] = []
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import):
            found += [name.name for name in node.names]
        elif isinstance(node, ast.ImportFrom) and node.level == 0 and node.module is not None:
            # What is imported from a folder is a module there or a name in its own file.
            found += [node.module, *(f"{node.module}.{name.name}" for name in node.names)]
    return tuple(found)


def _with_data(package: Path, modules: set[Path]) -> set[Path]:
    """Modules, and the scripts, styles and tables that lie beside them."""
    folders = {path.parent for path in modules} - {package}
    beside = (path for folder in folders for path in folder.iterdir())
    return modules | {path for path in beside if path.is_file() and path.suffix not in (".py", ".pyc")}
