"""Which code made a result: a result of other code is made anew."""

import hashlib
from functools import lru_cache
from pathlib import Path

import slopekit

_NO_ANSWERS = frozenset({"cli", "data_demo", "explain", "qgis_scripts", "__pycache__"})
"""Folders of the package that change no answer. Some are in a wheel alone, whose answers are those of a checkout."""
_DRAWN = frozenset(
    f"outputs/{name}.py"
    for name in (
        "bid", "corrections_style", "corrections_template", "csv_files", "kmz", "map", "mapaids",
        "page", "phone_package", "profile_plot", "qgis_check", "qgis_profile", "qgis_project", "qml",
        "report", "sheets", "sld", "styles", "summary_files", "symbology", "workbook",
    )
)  # fmt: skip
"""Modules that draw or print what was answered."""


@lru_cache(maxsize=1)
def code_version() -> str:
    """Hash of the package's own sources on which answers rest."""
    return version_of(Path(slopekit.__file__).parent)


def version_of(package: Path) -> str:
    """Hash of the sources of a package folder on which answers rest."""
    whole = hashlib.sha256()
    for inside in sorted(path.relative_to(package) for path in package.rglob("*.py")):
        if counts(inside):
            whole.update(inside.as_posix().encode() + b"\0" + (package / inside).read_bytes() + b"\0")
    return whole.hexdigest()[:16]


def counts(inside: Path) -> bool:
    """Whether answers may rest on a module, by its path inside the package."""
    return inside.parts[0] not in _NO_ANSWERS and inside.as_posix() not in _DRAWN
