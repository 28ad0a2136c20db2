"""Processes of this machine that do tasks, each held to a time. One that hangs or dies is replaced, and nothing else.

The standard library's pool gives up all its processes when one is killed, so it cannot serve here.
"""

import contextlib
import math
import time
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from multiprocessing import connection

from slopekit.errors import InputError
from slopekit.pool import Hand, hired
from slopekit.portfolio.tasks import LAST_STAGE_S, Done, Task, Work, after_loss, do
from slopekit.windows import most_processes

_PATIENCE_S = 1.0
_BEGIN_S = 120.0
"""For a process to take up a task. Where processes are not forked it loads all libraries first."""
_TRIES = 2
"""Processes that may fail to begin, one after another, for each worker."""
_OUTSIDE = (
    "Parcel '{}': its process was ended from outside twice, most often because memory ran out: give a smaller number "
    "with --workers, or a smaller --memory-limit."
)
_LAST_STAGE = (
    "Parcel '{}' was screened, but its records were not written down within {:g} s: try again with --resume, and check "
    "its shape if that happens again."
)
_TOO_LONG = "Parcel '{}' was not done within {:g} s: check its shape, or give a larger --time-limit."


@dataclass
class _Busy:
    """One process and what it is doing."""

    hand: Hand
    task: Task | None = None
    at: int | None = 0
    """Group of the task; None when all are done."""
    begun: bool = False
    """Whether it has said anything of the task."""
    deadline: float = math.inf


def run_tasks(work: Work, tasks: Sequence[Task], workers: int) -> Iterator[Done]:
    """The result of every task, in the order in which they are done, from `workers` processes.

    A parcel that takes longer than the limit, or whose process dies twice, is among the failures of a result of its
    own. Close the iterator to end all processes. Raises InputError where processes do not begin.
    """
    waiting, workers = deque(tasks), most_processes(workers)
    again: dict[str, int] = {}
    team: list[_Busy] = []
    stuck = 0
    try:
        while waiting or any(one.task for one in team):
            while len(team) < workers and len(team) < len(waiting) + sum(one.task is not None for one in team):
                team.append(_Busy(hired(_act, work)))
            for one in team:
                if one.task is None and waiting:
                    one.task, one.at, one.begun = waiting.popleft(), 0, False
                    one.deadline = time.monotonic() + _BEGIN_S
            busy = {one.hand.pipe: one for one in team if one.task is not None}
            soonest = min(one.deadline for one in busy.values()) - time.monotonic()
            for pipe in connection.wait([*busy], timeout=max(0.0, min(_PATIENCE_S, soonest))):
                one = busy[pipe]
                try:
                    said = one.hand.pipe.recv()
                except (EOFError, OSError):
                    yield from _lost(one, team, waiting, again, _OUTSIDE)
                    continue
                if isinstance(said, Exception):
                    raise said
                if said is None:
                    with contextlib.suppress(OSError):  # it is dead, which shows later
                        one.hand.pipe.send(one.task)
                    continue
                one.begun, stuck = True, 0
                if isinstance(said, Done):
                    one.task, one.deadline = None, math.inf
                    yield said
                else:
                    (one.at,) = said
                    one.deadline = time.monotonic() + _seconds(one.at, work)
            # What came in while a result was put away counts first.
            for one in [o for o in team if o.deadline < time.monotonic() and not o.hand.pipe.poll()]:
                if one.begun:
                    sentence = _LAST_STAGE if one.at is None else _TOO_LONG
                    yield from _lost(one, team, waiting, None, sentence, _seconds(one.at, work))
                    continue
                # No parcel is at fault: another process may do better.
                stuck += 1
                if stuck >= _TRIES * workers:
                    raise InputError(
                        f"{stuck} worker processes in a row did not begin within {_BEGIN_S:g} s: see what holds this "
                        "machine up and go on with --resume; what is done is kept."
                    )
                assert one.task is not None
                waiting.appendleft(one.task)
                _dismissed(one, team)
    finally:
        for one in team:
            one.hand.dismiss()


def _seconds(at: int | None, work: Work) -> float:
    return LAST_STAGE_S if at is None else work.limits.seconds


def _lost(
    one: _Busy, team: list[_Busy], waiting: "deque[Task]", again: dict[str, int] | None, sentence: str, *values: float
) -> Iterator[Done]:
    """Let a process go and see to its task. again: how often each parcel was lost for no known reason."""
    _dismissed(one, team)
    assert one.task is not None
    group = one.task[one.at or 0].parcels
    if again is not None and len(group) == 1:
        again[group[0].id] = again.get(group[0].id, 0) + 1
        if again[group[0].id] < 2:
            waiting.appendleft(one.task)
            return
    todo, failures = after_loss(one.task, one.at, sentence.format(group[0].id, *values))
    waiting.extendleft(reversed(todo))
    if failures:
        yield Done(failures=failures)


def _dismissed(one: _Busy, team: list[_Busy]) -> None:
    one.hand.dismiss()
    team.remove(one)


def _act(work: Work, task: Task, say: Callable[[tuple[int | None]], None]) -> Done:
    # What it raises is not of one parcel, which `do` looks after: the run cannot go on.
    return do(work, task, lambda number: say((number,)))
