"""A scheduler that is not there, has no workers, or speaks TLS (RFC 8446): a sentence in time, or the same bytes."""

import importlib.util
import shutil
import socket
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from command_line import Answer
from dask_runner import free_port, running
from portfolio_runner import contents, run
from unbroken import Unbroken

from slopekit.errors import InputError
from slopekit.portfolio.cluster import Cluster, cluster_of

pytestmark = [
    pytest.mark.fault,
    pytest.mark.skipif(importlib.util.find_spec("distributed") is None, reason="the extra 'distributed' is missing"),
    pytest.mark.skipif(sys.platform != "linux", reason="the processes of a cluster are found in /proc"),
]
OPENSSL = pytest.mark.skipif(shutil.which("openssl") is None, reason="the program openssl makes the certificates")


def refused(answer: Answer, *parts: str) -> None:
    assert answer.code == 2 and "Traceback" not in answer.err, answer.err
    # What else is said would be a library's.
    assert answer.err.count("\n") == 1, answer.err
    for part in parts:
        assert part in answer.err


def test_no_scheduler_is_told(unbroken: Unbroken) -> None:
    line = unbroken.district.line("none", "--scheduler", f"tcp://127.0.0.1:{free_port()}", "--quiet")
    refused(run(line, PATIENCE="3"), "no scheduler answers there within 3 s")


def test_what_listens_and_never_answers_is_no_scheduler(unbroken: Unbroken) -> None:
    with socket.socket() as mute:
        mute.bind(("127.0.0.1", 0))
        mute.listen()
        address = f"tcp://127.0.0.1:{mute.getsockname()[1]}"
        line = unbroken.district.line("mute", "--scheduler", address, "--quiet")
        refused(run(line, PATIENCE="3"), address, "no scheduler answers there within 3 s")


def test_a_scheduler_without_workers_is_told(unbroken: Unbroken, tmp_path: Path) -> None:
    with running(tmp_path, workers=()) as alone:
        line = unbroken.district.line("alone", "--scheduler", alone.address, "--quiet")
        refused(run(line, PATIENCE="3"), alone.address, "the scheduler has no worker within 3 s", "start workers first")


@pytest.mark.parametrize("content", [None, "", "{", "[]", "{}", '"tcp://127.0.0.1:8786"', "\xff"])
def test_a_scheduler_file_that_is_none(tmp_path: Path, content: str | None) -> None:
    path = tmp_path / "scheduler.json"
    if content is not None:
        path.write_bytes(content.encode("latin-1"))
    with pytest.raises(InputError, match=r"scheduler\.json: ") as told:
        cluster_of(None, str(path))
    assert ("cannot be read" if content is None else "not what a scheduler writes") in str(told.value)


def test_a_scheduler_file_that_is_missing_ends_the_command_at_once(unbroken: Unbroken) -> None:
    line = unbroken.district.line("nofile", "--scheduler-file", "/nowhere/scheduler.json", "--quiet")
    refused(run(line), "/nowhere/scheduler.json: the scheduler's file cannot be read (No such file or directory)")


def test_a_scheduler_file_names_the_address(tmp_path: Path) -> None:
    path = tmp_path / "scheduler.json"
    path.write_text('{"type": "Scheduler", "id": "x", "address": "tcp://10.0.0.1:8786", "workers": {}}')
    assert cluster_of(None, str(path)) == Cluster(str(path), "tcp://10.0.0.1:8786")
    assert cluster_of(None, None) is None


def certificate(folder: Path, name: str) -> tuple[str, str]:
    """A certificate that vouches for itself, and its key."""
    made = str(folder / f"{name}.pem"), str(folder / f"{name}.key")
    subprocess.run(
        ["openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2", "-subj", f"/CN={name}",
         "-out", made[0], "-keyout", made[1]],
        check=True, capture_output=True,
    )  # fmt: skip
    return made


@pytest.fixture(scope="module")
def ours(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[str, str]]:
    yield certificate(tmp_path_factory.mktemp("tls"), "ours")


def options(authority: str, own: str, key: str) -> list[str]:
    return ["--tls-ca", authority, "--tls-cert", own, "--tls-key", key]


@OPENSSL
def test_a_cluster_that_speaks_tls_gives_the_same_bytes(
    unbroken: Unbroken, ours: tuple[str, str], tmp_path: Path
) -> None:
    own, key = ours
    with running(tmp_path, tls=("--tls-ca-file", own, "--tls-cert", own, "--tls-key", key)) as cluster:
        line = unbroken.district.line("tls", "--scheduler", cluster.address, "--quiet")
        answer = run([*line, *options(own, own, key)], SMALL_TASKS="6")
        assert answer.code == 3, answer.err
        assert contents(unbroken.district.folder / "tls") == unbroken.bytes
        stranger, its_key = certificate(tmp_path, "stranger")
        # Neither side may take the other for a friend.
        for three in ((own, stranger, its_key), (stranger, own, key)):
            refused(run([*line, "--resume", *options(*three)], PATIENCE="3"), "no scheduler answers", "--tls-ca")
        plain = unbroken.district.line("plain", "--scheduler", f"tcp://127.0.0.1:{cluster.port}", "--quiet")
        refused(run(plain, PATIENCE="3"), "no scheduler answers there")


@OPENSSL
def test_options_for_tls_that_cannot_be_used(ours: tuple[str, str], tmp_path: Path) -> None:
    own, key = ours
    (tmp_path / "junk.pem").write_text("junk")
    junk, none = str(tmp_path / "junk.pem"), str(tmp_path / "none.pem")
    locked = str(tmp_path / "locked.key")
    subprocess.run(
        ["openssl", "rsa", "-aes256", "-passout", "pass:word", "-in", key, "-out", locked],
        check=True, capture_output=True,
    )  # fmt: skip
    tls = "tls://10.0.0.1:8786"
    for address, three, told in (
        (tls, (None, None, None), "speaks TLS, so give all of --tls-ca"),
        (tls, (own, own, None), "speaks TLS, so give all of --tls-ca"),
        ("tcp://10.0.0.1:8786", (own, own, key), "does not speak TLS, so leave out"),
        (None, (own, own, key), "are for a scheduler"),
        (tls, (none, own, key), "none.pem: this cannot be read"),
        (tls, (junk, own, key), "junk.pem: this holds no certificate"),
        (tls, (own, own, junk), "these are not a certificate and its key"),
        (tls, (own, junk, key), "these are not a certificate and its key"),
        (tls, (own, own, locked), "without a password"),
        (tls, (str(tmp_path), own, key), "this cannot be read"),
    ):
        with pytest.raises(InputError, match=told):
            cluster_of(address, None, three)
    assert cluster_of(tls, None, (own, own, key)) == Cluster(tls, tls, (own, own, key))
