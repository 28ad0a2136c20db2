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
    ".lock": ".lock",
}
_RESULTS = (
    "portfolio.gpkg",
    "summary.csv",
    "summary.xlsx",
    "summary.json",
    "bid.xlsx",
    "manifest.json",
    ".slopekit_outputs.jsonl",
)
PLACES = _EARLY | {name: name for name in _RESULTS} | {LEFT: ".portfolio.gpkg.*.partial"}
"""Pattern of the files, by what the page calls them."""
STARTS = {
    "finished": (*_EARLY, *_RESULTS),
    "killed half-way": (*_EARLY,),
    "killed while the results were written": (*_EARLY, LEFT),
}
"""Places that a folder has, by what became of the run in it."""


_KILLS = 5
"""How often each kill comes in the time in which each damage of each place comes once."""


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
    """Seeds that follow each other go through all faults; the rest is drawn."""
    draw, faults = random.Random(seed), _all_faults()
    first = faults[seed % len(faults)]
    start = draw.choice([name for name, places in STARTS.items() if first[1] in ("", *places)])
    some = [first]
    if draw.random() < 0.5:
        more = draw.choice([one for one in faults if one[1] in ("", *STARTS[start])])
        # A file that is gone cannot be cut.
        if more[1] != first[1] or more[1] in ("", PARTS, RECORDS):
            some.append(more)
    some.sort(key=_turn)
    struck = tuple(Fault(*one, draw.random(), draw.random(), draw.getrandbits(32)) for one in some)
    return Round(seed, start, struck, tuple(draw.sample(FOREIGN, 4)), draw.random() < 0.5)


def _all_faults() -> list[tuple[str, str]]:
    """What is done, and to what, in an order that mixes them."""
    kills = [(what, "") for what in (RUN_KILLED, WORKER_KILLED)] * _KILLS
    # The lock is empty: nothing can be cut from it.
    damages = [(what, place) for what in DAMAGES for place in PLACES if (what, place) != ("cut", ".lock")]
    return random.Random(1).sample([*kills, *damages], len(kills) + len(damages))


def _turn(fault: tuple[str, str]) -> int:
    """A run takes away what a kill left, and one that a damage ends with a sentence does not get far enough to be
    killed."""
    return 0 if fault[1] == LEFT else 1 if fault[1] in ("", PARTS, RECORDS) else 2


def digest(seeds: Iterable[int]) -> str:
    """What tells one set of plans from another."""
    return hashlib.sha256(repr([plan(seed) for seed in seeds]).encode()).hexdigest()[:16]
