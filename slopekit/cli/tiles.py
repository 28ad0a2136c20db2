"""slopekit tiles: from parcels to the elevation tiles that they need."""

import textwrap
from pathlib import Path
from typing import Any

import click

from slopekit.cli import console, options

_FILE = click.Path(path_type=Path)
NOT_ALL = 3
"""Exit code where a parcel has no tile, or a tile lacks something."""
_SHOWN = 5


class _Pair(click.ParamType):
    """NAME=VALUE."""

    name = "pair"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        if isinstance(value, tuple):
            return value
        name, equals, said = value.partition("=")
        if not name or not equals:
            self.fail(f"'{value}' is no pair: give NAME=VALUE.", param, ctx)
        return name, said


@click.group(cls=console.Group, short_help="Find and fetch the elevation tiles that parcels need.")
def tiles() -> None:
    """Find and fetch the elevation tiles that parcels need, from the index of a public survey.

    `screen`, `landforms` and `portfolio` take an index as ELEVATION too, with --cache FOLDER. See docs/tiles.md.
    """


@tiles.command("find", short_help="Say which tiles parcels and their looks need.")
@click.argument("index", metavar="INDEX")
@click.option("--parcels", required=True, metavar="FILE", help="Polygons, in any vector format and CRS.")
@click.option("--id-column", metavar="NAME", help="Column of the parcels' ids. Without it: numbers from 1.")
@click.option("--out", type=_FILE, required=True, metavar="TILES.gpkg", help="The table, for QGIS and for tiles fetch.")
@click.option("--fleet", type=_FILE, metavar="FILE", help="Fleet file, for the width of the look. Without it: default.")
@click.option("--layer", default="", metavar="NAME", help="Layer of the index, where there are several.")
@click.option(
    "--column", "columns", type=_Pair(), multiple=True, metavar="WHAT=NAME",
    help="Column or property that tells address, survey, date, cell, datum, error, filled, bytes or credit.",
)  # fmt: skip
@click.option(
    "--asset", default="", metavar="NAME", help="Asset of STAC items that holds the heights; * for any letters."
)
@click.option("--only", type=_Pair(), multiple=True, metavar="NAME=VALUE", help="Only tiles whose column says so.")
@click.option(
    "--allow-private", is_flag=True, help="Let an index from elsewhere name addresses of this machine and its network."
)
@options.no_remote_option
@options.overwrite_option
@options.quiet_option
def find(
    index: str, parcels: str, out: Path, overwrite: bool, quiet: bool, columns: Any, only: Any, **given: Any
) -> int:
    """Say which tiles of INDEX each parcel and its look need, and what is missing. No tile is opened.

    INDEX is a vector file with a column of addresses or paths, a STAC item collection, catalogue or API, or a name
    that `slopekit tiles sources` lists.
    """
    console.hush(quiet)
    from slopekit.api.tiles import checked_table, find_tiles

    checked_table(out, overwrite)
    found = find_tiles(index, parcels, columns=dict(columns), only=dict(only), **given)
    for guess in found.plan.index.guesses:
        console.say(guess)
    found.write(out, overwrite)
    missing = found.missing
    for one, covers in list(missing.items())[:_SHOWN]:
        console.say(f"Missing: {one}: tiles cover {covers}.")
    if len(missing) > _SHOWN:
        console.say(f"Missing: {len(missing) - _SHOWN:,} more, in the layer looks.")
    console.result(*found.summary(), str(out))
    return NOT_ALL if missing else 0


@tiles.command("fetch", short_help="Bring the blocks that parcels need into a folder.")
@click.argument("table", type=_FILE, metavar="TILES.gpkg")
@options.cache_option(required=True)
@options.most_option
@click.option("--whole", is_flag=True, help="Bring whole tiles, not only the blocks that parcels need.")
@click.option("--ask", is_flag=True, help="Ask the servers whether tiles that are there have changed since.")
@options.trust_index_error_option
@options.no_remote_option
@options.quiet_option
def fetch(table: Path, cache: Path, most: int, whole: bool, ask: bool, trust_index_error: bool, quiet: bool) -> int:
    """Bring what the parcels of a table by `slopekit tiles find` need. A second time only what lacks is fetched.

    What came down is complete or not there. The last line names the file to give as ELEVATION.
    """
    console.hush(quiet)
    from slopekit.api.tiles import fetch_tiles

    with console.Watch("Fetching", quiet) as watch:
        got = fetch_tiles(
            table, cache, most_bytes=most, whole=whole, ask=ask, trust_index_error=trust_index_error, progress=watch
        )
    for sentence in got.failures.values():
        console.say(f"Failed: {sentence}")
    lines = [f"{got.bytes:,} bytes fetched, {len(got.failures):,} tiles failed", *(f"Credit: {c}" for c in got.credits)]
    console.result(*lines, str(got.elevation))
    return NOT_ALL if got.failures else 0


@tiles.command("sources", short_help="List public surveys that are known by name.")
def sources() -> None:
    """List public surveys that are known by name: where their index lies, their datum, licence and credit, and where
    each of these facts is from. Nothing is fetched."""
    from slopekit.sources.presets import presets

    lines = []
    for name, one in presets().items():
        lines += [f"{name}  {one.title}, {one.country}"]
        facts = [
            ("index", one.index or "none that slopekit reads"),
            ("by hand", one.by_hand),
            ("heights", f"{one.cell_m:g} m, {one.crs}, {one.datum}, {one.unit}"),
            ("voids", one.filled),
            ("licence", one.licence),
            ("credit", one.credit),
            *((f"from: {what}", where) for what, where in one.facts.items()),
        ]
        for head, text in facts:
            wrapped = textwrap.wrap(text, 80, break_long_words=False, break_on_hyphens=False)
            lines += [f"  {head if n == 0 else '':<15} {part}" for n, part in enumerate(wrapped)]
        lines.append("")
    console.result(*lines[:-1])
