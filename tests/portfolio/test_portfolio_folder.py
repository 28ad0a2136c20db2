"""The folder of a run: files of others stay, lost parts are done again, a lost journal is taken up from the parts."""

import json
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import geopandas as gpd
import pyarrow.dataset
import pyarrow.parquet as pq
import pyogrio
import pytest
from district import write_vrt
from foreign_files import FOREIGN, kept, plant, tree
from portfolio_runner import contents
from unbroken import Unbroken

from slopekit.cli import main
from slopekit.portfolio import run as portfolio_run

pytestmark = pytest.mark.fault

LEFTOVERS = (
    ".portfolio.gpkg.123.partial",
    ".portfolio.gpkg.123.partial-journal",
    ".portfolio.gpkg.123.partial.d/zones.arrow",
    ".summary.csv.123.partial",
    ".bid_crew_days.csv.123.partial",
    ".manifest.json.123.partial",
    ".index.json.123.partial",
    "dataset/zones/.part-000001.parquet.123.partial",
    "dataset/parts/.part-000001.json.123.partial",
)


Folder = Callable[..., tuple[int, str, str]]


@pytest.fixture
def out(unbroken: Unbroken, tmp_path: Path) -> Path:
    """A finished run in a folder of its own."""
    shutil.copytree(unbroken.out, tmp_path / "out")
    return tmp_path / "out"


@pytest.fixture
def portfolio(unbroken: Unbroken, capsys: pytest.CaptureFixture[str]) -> Folder:
    """Runs a command into a folder: exit code, what it printed, what it told on the way. No traceback ends it."""

    def line(out: Path, *more: str, command: tuple[str, ...] = ("portfolio",)) -> tuple[int, str, str]:
        capsys.readouterr()
        code = main(unbroken.district.line(str(out), "--workers", "1", "--quiet", *more, command=command))
        said = capsys.readouterr()
        assert "Traceback" not in said.err
        return code, said.out, said.err

    return line


def is_whole(out: Path, unbroken: Unbroken) -> bool:
    """Whether a result is that of an undisturbed run, and so is its dataset."""
    rows = pyarrow.dataset.dataset([str(p) for p in (out / "dataset" / "zones").glob("part-0000[0-8]*.parquet")])
    zones = pyogrio.read_dataframe(unbroken.out / "portfolio.gpkg", layer="zones")
    same_rows = sorted(rows.to_table()["zone_id"].to_pylist()) == sorted(zones.zone_id)
    return contents(out) == unbroken.bytes and same_rows


def count(text: str) -> int:
    """Parcels that were done again, as the log tells."""
    found = [line for line in text.splitlines() if "parcels are done again, since files" in line]
    assert len(found) == 1, text
    return int(found[0].removeprefix("Warning: ").split()[0])


def now(text: str) -> int:
    """Parcels that were screened in this run, as the result tells."""
    return int(text.partition(" of them now")[0].split()[-1])


# Files of others.


@pytest.mark.parametrize("more", [["--resume"], ["--only-failed"]])
def test_files_of_others_stay(unbroken: Unbroken, out: Path, portfolio: Folder, more: list[str]) -> None:
    made, left = plant(out, FOREIGN), plant(out, LEFTOVERS)
    # A part that is done again is taken away, which is when files go.
    (out / "dataset" / "parcels" / "part-000002.parquet").unlink()
    code, _, err = portfolio(out, *more)
    assert code == 3 and kept(out, made)
    assert not left.keys() & tree(out).keys()
    assert "part-000099.parquet" in err and "It stays" in err
    assert is_whole(out, unbroken)


def test_parcels_that_change_take_no_file_of_others(unbroken: Unbroken, out: Path, portfolio: Folder) -> None:
    made = plant(out, FOREIGN)
    frame = gpd.read_file(unbroken.district.parcels)
    moved = pyogrio.read_dataframe(out / "portfolio.gpkg", layer="parcels").parcel_id[0]
    frame.loc[frame.pid == moved, "geometry"] = frame.geometry[frame.pid == moved].buffer(-2.0)
    frame.to_file(out.parent / "parcels.gpkg")
    code, said, _ = portfolio(out, "--resume", "--parcels", str(out.parent / "parcels.gpkg"))
    assert code == 3 and now(said) == 1 and kept(out, made)


def test_a_number_that_others_took_is_left_out(unbroken: Unbroken, out: Path, portfolio: Folder) -> None:
    last = max(int(path.stem.removeprefix("part-")) for path in (out / "dataset" / "parts").iterdir())
    made = plant(out, (f"dataset/zones/part-{last + 1:06d}.parquet", f"dataset/parts/part-{last + 2:06d}.json"))
    (out / "dataset" / "parcels" / "part-000002.parquet").unlink()
    assert portfolio(out, "--resume")[0] == 3
    assert kept(out, made) and contents(out) == unbroken.bytes
    assert (out / "dataset" / "parts" / f"part-{last + 3:06d}.json").exists()


@pytest.mark.parametrize("command", [("portfolio",), ("portfolio", "plan")])
@pytest.mark.parametrize(
    "name",
    ["notes.txt", ".hidden", "dataset/photos/roof.jpg", "dataset/zones/part-000099.parquet", "dataset/parts/mine.json"]
    + ["index.json", "journal.jsonl", ".lock"],
)
def test_a_folder_of_others_is_refused(tmp_path: Path, portfolio: Folder, command: tuple[str, ...], name: str) -> None:
    out = tmp_path / "out"
    made = plant(out, (name,))
    for more in [[], ["--resume"], ["--only-failed"]] if command == ("portfolio",) else [[]]:
        code, said, err = portfolio(out, *more, command=command)
        assert (code, said) == (2, "") and str(out) in err and name.partition("/")[0] in err
        assert "--out" in err.splitlines()[-1]
    assert {p.relative_to(out).as_posix() for p in out.rglob("*") if p.is_file()} == {name} and kept(out, made)


def test_a_plan_and_an_early_kill_leave_a_folder_that_will_do(
    unbroken: Unbroken, tmp_path: Path, portfolio: Folder
) -> None:
    out = tmp_path / "out"
    assert portfolio(out, command=("portfolio", "plan"))[0] == 0
    assert sorted(tree(out)) == ["index.json"]
    head = (unbroken.out / "journal.jsonl").read_bytes().partition(b"\n")[0]
    for name, content in {".lock": b"", "journal.jsonl": head[:5], ".index.json.123.partial": b"{"}.items():
        (out / name).write_bytes(content)
    # A run that cannot begin leaves nothing that the next one would have to be asked about.
    assert portfolio(out, "--id-column", "none")[0] == 2
    assert portfolio(out)[0] == 3
    assert contents(out) == unbroken.bytes and ".index.json.123.partial" not in tree(out)


def test_no_name_of_a_folder_is_refused(tmp_path: Path, portfolio: Folder, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    for command in (("portfolio",), ("portfolio", "plan")):
        for name in ("", " "):
            code, _, err = portfolio(tmp_path, "--out", name, command=command)
            assert code == 2 and err == "Error: --out is empty, so name a folder.\n"
    assert tree(tmp_path) == {}


@pytest.mark.parametrize(
    "way",
    ["direct", "link to the dataset", "link in the dataset", "link to a file", "dataset elsewhere", "behind a VRT"]
    + ["in an archive", "in an archive behind a VRT"],
)
@pytest.mark.parametrize("command", [("portfolio",), ("portfolio", "plan")])
def test_inputs_in_the_dataset_are_refused(
    unbroken: Unbroken, out: Path, portfolio: Folder, way: str, command: tuple[str, ...]
) -> None:
    dem = out / "dataset" / "dem"
    true = out.parent / "true" if way == "link in the dataset" else dem
    shutil.copytree(unbroken.district.tiles, true)
    given, told = "", ""
    named = dem
    if way == "link in the dataset":
        dem.symlink_to(true)
    elif way == "link to the dataset":
        (out.parent / "link").symlink_to(out / "dataset")
        named = out.parent / "link" / "dem"
    elif way == "link to a file":
        (out.parent / "mine").mkdir()
        named = out.parent / "mine" / "one.tif"
        named.symlink_to(dem / "t_00_00.tif")
    elif way == "dataset elsewhere":
        (out / "dataset").rename(out.parent / "data")
        (out / "dataset").symlink_to(out.parent / "data")
        named = out.parent / "data" / "dem"
    elif way != "direct":
        inner = f"{dem}/t_00_00.tif"
        if "archive" in way:
            inner = f"/vsizip/{shutil.make_archive(str(out / 'dataset' / 'photos'), 'zip', dem)}/t_00_00.tif"
            shutil.rmtree(dem)
        write_vrt(out.parent / "inner.vrt", inner, inner)
        write_vrt(out.parent / "outer.vrt", "inner.vrt", inner)
        given, told = (str(out.parent / "outer.vrt") if way.endswith("VRT") else inner), inner
    before = tree(out.parent)
    # The elevation stands before the options; a second one is read too.
    given, told = given or str(named), told or str(named)
    code, said, err = portfolio(out, *(["--resume"] if len(command) == 1 else []), given, command=command)
    assert (code, said) == (2, "") and told in err and "lies in" in err
    assert tree(out.parent) == before
    if way == "direct":
        (out / "journal.jsonl").unlink()
        shutil.rmtree(out / "dataset" / "parts")
        before = tree(out.parent)
        assert portfolio(out, str(named), command=command)[0] == 2 and tree(out.parent) == before


@pytest.mark.parametrize(
    ("option", "name"),
    [
        ("--parcels", "portfolio.gpkg"),
        ("--parcels", "dataset/mine/parcels.gpkg"),
        ("--fleet", "summary.csv"),
        ("--season", "bid.xlsx"),
        ("--hazards", "dataset/mine/hazards.gpkg"),
        ("--water", "journal.jsonl"),
    ],
)
def test_no_input_is_an_output(
    unbroken: Unbroken, out: Path, portfolio: Folder, option: str, name: str, tmp_path: Path
) -> None:
    given = {"--fleet": unbroken.district.fleet, "--season": season(tmp_path, unbroken)}
    (out / name).parent.mkdir(exist_ok=True)
    shutil.copy(given.get(option, unbroken.district.parcels), out / name)
    before = tree(out)
    code, said, err = portfolio(out, "--resume", option, str(out / name))
    assert (code, said) == (2, "") and str(out / name) in err and "belongs to the run" in err
    assert tree(out) == before


def season(folder: Path, unbroken: Unbroken) -> Path:
    path = folder / "season.toml"
    assert main(["season", "new", str(path), "--fleet", str(unbroken.district.fleet)]) == 0
    return path


@pytest.mark.parametrize("name", ["dataset", "dataset/zones", "dataset/parts"])
def test_a_file_where_a_folder_is_due(unbroken: Unbroken, out: Path, portfolio: Folder, name: str) -> None:
    shutil.rmtree(out / name)
    (out / name).write_bytes(b"mine")
    code, said, err = portfolio(out, "--resume")
    assert (code, said) == (2, "") and str(out / name) in err
    assert (out / name).read_bytes() == b"mine"
    (out / name).unlink()
    assert portfolio(out, "--resume")[0] == 3 and is_whole(out, unbroken)


# Lost parts.


def cut(path: Path) -> None:
    path.write_bytes(path.read_bytes()[:-100])


def flip(path: Path) -> None:
    content = bytearray(path.read_bytes())
    content[len(content) // 3] ^= 1
    path.write_bytes(content)


def swap(path: Path) -> None:
    """Another part of the same layer: whole in itself."""
    other = next(p for p in sorted(path.parent.iterdir()) if p != path)
    shutil.copy(other, path)


DAMAGES = {
    "gone": Path.unlink,
    "cut": cut,
    "flipped": flip,
    "empty": lambda path: path.write_bytes(b""),
    "swapped": swap,
}


@pytest.mark.parametrize(
    ("layer", "damage"), [*(("zones", damage) for damage in DAMAGES), ("parcels", "gone"), ("water", "cut")]
)
def test_a_lost_part_is_done_again(unbroken: Unbroken, out: Path, portfolio: Folder, layer: str, damage: str) -> None:
    path = sorted((out / "dataset" / layer).iterdir())[1]
    lost = len(json.loads((out / "dataset" / "parts" / f"{path.stem}.json").read_text())["parcels"])
    DAMAGES[damage](path)
    code, said, err = portfolio(out, "--resume")
    assert code == 3 and count(err) == now(said) == lost and str(path) in err
    assert is_whole(out, unbroken)
    # What has healed is no news.
    code, said, err = portfolio(out, "--resume")
    assert code == 3 and now(said) == 0 and "done again" not in err


def test_a_lost_layer_is_done_again(unbroken: Unbroken, out: Path, portfolio: Folder) -> None:
    shutil.rmtree(out / "dataset" / "zones")
    answered = len(pyogrio.read_dataframe(out / "portfolio.gpkg", layer="parcels"))
    # A failed attempt does not count as healed: the parts are gone and the keys still fit.
    (out / "dataset" / "zones").write_bytes(b"")
    assert portfolio(out, "--resume")[0] == 2
    (out / "dataset" / "zones").unlink()
    code, said, _ = portfolio(out, "--resume")
    assert code == 3 and now(said) == answered and is_whole(out, unbroken)


def test_a_part_that_goes_before_the_merge_stops_it(out: Path, portfolio: Folder) -> None:
    (out / "portfolio.gpkg").unlink()
    path = out / "dataset" / "zones" / "part-000003.parquet"
    (out / "dataset" / "zones" / "part-000002.parquet").unlink()
    true = portfolio_run._results

    def results(*given: Any) -> Any:
        yield from true(*given)
        path.unlink()

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(portfolio_run, "_results", results)
        code, said, err = portfolio(out, "--resume")
    assert (code, said) == (2, "") and str(path) in err and "--resume" in err.splitlines()[-1]
    assert not (out / "portfolio.gpkg").exists()


@pytest.mark.parametrize("layer", ["zones", "parcels", "water"])
@pytest.mark.parametrize("loss", ["file", "row"])
def test_the_merge_counts(unbroken: Unbroken, out: Path, portfolio: Folder, layer: str, loss: str) -> None:
    """A file that goes, or that loses a row, in the moment before it is read."""
    (out / "portfolio.gpkg").unlink()
    path = sorted((out / "dataset" / layer).iterdir())[1]
    rows = pq.read_table(path)

    class Late(portfolio_run.Merge):
        def __init__(self, *given: Any) -> None:
            if loss == "file":
                path.unlink()
            else:
                pq.write_table(rows.slice(1), path)
            super().__init__(*given)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(portfolio_run, "Merge", Late)
        code, said, err = portfolio(out, "--resume")
    assert (code, said) == (2, "") and str(out / "dataset") in err and "--resume" in err.splitlines()[-1]
    assert (f"rows of {layer}" if loss == "row" else str(path)) in err and not (out / "portfolio.gpkg").exists()
    assert portfolio(out, "--resume")[0] == 3 and is_whole(out, unbroken)


# A lost or damaged journal.


def test_without_its_journal_a_run_is_left_alone(out: Path, portfolio: Folder) -> None:
    (out / "journal.jsonl").unlink()
    before = tree(out)
    for more in ([], ["--rank", "plan_m2"]):
        code, said, err = portfolio(out, *more)
        assert (code, said) == (2, "") and str(out) in err and "--resume" in err and "--out" in err
        assert tree(out) == before


@pytest.mark.parametrize("loss", ["gone", "empty", "half a line"])
def test_a_lost_journal_is_taken_up_from_the_parts(unbroken: Unbroken, out: Path, portfolio: Folder, loss: str) -> None:
    journal = out / "journal.jsonl"
    content = journal.read_bytes()
    journal.write_bytes(content[:4] if loss == "half a line" else b"")
    if loss == "gone":
        journal.unlink()
    code, said, err = portfolio(out, "--resume")
    assert code == 3 and now(said) == 0 and "done again" not in err
    assert is_whole(out, unbroken)


def test_parts_are_taken_up_only_as_far_as_they_hold(unbroken: Unbroken, out: Path, portfolio: Folder) -> None:
    (out / "journal.jsonl").unlink()
    first, second, third = (out / "dataset" / "parts" / f"part-00000{n}.json" for n in (1, 2, 3))
    parcels = {path: len(json.loads(path.read_text())["parcels"]) for path in (first, second, third)}
    flip(first)
    shutil.copy(third, second)
    flip(out / "dataset" / "zones" / f"{third.stem}.parquet")
    made = {path.relative_to(out).as_posix(): path.read_bytes() for path in (out / "dataset").glob("*/part-000001.*")}
    code, said, err = portfolio(out, "--resume")
    assert code == 3 and now(said) == sum(parcels.values()) and count(err) == parcels[third]
    # Nobody knows any more whose these are, so they stay, and are told of.
    assert kept(out, made) and "It stays" in err and "part-000001" in err
    assert contents(out) == unbroken.bytes
    # The fix that the warning names.
    for path in (out / "dataset").glob("*/part-00000[12].parquet"):
        path.rename(out.parent / f"{path.parent.name} {path.name}")
    code, said, err = portfolio(out, "--resume")
    assert code == 3 and now(said) == 0 and "It stays" not in err and is_whole(out, unbroken)


@pytest.mark.parametrize("left", [1, 3])
def test_a_journal_cut_short_is_taken_up_from_the_parts(
    unbroken: Unbroken, out: Path, portfolio: Folder, left: int
) -> None:
    lines = (out / "journal.jsonl").read_bytes().splitlines(keepends=True)
    (out / "journal.jsonl").write_bytes(b"".join(lines[:left]) + lines[left][:20])
    code, said, _ = portfolio(out, "--resume")
    assert code == 3 and now(said) == 0 and is_whole(out, unbroken)


def test_a_line_that_was_taken_out_is_taken_up_from_its_part(unbroken: Unbroken, out: Path, portfolio: Folder) -> None:
    lines = (out / "journal.jsonl").read_bytes().splitlines(keepends=True)
    (out / "journal.jsonl").write_bytes(b"".join(lines[:2] + lines[3:]))
    code, said, _ = portfolio(out, "--resume")
    assert code == 3 and now(said) == 0 and is_whole(out, unbroken)


def test_records_are_mended(unbroken: Unbroken, out: Path, portfolio: Folder) -> None:
    before = tree(out / "dataset" / "parts")
    flip(out / "dataset" / "parts" / "part-000001.json")
    (out / "dataset" / "parts" / "part-000002.json").unlink()
    code, said, _ = portfolio(out, "--resume")
    assert code == 3 and now(said) == 0 and tree(out / "dataset" / "parts") == before


EDITS: dict[str, Callable[[Any], Any]] = {
    "shorter": lambda seen: seen[:3],
    "longer": lambda seen: [*seen, 1.0],
    "no numbers": lambda seen: ["a", "b", "c", "d"],
    "not finite": lambda seen: [float("nan")] * 4,
    "infinite": lambda seen: [float("-inf"), *seen[1:3], float("inf")],
    "huge": lambda seen: [-1e308, -1e308, 1e308, 1e308],
    "no list": lambda seen: None,
    "slightly larger": lambda seen: [*seen[:3], seen[3] + 1.0],
}


@pytest.mark.parametrize("edit", EDITS)
def test_an_edited_line_is_named(unbroken: Unbroken, out: Path, portfolio: Folder, edit: str) -> None:
    journal = out / "journal.jsonl"
    lines = journal.read_text().splitlines()
    line = json.loads(lines[2])
    one = next(iter(line["parcels"]))
    line["parcels"][one][1] = EDITS[edit](line["parcels"][one][1])
    lines[2] = json.dumps(line, separators=(",", ":"))
    journal.write_text("\n".join(lines) + "\n")
    refused(out, portfolio, "line 3")
    # The fix that the sentence names.
    journal.rename(out.parent / "moved.jsonl")
    assert portfolio(out, "--resume")[0] == 3 and is_whole(out, unbroken)


@pytest.mark.parametrize("text", ["", "{}", "[" * 100_000, "null", "\x00", "é", '{"part":"x"}', "9" * 5000])
def test_a_line_of_others_is_named(out: Path, portfolio: Folder, text: str) -> None:
    for number in (1, 3):
        lines = (out / "journal.jsonl").read_text().splitlines()
        lines[number - 1] = text
        before = (out / "journal.jsonl").read_bytes()
        (out / "journal.jsonl").write_text("\n".join(lines) + "\n")
        refused(out, portfolio, f"line {number}")
        (out / "journal.jsonl").write_bytes(before)


def refused(out: Path, portfolio: Folder, place: str) -> None:
    before = tree(out)
    for more in (["--resume"], ["--only-failed"]):
        code, said, err = portfolio(out, *more)
        (sentence,) = err.splitlines()
        assert (code, said) == (2, "") and str(out / "journal.jsonl") in sentence and place in sentence
        assert "--resume" in sentence
        assert tree(out) == before


@pytest.mark.parametrize("damage", ["gone", "flipped"])
def test_a_run_that_is_refused_leaves_the_index_as_it_is(out: Path, portfolio: Folder, damage: str) -> None:
    DAMAGES[damage](out / "index.json")
    flip(out / "journal.jsonl")
    refused(out, portfolio, "line ")
    (out / ".lock").unlink()
    (out / "journal.jsonl").unlink()
    before = tree(out)
    assert portfolio(out)[0] == 2 and tree(out) == before


@pytest.mark.parametrize("damage", ["flipped", "cut", "empty", "edited"])
def test_a_damaged_index_is_made_anew(unbroken: Unbroken, out: Path, portfolio: Folder, damage: str) -> None:
    path = out / "index.json"
    whole = path.read_bytes()
    if damage == "edited":
        # A cell of the wrong size would be believed: nothing else tells it from a right one.
        path.write_bytes(whole.replace(b'"bands":1', b'"bands":2', 1))
    else:
        DAMAGES[damage](path)
    assert path.read_bytes() != whole
    code, said, _ = portfolio(out, "--resume")
    assert code == 3 and now(said) == 0 and path.read_bytes() == whole
    assert is_whole(out, unbroken)
