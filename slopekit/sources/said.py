"""What the index of a tile says of it, beside what the tile says of itself."""

from collections.abc import Iterable
from dataclasses import asdict, dataclass, fields
from typing import Any


@dataclass(frozen=True)
class Said:
    """Empty texts and None where the index is silent."""

    survey: str = ""
    date: str = ""
    """When the ground was measured, YYYY-MM-DD, or less of it."""
    datum: str = ""
    """Vertical datum."""
    error_m: float | None = None
    """Vertical error (RMSE), metres."""
    trusted: bool = False
    """Whether the user has agreed to work with that error."""
    filled: str = ""
    """What is told of filled voids."""
    credit: str = ""
    """Licence and credit to print."""

    def as_row(self) -> dict[str, Any]:
        return asdict(self)

    @staticmethod
    def of_row(row: dict[str, Any]) -> "Said":
        return Said(**{field.name: row[field.name] for field in fields(Said)})

    @property
    def tags(self) -> dict[str, str]:
        """As a raster would say it in its metadata."""
        out = {"ACQUISITION_DATE (index)": self.date} if self.date else {}
        if self.trusted and self.error_m is not None:
            out["VERTICAL_RMSE (index)"] = f"{self.error_m} m"
        return out


def sentences(among: Iterable[Said]) -> tuple[str, ...]:
    """What indexes say of the tiles of one survey, for its notes."""
    told = list(among)
    out = []
    for name, values in (
        ("survey", {s.survey for s in told}),
        ("vertical datum", {s.datum for s in told}),
    ):
        if any(values):
            out.append(f"The tile index names the {name}: {_listed(values)}.")
    errors = sorted({s.error_m for s in told if s.error_m is not None and not s.trusted})
    if errors:
        out.append(
            f"The tile index tells a vertical error of up to {errors[-1]:g} m, which was not used: give it as "
            "--z-rmse, or agree with --trust-index-error."
        )
    filled = {s.filled for s in told}
    if any(filled):
        out.append(
            f"The tile index says that voids were filled ({_listed(filled)}): heights there may come from coarser "
            "cells, which show no bank and no wall. Where the survey has a layer that marks them, give it as --coarse."
        )
    credit = {s.credit for s in told}
    if any(credit):
        out.append(f"Elevation: {_listed(credit)}.")
    return tuple(out)


def words_of(among: Iterable[Said], name: str) -> str:
    """The different words of a field, empty where the index is silent."""
    return "; ".join(sorted({str(getattr(said, name)) for said in among} - {""}))


def _listed(values: Iterable[str]) -> str:
    return "; ".join(sorted(v.rstrip(".") or "nothing for some tiles" for v in values))
