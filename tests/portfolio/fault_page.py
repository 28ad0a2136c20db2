"""docs/reliability.md from what rounds of faults came to and from the names of the tests of other faults."""

import ast
import json
import re
import subprocess
import sys
from collections import Counter
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from fault_plan import DAMAGES, LEFT, PARTS, RECORDS, RUN_KILLED, WORKER_KILLED, digest, plan

from slopekit import __version__

ROOT = Path(__file__).resolve().parents[2]
PAGE = ROOT / "docs" / "reliability.md"
RECORD = Path(__file__).with_name("fault_rounds.json")
"""What the rounds came to that the page tells of."""
OTHERS = (
    "tests/screening/test_screen_kills.py",
    "tests/screening/test_screen_disk.py",
    "tests/screening/test_screen_faults.py",
    "tests/screening/test_screen_odd_input.py",
    "tests/sources/test_bad_elevation.py",
    "tests/sources/test_bad_parcels.py",
    "tests/fleet/test_bad_fleet.py",
    "tests/screening/test_odd_paths.py",
    "tests/screening/test_little_memory.py",
    "tests/cli/test_cli_overwrite.py",
    "tests/cli/test_cli_terminal.py",
    "tests/outputs/test_csv_formulas.py",
    "tests/sources/test_behind.py",
    "tests/sources/test_seams.py",
    "tests/kernels/test_kernel_cache.py",
    "tests/portfolio/test_portfolio_kills.py",
    "tests/portfolio/test_portfolio_disk.py",
    "tests/portfolio/test_portfolio_folder.py",
    "tests/portfolio/test_portfolio_states.py",
    "tests/portfolio/test_portfolio_surveys.py",
    "tests/portfolio/test_portfolio_merge.py",
    "tests/portfolio/test_portfolio_limits.py",
    "tests/portfolio/test_portfolio_dask.py",
    "tests/portfolio/test_portfolio_scheduler.py",
    "tests/portfolio/test_portfolio_http.py",
    "tests/portfolio/test_no_remote.py",
)
"""Tests of other faults: of single runs, then of portfolios."""
STAYS = "no line of the journal names this file"
"""What a resume warns of and does not end with."""
_HEAD = """\
# Reliability

Made by `python tests/portfolio/fault_rounds.py --rounds {rounds}`. Do not edit it; the tests compare.

## Random faults in the folder of a portfolio

Each round begins with a folder of a portfolio of 24 parcels that is finished, was killed half-way, or was killed while
its results were written. Four files of others lie in it. One or two faults come, drawn from a seed. Then
`slopekit portfolio --resume` is run, and each sentence that it ends with is followed, until a result is there. A round
ends in one of two ways:

- **equal**: the first resume gives the result of an undisturbed run. `portfolio.gpkg` and the summaries have the same
  bytes, the bid the same cells, the dataset the same rows, and `manifest.json` names the same files.
- **named**: the command says in one sentence which file is wrong and what to do. It ends with it (exit code 2) and has
  changed no file of the folder. Doing what the sentence says leads to the same result.

Where the record of a part is damaged and the journal too, nobody knows any more whose the files of the part are. They
stay, and the command names them in a warning. The result is that of an undisturbed run, and so are the rows of the
parts that the journal knows. Such a round counts as named; there {were} in these.

In no round is a file of others changed or gone. A third thing is a fault of slopekit, and fails the tests. They play
the first {some} of these rounds.

{rounds} rounds, seeds 0 to {last}, plans `{plan}`, slopekit {version}: {equal} ended equal, {named} named, none in
another way. A round with two faults counts under both.

"""


def outcome(told: Mapping[int, Sequence[str]], rounds: int) -> dict[str, Any]:
    """What is kept of rounds: the sentences by seed, where there are any."""
    sentences = {str(seed): [_plain(text) for text in texts] for seed, texts in told.items() if texts}
    return {"slopekit": __version__, "rounds": rounds, "plan": digest(range(rounds)), "told": sentences}


def _plain(sentence: str) -> str:
    """Without the folder, and without numbers that are other ones each time."""
    sentence = re.sub(r"^(Warning: )?\S.*?/out/", "", sentence)
    return re.sub(r"\b\d+\b", "N", sentence)


def write(record: Mapping[str, Any], some: int) -> None:
    RECORD.write_text(json.dumps(record, indent=1, ensure_ascii=False) + "\n", encoding="utf-8")
    PAGE.write_text(page(record, some), encoding="utf-8")


def page(record: Mapping[str, Any], some: int) -> str:
    """some: how many rounds the tests play."""
    rounds, told = record["rounds"], record["told"]
    warned = sum(any(STAYS in text for text in texts) for texts in told.values())
    head = _HEAD.format(
        rounds=rounds, last=rounds - 1, plan=record["plan"], version=record["slopekit"], some=some,
        equal=rounds - len(told), named=len(told), were="was 1" if warned == 1 else f"were {warned or 'none'}",
    )  # fmt: skip
    said = Counter(text.partition(": ")[2] for texts in told.values() for text in texts)
    return "".join(
        [
            head,
            table(("fault", "file", "tried", "equal", "named"), _counts(rounds, told)),
            "\nWhat was said, and how often:\n\n",
            table(("sentence, after the name of the file", "times"), said.most_common()),
            "\n## Other faults\n\nEach line is a test that must pass, with the number of its cases.\n",
            *(_others(name, cases) for name, cases in _collected().items()),
        ]
    )


def _counts(rounds: int, told: Mapping[str, Any]) -> list[tuple[Any, ...]]:
    tried: Counter[tuple[str, str]] = Counter()
    named: Counter[tuple[str, str]] = Counter()
    for seed in range(rounds):
        for fault in plan(seed).faults:
            tried[fault.what, fault.place] += 1
            named[fault.what, fault.place] += str(seed) in told
    kinds = (RUN_KILLED, WORKER_KILLED, *DAMAGES)
    files = ("", "journal.jsonl", "index.json", PARTS, RECORDS, LEFT)
    order = sorted(tried, key=lambda one: (kinds.index(one[0]), one[1] not in files and 1, one[1]))
    return [(*one, tried[one], tried[one] - named[one], named[one]) for one in order]


def table(head: Sequence[str], rows: Sequence[Sequence[Any]]) -> str:
    lines = [head, ["---" if n == 0 or name == "file" else "---:" for n, name in enumerate(head)], *rows]
    return "".join(f"| {' | '.join(str(cell) for cell in line)} |\n" for line in lines)


def _others(name: str, cases: Mapping[str, int]) -> str:
    about = (ast.get_docstring(ast.parse((ROOT / name).read_text(encoding="utf-8"))) or "").splitlines()[0]
    rows = [(test.removeprefix("test_").replace("_", " "), count) for test, count in cases.items()]
    return f"\n`{name}`: {about}\n\n" + table(("what", "cases"), rows)


def _collected() -> dict[str, dict[str, int]]:
    """Cases of each test, by file, in the order of the files."""
    command = [sys.executable, "-m", "pytest", "--collect-only", "-q", "-p", "no:cacheprovider", *OTHERS]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    found: dict[str, dict[str, int]] = {name: {} for name in OTHERS}
    for line in done.stdout.splitlines():
        name, mark, test = line.partition("::")
        if mark and name in found:
            test = test.partition("[")[0]
            found[name][test] = found[name].get(test, 0) + 1
    return found
