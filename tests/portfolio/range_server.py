"""A web server on loopback, in a process of its own, that serves a folder with range requests (RFC 9110, section 14).

It counts what it sends, cuts answers off when told to, and never answers for a file whose name begins with "hang". A
process of its own, since the raster library keeps other threads of this one waiting while it opens a file.
"""

import contextlib
import json
import re
import subprocess
import sys
import threading
import urllib.request
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

FOLDER = Path(sys.argv[1]) if __name__ == "__main__" else Path()
LOCK = threading.Lock()
SENT: Counter[str] = Counter()
"""Bytes of bodies by file name."""
CALLS: Counter[int] = Counter()
"""Requests by the port that they come from, and so by connection."""
STATE = {"drop": 0, "dropped": 0, "asked": 0}
"""How many of the next answers are cut off, how many were, and how often anything was asked for."""


class Handler(BaseHTTPRequestHandler):
    protocol_version = "HTTP/1.1"

    def do_HEAD(self) -> None:
        self._answer(body=False)

    def do_POST(self) -> None:
        self._answer(body=True)

    def do_GET(self) -> None:
        if self.path.startswith("/state"):
            with LOCK:
                if "?" in self.path:
                    STATE.update(drop=int(self.path.partition("=")[2]), dropped=0)
                    SENT.clear()
                    CALLS.clear()
                told = json.dumps({**STATE, "sent": dict(SENT), "calls": dict(CALLS)}).encode()
            self.send_response(200)
            self.send_header("Content-Length", str(len(told)))
            self.end_headers()
            self.wfile.write(told)
            return
        self._answer(body=True)

    def _answer(self, body: bool) -> None:
        path = FOLDER / Path(self.path.partition("?")[0]).name
        with LOCK:
            STATE["asked"] += 1
            SENT[path.name] += path.name.startswith("hang")
        if path.name.startswith("hang"):
            threading.Event().wait()
        if not path.is_file():
            self.send_error(404)
            return
        content = path.read_bytes()
        first, last, code = 0, len(content) - 1, 200
        if found := re.fullmatch(r"bytes=(\d+)-(\d*)", self.headers.get("Range", "")):
            first, last, code = int(found[1]), min(int(found[2] or last), last), 206
        with LOCK:
            CALLS[self.client_address[1]] += 1
            cut = body and STATE["drop"] > 0
            STATE["drop"] -= cut
            STATE["dropped"] += cut
            SENT[path.name] += last - first + 1 if body and not cut else 0
        self.send_response(code)
        self.send_header("Accept-Ranges", "bytes")
        self.send_header("Content-Length", str(last - first + 1))
        if code == 206:
            self.send_header("Content-Range", f"bytes {first}-{last}/{len(content)}")
        self.end_headers()
        if cut:
            self.wfile.write(content[first : first + (last - first) // 2])
            self.close_connection = True
        elif body:
            with contextlib.suppress(BrokenPipeError, ConnectionResetError):
                self.wfile.write(content[first : last + 1])

    def log_message(self, *_: object) -> None:
        """Nobody reads it."""


@dataclass(frozen=True)
class Server:
    address: str

    def state(self, drop: int | None = None) -> dict[str, Any]:
        """The counts; with `drop` they start anew, and so many of the next answers are cut off."""
        query = "" if drop is None else f"?drop={drop}"
        # Whatever proxy a test has named: urllib remembers the first that it met.
        direct = urllib.request.build_opener(urllib.request.ProxyHandler({}))
        with direct.open(f"{self.address}/state{query}", timeout=10) as answer:
            return dict(json.load(answer))


@contextlib.contextmanager
def serving(folder: Path) -> Iterator[Server]:
    with subprocess.Popen([sys.executable, __file__, str(folder)], stdout=subprocess.PIPE, text=True) as process:
        try:
            assert process.stdout is not None
            yield Server(f"http://127.0.0.1:{int(process.stdout.readline())}")
        finally:
            process.kill()


if __name__ == "__main__":
    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    print(server.server_address[1], flush=True)
    server.serve_forever()
