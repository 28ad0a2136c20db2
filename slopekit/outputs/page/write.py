"""The pages of a result on the disk: each whole or not at all."""

import json
import re
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any

from slopekit.outputs.atomic import written
from slopekit.outputs.page.document import data_text, document
from slopekit.outputs.page.pages import About, Tables, pages_of


def district_name(out: Path, number: int) -> Path:
    """The page of a district beside the index at `out`. number: from 1."""
    return out.with_name(f"{out.stem}_{number:03d}{out.suffix}")


def district_names(out: Path) -> list[Path]:
    """Pages of districts that lie beside `out`, whoever wrote them."""
    found = sorted(out.parent.glob("*.html")) if out.parent.is_dir() else []
    return [one for one in found if is_district(out, one.name)]


def is_district(out: Path, name: str) -> bool:
    """Whether a file beside `out` is named as the page of a district is."""
    return re.fullmatch(rf"{re.escape(out.stem)}_[0-9]+{re.escape(out.suffix)}", name) is not None


def write_pages(
    out: Path,
    parcels: Any,
    of: Callable[[list[str] | None], Tables],
    about: About,
    announce: Callable[[Iterable[Path]], None],
) -> list[Path]:
    """Write one page to `out`, or an index there and pages of districts beside it. Returns the files, `out` last.

    parcels, of, about: see `pages_of`. announce: called with the pages of districts before the first is written, which
    may refuse them. Raises OutputError when the place cannot take them.
    """
    made: list[Path] = []

    def names(count: int) -> list[str]:
        districts = [district_name(out, n + 1) for n in range(count)] if count > 1 else []
        announce(districts)
        made.extend([*districts, out])
        return [one.name for one in made]

    for number, content in enumerate(pages_of(parcels, of, about, names)):
        target = made[number] if made else out
        with written(target) as (temp,):
            page = document(content)
            temp.write_bytes(page)
            _verify(temp, content)
    return made or [out]


def _verify(temp: Path, content: Any) -> None:
    """Raise OSError where the data do not read back."""
    text = temp.read_text(encoding="utf-8")
    begin, end = '<script type="application/json" id="data">', "</script>"
    found = text.partition(begin)[2].partition(end)[0]
    if found != data_text(content) or json.loads(found)["title"] != content["title"]:
        raise OSError("what was written does not read back")
