"""Files in the folder of a run that are not the run's own, and what a folder holds."""

from collections.abc import Mapping
from pathlib import Path

# Names that look like ours and are not: no part of the run has them, or no process writes them.
FOREIGN = (
    "notes.txt",
    ".hidden",
    ".x.123.partial",
    ".portfolio.gpkg.mine.partial",
    ".portfolio.gpkg.12.partial.txt",
    ".portfolio.gpkg.12.partial.d",
    ".portfolio.gpkg.mine.partial.d/zones.arrow",
    ".summary.csv.12.partial-old",
    "dataset/read me.txt",
    "dataset/.x.123.partial",
    "dataset/photos/roof.jpg",
    "dataset/photos/.x.123.partial",
    "dataset/dem/part-000001.parquet",
    "dataset/dem/tile.tif",
    "dataset/zones/part-000099.parquet",
    "dataset/zones/.part-000099.parquet.123.partial",
    "dataset/zones/.part-000001.parquet.mine.partial",
    "dataset/zones/.hidden",
    "dataset/zones/part-000001.txt",
    "dataset/parts/part-000099.json",
    "dataset/parts/mine.json",
)


def tree(folder: Path) -> dict[str, bytes]:
    """Every file but an empty lock."""
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in folder.rglob("*")
        if path.is_file() and (path.name != ".lock" or path.stat().st_size)
    }


def plant(out: Path, names: tuple[str, ...]) -> dict[str, bytes]:
    made = {name: f"not ours: {name}".encode() for name in names}
    for name, content in made.items():
        (out / name).parent.mkdir(parents=True, exist_ok=True)
        (out / name).write_bytes(content)
    return made


def kept(out: Path, made: Mapping[str, bytes]) -> bool:
    return made.items() <= tree(out).items()
