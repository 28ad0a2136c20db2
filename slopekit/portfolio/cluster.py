"""The same tasks on a Dask cluster: the one module that knows of it."""

import asyncio
import json
import signal
import ssl
import threading
import time
from collections.abc import Iterator, Sequence
from concurrent.futures import CancelledError
from dataclasses import dataclass, replace
from typing import Any

from slopekit.errors import InputError
from slopekit.paths import refuse_special
from slopekit.pool import cores
from slopekit.portfolio.limits import share_mb
from slopekit.portfolio.tasks import LAST_STAGE_S, Done, Group, Task, Work, do

_PATIENCE_S = 30.0
"""For a scheduler to answer, for a first worker, and for another one when all are gone."""
_LOOK_S = 2.0
"""Between two looks whether workers are there."""
_REST_S = 0.05
"""Between two looks whether a result is there."""
_LOST = (
    "Parcel '{}': the workers that took it on ended each time, most often because memory ran out or it took longer "
    "than the {:g} s of --time-limit: check its shape, or give it more."
)
# Readers of rasters serve one thread at a time, and a process has one timer.
_ONE_AT_A_TIME = threading.Lock()
_TLS = "--tls-ca, --tls-cert and --tls-key"


@dataclass(frozen=True)
class Cluster:
    """Where the scheduler is, and how to speak with it."""

    name: str
    """As the user names it: an address, or the file that the scheduler wrote."""
    address: str
    """Such as tcp://host:8786."""
    tls: tuple[str, str, str] | None = None
    """Files (PEM) of the authority, of this side's certificate and of its key; for an address with tls:// only."""


def cluster_of(address: str | None, file: str | None, tls: Sequence[str | None] = (None,) * 3) -> Cluster | None:
    """The cluster of the options, or None where neither is given.

    tls: files of the authority, the certificate and the key. Raises InputError for both options, for a file that a
    scheduler did not write, and for TLS files that are missing, not asked for or not fit for use.
    """
    if address is not None and file is not None:
        raise InputError("Both --scheduler and --scheduler-file are given, so leave one of them out.")
    name = address or file
    if name is None:
        if any(one is not None for one in tls):
            raise InputError(f"{_TLS} are for a scheduler, so name one with --scheduler or leave them out.")
        return None
    at = address if address is not None else _address_in(name)
    given = tuple(one for one in tls if one is not None)
    if at.startswith("tls://") != bool(given) or len(given) not in (0, 3):
        told = "speaks TLS, so give all of" if at.startswith("tls://") else "does not speak TLS, so leave out"
        raise InputError(f"{name}: a scheduler at {at} {told} {_TLS}.")
    if not given:
        return Cluster(name, at)
    authority, certificate, key = given
    _check_tls(authority, certificate, key)
    return Cluster(name, at, (authority, certificate, key))


def _address_in(file: str) -> str:
    """The address in a scheduler's file."""
    refuse_special(file)
    try:
        with open(file, encoding="utf-8") as stream:
            address = json.load(stream)["address"]
    except OSError as error:
        raise InputError(
            f"{file}: the scheduler's file cannot be read ({error.strerror}), so check the path and that it runs."
        ) from error
    except (ValueError, KeyError, TypeError) as error:
        raise InputError(
            f"{file}: this is not what a scheduler writes, so start it with --scheduler-file {file}."
        ) from error
    return str(address)


def _check_tls(authority: str, certificate: str, key: str) -> None:
    for file in (authority, certificate, key):
        refuse_special(file)
        try:
            with open(file, "rb") as stream:
                stream.read(1)
        except OSError as error:
            raise InputError(f"{file}: this cannot be read ({error.strerror}), so check {_TLS}.") from error
    context = ssl.create_default_context()
    try:
        context.load_verify_locations(authority)
    except ssl.SSLError as error:
        raise InputError(f"{authority}: this holds no certificate (PEM), so check --tls-ca.") from error
    try:
        # Without this a key with a password is asked for at the terminal, where nobody may sit.
        context.load_cert_chain(certificate, key, password=_no_password)
    except ssl.SSLError as error:
        raise InputError(
            f"{certificate} and {key}: these are not a certificate and its key without a password (PEM), so check "
            "--tls-cert and --tls-key."
        ) from error


def _no_password() -> str:
    return ""


def on_cluster(cluster: Cluster, work: Work, tasks: Sequence[Task]) -> Iterator[Done]:
    """The result of every task, in the order in which they are done.

    A task whose workers died is taken apart in the end, so that the parcel at fault shows. Raises InputError when the
    scheduler cannot be reached or is gone, and when it has no workers for `_PATIENCE_S`.
    """
    with _client(cluster) as client:
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


def _client(cluster: Cluster) -> Any:
    """A way to the scheduler, which has a worker."""
    try:
        from distributed import Client, Security
    except ImportError as error:
        raise InputError("A scheduler needs Dask, so install slopekit with the extra 'distributed'.") from error
    security = Security()
    if cluster.tls is not None:
        authority, certificate, key = cluster.tls
        security = Security(
            require_encryption=True, tls_ca_file=authority, tls_client_cert=certificate, tls_client_key=key
        )
    try:
        asyncio.run(_greeted(cluster.address, security.get_connection_args("client")))
        client = Client(cluster.address, timeout=_PATIENCE_S, set_as_default=False, security=security)
    except (OSError, ValueError, TypeError) as error:
        raise InputError(
            f"{cluster.name}: no scheduler answers there within {_PATIENCE_S:g} s, so check that it runs"
            f"{'' if cluster.tls is None else f' and that {_TLS} are the right ones'}."
        ) from error
    try:
        client.wait_for_workers(1, timeout=_PATIENCE_S)
    except OSError as error:
        client.close()
        raise InputError(
            f"{cluster.name}: the scheduler has no worker within {_PATIENCE_S:g} s, so start workers first."
        ) from error
    return client


async def _greeted(address: str, settings: dict[str, Any]) -> None:
    """Have a scheduler say who it is. Dask's own client waits for ever for one that listens and says nothing."""
    from distributed.comm import connect

    comm = await asyncio.wait_for(connect(address, timeout=_PATIENCE_S, **settings), _PATIENCE_S)
    await comm.close()


def _results(client: Any, cluster: Cluster, shared: Any, tasks: Sequence[Task]) -> Iterator[tuple[Task, Done | None]]:
    """Each task and its result, which is None where the workers that took it on died."""
    from distributed import KilledWorker, as_completed

    futures = client.map(_act, tasks, work=shared, pure=False)
    asked = dict(zip((f.key for f in futures), tasks, strict=True))
    waiting = as_completed(futures, loop=client.loop)
    del futures  # so that a result's memory is let go when it has been seen
    while not waiting.is_empty():
        _await(waiting, client, cluster)
        future = next(waiting)
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


def _await(waiting: Any, client: Any, cluster: Cluster) -> None:
    """Come back when a result is there. Raises InputError when nobody is left who could make one."""
    since = look = time.monotonic()
    while not waiting.has_ready():
        time.sleep(_REST_S)
        now = time.monotonic()
        if now - look < _LOOK_S:
            continue
        look = now
        try:
            workers = client.sync(client.scheduler.ncores, callback_timeout=_PATIENCE_S)
        except (OSError, CancelledError) as error:
            raise _gone(cluster) from error
        if workers:
            since = look
        elif now - since > _PATIENCE_S:
            raise InputError(
                f"{cluster.name}: the scheduler has had no worker for {_PATIENCE_S:g} s, so start workers and go on "
                "with --resume; what is done is kept."
            )


def _gone(cluster: Cluster) -> InputError:
    return InputError(
        f"{cluster.name}: the scheduler is gone, so start it and its workers again and go on with --resume; what is "
        "done is kept."
    )


def _same(work: Work) -> Work:
    return work


def _act(task: Task, work: Work) -> Done:
    limits = work.limits
    if limits.memory_mb is None:
        limits = replace(limits, memory_mb=_spared())
    with _ONE_AT_A_TIME:
        try:
            return do(
                replace(work, limits=limits),
                task,
                lambda number: _set_timer(LAST_STAGE_S if number is None else limits.seconds),
            )
        finally:
            _set_timer(0.0)


def _spared() -> float:
    """What this worker may take for a parcel (MB): of its own limit where Dask gave it one, else of its machine."""
    from distributed import get_worker

    most = getattr(get_worker(), "memory_manager", None)
    most = None if most is None else most.memory_limit
    return share_mb(1, most / 1e6) if most else share_mb(cores())


def _set_timer(seconds: float) -> Any:
    """Have the system end this process after so many seconds; 0 calls it off. The nanny then starts another one.

    Only the system can end compiled code that hangs. Python leaves SIGALRM at its default, which ends the process.
    """
    if hasattr(signal, "setitimer"):
        signal.setitimer(signal.ITIMER_REAL, seconds)
