"""A lake that the survey's edge cuts is refused, and the level field beside it is not water."""

from pathlib import Path

import numpy as np
from ground_maker import SHORT_LOOK, answer, box, elevation_of, fleet_of
from scipy import ndimage


def test_nobody_rides_onto_a_lake_that_runs_off_the_survey(tmp_path: Path) -> None:
    """Noise of 5.5 cm and a fall of 0.02 %, as one open survey shows a lake; the field falls by 1 % to its bank."""
    row, col = np.mgrid[:200, :200].astype(float)
    shore = 90.0 + 6.0 * np.sin(row / 25.0)
    lake = col < shore
    z = np.where(lake, 0.0002 * row, np.minimum(0.2 * (col - shore), 1.0 + 0.01 * (col - shore)))
    z += ndimage.gaussian_filter(np.random.default_rng(1).normal(0.0, 0.055, z.shape), 0.1)
    with elevation_of(tmp_path / "lake.tif", z) as elevation:
        got = answer(elevation, box(40, 70, 130, 60), fleet_of(settings=SHORT_LOOK))
    assert got.inside.sum() > 7000
    rows, cols = got.grid.offset_on(elevation.survey.working)
    wet = np.zeros(got.grid.shape, bool)
    part = lake[max(0, rows) :, max(0, cols) :][: got.grid.height, : got.grid.width]
    wet[: part.shape[0], : part.shape[1]] = part
    assert (got.inside & wet).sum() > 2500
    for machine in got.fleet.machines:
        assert not (got.final(machine) & wet).any()
    # Well away from the shore the field itself is no water.
    dry = got.inside & ~ndimage.binary_dilation(wet, iterations=20)
    assert not got.ground.water[dry].any()
    origins = {record["origin"] for record in got.records["water"]}
    assert origins == {"possible water"}
