"""One small district, screened once, that the tests of this folder compare with."""

import shutil
from dataclasses import dataclass
from pathlib import Path

import pytest
from district import District, make_district
from portfolio_runner import contents, run


@dataclass(frozen=True)
class Unbroken:
    """A run without any fault, by one process."""

    district: District
    out: Path
    bytes: dict[str, bytes]


@pytest.fixture(scope="session")
def district(tmp_path_factory: pytest.TempPathFactory) -> District:
    """16 tiles in two CRSs, 36 parcels of 20 m; one tile corrupt, one missing, two older or coarser surveys below."""
    return make_district(tmp_path_factory.mktemp("district"), parcels=36, across=4, side=160, lot=20.0, run=30.0)


@pytest.fixture(scope="session")
def unbroken(district: District) -> Unbroken:
    answer = run(district.line("unbroken", "--workers", "1", "--quiet"))
    assert answer.code == 3, answer.err
    out = district.folder / "unbroken"
    return Unbroken(district, out, contents(out))


def copy_of(unbroken: Unbroken, folder: Path) -> tuple[District, Path]:
    """The district and its result in a folder of their own."""
    shutil.copytree(unbroken.district.folder, folder / "d", ignore=lambda _, names: [n for n in names if n == "two"])
    root = folder / "d"
    bad = unbroken.district.corrupt
    made = District(root, root / "tiles", root / "parcels.gpkg", root / "fleet.toml", bad and root / "tiles" / bad.name)
    return made, root / "unbroken"
