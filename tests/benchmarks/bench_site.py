"""The site and the fleet of the benchmarks, and the table that they fill."""

from dataclasses import dataclass
from pathlib import Path

from bench_clock import Ratio

KIT = "SLOPEKIT_BENCH"
SIDE, WIDE = 4000, 10_000
PARCELS = 200
HEAD = f"{'ours':<36}{'against':<28}{'wall s':>15}{'ratio':>7}{'cpu s':>15}{'ratio':>7}  note"
FLEET = """\
schema = 1
[soft_ground]
pressure_limit_kpa = 30
[conditions.dry]
friction = 0.35
limit_factor = 1.0
[conditions.wet]
friction = 0.20
limit_factor = 0.8
[machines.ride_on]
class = "ride-on"
across_deg = 10
up_down_deg = 10
width_m = 1.5
speed_kmh = 10
ground_pressure_kpa = 60
roll_bar = "folding"
[machines.stand_on]
class = "stand-on"
across_deg = 15
up_down_deg = 15
width_m = 1.3
speed_kmh = 10
[machines.walk_behind]
class = "walk-behind"
across_deg = 20
up_down_deg = 20
width_m = 0.9
speed_kmh = 4
[machines.crew]
class = "hand crew"
across_deg = 30
up_down_deg = 30
above_hazard = true
"""
"""Invented figures: four machines, two conditions."""


@dataclass(frozen=True)
class Site:
    """Made ground of SIDE x SIDE cells of 1 m, and PARCELS parcels on it with the column `pid`."""

    raster: Path
    parcels: Path


@dataclass(frozen=True)
class Table:
    """Lines for the summary of the run."""

    lines: list[str]

    def ratio(self, ours: str, peer: str, found: Ratio, note: str = "") -> None:
        wall, cpu = found.wall, found.cpu
        self.lines.append(
            f"{ours:<36}{peer:<28}{wall[0]:>7.2f}{wall[1]:>8.2f}{found.wall_ratio:>7.2f}"
            f"{cpu[0]:>7.2f}{cpu[1]:>8.2f}{found.cpu_ratio:>7.2f}  {note}".rstrip()
        )

    def say(self, line: str) -> None:
        self.lines.append("  " + line)
