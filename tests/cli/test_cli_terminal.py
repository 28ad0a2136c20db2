"""What comes out of a stranger's file never moves the cursor, colours, reverses or forges a line.

Control characters: ISO/IEC 6429 (C0, C1). Writing direction: Unicode Standard Annex 9.
"""

import json
import logging
import re
import shlex
from collections.abc import Callable
from pathlib import Path
from typing import Any

import click
import geopandas as gpd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from result_maker import Zone, made_result
from shapely import box

from slopekit.cli import console, main
from slopekit.errors import InputError
from slopekit.outputs.report import print_table
from slopekit.texts import line_of

pytestmark = pytest.mark.fault

EVIL = "a\x1b[2J\x9b31m\x07\r\x08\u202eb\u2066c\u2028d\x7f\x85\nError: forged\tid"
RAW = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u2028-\u202e\u2066-\u2069]")


def harmless(text: str, said: str) -> None:
    """No raw control character, no forged line, and the text is there to be read."""
    assert not RAW.search(text), repr(text)
    assert not any(line.startswith("Error: forged") for line in text.splitlines()), text
    assert said in text


@given(st.text())
def test_a_line_is_a_line_and_json_reads_it_back(text: str) -> None:
    shown = line_of(text)
    assert not RAW.search(shown) and "\n" not in shown and "\t" not in shown
    assert json.loads(line_of(json.dumps(text, ensure_ascii=False))) == text
    assert line_of("Süd 三 🌳") == "Süd 三 🌳"


@pytest.mark.parametrize(
    "fault",
    [
        InputError(f"parcel '{EVIL}' is bad."),
        click.UsageError(f"no option {EVIL}"),
        ValueError(EVIL),
        ExceptionGroup(EVIL, [KeyError(EVIL)]),
    ],
    ids=["input", "usage", "fault", "group"],
)
def test_errors(fault: Exception, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    def fail(**_: Any) -> None:
        raise fault

    from slopekit.cli.inspect import inspect

    monkeypatch.setattr(inspect, "callback", fail)
    main(["inspect", "x.tif"])
    harmless(capsys.readouterr().err, r"a\u001b[2J\u009b31m")


@pytest.mark.parametrize(
    "words",
    [
        ["inspect", EVIL],
        ["inspect", "x.tif", f"--{EVIL}"],
        ["inspect", "x.tif", "--cell", EVIL],
        ["inspect", "x.tif", "--surface", EVIL],
        [EVIL],
        ["why", "x.tif", "--at", EVIL, "--fleet", "f.toml"],
        ["fleet", "check", EVIL],
        ["corrections", "check", EVIL],
        ["hours", EVIL, "--fleet", EVIL, "--out", "o.csv"],
    ],
    ids=lambda words: shlex.join(words)[:20],
)
def test_words_of_the_command_line(words: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    assert main(words) == 2
    harmless(capsys.readouterr().err, "[2J")


def test_log_and_warnings(capsys: pytest.CaptureFixture[str]) -> None:
    import warnings

    with console.logging_to_stderr():
        logging.getLogger("slopekit").warning("%s", EVIL)
        logging.getLogger("a.library").error("%s", EVIL)
        warnings.simplefilter("default")
        warnings.warn(EVIL, UserWarning, stacklevel=1)
    err = capsys.readouterr().err
    harmless(err, r"a\u001b[2J\u009b31m")
    assert len(err.splitlines()) == 3


def test_ids_and_columns_of_a_file(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A table of results, a list of corrections, a complaint about a column: all with a stranger's words."""
    from labour_maker import CREW, fleet

    tables = made_result(fleet(crew=CREW), [Zone("z1", box(0, 0, 40, 50), "crew", parcel=EVIL)])
    console.result(*print_table(tables).split("\n"))
    harmless(capsys.readouterr().out, r"a\u001b[2J\u009b31m")
    drawn = {"what": ["no-go"], "why": [EVIL], "who": [EVIL], "when_said": ["2025-01-01"]}
    gpd.GeoDataFrame(drawn, geometry=[box(0, 0, 1, 1)], crs="EPSG:4326").to_file(tmp_path / "drawn.gpkg")
    assert main(["corrections", "check", str(tmp_path / "drawn.gpkg")]) == 0
    out = capsys.readouterr().out
    harmless(out, r"\u001b[2J\u009b31m")
    assert len(out.splitlines()) == 1


def test_the_check_itself_can_fail(capsys: pytest.CaptureFixture[str]) -> None:
    printed: Callable[[str], None] = print
    printed(EVIL)
    with pytest.raises(AssertionError):
        harmless(capsys.readouterr().out, "a")
