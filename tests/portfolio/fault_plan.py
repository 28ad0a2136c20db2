"""What a random round of faults does to the folder of a run: drawn from its seed alone."""

import hashlib
import random
from collections.abc import Iterable
from dataclasses import dataclass

from foreign_files import FOREIGN

RUN_KILLED, WORKER_KILLED = "the whole run killed", "one worker killed"
DAMAGES = ("cut", "deleted", "flipped")
PARTS, RECORDS, LEFT = "a part (dataset/*/*.parquet)", "a part's record (dataset/parts/*.json)", "what a kill left"
_EARLY = {
    "journal.jsonl": "journal.jsonl",
    "index.json": "index.json",
    PARTS: "dataset/*/part-*.parquet",
    RECORDS: "dataset/parts/part-*.json",
    ".slopekit_outputs.jsonl": ".slopekit_outputs.jsonl",
    ".lock": ".lock",
}
_RESULTS = ("portfolio.gpkg", "summary.csv", "summary.xlsx", "summary.json", "bid.xlsx", "manifest.json")
PLACES = _EARLY | {name: name for name in _RESULTS} | {LEFT: ".portfolio.gpkg.*.partial"}
"""Pattern of the files, by what the page calls them."""
STARTS = {
    "finished": (*_EARLY, *_RESULTS),
    "killed half-way": (*_EARLY,),
    "killed while the results were written": (*_EARLY, LEFT),
}
"""Places that a folder has, by what became of the run in it."""


@dataclass(frozen=True)
class Fault:
    what: str
    place: str
    """Empty for a kill."""
    which: float
    """Which of the files or workers, as a share of their number."""
    amount: float
    """What is left of a file that is cut, or how far a run has come when it is killed, as a share."""
    seed: int
    """For the bytes that are flipped."""


@dataclass(frozen=True)
class Round:
    seed: int
    start: str
    faults: tuple[Fault, ...]
    foreign: tuple[str, ...]
    """Files of others that lie in the folder."""
    overwrite: bool
    """Whether a sentence that offers a choice is answered with --overwrite, and not by moving the file away."""


def plan(seed: int) -> Round:
    draw = random.Random(seed)
    start = draw.choice(("finished", *STARTS))
    faults = [_fault(draw, start)]
    if draw.random() < 0.5:
        more = _fault(draw, start)
        # A file that is gone cannot be cut.
        if more.place not in {fault.place for fault in faults} - {"", PARTS, RECORDS}:
            faults.append(more)
    faults.sort(key=_turn)
    return Round(seed, start, tuple(faults), tuple(draw.sample(FOREIGN, 4)), draw.random() < 0.5)


def _turn(fault: Fault) -> int:
    """A run takes away what a kill left, and one that a damage ends with a sentence does not get far enough to be
    killed."""
    return 0 if fault.place == LEFT else 1 if fault.place in ("", PARTS, RECORDS) else 2


def _fault(draw: random.Random, start: str) -> Fault:
    what = draw.choice((RUN_KILLED, WORKER_KILLED, *DAMAGES, *DAMAGES))
    place = "" if what not in DAMAGES else draw.choice(STARTS[start])
    if place == ".lock" and what == "cut":
        what = "flipped"  # it is empty
    return Fault(what, place, draw.random(), draw.random(), draw.getrandbits(32))


def digest(seeds: Iterable[int]) -> str:
    """What tells one set of plans from another."""
    return hashlib.sha256(repr([plan(seed) for seed in seeds]).encode()).hexdigest()[:16]
