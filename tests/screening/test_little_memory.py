"""Little memory, whoever sets the limit: what is free is told from the system's files, and a lack is one sentence."""

import errno
import math
from pathlib import Path

import pytest
from command_line import CAN_FORK, assert_one_sentence, fresh
from fault_site import Site

from slopekit import memory
from slopekit.errors import InputError
from slopekit.portfolio import limits

pytestmark = pytest.mark.fault

RESOURCE = pytest.mark.skipif(memory.resource is None or not CAN_FORK, reason="the system holds no process to a size")


def put(folder: Path, **values: object) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    for name, value in values.items():
        (folder / name.replace("DOT", ".")).write_text(f"{value}\n")


@RESOURCE
def test_free_memory_is_the_least_of_machine_groups_and_addresses(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    proc, groups = tmp_path / "proc", tmp_path / "groups"
    (proc / "self").mkdir(parents=True)
    (proc / "meminfo").write_text("MemTotal: 32000000 kB\nMemFree: 1 kB\nMemAvailable:   16000000 kB\n")
    monkeypatch.setattr(memory, "_PROC", proc)
    monkeypatch.setattr(memory, "_CGROUPS", groups)
    monkeypatch.setattr(memory.resource, "getrlimit", lambda _: (memory.resource.RLIM_INFINITY,) * 2)
    assert memory.free_mb() == 16_384.0  # kB of proc_meminfo(5) are 1024 bytes
    # Version 2 of the groups: the one above has the limit. 'max' is none.
    (proc / "self" / "cgroup").write_text("0::/jobs/mine\n")
    put(groups / "jobs" / "mine", memoryDOTmax="max", memoryDOTcurrent=10**9)
    assert memory.free_mb() == 16_384.0
    put(groups / "jobs", memoryDOTmax=4 * 10**9, memoryDOTcurrent=3 * 10**9, memoryDOTstat="inactive_file 500000000")
    assert memory.free_mb() == 1500.0
    # Version 1, in a container that sees its own group as the root.
    (proc / "self" / "cgroup").write_text("4:cpu,memory:/host/name\n3:cpu:/\n")
    put(groups / "memory", **{"memoryDOTlimit_in_bytes": 2 * 10**9, "memoryDOTusage_in_bytes": 10**9})
    assert memory.free_mb() == 1000.0
    # Addresses: 100,000 pages are taken.
    page = memory.os.sysconf("SC_PAGE_SIZE")
    (proc / "self" / "statm").write_text("100000 2 3 4 5 6 7\n")
    monkeypatch.setattr(memory.resource, "getrlimit", lambda _: (100_000 * page + 7 * 10**8,) * 2)
    assert memory.free_mb() == 700.0


def test_workers_share_what_is_free(monkeypatch: pytest.MonkeyPatch) -> None:
    one, two = limits.share_mb(1, 10_000.0), limits.share_mb(2, 10_000.0)
    assert 0 < two < one < 10_000.0
    # What all of them may take together is there.
    assert 2 * (two + limits._HELD_MB) < 10_000.0
    monkeypatch.setattr(limits, "cores", lambda: 64)
    monkeypatch.setattr(limits, "free_mb", lambda: 16_000.0)
    fits = limits.workers_here()
    assert 1 < fits < 64 and limits.share_mb(fits) >= limits._LEAST_MB
    with pytest.raises(InputError, match=f"too little for 64 workers: give --workers {fits}"):
        limits.share_mb(64)
    monkeypatch.setattr(limits, "free_mb", lambda: 300.0)
    assert limits.workers_here() == 1
    with pytest.raises(InputError, match="300 MB of memory are free, too little for 1 worker: free some"):
        limits.share_mb(1)
    monkeypatch.setattr(limits, "free_mb", lambda: None)
    assert math.isinf(limits.share_mb(64)) and limits.workers_here() == 64


@RESOURCE
@pytest.mark.parametrize("megabytes", [200, 450, 600, 700, 900, 1200])
@pytest.mark.parametrize("command", ["screen", "portfolio"])
def test_little_address_space(site: Site, megabytes: int, command: str) -> None:
    """`ulimit -v`, RLIMIT_AS of getrlimit(2). With 600 MB a library waited for ever while it was loaded."""
    line = site.line()
    words = line if command == "screen" else ["portfolio", *line[1:-1], "out"]
    limit = f"import resource; resource.setrlimit(resource.RLIMIT_AS, ({megabytes}_000_000,) * 2); "
    assert_one_sentence(fresh(words, site.folder, limit), f"{megabytes:,} MB of address space", "ulimit -v")


@RESOURCE
def test_memory_that_runs_out_later_is_one_sentence(site: Site) -> None:
    for fault in (
        "MemoryError()",
        "ImportError('libgdal.so.36: failed to map segment from shared object')",
        'RuntimeError("can\'t start new thread")',
        f"OSError({errno.ENOMEM}, 'Cannot allocate memory')",
    ):
        before = f"import slopekit.api.inputs as s\ndef gone(*a): raise {fault}\ns.check_inputs = gone\n"
        assert_one_sentence(fresh(site.line(), site.folder, before), "Memory ran out", "free some")
