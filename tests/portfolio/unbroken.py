"""A run that nothing disturbed, and copies of its folder."""

import shutil
from dataclasses import dataclass
from pathlib import Path

from district import District


@dataclass(frozen=True)
class Unbroken:
    """A run without any fault, by one process."""

    district: District
    out: Path
    bytes: dict[str, bytes]


def copy_of(unbroken: Unbroken, folder: Path) -> tuple[District, Path]:
    """The district and its result in a folder of their own."""
    shutil.copytree(unbroken.district.folder, folder / "d", ignore=lambda _, names: [n for n in names if n == "two"])
    root = folder / "d"
    bad = unbroken.district.corrupt
    made = District(root, root / "tiles", root / "parcels.gpkg", root / "fleet.toml", bad and root / "tiles" / bad.name)
    return made, root / "unbroken"
