"""The bid of a whole run, put together from bids of some parcels each. Its rows wait on the disk."""

from pathlib import Path
from typing import Any

import pandas as pd

from slopekit.fleet.model import Fleet
from slopekit.labour.bid import Priced, whole_totals
from slopekit.labour.hours import CHANNEL, SITE_VISIT
from slopekit.labour.season import Season
from slopekit.labour.totals import crew_sums, work_sums
from slopekit.outputs.spill import Filed

_FILED = ("work", "totals", "crew_days", "not_priced")
# What one bid tells first of what is not priced under a condition; edges come last.
_WHY = (SITE_VISIT, CHANNEL)


class WholeBid:
    """Bids of parcel after parcel, in the order in which one bid for all of them has its rows."""

    def __init__(self, folder: Path, fleet: Fleet, season: Season) -> None:
        """folder: where files may be put for a while."""
        self._season = season
        self._number = {condition: n for n, condition in enumerate(fleet.conditions)}
        self._filed = {name: Filed(folder / f"{name}.arrow", name) for name in _FILED}
        self._rounds = crew_sums()
        self._rest: dict[str, Any] = {}

    def add(self, priced: Priced) -> None:
        """A bid for whole parcels, none of which was in one before."""
        tables = priced.tables
        self._rest = self._rest or {name: table for name, table in tables.items() if name not in _FILED}
        work, left, days = tables["work"], tables["not_priced"], tables["crew_days"]
        # One bid tells condition after condition: first what is done on zones, then what a visit to a parcel takes.
        self._file("work", work, self._of(work) * 2 + (work["zone_id"] == ""))
        self._file("not_priced", left, self._of(left) * (len(_WHY) + 1) + left["why"].map(_place_of))
        by_parcel = days[days["parcel_id"] != ""]
        self._file("crew_days", by_parcel, self._of(by_parcel) + 1)
        self._rounds.add(by_parcel)
        sums = tables["totals"]
        sums = sums[sums["by"] == "parcel"]
        first = pd.Series(self._of(work).to_numpy(), work["parcel_id"]).groupby(level=0).min()
        self._file("totals", sums, sums["name"].map(first))

    def tables(self) -> dict[str, Any]:
        """What `bid.price` gives for all parcels at once. To be called once, when all are added."""
        sums = work_sums()
        for frame in self._filed["work"].frames():
            sums.add(frame)
        self._filed["totals"].add(len(self._number), whole_totals(sums, self._season))
        rounds = self._rounds.table()
        self._filed["crew_days"].add(0, rounds.sort_values("condition", key=lambda names: names.map(self._number)))
        return {**self._filed, **self._rest}

    def _of(self, table: pd.DataFrame) -> pd.Series:
        return table["condition"].map(self._number).astype(int)

    def _file(self, name: str, table: pd.DataFrame, numbers: pd.Series) -> None:
        for number, rows in table.groupby(numbers.to_numpy(), sort=True):
            self._filed[name].add(int(number), rows)


def _place_of(why: str) -> int:
    return _WHY.index(why) if why in _WHY else len(_WHY)
