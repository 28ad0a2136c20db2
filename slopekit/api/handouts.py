"""Crew sheets and a page beside the answer of a portfolio: made of it when it is whole, and anew when it is another."""

from dataclasses import dataclass
from pathlib import Path

from slopekit.api.given import Fleets, Seasons, units_of
from slopekit.api.page import page as write_page
from slopekit.api.pricing import hours
from slopekit.api.sheets import paper_of
from slopekit.api.sheets import sheets as write_sheets
from slopekit.errors import InputError
from slopekit.outputs.page.document import check_leaflet
from slopekit.portfolio.one_state import handed_out, note_handed_out
from slopekit.portfolio.run import PACKAGE, PAGE, SHEETS
from slopekit.portfolio.version import code_version

_DRAWN_BY = {SHEETS: ("api/sheets.py",), PAGE: ("api/page.py", "api/pricing.py")}


@dataclass(frozen=True)
class Handouts:
    """What is wanted beside the answer. Raises InputError for a paper and units that are not known, and for a page
    without what it needs."""

    sheets: bool = False
    page: bool = False
    paper: str = "a4"
    units: str = "metric"

    def __post_init__(self) -> None:
        units_of(self.units)
        paper_of(self.paper)
        if self.page:
            check_leaflet()

    @property
    def names(self) -> tuple[str, ...]:
        """Of the files, but for the pages of districts."""
        return (*([SHEETS] if self.sheets else ()), *([PAGE] if self.page else ()))

    def make(self, out: Path, fleet: Fleets | None, season: Seasons | None, overwrite: bool) -> tuple[Path, ...]:
        """Write them into the folder of a run that is done, but for those that this code has made of this answer;
        all of them are returned. Raises InputError and OutputError, which leave the answer as it is."""
        found: list[Path] = []
        for name in self.names:
            how = f"{self.paper if name == SHEETS else 'screen'}, code {code_version(_DRAWN_BY[name])}"
            there = handed_out(out, name, how)
            try:
                made = self._made(out / name, fleet, season, overwrite) if there is None else there
                if there is None:
                    note_handed_out(out, name, how, made)
            except InputError as error:
                raise type(error)(
                    f"{str(error).rstrip('.')}; the answer beside it is whole, so try this again with --resume."
                ) from error
            found += made
        return tuple(found)

    def _made(self, place: Path, fleet: Fleets | None, season: Seasons | None, overwrite: bool) -> list[Path]:
        zones = place.with_name(PACKAGE)
        if place.name == SHEETS:
            return write_sheets(
                zones, place, fleet=fleet, season=season, paper=self.paper, units=self.units, overwrite=overwrite
            )
        bid = None if season is None else hours(zones, fleet, season)
        return write_page(place.parent, place, hours=bid, units=self.units, overwrite=overwrite)


NOTHING: Handouts = Handouts()
