"""The same tasks on a Dask cluster: the one module that knows of it."""

import signal
import threading
from collections.abc import Iterator, Sequence
from concurrent.futures import CancelledError
from dataclasses import dataclass
from typing import Any

from slopekit.errors import InputError
from slopekit.portfolio.tasks import Done, Group, Task, Work, do

_PATIENCE_S = 30
_LOST = (
    "Parcel '{}': the workers that took it on ended each time, most often because memory ran out or it took longer "
    "than the {:g} s of --time-limit: check its shape, or give it more."
)
# Readers of rasters serve one thread at a time, and a process has one timer.
_ONE_AT_A_TIME = threading.Lock()


@dataclass(frozen=True)
class Cluster:
    """Where the scheduler is: an address such as tcp://host:8786, or the file that it wrote. One of them is None."""

    address: str | None = None
    file: str | None = None

    @property
    def name(self) -> str:
        return self.address or self.file or ""


def on_cluster(cluster: Cluster, work: Work, tasks: Sequence[Task]) -> Iterator[Done]:
    """The result of every task, in the order in which they are done.

    A task whose workers died is taken apart in the end, so that the parcel at fault shows. Raises InputError when the
    scheduler cannot be reached or is gone.
    """
    try:
        from distributed import Client
    except ImportError as error:
        raise InputError("A scheduler needs Dask, so install slopekit with the extra 'distributed'.") from error
    try:
        client = Client(cluster.address, scheduler_file=cluster.file, timeout=_PATIENCE_S, set_as_default=False)
    except (OSError, ValueError) as error:
        raise InputError(f"{cluster.name}: no scheduler answers there, so check that it runs.") from error
    with client:
        # A function's result is made again when the workers that hold it die; scattered data would be lost.
        shared = client.submit(_same, work, pure=False)
        lost: list[Task] = []
        for task, done in _results(client, cluster, shared, tasks):
            if done is None:
                lost.append(task)
            else:
                yield done
        # A worker that dies takes along what waits behind the culprit, so now nothing may wait there.
        for group in (group for task in lost for group in task):
            for parcel in group.parcels:
                for _, done in _results(client, cluster, shared, [(Group(group.survey, (parcel,)),)]):
                    yield done or Done(failures={parcel.id: _LOST.format(parcel.id, work.limits.seconds)})


def _results(client: Any, cluster: Cluster, shared: Any, tasks: Sequence[Task]) -> Iterator[tuple[Task, Done | None]]:
    """Each task and its result, which is None where the workers that took it on died."""
    from distributed import KilledWorker, as_completed

    futures = client.map(_act, tasks, work=shared, pure=False)
    asked = dict(zip((f.key for f in futures), tasks, strict=True))
    waiting = as_completed(futures, loop=client.loop)
    del futures  # so that a result's memory is let go when it has been seen
    for future in waiting:
        if future.status in ("lost", "pending"):
            # The worker that held the result died before it was fetched; it is being made again.
            waiting.add(future)
            continue
        task = asked.pop(future.key)
        try:
            fault = future.exception() if future.status == "error" else None
            done = future.result() if future.status == "finished" else None
        except (OSError, CancelledError) as error:  # of the way to it: a task's own fault is not raised here
            raise _gone(cluster) from error
        if fault is not None and not isinstance(fault, KilledWorker):
            raise fault
        if fault is None and done is None:
            raise _gone(cluster)
        yield task, done


def _gone(cluster: Cluster) -> InputError:
    return InputError(
        f"{cluster.name}: the scheduler is gone, so start it and its workers again and go on with --resume; what is "
        "done is kept."
    )


def _same(work: Work) -> Work:
    return work


def _act(task: Task, work: Work) -> Done:
    with _ONE_AT_A_TIME:
        try:
            return do(work, task, lambda number: _set_timer(0.0 if number is None else work.limits.seconds))
        finally:
            _set_timer(0.0)


def _set_timer(seconds: float) -> Any:
    """Have the system end this process after so many seconds; 0 calls it off. The nanny then starts another one.

    Only the system can end compiled code that hangs. Python leaves SIGALRM at its default, which ends the process.
    """
    if hasattr(signal, "setitimer"):
        signal.setitimer(signal.ITIMER_REAL, seconds)
