"""The blank fleet file."""

import errno
import math
import os
import re

import pytest

from slopekit.errors import InputError, OutputError
from slopekit.fleet.load import load_fleet
from slopekit.fleet.machine import Limits, Machine, WrittenException
from slopekit.fleet.new_file import write_new
from slopekit.fleet.template import template_text
from slopekit.schema.classes import MACHINE_CLASSES

SETTINGS = ("work", "terrain", "hazards", "runout", "zones", "landforms", "soft_ground", "survey", "routes")
BLANK = re.compile(r"^# ([a-z_.0-9]+) =$", re.MULTILINE)
DEFAULT = re.compile(r"^# ([a-z_0-9]+ = \S.*)$", re.MULTILINE)
MACHINE_VALUES = {
    "across_deg": "12.0", "up_down_deg": "15.0", "ceiling_deg": "20.0", "width_m": "1.2", "speed_kmh": "6.0",
    "cross_up_deg": "16.0", "cross_down_deg": "17.0", "cross_across_deg": "13.0", "efficiency": "0.8",
    "ground_pressure_kpa": "30.0", "roll_bar": '"none"', "limits.wet.across_deg": "8.0",
    "limits.wet.up_down_deg": "9.0", "hand_rate_m2_h": "100.0", "edge_rate_m_h": "60.0", "above_hazard": "true",
    "above_hazard_exception.who": '"a manager"',
    "above_hazard_exception.when": "2024-05-31", "above_hazard_exception.why": '"one short bank"',
    "limit_factor": "0.8", "pressure_limit_kpa": "40.0", "max_age_years": "6.0", "wetness_from": "9.0",
    "tread": '"aggressive"',
}  # fmt: skip


@pytest.fixture
def blank(tmp_path):
    return load_fleet(write_new(tmp_path / "fleet.toml", template_text(), "your limits"))


def load_text(tmp_path, text):
    path = tmp_path / "typed.toml"
    path.write_text(text, encoding="utf-8")
    return load_fleet(path)


def test_it_refuses_everything(blank):
    assert tuple(m.machine_class for m in blank.machines.values()) == MACHINE_CLASSES
    assert list(blank.conditions) == ["dry", "wet"]
    for machine_id, machine in blank.machines.items():
        assert machine.width_m is None
        assert machine.may_work_above_hazard is False
        for condition in blank.conditions:
            assert blank.limits(machine_id, condition) == (None, None)


def test_settings_are_the_defaults_and_shown(blank, tmp_path):
    # Taking the # away from every line that shows a default changes nothing.
    shown = load_text(tmp_path, DEFAULT.sub(r"\1", template_text()))
    assert shown == blank
    lines = {match.split(" = ")[0] for match in DEFAULT.findall(template_text())} | set(BLANK.findall(template_text()))
    for table in SETTINGS:
        missing = set(vars(getattr(blank, table))) - lines
        assert not missing


def test_every_key_of_a_machine_is_offered(blank):
    shown = {match.split(" = ")[0] for match in DEFAULT.findall(template_text())}
    offered = set(BLANK.findall(template_text())) | shown
    keys = {field.alias or name for name, field in Machine.model_fields.items()}
    keys -= {"class", "operator", "label", "limits", "above_hazard_exception"}
    keys |= {f"limits.wet.{key}" for key in Limits.model_fields}
    keys |= {f"above_hazard_exception.{key}" for key in WrittenException.model_fields}
    assert keys <= offered


def test_filled_in_it_loads_and_permits(tmp_path):
    fleet = load_text(tmp_path, BLANK.sub(lambda m: f"{m[1]} = {MACHINE_VALUES[m[1]]}", template_text()))
    assert fleet.limits("ride-on-1", "dry") == (12.0, 15.0)
    assert all(fleet.limits(machine_id, "wet") == (8.0, 9.0) for machine_id in fleet.machines)
    above = {m.machine_class: m.may_work_above_hazard for m in fleet.machines.values()}
    assert above == {name: name != "ride-on" for name in MACHINE_CLASSES}
    assert fleet.conditions["wet"].limit_factor == 0.8


def test_slopes_in_the_heading_are_right():
    # Arithmetic: degrees = atan(rise / run), percent = 100 rise / run.
    rows = re.findall(r"([\d.]+):1 = ([\d.]+) % = ([\d.]+)", template_text())
    assert len(rows) == 7
    for ratio, share, degrees in rows:
        exact = math.degrees(math.atan(1.0 / float(ratio)))
        assert 0.0 <= exact - float(degrees) < 0.1
        assert float(share) == pytest.approx(100.0 / float(ratio), abs=0.05)


def test_frictions_and_their_sources(blank):
    # Wet: Noon, Engineering Analysis of Vehicular Accidents (1994), quoted: 0.2, a slide starts at 11.3 degrees.
    # Dry: 0.35, 19.3 degrees, from memory of reconstruction tables.
    for condition, starts in (("wet", 11.3), ("dry", 19.3)):
        assert math.degrees(math.atan(blank.conditions[condition].friction)) == pytest.approx(starts, abs=0.05)
    assert "Noon (1994)" in template_text() and "from memory" in template_text()
    # Each setting names a source or is common practice, and the file says so above them all.
    settings = template_text().partition("# SETTINGS: ")[2]
    assert "common practice, no source" in settings.partition("[soft_ground]")[0]
    assert "OSHA" in settings.partition("# stand_off_m")[0]
    assert "sliding tyres" in template_text()


def test_lines_fit_a_screen():
    assert max(map(len, template_text().splitlines())) <= 120


def test_it_never_overwrites(tmp_path):
    path = tmp_path / "fleet.toml"
    path.write_text("mine", encoding="utf-8")
    with pytest.raises(InputError, match=r"fleet\.toml: this file exists .* name a new file\.$"):
        write_new(path, template_text(), "your limits")
    assert path.read_text(encoding="utf-8") == "mine"
    assert os.listdir(tmp_path) == ["fleet.toml"]


def test_it_never_overwrites_a_file_that_came_in_between(tmp_path, monkeypatch):
    path = tmp_path / "fleet.toml"
    path.write_text("mine", encoding="utf-8")
    monkeypatch.setattr(type(path), "exists", lambda self, **_: False)
    with pytest.raises(InputError, match="exists"):
        write_new(path, template_text(), "your limits")
    assert path.read_text(encoding="utf-8") == "mine"
    assert os.listdir(tmp_path) == ["fleet.toml"]


def test_full_disk_leaves_nothing(tmp_path, monkeypatch):
    def full(_handle):
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(OutputError, match=r"fleet\.toml: .*No space left on device.* name a file in a folder"):
        write_new(tmp_path / "fleet.toml", template_text(), "your limits")
    assert os.listdir(tmp_path) == []


def test_no_folder(tmp_path):
    with pytest.raises(OutputError, match="cannot be written"):
        write_new(tmp_path / "nowhere" / "fleet.toml", template_text(), "your limits")


def test_without_hard_links(tmp_path, monkeypatch):
    def refuse(_source, _target):
        raise OSError(errno.EPERM, "Operation not permitted")

    monkeypatch.setattr(os, "link", refuse)
    path = write_new(tmp_path / "fleet.toml", template_text(), "your limits")
    assert path.read_text(encoding="utf-8") == template_text()
    assert os.listdir(tmp_path) == ["fleet.toml"]
