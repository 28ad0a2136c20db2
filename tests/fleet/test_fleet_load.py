"""Reading a fleet file that is right."""

import tomllib
from dataclasses import fields
from datetime import date

import pytest

from slopekit.fleet.figures import Range
from slopekit.fleet.load import load_fleet

FILE = """\
schema = 1

[terrain]
gradient = "zevenbergen-thorne"
noise_allowance_deg = 0

[hazards]
drop_height_m = 0.6

[runout]
look_m = 90

[zones]
split_by = "machines"

[landforms]
basin_area_m2 = 80

[soft_ground]
pressure_limit_kpa = 35

[survey]
max_age_years = 5

[routes]
entrance_reach_m = 3
slope_cost = 1.5

[conditions.wet]
friction = 0.20
limit_factor = 0.75
label = "Wet grass"

[conditions.frozen]
friction = 0.1
soft = false

[machines.z-9]
class = "stand-on"
operator = "standing"
label = "Stand-on in shed 2"
across_deg = 12
up_down_deg = 16.5
ceiling_deg = 11
cross_down_deg = 18
discharge = "left"
width_m = 1.32
speed_kmh = 9
efficiency = 0.8
ground_pressure_kpa = 34.5
roll_bar = "none"
limits.frozen.across_deg = 4

[machines.z-9.above_hazard_exception]
who = "grounds manager"
when = 2024-05-31
why = "one short bank"

[machines.A_1]
class = "hand crew"
above_hazard = true
"""


@pytest.fixture
def write(tmp_path):
    def to_file(text: str | bytes, name: str = "fleet.toml"):
        path = tmp_path / name
        path.write_bytes(text if isinstance(text, bytes) else text.encode())
        return path

    return to_file


def test_every_key_arrives(write):
    fleet = load_fleet(write(FILE))
    assert (fleet.terrain.gradient, fleet.terrain.noise_allowance_deg) == ("zevenbergen-thorne", 0.0)
    assert fleet.terrain.machine_scale_m == 0.75
    assert (fleet.hazards.drop_height_m, fleet.runout.look_m, fleet.zones.split_by) == (0.6, 90.0, "machines")
    assert (fleet.landforms.basin_area_m2, fleet.soft_pressure_kpa, fleet.survey_max_age_years) == (80.0, 35.0, 5.0)
    assert (fleet.routes.entrance_reach_m, fleet.routes.slope_cost, fleet.routes.level_deg) == (3.0, 1.5, 2.0)
    assert list(fleet.conditions) == ["wet", "frozen"]
    assert list(fleet.machines) == ["z-9", "A_1"]
    machine = fleet.machines["z-9"]
    assert (machine.cross_up_deg, machine.cross_down_deg, machine.discharge) == (None, 18.0, "left")
    assert fleet.machines["A_1"].discharge == "right"
    assert (machine.width_m, machine.top_speed_kmh, machine.efficiency) == (1.32, 9.0, Range.exactly(0.8))
    assert machine.above_hazard_exception.when == date(2024, 5, 31)
    # 12 x 0.75 = 9; 16.5 x 0.75 = 12.375, over the ceiling of 11. Frozen has no factor: only what is given for it.
    assert fleet.limits("z-9", "wet") == (9.0, 11.0)
    assert fleet.limits("z-9", "frozen") == (4.0, None)
    assert fleet.limits("A_1", "wet") == (None, None)
    assert fleet.refused_on_soft("z-9", "wet") is False
    assert fleet.machines["A_1"].may_work_above_hazard is True


def test_notes_name_every_setting_with_its_default(write):
    notes = dict(load_fleet(write(FILE)).as_notes())
    fleet = load_fleet(write(FILE))
    for table in ("terrain", "hazards", "runout", "zones", "landforms", "soft_ground", "survey", "routes"):
        for field in fields(getattr(fleet, table)):
            assert f"{table}.{field.name}" in notes
    assert notes["hazards.stand_off_m"] == "1.524"
    assert notes["machines.z-9.above_hazard_exception.when"] == "2024-05-31"
    assert notes["machines.A_1.width_m"] == "not given"
    assert notes["conditions.frozen.soft"] == "false"

    # What was typed is found again, key by key, by a walk of the parsed file.
    def walk(path, value):
        if isinstance(value, dict):
            for key, below in value.items():
                yield from walk([*path, key], below)
        else:
            yield ".".join(path), value

    for key, value in walk([], tomllib.loads(FILE)):
        if isinstance(value, (int, float)) and not isinstance(value, bool):
            assert float(notes[key]) == value
        elif isinstance(value, str):
            assert notes[key] == value
    assert all(isinstance(value, str) for value in notes.values())


def test_checksum_is_of_the_settings(write):
    first = load_fleet(write(FILE)).checksum
    assert first.startswith("sha256:") and len(first) == 7 + 64
    assert (
        load_fleet(write("# a comment\n" + FILE.replace("across_deg = 12\n", "across_deg = 12.0\n"))).checksum == first
    )
    assert load_fleet(write(FILE.replace("across_deg = 12\n", "across_deg = 12.1\n"))).checksum != first
    # A default written out is the same setting.
    assert load_fleet(write(FILE.replace("[hazards]", "[hazards]\nstand_off_m = 1.524"))).checksum == first


def test_byte_order_mark_and_windows_line_ends(write):
    plain = load_fleet(write(FILE))
    assert load_fleet(write(b"\xef\xbb\xbf" + FILE.replace("\n", "\r\n").encode())) == plain
