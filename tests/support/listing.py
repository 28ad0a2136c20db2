"""What lies in a folder, for tests that look whether anything was left or lost."""

from pathlib import Path

from slopekit.outputs.manifest import RECORD


def names(folder: Path) -> list[str]:
    """Sorted names of files and folders, but for the record of what slopekit wrote."""
    return sorted(path.name for path in folder.iterdir() if path.name != RECORD)
