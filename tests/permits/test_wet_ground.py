"""Topographic wetness as soft ground: who is refused where water gathers, under which condition, and in which words."""

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from ground_maker import SHORT_LOOK, Answer, Array, answer, box, elevation_of, fleet_of

from slopekit.errors import InputError
from slopekit.explain.why import why
from slopekit.fleet.load import load_fleet
from slopekit.fleet.model import Fleet
from slopekit.fleet.words import describe
from slopekit.screening.batch import screen
from slopekit.sources.parcels import Parcel

SIZE = 260
LINE = 130
"""Column of the hollow line."""
PARCEL = box(112.0, 110.0, 37.0, 40.0)


def hollow() -> Array:
    """Two sides of 1 in 16 that meet in a line of 1 in 32: too gentle for any other rule."""
    row, col = np.mgrid[:SIZE, :SIZE].astype(float)
    return 100.0 - row / 32.0 + np.abs(col - LINE) / 16.0


def wet_fleet(wetness_from: float | None = 8.5, *, conditions: Any = None, length_m: float = 40.0) -> Fleet:
    soft: dict[str, float] = {"pressure_limit_kpa": 30.0, "wetness_length_m": length_m}
    if wetness_from is not None:
        soft["wetness_from"] = wetness_from
    return fleet_of(settings={**SHORT_LOOK, "soft_ground": soft}, conditions=conditions)


def column(a: Answer, col: int) -> tuple[slice, int]:
    """The parcel's cells in one column of the made ground, as an index on the answer's grid."""
    left = round((a.grid.west - 500_000.0) / a.grid.step_x)
    rows = np.flatnonzero(a.inside[:, col - left])
    assert rows.size == 40
    return slice(rows[0], rows[-1] + 1), col - left


def test_a_hollow_line_refuses_the_heavy_machine_and_not_the_light_one(tmp_path: Path) -> None:
    a = answer(elevation_of(tmp_path / "z.tif", hollow()), PARCEL, wet_fleet())
    line, side = column(a, LINE), column(a, LINE - 15)
    for machine in ("ride_on", "stand_on"):
        assert a.refused(machine, "soft")[line].all() and not a.refused(machine, "soft")[side].any()
        # Nothing else refuses there.
        assert (a.reasons(machine)[line] == a.reasons(machine)[line][0]).all()
        assert a.raw(machine)[side].all()
    for machine in ("walk_behind", "crew"):
        assert a.raw(machine)[line].all()
    zones = a.over(a.inside & a.refused("ride_on", "soft"))
    assert set(zones.machine_class) == {"walk-behind"} and set(zones.reason) == {"soft"}
    # 28 steps of 1 m cells in 40 m: a side gathers 29 m on 1 in 14, ln(29 / 0.0699) = 6.03 (arithmetic).
    assert why_at(tmp_path, LINE - 15).spot.wetness == pytest.approx(6.03, abs=0.01)


def why_at(tmp_path: Path, col: int, **fleet: Any) -> Any:
    elevation = elevation_of(tmp_path / "w.tif", hollow())
    return why(elevation, 500_000.0 + col + 0.5, 4_100_000.0 - 130.5, wet_fleet(**fleet))


def test_it_is_not_asked_for_by_default(tmp_path: Path) -> None:
    a = answer(elevation_of(tmp_path / "z.tif", hollow()), PARCEL, wet_fleet(None))
    assert not a.ground.soft.any() and a.raw("ride_on")[a.inside].all()
    assert wet_fleet(None).soft_ground.wetness_from is None and fleet_of().soft_ground.wetness_length_m == 100.0
    assert "wetness" not in "\n".join(describe(wet_fleet(None)))


def test_the_dry_season_switches_it_off(tmp_path: Path) -> None:
    friction = {"friction": 0.35, "limit_factor": 1.0}
    conditions = {"dry_season": {**friction, "soft": False}, "wet_season": friction}
    a = answer(elevation_of(tmp_path / "z.tif", hollow()), PARCEL, wet_fleet(conditions=conditions))
    line = column(a, LINE)
    assert a.raw("ride_on", "dry_season")[line].all()
    assert a.refused("ride_on", "soft", "wet_season")[line].all()
    (note,) = set(a.zones[a.zones.reason == "soft"].note)
    assert "Soft ground (wet_season): the limit is 30 kPa, which refuses ride_on (80 kPa), stand_on (60 kPa)." in note


def test_ground_below_a_void_is_soft_as_far_as_it_may_drain(tmp_path: Path) -> None:
    z = hollow()
    z[100:102, 120:122] = np.nan
    a = answer(elevation_of(tmp_path / "z.tif", z), PARCEL, wet_fleet(20.0))
    # No index is 20, so all that is soft here is soft for want of an index. The void ends at row 101. The flow of the
    # row below it is not known, nor what that brings to the next one, and 28 steps go on from there: to row 131.
    soft = a.ground.soft[a.inside].reshape(40, 37)
    assert soft.any(axis=1).tolist() == [row <= 131 for row in range(110, 150)]
    assert not soft[:, :3].any() and not soft[:, -15:].any()
    assert (a.refused("ride_on", "soft") == a.ground.soft).all() and not a.refused("walk_behind", "soft").any()


def test_the_words_name_the_limit_and_the_pressure(tmp_path: Path) -> None:
    told = why_at(tmp_path, LINE)
    text = "\n".join(told.lines())
    assert "soft: the ground is likely to be soft; the limit is 30 kPa. Refuses ride_on: presses 80 kPa" in text
    assert told.spot.soft and told.spot.soft_wet and not told.spot.soft_floor
    index = told.spot.wetness
    assert f"Ground: soft (wetness index {index:.1f}, not under 8.5)." in text
    side = "\n".join(why_at(tmp_path, LINE - 15).lines())
    assert "Ground: wetness index 6.0, under 8.5." in side
    assert "wetness index" not in "\n".join(why_at(tmp_path, LINE, wetness_from=None).lines())
    read_back = "\n".join(describe(wet_fleet()))
    assert "soft from a wetness index of 8.5 on, by the ground up to 40 m uphill of it" in read_back


def test_notes_tell_that_it_was_asked_for(tmp_path: Path) -> None:
    elevation = elevation_of(tmp_path / "z.tif", hollow())
    notes = screen(elevation, [Parcel("p", PARCEL)], wet_fleet())["run_notes"]
    settings = dict(zip(notes.name, notes.value, strict=True))
    assert settings["soft_ground.wetness_from"] == "8.5" and settings["soft_ground.wetness_length_m"] == "40.0"
    assert dict(fleet_of().as_notes())["soft_ground.wetness_from"] == "not given"


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        ("wetness_from = -1", "soft_ground.wetness_from = -1"),
        ('wetness_from = "8"', "type 8 without quotes"),
        ("wetness_from = 8\nwetness_length_m = 0", "soft_ground.wetness_length_m = 0"),
        ("wetness_from = 8\nwetness_length_m = 700", "type at least soft_ground.wetness_length_m, which is 700"),
        ("wetness = 8", "the nearest known one is 'wetness_from'"),
    ],
)
def test_slips_in_the_fleet_file(tmp_path: Path, text: str, wanted: str) -> None:
    path = tmp_path / "fleet.toml"
    path.write_text(
        f'schema = 1\n[soft_ground]\n{text}\n[conditions.dry]\nfriction = 0.35\n[machines.m]\nclass = "ride-on"\n'
    )
    with pytest.raises(InputError, match=r"fleet\.toml: ") as error:
        load_fleet(path)
    assert wanted in str(error.value)
