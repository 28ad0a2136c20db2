"""A real Dask scheduler and worker processes on loopback."""

import contextlib
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from child_process import environment
from portfolio_runner import HERE, children


@dataclass
class DaskCluster:
    port: int
    folder: Path
    processes: dict[str, "subprocess.Popen[bytes]"]
    faults: dict[str, str]
    """Of the workers: see `sabotage`."""
    tls: tuple[str, ...] = ()
    """Words of Dask's command line."""

    @property
    def address(self) -> str:
        return f"{'tls' if self.tls else 'tcp'}://127.0.0.1:{self.port}"

    def begin(self, name: str) -> None:
        """The scheduler, or a worker of another name with a nanny that replaces it when it dies."""
        if name == "scheduler":
            told = ["--host", "127.0.0.1", "--port", str(self.port), "--no-dashboard"]
            told += ["--protocol", "tls"] if self.tls else []
            module = "distributed.cli.dask_scheduler"
        else:
            told = [self.address, "--nthreads", "1", "--no-dashboard", "--local-directory", str(self.folder)]
            told += ["--preload", "sabotage"]
            module = "distributed.cli.dask_worker"
        with open(self.folder / f"{name}.log", "ab") as log:
            self.processes[name] = subprocess.Popen(
                [sys.executable, "-m", module, *told, *self.tls],
                env=environment(HERE, **self.faults),
                stdout=log,
                stderr=log,
                start_new_session=True,
            )

    def end(self, name: str, sign: signal.Signals = signal.SIGTERM) -> None:
        process = self.processes.pop(name)
        process.send_signal(sign)
        try:
            process.wait(timeout=30)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()

    def worker_pids(self) -> list[int]:
        """Processes that do the work: children of the nannies."""
        nannies = [p.pid for name, p in self.processes.items() if name != "scheduler"]
        return [pid for nanny in nannies for pid in children(nanny) if b"spawn" in _command(pid)]


def _command(pid: int) -> bytes:
    with contextlib.suppress(OSError):
        return Path(f"/proc/{pid}/cmdline").read_bytes()
    return b""


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@contextlib.contextmanager
def running(
    folder: Path, workers: Sequence[str] = ("one", "two"), tls: tuple[str, ...] = (), **faults: str
) -> Iterator[DaskCluster]:
    """A scheduler that listens, and workers that are there."""
    made = DaskCluster(free_port(), folder, {}, faults, tls)
    for name in ("scheduler", *workers):
        made.begin(name)
    try:
        until = time.monotonic() + 120
        while len(made.worker_pids()) < len(workers) or not _listens(made.port):
            assert time.monotonic() < until, [path.read_text() for path in folder.glob("*.log")]
            time.sleep(0.1)
        yield made
    finally:
        for name in (*reversed(workers), "scheduler"):
            if name in made.processes:
                made.end(name)


def _listens(port: int) -> bool:
    with socket.socket() as probe:
        return probe.connect_ex(("127.0.0.1", port)) == 0
