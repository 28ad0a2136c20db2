"""What of walls the grid in hand can show."""

import math
from dataclasses import dataclass, replace

from slopekit.hazards import edges
from slopekit.hazards.settings import HazardSettings
from slopekit.units import grade

# Counted on made ground by tests/hazards/edge_rates.py, which tells how, with the seeds 0 to 99 and the default
# settings of drops; docs/detection.md has the whole tables. By cell side, m.
SMEARS = (1, 2, 3)
NOISES_CM = (0, 5, 10)
HIGHEST_M = 3.0
"""Greatest height that was tried."""
LEAST_M: dict[float, tuple[tuple[float | None, ...], ...]] = {
    0.5: ((0.9, 0.9, 0.9), (0.9, 0.9, 0.9), (0.9, 1.0, 1.2)),
    1.0: ((0.9, 0.9, 1.1), (0.9, 0.9, 1.1), (1.0, 1.1, 2.1)),
    2.0: ((1.1, None, None), (1.2, None, None), (2.0, None, None)),
    3.0: ((None, None, None), (None, None, None), (None, None, None)),
}
"""Least height found all along in 95 of 100 cases, a row for each noise and a column for each smear; None: over
`HIGHEST_M`."""
EXAMPLE_M = 1.2
FOUND: dict[float, tuple[int, ...]] = {0.5: (100, 100, 98), 1.0: (100, 99, 66), 2.0: (74, 0, 0), 3.0: (0, 0, 0)}
"""Cases of 100, with 10 cm of noise, in which a wall of `EXAMPLE_M` is found all along; a column for each smear."""
BANKS: dict[float, int] = {0.5: 0, 1.0: 6, 2.0: 7, 3.0: 0}
"""Cases of 100, with 10 cm of noise, in which any of a uniform 2:1 bank, 6 m wide, is taken for a wall."""


@dataclass(frozen=True)
class DetectionLimit:
    """Least height (m) of a wall or edge that is found on a grid."""

    between_cells_m: float
    """Without noise, when a sharp step lies between two cells, so that one step of the grid holds all of it."""
    across_cell_m: float
    """Without noise, when a cell straddles a sharp step and splits it into two."""
    wanted_m: float
    """The drop height asked for."""
    cell_m: float
    """Longer side of the cells."""
    counted_m: float | None
    """Cell side of the counts that are told, the next one not under `cell_m`; None where there are none for the grid
    or the settings."""
    smears: tuple[int, ...]
    """Columns of the counts that are told: cells that the survey smears a wall over."""

    @property
    def met(self) -> bool:
        """Whether steps of the height asked for are found, smeared over up to two cells and with 10 cm of noise."""
        if self.counted_m is None or self.across_cell_m > self.wanted_m * (1.0 + 1e-9):
            return False
        least = LEAST_M[self.counted_m][-1][:2]
        return all(height is not None and height <= self.wanted_m for height in least)

    def counts(self) -> list[dict[str, object]] | None:
        """What was counted on made ground, a record for each smear and noise, in plain values. Least heights are None
        where over `HIGHEST_M`; None instead of records where there are no counts."""
        if self.counted_m is None:
            return None
        return [
            {"counted_cell_m": self.counted_m, "smear_cells": smear, "noise_cm": cm, "least_found_m": row[n]}
            for n, smear in enumerate(SMEARS)
            if smear in self.smears
            for cm, row in zip(NOISES_CM, LEAST_M[self.counted_m], strict=True)
        ]

    def sentences(self) -> list[str]:
        """The limit in plain words."""
        out = [
            "Without noise a sharp step along the rows or columns is found from "
            f"{_centimetres(self.between_cells_m)} m of height when it lies between two cells, and from "
            f"{_centimetres(self.across_cell_m)} m when a cell straddles it."
        ]
        if self.counted_m is None:
            out.append(
                "How often a wall is found under noise was counted for cells of up to "
                f"{max(LEAST_M):g} m and the default settings of drops only."
            )
        else:
            out += self._counts(self.counted_m)
        if self.met:
            out.append(f"The grid can show every sharp step of {self.wanted_m:.2f} m.")
        else:
            out.append(
                f"The grid cannot show every step of {self.wanted_m:.2f} m: lower walls and edges must be drawn as "
                "lines or looked for on site."
            )
        return out

    def _counts(self, cell: float) -> list[str]:
        as_for = f"cells of {cell:g} m" + ("" if cell == self.cell_m else ", the next counted")
        columns = [SMEARS.index(smear) for smear in self.smears]
        rows = zip(NOISES_CM, LEAST_M[cell], strict=True)
        told = [f"{_heights([least[n] for n in columns])} {_noise(cm)}" for cm, least in rows]
        example = SMEARS.index(2)
        return [
            "Least height of a wall that is found all along in 95 of 100 made cases, smeared over "
            f"{_listed([_WORDS[smear] for smear in self.smears])} {as_for}: {'; '.join(told)}.",
            f"A wall of {EXAMPLE_M:g} m that the survey smears over two cells of {cell:g} m is found all along in "
            f"{FOUND[cell][example]} of 100 made cases with 10 cm of noise; a uniform 2:1 bank 6 m wide is taken for a "
            f"wall, in part, in {BANKS[cell]} of 100.",
        ]


_WORDS = {1: "one", 2: "two", 3: "three"}


def _listed(words: list[str]) -> str:
    return f"{', '.join(words[:-1])} and {words[-1]}" if len(words) > 1 else words[0]


def _heights(least: list[float | None]) -> str:
    words = [f"over {HIGHEST_M:g} m" if height is None else f"{height:.1f} m" for height in least]
    return f"{words[0]} for each" if len(set(words)) == 1 else _listed(words)


def _centimetres(metres: float) -> str:
    """Rounded up, so that no lower step is promised."""
    return f"{math.ceil(100.0 * metres - 1e-6) / 100.0:.2f}"


def _noise(cm: int) -> str:
    return f"with {cm} cm of noise" if cm else "without noise"


def detection_limit(dx: float, dy: float, settings: HazardSettings, interpolated: bool = False) -> DetectionLimit:
    """The limit for native cells of dx by dy metres: the lower one of the two rules for drops.

    A sharp step along the rows or columns lies within one step of the grid, or a cell straddles it and splits it into
    two. Cells interpolated from another grid spread it over twice as many at worst. Steps of the grid must fall at
    `drop_grade_deg` each for the rule of sharp steps, or be one of the smeared steps of `hazards.edges`.
    """
    cell, spread = max(dx, dy), 2 if interpolated else 1
    counted = min((side for side in LEAST_M if side >= cell * (1.0 - 1e-9)), default=None)
    default = HazardSettings()
    same = replace(settings, flat_area_m2=default.flat_area_m2, stand_off_m=default.stand_off_m) == default
    return DetectionLimit(
        _least(spread, cell, settings),
        _least(2 * spread, cell, settings),
        settings.drop_height_m,
        cell,
        counted if same else None,
        SMEARS[1:] if interpolated else SMEARS,
    )


def _least(steps: int, cell: float, settings: HazardSettings) -> float:
    """Least height of a step that is even over so many steps of the grid, between level ground."""
    sharp = max(settings.drop_height_m, grade(settings.drop_grade_deg) * steps * cell)
    width = steps * cell
    if width > min(edges.WIDEST_M, edges.SMEAR_MORE * settings.smear_cells * cell) * (1.0 + 1e-9):
        return sharp
    # A profile's middle is a cell: its slope is taken over two cells, of which a single step fills one.
    fall_over = max(edges.LEAST_GRADE * width, edges.NOTABLE * max(2.0 * cell, width))
    return min(sharp, max(edges.FULL * settings.drop_height_m, fall_over))
