"""slopekit fleet and slopekit fields."""

import json
from pathlib import Path

import pytest
from cli_samples import Site

from slopekit.cli import main
from slopekit.schema.fields import FIELDS
from slopekit.schema.inputs import INPUTS


def test_new_file_reads_back_and_permits_nothing(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "fleet.toml"
    assert main(["fleet", "new", str(file)]) == 0
    assert capsys.readouterr().out.splitlines()[0] == str(file)
    assert main(["fleet", "check", str(file)]) == 0
    out, err = capsys.readouterr()
    assert err == ""
    assert "refused on every slope: no limit given" in out
    assert "up to" not in out


def test_a_file_that_exists_is_kept(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "fleet.toml"
    file.write_text("mine")
    assert main(["fleet", "new", str(file)]) == 2
    assert "fleet.toml: this file exists" in capsys.readouterr().err
    assert file.read_text() == "mine"


def test_check_says_slopes_in_three_ways(site: Site, capsys: pytest.CaptureFixture[str]) -> None:
    # 15 degrees is 26.79 % and 3.73:1 (tangent).
    assert main(["fleet", "check", site.path("fleet.toml")]) == 0
    assert "across up to 15.0 degrees (3.7:1, 27 %)" in capsys.readouterr().out


def test_check_of_a_bad_file(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "fleet.toml").write_text("schema = 2\n")
    assert main(["fleet", "check", str(tmp_path / "fleet.toml")]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert "schema = 2" in err


def test_fields_lists_the_whole_registry_in_columns(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["fields"]) == 0
    head, *lines = capsys.readouterr().out.splitlines()
    assert len(lines) == len(FIELDS)
    at = [head.index(name) for name in ("layer", "name", "type", "unit", "meaning")]
    for line, field in zip(lines, FIELDS, strict=True):
        cells = [line[a:b].strip() for a, b in zip(at, [*at[1:], None], strict=True)]
        assert cells == [field.layer, field.name, field.type, field.unit, field.meaning]


def test_fields_of_one_layer_as_json(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["fields", "--layer", "drops", "--json"]) == 0
    content = json.loads(capsys.readouterr().out)
    assert [f["name"] for f in content["fields"]] == ["parcel_id", "origin", "body", "height_m", "length_m"]
    assert content["schema_version"] == 5
    assert "above_water" in content["reasons"]
    assert next(iter(content["reasons"])) == "no_go"
    assert next(iter(content["classes"])) == "ride-on"
    assert content["layers"]["drops"]["geometry"] == "MultiLineString"
    assert content["inputs"]["dry"]["effect"] == "frees"


def test_fields_lists_what_may_be_told(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["fields", "--inputs"]) == 0
    head, *lines = capsys.readouterr().out.splitlines()
    assert head.split() == ["input", "effect", "meaning"]
    assert [line.split()[0] for line in lines] == list(INPUTS)
    assert all(line.endswith(row.help) for line, row in zip(lines, INPUTS.values(), strict=True))
