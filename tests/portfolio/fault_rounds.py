"""Random faults in the folder of a run, then a resume: the result of an undisturbed run, or a sentence to follow.

`python tests/portfolio/fault_rounds.py --rounds 200` plays that many rounds and writes docs/reliability.md, and with
`--rounds 0` it writes the page alone, from the rounds that were played last.
"""

import argparse
import contextlib
import io
import json
import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

if __name__ == "__main__":
    sys.path.insert(1, str(Path(__file__).resolve().parents[1] / "support"))

import openpyxl
import pyarrow as pa
import pyarrow.parquet as pq
from command_line import Answer, Process, finish
from district import District, make_district
from fault_page import RECORD as KEPT
from fault_page import STAYS, outcome, write
from fault_plan import DAMAGES, PLACES, RUN_KILLED, STARTS, WORKER_KILLED, Fault, Round, plan
from foreign_files import plant, tree
from made_portfolio import SEASON
from portfolio_runner import children, contents, lines, run, start, wait_for
from process_groups import nobody_left

from slopekit.cli import main

DONE = 3
"""Some parcels lie on a corrupt tile, and each run says so."""
SMALL = {"SMALL_TASKS": "3"}
SLOW = {"SMALL_TASKS": "1", "SLOW": "0.1"}
IN_TESTS = 24
"""Rounds that the tests play."""
_SENTENCES = 12
"""More than there are files that a sentence can be about."""


class ThirdThing(Exception):
    """Neither the result of an undisturbed run nor a sentence that leads to it."""


@dataclass(frozen=True)
class Bench:
    """A district, the folders that rounds begin with, and what each must end with."""

    district: District
    season: Path
    starts: dict[str, Path]
    seconds: dict[str, float]
    """What a run takes from each start."""
    results: dict[str, Any]

    def line(self, out: Path, *more: str) -> list[str]:
        return self.district.line(str(out), "--season", str(self.season), "--quiet", "--resume", *more)


def make_bench(folder: Path) -> Bench:
    """24 parcels of 0.13 ha on 16 tiles in two CRSs; three of them on a corrupt tile."""
    district = make_district(folder / "district", parcels=24, across=4, side=160, lot=36.0, run=30.0)
    figures = district.fleet.read_text().replace("speed_kmh", "efficiency = 0.8\nspeed_kmh")
    district.fleet.write_text(f"{figures}hand_rate_m2_h = 90.0\n")
    season = folder / "season.toml"
    season.write_text(SEASON)
    starts = {name: folder / name for name in STARTS}
    bench = Bench(district, season, starts, {}, {})
    finished, half, merging = starts.values()
    answer = run(bench.line(finished, "--workers", "2"), **SMALL)
    _require(answer.code == DONE, "an undisturbed run did not end well", answer.err)
    process = start(bench.line(half, "--workers", "1"), **SMALL, SLOW="0.2")
    wait_for(lambda: lines(half) > 4, process)
    _end(process)
    held = folder / "held"
    process = start(bench.line(merging, "--workers", "2"), **SMALL, HOLD="sqlite3.connect", HELD=str(held))
    wait_for(held.exists, process)
    _end(process)
    for name, path in starts.items():
        missing = [place for place in STARTS[name] if not [*path.glob(PLACES[place])]]
        _require(not missing, f"'{name}' has no {missing}")
        copy = shutil.copytree(path, folder / "timed")
        began = time.monotonic()
        run(bench.line(copy, "--workers", "2"))
        bench.seconds[name] = time.monotonic() - began
        shutil.rmtree(copy)
    bench.results.update(results_of(finished, _parts(finished)))
    return bench


def play(bench: Bench, seed: int, folder: Path) -> list[str]:
    """One round: the sentences that a user had to follow, none if the first resume gave the whole result.

    folder: an empty one. Raises ThirdThing.
    """
    what, out = plan(seed), folder / "out"
    shutil.copytree(bench.starts[what.start], out)
    foreign = plant(out, what.foreign)
    try:
        for fault in what.faults:
            _strike(bench, what, fault, out)
        return settle(bench, what, out, foreign)
    except ThirdThing as third:
        raise ThirdThing(f"{what}: {third}; the folder is {out}") from third


def _strike(bench: Bench, what: Round, fault: Fault, out: Path) -> None:
    if fault.what in DAMAGES:
        paths = [p for p in sorted(out.glob(PLACES[fault.place])) if p.relative_to(out).as_posix() not in what.foreign]
        _damage(paths[int(fault.which * len(paths))], fault)
        return
    before, share = shutil.copytree(out, out.with_name("before")), 0.3 + 0.7 * fault.amount
    strike = {RUN_KILLED: _kill_run, WORKER_KILLED: _kill_worker}[fault.what]
    # A run that was faster than the kill is done once more and killed sooner.
    while not strike(bench, out, fault, share * bench.seconds[what.start]):
        shutil.rmtree(out)
        shutil.copytree(before, out)
        share *= 0.7
        _require(share > 0.01, "there was nothing to kill")
    shutil.rmtree(before)


def _damage(path: Path, fault: Fault) -> None:
    content = bytearray(path.read_bytes())
    if fault.what == "deleted":
        path.unlink()
        return
    if fault.what == "cut":
        del content[int(fault.amount * len(content)) :]
    else:
        draw = random.Random(fault.seed)
        content = content or bytearray(1)
        for at in draw.sample(range(len(content)), min(len(content), draw.choice((1, 8)))):
            content[at] ^= draw.randrange(1, 256)
    path.write_bytes(content)


def _kill_run(bench: Bench, out: Path, _: Fault, seconds: float) -> bool:
    process = start(bench.line(out, "--workers", "2"), **SMALL)
    with contextlib.suppress(subprocess.TimeoutExpired):
        process.wait(timeout=seconds)
    return _end(process)


def _end(process: Process) -> bool:
    """Kill a run and all its workers at one blow; whether it was there to be killed."""
    with contextlib.suppress(ProcessLookupError):
        os.killpg(process.pid, signal.SIGKILL)
    process.communicate(timeout=60)
    return process.returncode == -signal.SIGKILL


def _kill_worker(bench: Bench, out: Path, fault: Fault, seconds: float) -> bool:
    process = start(bench.line(out, "--workers", "2"), **SLOW)
    there = wait_for(lambda: children(process.pid), process)
    time.sleep(min(seconds, 0.5) * fault.amount)
    crew = children(process.pid)
    if there and crew:
        with contextlib.suppress(ProcessLookupError):
            os.kill(crew[int(fault.which * len(crew))], signal.SIGKILL)
    answer = finish(process)
    well = answer.code == DONE and nobody_left(process.pid)
    _require(well, "a run did not get over the loss of a worker", answer.err)
    return there and bool(crew)


def resume(bench: Bench, out: Path, *more: str) -> Answer:
    said, told = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(said), contextlib.redirect_stderr(told):
        code = main(bench.line(out, "--workers", "1", *more))
    return Answer(code, said.getvalue(), told.getvalue())


def settle(bench: Bench, what: Round, out: Path, foreign: dict[str, bytes]) -> list[str]:
    """Resume and follow the sentences until the result is there."""
    sentences: list[str] = []
    more: tuple[str, ...] = ()
    while True:
        before = tree(out)
        answer = resume(bench, out, *more)
        _require(foreign.items() <= tree(out).items(), "a file of others is gone or changed", answer.err)
        _require("Traceback" not in answer.err, "a traceback", answer.err)
        if answer.code == DONE:
            break
        sentences.append(_sentence(answer, out))
        _require(tree(out) == before, "a run that ended with a sentence changed the folder", answer.err)
        _require(len(sentences) < _SENTENCES, "the sentences never end", answer.err)
        more = _follow(sentences[-1], what.overwrite)
    if _strangers(out, what):
        told = [line for line in answer.err.splitlines() if STAYS in line]
        _require(bool(told), "parts that nobody knows were left without a word", answer.err)
        sentences += told
    found = results_of(out, _parts(out))
    wrong = [name for name, content in bench.results.items() if found[name] != content]
    _require(not wrong, f"{wrong} are not those of an undisturbed run", answer.err)
    return sentences


def _sentence(answer: Answer, out: Path) -> str:
    """The one sentence of a refusal, which names a file of the folder."""
    told = [line for line in answer.err.splitlines() if line.startswith("Error: ")]
    _require((answer.code, answer.out, len(told)) == (2, "", 1), f"exit code {answer.code}", answer.err)
    sentence = told[0].removeprefix("Error: ")
    _require(sentence.startswith(f"{out}{os.sep}"), "the sentence names no file", answer.err)
    return sentence


def _follow(sentence: str, overwrite: bool) -> tuple[str, ...]:
    """Do what the sentence asks for; the options that it asks for are returned."""
    path = Path(sentence.partition(": ")[0])
    if "--overwrite" in sentence and (overwrite or "move" not in sentence):
        return ("--overwrite",)
    if "move" in sentence:
        aside = path.parents[1] / "aside" if path.parent.name == "out" else path.parents[3] / "aside"
        aside.mkdir(exist_ok=True)
        path.rename(aside / f"{len([*aside.iterdir()])} {path.name}")
        return ()
    _require("run again" in sentence and "--resume" in sentence, "the sentence says nothing that can be done", sentence)
    return ()


def _parts(out: Path) -> dict[str, list[Path]]:
    """The files of the dataset that the journal knows, by layer."""
    known: dict[str, dict[str, Any]] = {}
    for text in (out / "journal.jsonl").read_bytes().splitlines():
        line = json.loads(text)
        for gone in line.get("removed", ()):
            known.pop(gone, None)
        if "files" in line:
            known[line["part"]] = line["files"]
    layers = sorted({layer for files in known.values() for layer in files})
    return {
        layer: [out / "dataset" / layer / f"part-{name}.parquet" for name in sorted(known) if layer in known[name]]
        for layer in layers
    }


def _strangers(out: Path, what: Round) -> list[Path]:
    """Parts that lie in the dataset, and that neither the journal knows nor a user has put there."""
    known = {path for paths in _parts(out).values() for path in paths} | {out / name for name in what.foreign}
    return [path for path in sorted(out.glob("dataset/*/part-*.parquet")) if path not in known]


def results_of(out: Path, parts: dict[str, list[Path]]) -> dict[str, Any]:
    """What must be equal: the bytes of the results, the cells of the bid, the rows of the dataset."""
    found: dict[str, Any] = dict(contents(out))
    found["manifest.json"] = json.loads((out / "manifest.json").read_bytes())
    # It also tells which parcels shared a window, and so how the run went.
    del found["manifest.json"]["state"]
    book = openpyxl.load_workbook(out / "bid.xlsx")
    found["bid.xlsx"] = [(sheet.title, [*sheet.iter_rows(values_only=True)]) for sheet in book]
    for layer, paths in parts.items():
        rows = pa.concat_tables([pq.read_table(path) for path in paths]).to_pylist()
        found[f"rows of {layer}"] = sorted(repr(row) for row in rows)
    return found


def _require(held: bool, what: str, told: str = "") -> None:
    if not held:
        raise ThirdThing(f"{what}\n{told[-2000:]}".rstrip())


def _play_all(rounds: int) -> dict[int, list[str]]:
    """The sentences by seed. Every third thing is printed; its folder stays."""
    told, failed = {}, 0
    place = Path(tempfile.mkdtemp(prefix="rounds"))
    bench = make_bench(place)
    for seed in range(rounds):
        folder = place / str(seed)
        folder.mkdir()
        try:
            told[seed] = play(bench, seed, folder)
        except ThirdThing as third:
            failed += 1
            print(third, flush=True)
            continue
        shutil.rmtree(folder)
        print(f"round {seed}: {'named' if told[seed] else 'equal'}", flush=True)
    if failed:
        raise SystemExit(f"{failed} of {rounds} rounds ended in a third way.")
    shutil.rmtree(place)
    return told


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rounds", type=int, required=True)
    wanted = parser.parse_args().rounds
    write(outcome(_play_all(wanted), wanted) if wanted else json.loads(KEPT.read_text(encoding="utf-8")), IN_TESTS)
