"""How a machine out of control gets from one spot to what it must not get to, by kind and by condition."""

import numpy as np

from slopekit.explain.near import Cell
from slopekit.explain.spot import Run, Trace
from slopekit.fleet.model import Fleet
from slopekit.grid import Grid, Window
from slopekit.hazards.bodies import Bodies
from slopekit.runout.run_out import DROP, WATER, RunOut, run_out
from slopekit.runout.speed import head_of_speed
from slopekit.runout.way import Way, path_to, ride
from slopekit.screening.ground import WindowGround, sources_of
from slopekit.wording import metres_words

ASKED_KMH = 60.0
"""Up to this speed is looked for what a machine gets to: faster than machines are, so that near misses show too."""


def runs_from(window: WindowGround, here: Cell, fleet: Fleet) -> tuple[tuple[Run, Trace, Cell], ...]:
    """What a machine gets to from a cell, by condition, the least head first; each with its path and the cell at its
    end."""
    top, whole = window.surface, window.run
    grid = top.grid
    start = np.zeros(grid.shape, bool)
    start[here] = True
    most = head_of_speed(max(ASKED_KMH, fleet.fastest_kmh))
    sources = sources_of(top, window.hazards, window.floors, window.given.coarse)
    out = []
    for condition, loss in zip(fleet.conditions, whole.losses, strict=True):
        run = run_out(whole.z, [loss], sources, start, Window(*here, 1, 1), most, grid.dx, grid.dy)
        ways = [path_to(run, kind, here, fleet.runout.rolls_from_deg, grid.dx, grid.dy) for kind in run.fronts]
        # Of two that take the same head the graver comes first, as in `run_out.KINDS`.
        for way in sorted(ways, key=lambda one: one.start_kmh):
            end = int(way.cells[-1][0]), int(way.cells[-1][1])
            out.append((_run(condition, run, way, end, window, fleet), _trace(way, grid), end))
    return tuple(out)


def _trace(way: Way, grid: Grid) -> Trace:
    rows, cols = way.cells.T.astype(float)
    west, north = grid.centre(0, 0)
    return Trace(west + cols * grid.step_x, north - rows * grid.step_y, way.profile)


def _run(condition: str, run: RunOut, way: Way, end: Cell, window: WindowGround, fleet: Fleet) -> Run:
    grid = window.surface.grid
    tried = ride(run, way.kind, way.cells, fleet.fastest_kmh, grid.dx, grid.dy)
    body, named, found = _end(way.kind, end, window)
    x, y = grid.centre(*end)
    return Run(
        condition=condition,
        to=way.kind,
        named=named,
        body=body,
        found=found,
        end_x=x,
        end_y=y,
        from_kmh=way.start_kmh,
        length_m=way.length_m,
        fall_m=way.fall_m,
        across=way.across,
        arrival_kmh=way.arrival_kmh,
        stopped_m=tried.stopped_m,
    )


def _end(kind: str, end: Cell, window: WindowGround) -> tuple[str, str, bool]:
    """Name of the body at the end of a path, what is to be said of it, and whether the survey shows it."""
    hazards = window.hazards
    bodies: Bodies | None = None
    told = []
    if kind == DROP and not hazards.drawn[end]:
        bodies = hazards.drop_bodies
        told.append(f"{metres_words(float(hazards.pieces.length_m[hazards.pieces.label[end]]))} long")
    elif kind == WATER and (hazards.flat | hazards.possible)[end]:
        bodies = hazards.flat_bodies if hazards.flat[end] else hazards.possible_bodies
        told.append("inferred from flat cells" if hazards.flat[end] else "possible water")
    elif kind in (DROP, WATER):
        told.append("given")
    name = "" if bodies is None else bodies.id_of(int(bodies.label[end]))
    return name, ", ".join([*([name] if name else []), *told]), bodies is not None
