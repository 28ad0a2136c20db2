"""Processes of this machine that do tasks, each held to a time. One that hangs or dies is replaced, and nothing else.

The standard library's pool gives up all its processes when one is killed, so it cannot serve here.
"""

import contextlib
import signal
import threading
import time
from collections import deque
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from multiprocessing import connection, get_all_start_methods, get_context
from typing import Any

from slopekit.pool import end_with_parent_in_thread, uninterrupted
from slopekit.portfolio.tasks import Done, Task, Work, after_loss, do

_PATIENCE_S = 1.0
_OUTSIDE = (
    "Parcel '{}': its process was ended from outside twice, most often because memory ran out: give a smaller number "
    "with --workers, or a smaller --memory-limit."
)
_TOO_LONG = "Parcel '{}' was not done within {:g} s: check its shape, or give a larger --time-limit."


@dataclass
class _Hand:
    """One process and what it is doing."""

    process: Any
    pipe: Any
    task: Task | None = None
    at: int | None = 0
    """Group of the task; None when all are done."""
    deadline: float = float("inf")


def crew(work: Work, tasks: Sequence[Task], workers: int) -> Iterator[Done]:
    """The result of every task, in the order in which they are done, from `workers` processes.

    A parcel that takes longer than the limit, or whose process dies twice, is among the failures of a result of its
    own. Close the iterator to end all processes.
    """
    waiting = deque(tasks)
    again: dict[str, int] = {}
    hands: list[_Hand] = []
    try:
        while waiting or any(h.task for h in hands):
            while len(hands) < workers and len(hands) < len(waiting) + sum(h.task is not None for h in hands):
                hands.append(_hired(work))
            for hand in hands:
                if hand.task is None and waiting:
                    hand.task, hand.at, hand.deadline = waiting.popleft(), 0, float("inf")
                    with contextlib.suppress(OSError):  # it is dead, which shows below
                        hand.pipe.send(hand.task)
            busy = {h.pipe: h for h in hands if h.task is not None}
            soonest = min(h.deadline for h in busy.values()) - time.monotonic()
            for pipe in connection.wait([*busy], timeout=max(0.0, min(_PATIENCE_S, soonest))):
                hand = busy[pipe]
                try:
                    said = hand.pipe.recv()
                except (EOFError, OSError):
                    yield from _lost(hand, hands, waiting, again, _OUTSIDE)
                    continue
                if isinstance(said, Exception):
                    raise said
                if isinstance(said, Done):
                    hand.task, hand.deadline = None, float("inf")
                    yield said
                else:
                    (hand.at,) = said
                    hand.deadline = float("inf") if hand.at is None else time.monotonic() + work.limits.seconds
            for hand in [h for h in hands if h.deadline < time.monotonic()]:
                yield from _lost(hand, hands, waiting, None, _TOO_LONG, work.limits.seconds)
    finally:
        for hand in hands:
            _dismiss(hand)


def _lost(
    hand: _Hand, hands: list[_Hand], waiting: "deque[Task]", again: dict[str, int] | None, sentence: str, *values: float
) -> Iterator[Done]:
    """Let a hand go and see to its task. again: how often each parcel was lost for no known reason."""
    _dismiss(hand)
    hands.remove(hand)
    assert hand.task is not None
    group = hand.task[hand.at or 0].parcels
    if again is not None and len(group) == 1:
        again[group[0].id] = again.get(group[0].id, 0) + 1
        if again[group[0].id] < 2:
            waiting.appendleft(hand.task)
            return
    todo, failures = after_loss(hand.task, hand.at, sentence.format(group[0].id, *values))
    waiting.extendleft(reversed(todo))
    if failures:
        yield Done(failures=failures)


def _hired(work: Work) -> _Hand:
    # Forked processes share what is loaded; files are opened in each of them.
    context: Any = get_context("fork" if "fork" in get_all_start_methods() else "spawn")
    ours, theirs = context.Pipe()
    with uninterrupted():
        process = context.Process(target=_serve, args=(work, theirs, ours), daemon=True)
        process.start()
    theirs.close()
    return _Hand(process, ours)


def _dismiss(hand: _Hand) -> None:
    hand.process.kill()
    hand.process.join()
    hand.pipe.close()


def _serve(work: Work, pipe: Any, others: Any) -> None:
    others.close()
    # Ctrl-C reaches every process of a terminal; the parent ends the work for all.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    end_with_parent_in_thread()
    # A thread of its own, for the reason that `pool` tells: connections to web servers must not be the parent's.
    thread = threading.Thread(target=_act, args=(work, pipe))
    thread.start()
    thread.join()


def _act(work: Work, pipe: Any) -> None:
    with contextlib.suppress(EOFError, OSError):
        while True:
            task = pipe.recv()
            try:
                pipe.send(do(work, task, lambda number: pipe.send((number,))))
            except Exception as error:
                # Not of one parcel, which `do` looks after: the run cannot go on.
                pipe.send(error)
