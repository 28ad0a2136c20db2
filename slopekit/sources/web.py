"""Asking web servers politely: few connections, growing pauses, every hop of a redirect checked, keys kept to oneself.

urllib3 brings pooled connections, deadlines and lengths that are checked. Its own retries and redirects are not used:
they would follow an index to places that it may not name, and hold a whole file in memory.
"""

import http.client
import ipaddress
import re
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TypeVar
from urllib.parse import urljoin, urlsplit

import urllib3
from urllib3.connection import HTTPConnection, HTTPSConnection
from urllib3.connectionpool import HTTPConnectionPool, HTTPSConnectionPool

from slopekit import __version__
from slopekit.errors import InputError
from slopekit.sources.keys import with_key
from slopekit.sources.remote import is_locked, without_keys

PAUSES_S = (0.5, 1.0, 2.0, 4.0)
"""Between attempts, where the server names no time of its own."""
LONGEST_PAUSE_S = 60.0
"""That a server may ask for."""
CONNECT_S, SILENT_S = 10.0, 20.0
"""For a connection, and for the next bytes of an answer."""
SLOWEST = 10_000.0
"""Bytes a second, below which an answer is given up once it has taken longer than `SILENT_S`."""
CONNECTIONS = 6
"""To one server at a time; common practice of browsers, no source."""
HOPS = 5
_PART = 1 << 16
_TRANSLATED = ipaddress.IPv6Network("64:ff9b::/96")
Got = TypeVar("Got")
_AGAIN = {429, 500, 502, 503, 504}
"""RFC 9110, 15.6, and RFC 6585, 4: the server may answer later."""
_MOVED = {301, 302, 303, 307, 308}
_RANGE = re.compile(r"bytes (\d+)-(\d+)/(\d+|\*)")


class ChangedError(InputError):
    """What a server holds is not what was fetched before."""


@dataclass(frozen=True)
class Answer:
    """What a server says of a file, and bytes of it."""

    first: int
    """Place in the file of the first byte of the body."""
    size: int | None
    """Of the whole file."""
    etag: str
    modified: str
    kind: str
    """Media type, without its parameters."""
    body: Iterator[bytes]


class _Again(Exception):
    """The attempt failed and the next one may not."""

    def __init__(self, why: str, pause: float | None = None) -> None:
        super().__init__(why)
        self.pause = pause


class Web:
    """A client for one index and what it names. Not to be shared with a forked process."""

    def __init__(self, private: bool, home: frozenset[str] = frozenset(), connections: int = CONNECTIONS) -> None:
        """private: whether addresses of this machine and its network may be asked. home: hosts with ports, such as
        'example.com:8080', that may be asked wherever they lie, since the user named them."""
        self.private = private
        self.home = home
        self.peers: dict[str, ipaddress.IPv4Address | ipaddress.IPv6Address] = {}
        """The machine behind a host and port, of all that were asked."""
        web = self

        class Plain(HTTPConnection):
            def connect(self) -> None:
                super().connect()
                web._check_peer(self)

        class Secure(HTTPSConnection):
            def connect(self) -> None:
                super().connect()
                web._check_peer(self)

        plain = type("_Plain", (HTTPConnectionPool,), {"ConnectionCls": Plain})
        secure = type("_Secure", (HTTPSConnectionPool,), {"ConnectionCls": Secure})
        self._pools = urllib3.PoolManager(
            maxsize=connections,
            block=True,
            retries=False,
            timeout=urllib3.Timeout(connect=CONNECT_S, read=SILENT_S),
            headers={"User-Agent": f"slopekit/{__version__}", "Accept-Encoding": "identity"},
        )
        self._pools.pool_classes_by_scheme = {"http": plain, "https": secure}

    def read(self, address: str, most: int) -> bytes:
        """A whole file of at most so many bytes. Raises InputError as `ask`."""

        def take(answer: Answer) -> bytes:
            content = bytearray()
            for part in answer.body:
                content += part
                if len(content) > most:
                    raise InputError(
                        f"{without_keys(address)}: it holds more than {most:,} bytes, so check the address."
                    )
            return bytes(content)

        return self.ask(address, take)

    def ask(self, address: str, take: Callable[[Answer], Got], first: int | None = None, last: int = 0) -> Got:
        """What `take` makes of the answer, for the bytes from `first` to `last` or, without one, for the whole file.

        A server that does not know ranges sends the whole file (`Answer.first` is 0). `take` is called again when an
        answer breaks off. Raises InputError, one sentence without what may be a key, when all attempts fail, for an
        answer that is final, and for a place that may not be asked.
        """
        shown = without_keys(address)
        if is_locked():
            raise InputError(f"{shown}: this is no file of this machine, so leave out --no-remote if you trust it.")
        for pause in (*PAUSES_S, None):
            try:
                with self._opened(address, first, last) as answer:
                    return take(answer)
            except (_Again, urllib3.exceptions.HTTPError, http.client.HTTPException, OSError) as error:
                why, wanted = _told(error), getattr(error, "pause", None)
            if pause is None:
                break
            if wanted is not None and wanted > LONGEST_PAUSE_S:
                raise InputError(f"{shown}: the server asks to wait {wanted:,.0f} s, so go on later.")
            time.sleep(pause if wanted is None else wanted)
        raise InputError(f"{shown}: {why} in {len(PAUSES_S) + 1} attempts, so check the address and go on later.")

    @contextmanager
    def _opened(self, address: str, first: int | None, last: int) -> Iterator[Answer]:
        shown, where = without_keys(address), address
        for _ in range(HOPS + 1):
            self.check(where, shown)
            headers = dict(self._pools.headers) | ({} if first is None else {"Range": f"bytes={first}-{last}"})
            target, secret = with_key(where)
            answer = self._pools.urlopen(
                "GET", target, headers=headers | secret, redirect=False, preload_content=False, retries=False
            )
            try:
                if answer.status in _MOVED and answer.headers.get("Location"):
                    where = urljoin(where, answer.headers["Location"])
                    answer.drain_conn()
                    continue
                yield _answer(answer, shown, first)
                return
            finally:
                # A connection whose answer was not read to its end cannot serve the next question.
                if answer.length_remaining:
                    answer.close()
                answer.release_conn()
        raise InputError(f"{shown}: the server sends from place to place more than {HOPS} times, so check the address.")

    def check(self, address: str, shown: str) -> None:
        """Raise InputError for an address that is not http or https, or that names a place by number that may not be
        asked."""
        kind = address.partition(":")[0].lower()
        if kind not in ("http", "https"):
            raise InputError(f"{shown}: it leads to an address of {kind}, and only http and https are followed.")
        host = host_of(address)
        try:
            number = ipaddress.ip_address(host.rpartition(":")[0])
        except ValueError:
            return
        if not _inner(number).is_global:
            self._refuse(host, shown)

    def may_name_home(self, remote: bool) -> bool:
        """Whether an index that came from all who were asked so far may name this machine and its network: one of this
        machine, unless a part of it came from the internet; one from a server only if that is this machine."""
        if not remote:
            return not any(number.is_global for number in self.peers.values())
        return bool(self.peers) and all(number.is_loopback for number in self.peers.values())

    def _check_peer(self, connection: HTTPConnection) -> None:
        # After the name was looked up, so no answer of a name server can change what is checked.
        host = f"{connection.host}:{connection.port}"
        number = _inner(ipaddress.ip_address(connection.sock.getpeername()[0].partition("%")[0]))
        self.peers[host] = number
        if not number.is_global:
            self._refuse(host, f"{connection.host}")

    def _refuse(self, host: str, shown: str) -> None:
        if not self.private and host not in self.home:
            raise InputError(
                f"{shown}: an index from elsewhere names this machine or its network, so take that out of it, or give "
                f"--allow-private if you trust it."
            )


def _inner(number: ipaddress.IPv4Address | ipaddress.IPv6Address) -> ipaddress.IPv4Address | ipaddress.IPv6Address:
    """The address of the old protocol that one of the new stands for, as far as forms have it within: mapped
    (RFC 4291, 2.5.5.2), translated (RFC 6052, 2.1), 6to4 (RFC 3056, 2)."""
    if isinstance(number, ipaddress.IPv4Address):
        return number
    translated = ipaddress.IPv4Address(int(number) & 0xFFFFFFFF) if number in _TRANSLATED else None
    return number.ipv4_mapped or number.sixtofour or translated or number


def host_of(address: str) -> str:
    """Host and port of an address. Raises InputError for one that names none."""
    try:
        parts = urlsplit(address)
        host, port = parts.hostname, parts.port
    except ValueError:
        host = port = None
    if not host or re.search(r"[\s\x00-\x20\x7f]", host):
        raise InputError(f"{without_keys(address)}: this is no sound address, so write it as https://HOST/PATH.")
    return f"{host}:{port or (443 if parts.scheme.lower() == 'https' else 80)}"


def _answer(answer: urllib3.BaseHTTPResponse, shown: str, first: int | None) -> Answer:
    status, headers = answer.status, answer.headers
    if status in _AGAIN:
        raise _Again(f"the server answered {status}", _pause(headers.get("Retry-After")))
    if status not in (200, 206):
        reason = {401: "not without a key", 403: "not allowed", 404: "not found", 410: "gone", 416: "no such part"}
        told = f" ({reason[status]})" if status in reason else ""
        raise InputError(f"{shown}: the server answers {status}{told}, so check the address.")
    start, size = 0, answer.length_remaining
    if status == 206:
        found = _RANGE.fullmatch(headers.get("Content-Range", ""))
        if found is None or first is None or int(found[1]) != first:
            raise InputError(f"{shown}: the server sends another part than it was asked for, so fetch it by hand.")
        start, size = first, None if found[3] == "*" else int(found[3])
    return Answer(
        start,
        size,
        headers.get("ETag", ""),
        headers.get("Last-Modified", ""),
        headers.get("Content-Type", "").partition(";")[0].strip().lower(),
        _parts(answer),
    )


def _parts(answer: urllib3.BaseHTTPResponse) -> Iterator[bytes]:
    since, got = time.monotonic(), 0
    while part := answer.read(_PART):
        yield part
        got += len(part)
        took = time.monotonic() - since
        if took > SILENT_S and got < SLOWEST * took:
            raise _Again("the answer came too slowly")


def _pause(told: str | None) -> float | None:
    """Seconds that a Retry-After names, as a number or a time (RFC 9110, 10.2.3)."""
    if not told:
        return None
    try:
        return urllib3.Retry().parse_retry_after(told)
    except urllib3.exceptions.InvalidHeader:
        return None


def _told(error: Exception) -> str:
    if isinstance(error, _Again):
        return str(error)
    if isinstance(error, urllib3.exceptions.NameResolutionError):
        return "the name of the server is not known"
    if isinstance(error, urllib3.exceptions.TimeoutError | TimeoutError):
        return "the server did not answer in time"
    if isinstance(error, urllib3.exceptions.NewConnectionError):
        return "the server cannot be reached"
    if isinstance(error, urllib3.exceptions.SSLError):
        return "the server's certificate is not accepted"
    return "the answer broke off"
