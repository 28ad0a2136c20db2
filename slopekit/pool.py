"""Work shared among processes: the same act on each of many items, results as they come."""

import os
import signal
import threading
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, ThreadPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from multiprocessing import connection, get_all_start_methods, get_context, parent_process
from typing import Any, TypeVar

from slopekit.errors import InputError

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
    if workers <= 1:
        for item in items:
            yield act(job, item)
        return
    # Forked workers share what is loaded; files are opened in each of them.
    method = "fork" if "fork" in get_all_start_methods() else "spawn"
    with ProcessPoolExecutor(workers, get_context(method), initializer=_start, initargs=(job,)) as pool:
        try:
            with uninterrupted():
                waiting: set[Future[Any]] = {pool.submit(_in_worker, act, item) for item in items}
            while waiting:
                done, waiting = wait(waiting, return_when=FIRST_COMPLETED)
                for future in done:
                    yield future.result()
        except BrokenProcessPool as error:
            raise InputError(
                f"One of the {workers} worker processes was ended from outside, most often because memory ran out: "
                "give a smaller number with --workers."
            ) from error
        finally:
            pool.shutdown(cancel_futures=True)


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
    end_with_parent_in_thread()


def end_with_parent_in_thread() -> None:
    """Have this worker end when the process that started it is gone, however that ended."""
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
