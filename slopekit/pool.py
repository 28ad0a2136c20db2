"""Work shared among processes: the same act on each of many items, results as they come."""

import contextlib
import os
import signal
import threading
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, ThreadPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from dataclasses import dataclass
from multiprocessing import connection, get_all_start_methods, get_context, parent_process
from typing import Any, TypeVar

from slopekit.errors import InputError
from slopekit.windows import most_processes

_HEARS_S = 1.0

Job = TypeVar("Job")
Item = TypeVar("Item")
Result = TypeVar("Result")


def cores() -> int:
    """Cores that this process may use."""
    return (len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count()) or 1


def run(act: Callable[[Job, Item], Result], job: Job, items: Sequence[Item], workers: int) -> Iterator[Result]:
    """`act(job, item)` for every item, in the order in which they are done. `act` is a function of a module.

    job: what every process needs; it travels once to each. Raises InputError when a process was ended from outside.
    """
    workers = most_processes(workers)
    if workers <= 1:
        for item in items:
            yield act(job, item)
        return
    with ProcessPoolExecutor(workers, get_context(_method()), initializer=_start, initargs=(job,)) as pool:
        try:
            with uninterrupted():
                waiting: set[Future[Any]] = {pool.submit(_in_worker, act, item) for item in items}
            while waiting:
                # On Windows an interrupt is not heard before the wait is over.
                done, waiting = wait(waiting, _HEARS_S, FIRST_COMPLETED)
                for future in done:
                    yield future.result()
        except BrokenProcessPool as error:
            raise InputError(
                f"One of the {workers} worker processes was ended from outside, most often because memory ran out: "
                "give a smaller number with --workers."
            ) from error
        finally:
            pool.shutdown(cancel_futures=True)


@dataclass
class Hand:
    """A process that acts on one item at a time, and can be ended while it does."""

    process: Any
    pipe: Any
    """Gives None when it waits for an item, then what the act says, then its result or the exception that it raised.

    A process that never begins reads nothing, so an item that is sent before it asks may hold up who sends it.
    """

    def dismiss(self) -> None:
        self.process.kill()
        self.process.join()
        self.pipe.close()


def hired(act: Callable[[Job, Item, Callable[[Any], None]], Any], job: Job) -> Hand:
    """A new process for `act(job, item, say)`, a function of a module."""
    context: Any = get_context(_method())
    ours, theirs = context.Pipe()
    with uninterrupted():
        process = context.Process(target=_serve, args=(act, job, theirs, ours), daemon=True)
        process.start()
    theirs.close()
    return Hand(process, ours)


def each(
    act: Callable[[Job, Item, Callable[[Any], None]], Result],
    job: Job,
    items: Iterable[Item],
    workers: int,
    seconds: float,
) -> Iterator[tuple[Item, Result | None]]:
    """Every item and its result, in the order in which they are done; None where it took more than so many seconds or
    its process died. `act(job, item, say)` is a function of a module, and says nothing.

    items: taken one by one, whenever a process is free. An exception of the act is raised. Close the iterator to end
    all processes.
    """
    left, workers = iter(items), most_processes(workers)
    busy: dict[Any, tuple[Hand, Item, float]] = {}
    idle: list[Hand] = []
    more = True
    try:
        while more or busy:
            while more and len(busy) < workers:
                try:
                    item = next(left)
                except StopIteration:
                    more = False
                    break
                hand = idle.pop() if idle else hired(act, job)
                busy[hand.pipe] = hand, item, time.monotonic() + seconds
            soonest = min((until for _, _, until in busy.values()), default=0.0)
            for pipe in connection.wait([*busy], timeout=max(0.0, soonest - time.monotonic())):
                hand, item, _ = busy[pipe]
                try:
                    found = hand.pipe.recv()
                    if found is None:
                        hand.pipe.send(item)
                        continue
                except (EOFError, OSError):
                    busy[pipe] = hand, item, 0.0  # its time is up
                    continue
                if isinstance(found, Exception):
                    raise found
                del busy[pipe]
                idle.append(hand)
                yield item, found
            for hand, item, until in [*busy.values()]:
                if until < time.monotonic() and (until == 0.0 or not hand.pipe.poll()):
                    del busy[hand.pipe]
                    hand.dismiss()
                    yield item, None
    finally:
        for hand in [*idle, *(hand for hand, _, _ in busy.values())]:
            hand.dismiss()


def _method() -> str:
    # Forked processes share what is loaded; files are opened in each of them.
    return "fork" if "fork" in get_all_start_methods() else "spawn"


def _serve(act: Callable[..., Any], job: Any, pipe: Any, others: Any) -> None:
    others.close()
    # Ctrl-C reaches every process of a terminal; the parent ends the work for all.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=_end_with_parent, daemon=True).start()
    # A thread of its own, for the reason that `_in_worker` tells: connections to web servers must not be the parent's.
    thread = threading.Thread(target=_answer, args=(act, job, pipe))
    thread.start()
    thread.join()


def _answer(act: Callable[..., Any], job: Any, pipe: Any) -> None:
    with contextlib.suppress(EOFError, OSError):
        while True:
            pipe.send(None)
            item = pipe.recv()
            try:
                found = act(job, item, pipe.send)
            except Exception as error:
                found = error
            pipe.send(found)


@contextmanager
def uninterrupted() -> Iterator[None]:
    """Hold Ctrl-C back while workers are forked, where Python would drop it. The workers never see it at all."""
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


_worker_job: Any
_worker_thread: ThreadPoolExecutor


def _start(job: Any) -> None:
    global _worker_job, _worker_thread
    _worker_job, _worker_thread = job, ThreadPoolExecutor(1)
    # Ctrl-C reaches every process of a terminal; the parent ends the work for all.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=_end_with_parent, daemon=True).start()


def _end_with_parent() -> None:
    """A parent that is killed cannot dismiss its workers, which would wait for work for ever."""
    parent = parent_process()
    if parent is not None:
        connection.wait([parent.sentinel])
        os._exit(1)


def _in_worker(act: Callable[[Any, Any], Any], item: Any) -> Any:
    # The raster library keeps open connections to web servers by thread. The thread that a forked process begins with
    # would share those of its parent with its siblings, and one would get the answers of another.
    return _worker_thread.submit(act, _worker_job, item).result()
