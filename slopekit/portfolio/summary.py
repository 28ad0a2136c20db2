"""One row a parcel for those who plan: areas by class, what is refused, what is not known, rank."""

import json
import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import pandas as pd

from slopekit.errors import InputError
from slopekit.labour.totals import added
from slopekit.outputs.summary_files import Column, write_summary_file
from slopekit.schema.fields import fields_of

_LEFT_OUT = ("note", "geometry")
_DERIVED = (
    Column("hand_crew_share", "float", "0..1", "part of the ground that only hand crews may work"),
    Column("none_share", "float", "0..1", "part of the ground that no class may work"),
    Column("unknown_share", "float", "0..1", "part of the ground with the reason unknown_ground"),
    Column("marginal_m2", "float", "m2", "ground too near a limit to call"),
    Column("hazards", "str", "-", "what a machine gets to from its zones"),
    Column("water_bodies", "int", "-", "rows of layer water near it"),
    Column("drops", "int", "-", "rows of layer drops near it"),
    Column("not_assessed", "str", "-", "what no answer is given on"),
    Column("survey", "str", "-", "start of the name of the survey that answers it"),
    Column("survey_date", "str", "-", "date of that survey"),
    Column("vertical_datum", "str", "-", "its vertical datum, as the tile index tells it"),
    Column("vertical_error_m", "float", "m", "its vertical error (RMSE) that was worked with"),
    Column("voids_filled", "str", "-", "what the tile index tells of its filled voids"),
    Column("covers", "str", "-", "what that survey covers: whole (parcel and look), look cut, in part"),
    Column("failure", "str", "-", "why there is no answer; empty where there is one"),
)


_HOURS = (
    Column("hours", "float", "h", "work of machines and crews in the season, expected"),
    Column("person_hours", "float", "h", "work of people in the season, expected"),
    Column("hand_hours", "float", "h", "hand work of people in the season, expected"),
    Column("edge_hours", "float", "h", "trimming of edges in the season, expected"),
    Column("cost", "float", "money", "cost of the season without supervision, expected; empty where a rate is missing"),
    Column("not_priced_m2", "float", "m2", "ground that nobody is given, each condition counted"),
)


def columns(hours: bool) -> list[Column]:
    """All columns of the summary: rank, the fields of layer parcels, hours if asked for, and what is derived."""
    kept = [Column(f.name, f.type, f.unit, f.meaning) for f in fields_of("parcels") if f.name not in _LEFT_OUT]
    return [
        Column("rank", "int", "-", "place by the column that was asked for; equal values by id"),
        *kept,
        *(_HOURS if hours else ()),
        *_DERIVED,
    ]


def check_rank(rank: str, hours: bool) -> None:
    """Raise InputError for a column that cannot rank. hours: whether hours are worked out."""
    names = [c.name for c in columns(hours) if c.name != "rank"]
    if rank not in names:
        raise InputError(f"There is no column '{rank}' to rank by, so give --rank one of: {', '.join(names)}.")


class Summary:
    """One row a parcel. The rows wait on the disk until all are there to be ranked."""

    def __init__(self, path: Path, rank: str) -> None:
        """path: a file for the rows. rank: the column that ranks them."""
        self._path, self._rank = path, rank
        self._size = 0
        self._places: list[tuple[tuple[int, float, str], str, int]] = []
        self._areas = {f.name: (0.0, 0.0) for f in fields_of("parcels") if f.unit == "m2"}

    def add(self, rows: Iterable[Mapping[str, Any]]) -> None:
        """Rows as `summary_rows` and `failure_rows` give them."""
        with self._path.open("ab") as file:
            for row in rows:
                self._places.append((_place(row.get(self._rank)), row["parcel_id"], self._size))
                self._size += file.write(json.dumps(row).encode() + b"\n")
                for name, total in self._areas.items():
                    self._areas[name] = added(total, [] if row.get(name) is None else [row[name]])

    def totals(self) -> dict[str, float]:
        """Sums of the areas of layer parcels, by column."""
        return {name: total for name, (total, _) in self._areas.items()}

    def write(self, targets: Sequence[Path], hours: bool, notes: Any, overwrite: bool) -> tuple[Path, ...]:
        """Write all rows to each target, whose ending says how: .csv, .xlsx or .json. Returns the files that were
        written. Raises InputError and OutputError as `write_summary_file`.

        hours: whether hours are worked out. notes: the table `run_notes`. overwrite: see `write_workbook`.
        """
        self._places.sort()
        out: list[Path] = []
        for target in targets:
            about = f"ranked by {self._rank}"
            out += write_summary_file(target, columns(hours), self._rows, len(self._places), about, notes, overwrite)
        return tuple(out)

    def _rows(self) -> Iterator[dict[str, Any]]:
        """From the first rank on: large numbers first, texts by letter, what is missing last."""
        with self._path.open("rb") as file:
            for number, (_, _, at) in enumerate(self._places, 1):
                file.seek(at)
                yield {"rank": number, **json.loads(file.readline())}


def summary_rows(tables: Mapping[str, Any]) -> Iterator[dict[str, Any]]:
    """One row a parcel from the layers of a result, and from a bid where its tables are among them."""
    sources = tables["sources"].set_index("parcel_id")
    kinds = tables["zones"][~tables["zones"]["hazard"].isin(["none"])].groupby("parcel_id")["hazard"]
    hazards = {one: ", ".join(sorted(set(values.dropna()))) for one, values in kinds}
    waters, drops = (tables[layer]["parcel_id"].value_counts().to_dict() for layer in ("water", "drops"))
    hours = _hours(tables["work"], tables["not_priced"]) if "work" in tables else {}
    for row in pd.DataFrame(tables["parcels"]).to_dict("records"):
        one, plan = row["parcel_id"], row["plan_m2"]
        ground = plan - row["excluded_m2"]
        marginal = _or_none(row["marginal_share"])
        source = sources.loc[one]
        yield (
            {name: _or_none(value) for name, value in row.items() if name not in _LEFT_OUT}
            | hours.get(one, {})
            | {
                "hand_crew_share": row["hand_crew_m2"] / ground if ground > 0.0 else None,
                "none_share": row["none_m2"] / ground if ground > 0.0 else None,
                "unknown_share": row["unknown_m2"] / ground if ground > 0.0 else None,
                "marginal_m2": None if marginal is None else marginal * ground,
                "hazards": hazards.get(one, ""),
                "water_bodies": waters.get(one, 0),
                "drops": drops.get(one, 0),
                "not_assessed": _not_assessed(row["unknown_m2"], marginal),
                "survey": source["survey"],
                "survey_date": source["survey_date"],
                "vertical_datum": source["vertical_datum"],
                "vertical_error_m": _or_none(source["vertical_error_m"]),
                "voids_filled": source["voids_filled"],
                "covers": source["covers"],
                "failure": "",
            }
        )


def failure_rows(failures: Iterable[Mapping[str, str]]) -> Iterator[dict[str, Any]]:
    """One row for each parcel without an answer."""
    return ({"parcel_id": row["parcel_id"], "failure": row["sentence"]} for row in failures)


def _hours(work: Any, not_priced: Any) -> dict[str, dict[str, float | None]]:
    """Hours and money of the season by parcel."""
    season = work[["hours", "person_hours", "cost"]].mul(work["visits"], axis=0).assign(parcel_id=work["parcel_id"])
    for name, what in (("hand_hours", "hand work"), ("edge_hours", "edges")):
        season[name] = season["person_hours"].where(work["what"] == what, 0.0)
    sums = season.groupby("parcel_id").agg(lambda values: values.sum(skipna=False)).to_dict("index")
    left = not_priced.groupby("parcel_id")["plan_m2"].sum().to_dict()
    return {
        str(one): {
            **{name: _or_none(value) for name, value in sums.get(one, {}).items()},
            "not_priced_m2": left.get(one, 0.0),
        }
        for one in {**sums, **left}
    }


def _place(value: Any) -> tuple[int, float, str]:
    if value is None or value == "":
        return 1, 0.0, ""
    return (0, 0.0, value) if isinstance(value, str) else (0, -float(value), "")


def _not_assessed(unknown_m2: float, marginal: float | None) -> str:
    told = []
    if unknown_m2 > 0.0:
        told.append("unknown ground")
    if marginal is None:
        told.append("how sure the slopes are")
    return ", ".join(told)


def _or_none(value: Any) -> Any:
    if value is None or value is pd.NA or (isinstance(value, float) and math.isnan(value)):
        return None
    return value
