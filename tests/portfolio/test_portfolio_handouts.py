"""Sheets and a page from a run over several surveys: the same as the commands make of its folder, and never older than
the answer beside them. The rules are the project's own (docs/scale.md)."""

import json
import shutil
from collections.abc import Callable
from pathlib import Path

import pandas as pd
import pyogrio
import pytest
from district import District, make_district
from made_portfolio import SEASON
from page_reader import data_in, unpacked
from pypdf import PdfReader

import slopekit
from slopekit.api import handouts
from slopekit.cli import main
from slopekit.errors import OutputError

FLAGS = ("--sheets", "--page")
Run = Callable[..., int]


@pytest.fixture(scope="module")
def template(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Four parcels on surveys in two CRSs, and a finished run with hours, sheets and a page."""
    folder = tmp_path_factory.mktemp("handouts")
    made = make_district(folder, parcels=4, across=2, side=160, lot=20.0, run=30.0, corrupt=False, gap=False)
    text = made.fleet.read_text().replace("speed_kmh", "efficiency = 0.8\nspeed_kmh")
    made.fleet.write_text(text + "hand_rate_m2_h = 90.0\nedge_rate_m_h = 150.0\n")
    (folder / "season.toml").write_text(SEASON)
    assert _run(made, *FLAGS) in (0, 3)
    return folder


@pytest.fixture
def made(template: Path, tmp_path: Path) -> District:
    folder = tmp_path / "d"
    shutil.copytree(template, folder)
    return District(folder, folder / "tiles", folder / "parcels.gpkg", folder / "fleet.toml", None)


def _run(made: District, *more: str) -> int:
    season = ["--season", str(made.folder / "season.toml")]
    return main(made.line("out", "--workers", "1", "--quiet", *season, *more))


def fewer_limits(made: District) -> None:
    made.fleet.write_text(made.fleet.read_text().replace("across_deg = 10", "across_deg = 9"))


def contents(folder: Path, *names: str) -> dict[str, bytes]:
    return {name: (folder / name).read_bytes() for name in names}


def named(out: Path) -> set[str]:
    """What the manifest says was made of the answer."""
    return {*json.loads((out / "manifest.json").read_text()).get("made of them", {})}


def test_the_commands_make_the_same_of_the_folder(made: District, capsys: pytest.CaptureFixture[str]) -> None:
    out, folder = made.folder / "out", made.folder
    assert pyogrio.read_dataframe(out / "portfolio.gpkg", layer="sources")["survey"].nunique() > 1
    given = ["--fleet", str(made.fleet), "--season", str(folder / "season.toml")]
    package = str(out / "portfolio.gpkg")
    assert main(["sheets", package, *given, "--out", str(folder / "sheets.pdf")]) == 0
    assert main(["hours", package, *given, "--out", str(folder / "bid.json"), "--quiet"]) == 0
    assert main(["page", str(out), "--hours", str(folder / "bid.json"), "--out", str(folder / "page.html")]) == 0
    names = ("sheets.pdf", "page.html")
    assert contents(out, *names) == contents(folder, *names)
    assert named(out) == {*names}
    # Hours are those of the summary, every parcel has its sheet, and is on the page.
    rows = pd.DataFrame(json.loads((out / "summary.json").read_text())["parcels"]).set_index("parcel_id")
    data = data_in(out / "page.html")
    hours = dict(zip(data["parcels"]["id"], unpacked(data["parcels"]["hours"][0]), strict=True))
    assert {one: (v - 1) * 0.01 for one, v in hours.items()} == pytest.approx(rows["hours"].to_dict(), abs=0.0051)
    text = " ".join(page.extract_text() for page in PdfReader(out / "sheets.pdf").pages)
    assert len(rows) == 4 and all(one in text for one in rows.index) and " h dry" in text
    # The last lines of a run name them.
    capsys.readouterr()
    assert _run(made, *FLAGS, "--resume") in (0, 3)
    assert capsys.readouterr().out.splitlines()[-2:] == [str(out / name) for name in names]


def test_what_is_of_this_answer_stays_and_what_is_older_goes(made: District) -> None:
    out = made.folder / "out"
    # In another place the answer is another, since it keeps the names of its inputs.
    assert _run(made, "--resume", *FLAGS) in (0, 3)
    before = {name: (out / name).stat().st_mtime_ns for name in ("sheets.pdf", "page.html")}
    for more in ((), FLAGS):
        assert _run(made, "--resume", *more) in (0, 3)
        assert {name: (out / name).stat().st_mtime_ns for name in before} == before
    # Another paper: that file alone is made anew. One that is gone is made again.
    (out / "page.html").unlink()
    whole = contents(out, "portfolio.gpkg", "summary.csv", "bid.xlsx")
    assert _run(made, "--resume", *FLAGS, "--paper", "letter") in (0, 3)
    # ANSI/ASME Y14.1: Letter is 8.5 in x 11 in; a point is 1/72 in.
    assert [float(side) for side in PdfReader(out / "sheets.pdf").pages[0].mediabox[2:]] == [612.0, 792.0]
    assert (out / "page.html").is_file() and contents(out, *whole) == whole
    # Another answer takes what was made of the old one away; asked for, it is made of the new one.
    old = contents(out, "sheets.pdf", "page.html")
    fewer_limits(made)
    assert _run(made, "--resume", "--page") in (0, 3)
    assert not (out / "sheets.pdf").exists() and (out / "page.html").read_bytes() != old["page.html"]
    assert named(out) == {"page.html"}


def test_what_older_code_drew_is_drawn_again_and_nothing_is_screened(
    made: District, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    out = made.folder / "out"
    assert _run(made, "--resume", *FLAGS) in (0, 3)
    parts = [str(path.relative_to(out)) for path in (out / "dataset").rglob("*") if path.is_file()]
    whole = contents(out, *parts, "portfolio.gpkg", "summary.csv", "bid.xlsx", "sheets.pdf", "page.html")
    before = {name: (out / name).stat().st_mtime_ns for name in whole}
    # Other code that draws sheets: these alone are made anew.
    drawn = handouts.code_version
    monkeypatch.setattr(handouts, "code_version", lambda begin: drawn(begin) + "x" * (begin == ("api/sheets.py",)))
    assert _run(made, "--resume") in (0, 3)
    assert {name: (out / name).stat().st_mtime_ns for name in whole} == before
    assert _run(made, "--resume", *FLAGS) in (0, 3)
    changed = {name for name in whole if (out / name).stat().st_mtime_ns != before[name]}
    assert changed == {"sheets.pdf"}
    assert contents(out, *whole) == whole


def test_a_write_that_fails_harms_no_answer(
    made: District, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    out = made.folder / "out"
    fewer_limits(made)

    def full(*_: object, **__: object) -> list[Path]:
        raise OutputError("sheets.pdf cannot be written (no space left).")

    with monkeypatch.context() as patch:
        patch.setattr(handouts, "write_sheets", full)
        assert _run(made, "--resume", *FLAGS) == 2
    said = capsys.readouterr()
    told = "(no space left); the answer beside it is whole, so try this again with --resume."
    assert told in said.err and "parcels answered" in said.out
    answer = contents(out, "portfolio.gpkg", "summary.csv", "summary.xlsx", "summary.json", "bid.xlsx")
    assert named(out) == set() and not (out / "sheets.pdf").exists()
    assert _run(made, "--resume", *FLAGS) in (0, 3)
    assert contents(out, *answer) == answer and named(out) == {"sheets.pdf", "page.html"}


@pytest.mark.parametrize("more", [(), FLAGS])
def test_an_edited_page_is_kept_and_told(
    made: District, more: tuple[str, ...], capsys: pytest.CaptureFixture[str]
) -> None:
    out = made.folder / "out"
    with open(out / "page.html", "ab") as file:
        file.write(b"<!-- a note -->")
    kept = contents(out, "page.html", "sheets.pdf", "manifest.json", "portfolio.gpkg")
    fewer_limits(made)
    assert _run(made, "--resume", *more) == 2
    assert str(out / "page.html") in capsys.readouterr().err and contents(out, *kept) == kept
    assert _run(made, "--resume", *more, "--overwrite") in (0, 3)
    assert (out / "page.html").exists() == bool(more)


def test_inputs_leftovers_and_a_lost_journal(made: District, capsys: pytest.CaptureFixture[str]) -> None:
    out = made.folder / "out"
    shutil.copy(made.folder / "season.toml", out / "sheets.pdf")
    assert _run(made, "--resume", "--water", str(out / "page.html")) == 2
    assert "belongs to the run" in capsys.readouterr().err
    for name in (".sheets.pdf.123.partial", ".page_001.html.123.partial"):
        (out / name).write_bytes(b"half")
    (out / "journal.jsonl").unlink()
    assert _run(made, "--resume", *FLAGS) == 2
    assert f"{out / 'sheets.pdf'}: this file is not one that slopekit wrote here" in capsys.readouterr().err
    (out / "sheets.pdf").unlink()
    assert _run(made, "--resume", *FLAGS) in (0, 3)
    assert (out / "sheets.pdf").read_bytes().startswith(b"%PDF") and not list(out.glob(".*.partial"))


def test_the_library_makes_them_in_us_units(made: District) -> None:
    outcome = slopekit.portfolio(
        made.tiles, made.parcels, made.fleet, made.folder / "library", season=made.folder / "season.toml",
        id_column="pid", workers=1, sheets=True, page=True, units="us",
    )  # fmt: skip
    assert [file.name for file in outcome.files[-2:]] == ["sheets.pdf", "page.html"]
    text = " ".join(page.extract_text() for page in PdfReader(outcome.files[-2]).pages)
    assert " sq ft" in text and data_in(outcome.files[-1])["units"]["name"] == "us"
    for wrong in ({"units": "mile"}, {"paper": "a3"}):
        with pytest.raises(slopekit.InputError, match="is not known, so give"):
            slopekit.portfolio(made.tiles, made.parcels, made.fleet, made.folder / "no", sheets=True, **wrong)
    assert not (made.folder / "no").exists()
