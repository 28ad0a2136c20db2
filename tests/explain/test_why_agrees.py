"""One spot explained against the screening of the same ground: the same reasons on the cell, and no freer a zone."""

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely
from ground_maker import NORTH, WEST, box, elevation_of, fleet_of
from numpy.typing import NDArray

from slopekit.api.demo import demo_job
from slopekit.api.inputs import open_job, read_layers
from slopekit.errors import InputError
from slopekit.explain.why import Explanation, why
from slopekit.fleet.load import load_fleet
from slopekit.fleet.model import Fleet
from slopekit.permits.judge import BIT, Verdict
from slopekit.runout.run_out import HAZARDS, KINDS
from slopekit.runout.speed import speed_of_head
from slopekit.schema.classes import WAYS
from slopekit.schema.corrections import Correction
from slopekit.screening.parcel import ParcelResult, screen_parcel
from slopekit.sources.corrections import with_corrections
from slopekit.sources.elevation import Elevation, open_elevation
from slopekit.sources.layers import Layers
from slopekit.sources.parcels import Parcel, read_parcels
from slopekit.zones.keys import WAY_OF_BITS


def screened(elevation: Elevation, parcel: Parcel, fleet: Fleet, layers: Layers) -> ParcelResult:
    return screen_parcel(elevation, parcel, fleet, layers)


def chosen_cells(result: ParcelResult, parcel: Parcel, verdict: Verdict, rng: np.random.Generator) -> NDArray[Any]:
    """Cells whose centre lies in the parcel: two of each of up to twelve kinds of answer, and twelve at random, since
    most ground is of one kind."""
    grid = result.grid
    cells = rng.permutation(np.argwhere(np.ones(grid.shape, bool)))[:6000]
    x, y = grid.centre(cells[:, 0], cells[:, 1])  # type: ignore[arg-type]
    cells = cells[shapely.contains_xy(parcel.geometry, x, y)]
    kinds: dict[bytes, list[int]] = {}
    for n, (row, col) in enumerate(cells):
        kinds.setdefault(verdict.reasons[:, row, col].tobytes(), []).append(n)
    picked = [n for members in list(kinds.values())[:12] for n in (members[0], members[-1])]
    return cells[sorted({*picked, *range(12)})]


def check_cell(found: Explanation, result: ParcelResult, verdict: Verdict, row: int, col: int) -> None:
    """The same reasons, ways and numbers as on the screening's cell."""
    ground, measures, spot = result.ground, result.measures, found.spot
    for n, condition in enumerate(found.fleet.conditions):
        for kind in KINDS:
            head = ground.heads[kind][n, row, col] if kind in ground.heads else np.inf
            runs = [r for r in spot.runs if (r.to, r.condition) == (kind, condition)]
            # What takes more than any machine of the fleet has is asked here alone.
            assert len(runs) == 1 if np.isfinite(head) else all(r.stopped_m is not None for r in runs)
            if np.isfinite(head):
                assert runs[0].from_kmh == pytest.approx(float(speed_of_head(head)), abs=1e-6)
    if measures.hazard[row, col] >= 0:
        slippery = min(found.fleet.conditions, key=lambda name: found.fleet.conditions[name].friction)
        (run,) = (r for r in spot.runs if (r.to, r.condition) == (HAZARDS[measures.hazard[row, col]], slippery))
        assert run.length_m == pytest.approx(measures.length[row, col], abs=1e-6)
    assert (spot.within_stand_off, spot.no_go) == (ground.stand_off[row, col], ground.no_go[row, col])
    if spot.excluded:
        assert found.answers == ()
        return
    assert [(a.machine, a.condition) for a in found.answers] == list(verdict.pairs)
    for n, answer in enumerate(found.answers):
        bits = sum(int(BIT[r.code]) for r in answer.refusals)
        assert bits == verdict.reasons[n, row, col], (spot.x, spot.y, answer)
        assert answer.permitted == (bits == 0)
        assert answer.way == (None if bits else WAYS[WAY_OF_BITS[verdict.ways[n, row, col]]])
        assert all(refusal.words for refusal in answer.refusals)


def check_zone(found: Explanation, result: ParcelResult) -> bool:
    """The zone that holds the spot permits no machine that the spot refuses. Returns whether a zone was judged."""
    spot = found.spot
    zone = next((z for z in result.records["zones"] if shapely.contains_xy(z["geometry"], spot.x, spot.y)), None)
    if zone is None:  # over the parcel's boundary
        return False
    assert (zone["machine_class"] == "excluded") == spot.excluded
    for condition in found.fleet.conditions:
        permitted = {a.machine for a in found.answers if a.condition == condition and a.permitted}
        assert set(zone[f"permitted_{condition}"]) <= permitted, (spot.x, spot.y, zone)
    return not spot.excluded


def check_parcel(elevation: Elevation, parcel: Parcel, fleet: Fleet, layers: Layers, seed: int) -> ParcelResult:
    rng = np.random.default_rng(seed)
    result = screened(elevation, parcel, fleet, layers)
    verdict = result.verdict
    cells = chosen_cells(result, parcel, verdict, rng)
    zones = 0
    for row, col in cells.tolist():
        # Any place in the cell will do.
        x, y = result.grid.centre(row + rng.uniform(-0.49, 0.49), col + rng.uniform(-0.49, 0.49))
        found = why(elevation, x, y, fleet, layers, parcels=[parcel])
        check_cell(found, result, verdict, row, col)
        zones += check_zone(found, result)
    assert zones > len(cells) // 2 and len(cells) >= 14
    return result


@pytest.fixture(scope="module")
def demo() -> tuple[Elevation, list[Parcel], Fleet, Layers]:
    job = demo_job()
    elevation = open_job(job)
    parcels = read_parcels(job.parcels, job.id_column, elevation.survey.grid.crs)
    layers = read_layers(job, elevation.survey)
    assert layers.entrances is not None and layers.drives is not None
    # Routes in are compared on fewer spots below, since each takes the ground of its whole parcel.
    return elevation, parcels, load_fleet(job.fleet), replace(layers, entrances=None, drives=None)


@pytest.mark.parametrize("number", range(4))
def test_on_the_demo(number: int, demo: tuple[Elevation, list[Parcel], Fleet, Layers]) -> None:
    elevation, parcels, fleet, layers = demo
    check_parcel(elevation, parcels[number], fleet, layers, number)


def test_routes_in_on_the_demo(demo: tuple[Elevation, list[Parcel], Fleet, Layers]) -> None:
    job = demo_job()
    elevation, parcels, fleet, _ = demo
    layers = read_layers(job, elevation.survey)
    # The verge, behind a gate of 1.5 m that is too narrow for the ride-on; and the lawn before the car park.
    result = screened(elevation, parcels[2], fleet, layers)
    x0, y0 = elevation.survey.grid.west, elevation.survey.grid.bounds[1]
    for x, y, lost in ((265.3, 175.6, {"ride_on"}), (240.2, 245.7, set())):
        found = why(elevation, x0 + x, y0 + y, fleet, layers, parcels=parcels)
        check_cell(found, result, result.verdict, *result.grid.cell_at(x0 + x, y0 + y))
        told = [(a.machine, r.words) for a in found.answers for r in a.refusals if r.code == "no_route"]
        assert {machine for machine, _ in told} == lost
        assert all("leads from an entrance to here and out again" in words for _, words in told)
        assert not any("Routes in" in sentence for sentence in found.not_assessed)
    # The same spot, with parcels that do not hold it.
    found = why(elevation, x0 + 265.3, y0 + 175.6, fleet, layers, parcels=parcels[:1])
    assert any("Routes in" in sentence for sentence in found.not_assessed)
    assert not any(r.code == "no_route" for a in found.answers for r in a.refusals)
    with pytest.raises(
        InputError, match=r"entrances\.gpkg: routes in are judged inside a parcel, so give --parcels too"
    ):
        why(elevation, x0 + 265.3, y0 + 175.6, fleet, layers)


@pytest.mark.parametrize(("east", "north"), [(0.5, 0.5), (0.35, 0.6)])
def test_on_a_piece_of_real_ground(east: float, north: float, open_data: Callable[[str], Path]) -> None:
    elevation = open_elevation([open_data("village_scarp_1m.tif")], z_rmse_m=0.1)
    left, bottom, right, top = elevation.survey.grid.bounds
    x, y = left + east * (right - left), bottom + north * (top - bottom)
    parcel = Parcel("p", shapely.box(x, y, x + 100.0, y + 100.0))
    check_parcel(elevation, parcel, fleet_of(), Layers(), 7)


def correction(number: int, what: str, shape: shapely.Geometry, **texts: str) -> Correction:
    signed = {"who": "A. Nobody", "when": "2025-03-01", "why": "measured with a staff"}
    return Correction(number, what, shape, **{**signed, **texts})


def test_a_rejection_frees_the_same_ground_as_in_the_zones(tmp_path: Path) -> None:
    # A pit with walls of 2 m in a lawn that falls by 12 %. The spot's own look cuts it, the parcel's does not.
    fleet = fleet_of(settings={"runout": {"look_m": 60.0}})
    parcel = Parcel("p", box(100, 150, 200, 40))
    z = np.repeat(100.0 - 0.12 * np.arange(340.0)[:, None], 400, axis=1)
    z[170:200, 180:220] -= 2.0
    elevation = elevation_of(tmp_path / "pit.tif", z)
    before = screened(elevation, parcel, fleet, Layers())
    (name,) = {r["body"] for r in before.records["drops"]}
    assert name.startswith("d-")
    x, y = WEST + 200.5, NORTH - 166.5
    alone = why(elevation, x, y, fleet)
    assert {body.body for body in alone.spot.bodies} == {""}
    assert "drop without a name, since it goes on beyond the look" in "\n".join(alone.lines())
    shown = why(elevation, x, y, fleet, parcels=[parcel])
    assert name in {body.body for body in shown.spot.bodies} and name in "\n".join(shown.lines())
    said = (
        correction(1, "reject", shapely.Point(WEST + 200, NORTH - 170), body=name, survey=elevation.survey.checksum),
        correction(2, "no-go", box(150, 152, 10, 10), why="a well"),
        correction(3, "reject", shapely.Point(x, y), body=name, survey="0123456789abcdef"),
    )
    layers = with_corrections(Layers(), said, elevation.survey.checksum)
    result = check_parcel(elevation, parcel, fleet, layers, 3)
    assert result.records["spared"]
    freed = why(elevation, x, y, fleet, layers, parcels=[parcel])
    assert "above_drop" in {r.code for a in shown.answers for r in a.refusals}
    assert "above_drop" not in {r.code for a in freed.answers for r in a.refusals}
    one, other = freed.spot.said
    assert one.frees and one.number == 1 and not other.frees
    assert [b.state for b in freed.spot.bodies if b.body == name] == ["rejected"]
    text = "\n".join(freed.lines())
    assert f"Correction 1, reject {name} (A. Nobody, 2025-03-01): frees this spot" in text
    assert "Reason given: measured with a staff." in text
    assert f"Correction 3, reject {name} (A. Nobody, 2025-03-01): not counted: it was said of another survey." in text
    # The lawn beside the pit falls past it, and nothing is above it on its floor.
    for col in (150.5, 200.5):
        elsewhere = why(elevation, WEST + col, NORTH - 185.5, fleet, layers, parcels=[parcel])
        assert [(s.number, s.frees, s.effect.partition(":")[0]) for s in elsewhere.spot.said] == [
            (1, False, "lifts the body and changes nothing at this spot"),
            (3, False, "not counted"),
        ]
    marked = why(elevation, WEST + 155.5, NORTH - 155.5, fleet, layers)
    assert {a.permitted for a in marked.answers} == {False}
    assert all(
        "(A. Nobody, 2025-03-01) said that nobody may work here: a well" in a.refusals[0].words for a in marked.answers
    )
