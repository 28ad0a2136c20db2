"""After random faults a resume gives the result of an undisturbed run, or the command names what is wrong."""

import json
import shutil
import sys
from collections.abc import Callable
from pathlib import Path

import fault_rounds
import pytest
from command_line import Answer
from fault_page import PAGE, RECORD, page
from fault_plan import PLACES, STARTS, digest, plan
from fault_rounds import DONE, IN_TESTS, Bench, ThirdThing, make_bench, play

pytestmark = [pytest.mark.fault, pytest.mark.slow]

linux = pytest.mark.skipif(sys.platform != "linux", reason="the processes of a run are found in /proc")


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Bench:
    return make_bench(tmp_path_factory.mktemp("bench"))


@linux
@pytest.mark.parametrize("seed", range(IN_TESTS))
def test_a_round_of_faults_ends_equal_or_named(bench: Bench, seed: int, tmp_path: Path) -> None:
    play(bench, seed, tmp_path)


# What the rounds look at, each with a command that does the wrong thing.


def _lose_a_row(out: Path) -> None:
    first, second, *_ = sorted((out / "dataset" / "zones").glob("part-00000*.parquet"))
    shutil.copy(first, second)


WRONGS: dict[str, tuple[int, str, Callable[[Path], object], str]] = {
    "another map": (DONE, "", lambda out: (out / "portfolio.gpkg").write_bytes(b"x"), "portfolio.gpkg"),
    "another sum": (DONE, "", lambda out: (out / "summary.csv").write_bytes(b"x"), "summary.csv"),
    "other rows": (DONE, "", _lose_a_row, "rows of zones"),
    "a part of nobody": (
        DONE, "", lambda out: shutil.copy(next((out / "dataset/zones").glob("*1.parquet")),
                                          out / "dataset/zones/part-000077.parquet"), "without a word",
    ),
    "a foreign file": (DONE, "", lambda out: (out / "keep.txt").unlink(), "file of others"),
    "done with another code": (0, "", lambda out: None, "exit code 0"),
    "a traceback": (1, "Traceback (most recent call last):", lambda out: None, "traceback"),
    "no name": (2, "Error: Something is wrong, so run again with --resume.", lambda out: None, "names no file"),
    "no way out": (2, "Error: {out}/index.json: this is wrong.", lambda out: None, "nothing that can be done"),
    "a changed folder": (
        2, "Error: {out}/index.json: run again with --resume.", lambda out: (out / "summary.csv").unlink(), "changed",
    ),
    "other headers": (
        2, "Error: {out}/index.json: run again with --resume.", lambda out: (out / "index.json").write_bytes(b"x"),
        "changed",
    ),
    "no end": (2, "Error: {out}/index.json: run again with --resume.", lambda out: None, "never end"),
}  # fmt: skip


@linux
@pytest.mark.parametrize("wrong", WRONGS)
def test_a_third_thing_is_found(bench: Bench, wrong: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    code, err, do, told = WRONGS[wrong]
    out = tmp_path / "out"
    shutil.copytree(bench.starts["finished"], out)
    (out / "keep.txt").write_bytes(b"not ours")

    def resume(_: Bench, out: Path, *more: str) -> Answer:
        do(out)
        return Answer(code, "", err.format(out=out))

    monkeypatch.setattr(fault_rounds, "resume", resume)
    with pytest.raises(ThirdThing, match=told):
        fault_rounds.settle(bench, plan(0), out, {"keep.txt": b"not ours"})


def test_seeds_alone_tell_what_is_done() -> None:
    record = json.loads(RECORD.read_text(encoding="utf-8"))
    seeds = range(record["rounds"])
    assert len(seeds) >= 200 and digest(seeds) == record["plan"], "play the rounds again: see docs/reliability.md"
    struck = {(fault.what, fault.place) for seed in seeds for fault in plan(seed).faults}
    assert {place for _, place in struck} == {"", *PLACES}
    assert {plan(seed).start for seed in seeds} == STARTS.keys()


def test_the_page_is_that_of_the_rounds_and_of_the_tests() -> None:
    record = json.loads(RECORD.read_text(encoding="utf-8"))
    assert PAGE.read_text(encoding="utf-8") == page(record, IN_TESTS), (
        "make the page again: python tests/portfolio/fault_rounds.py --rounds 0"
    )
