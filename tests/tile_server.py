"""A web server on loopback, in a process of its own, that serves a folder with range requests (RFC 9110, section 14)
and an ETag for each file, and has whatever faults it is told to have. It counts what it is asked for.

A fault is a rule for a name: {"do": WHAT, "times": N, ...}. It also plays a small STAC API at /api (STAC API 1.0, item
search by GET, with pages).
"""

import contextlib
import hashlib
import json
import re
import subprocess
import sys
import threading
import urllib.request
from collections.abc import Iterator
from dataclasses import dataclass
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs, urlsplit

FOLDER = Path(sys.argv[1]) if __name__ == "__main__" else Path()
LOCK = threading.Lock()
ASKED: list[dict[str, Any]] = []
"""Each request: name, range, key."""
RULES: dict[str, dict[str, Any]] = {}
PAGE = 2


class Handler(BaseHTTPRequestHandler):
    protocol_version = "HTTP/1.1"

    def do_POST(self) -> None:
        """Take new rules, and forget what was asked."""
        told = json.loads(self.rfile.read(int(self.headers["Content-Length"])))
        with LOCK:
            RULES.clear()
            RULES.update(told)
            ASKED.clear()
        self._send(200, b"{}", "application/json")

    def do_HEAD(self) -> None:
        self._answer(False)

    def do_GET(self) -> None:
        if self.path == "/state":
            with LOCK:
                told = json.dumps(ASKED).encode()
            self._send(200, told, "application/json")
        else:
            self._answer(True)

    def _answer(self, body: bool) -> None:
        parts = urlsplit(self.path)
        name = parts.path.lstrip("/")
        asked = self.headers.get("Range", "")
        with LOCK:
            ASKED.append({
                "name": name, "range": asked, "query": parts.query, "key": self.headers.get("Authorization", ""),
                "port": self.client_address[1],
            })  # fmt: skip
            rule = RULES.get(name, {})
            if rule.get("times", 1) <= 0:
                rule = {}
            elif rule:
                rule["times"] = rule.get("times", 1 << 30) - 1
        what = rule.get("do", "")
        if what == "hang":
            threading.Event().wait()
        if what == "status":
            self._send(rule["code"], b"", "text/plain", rule.get("headers", {}))
            return
        if what == "page":
            self._send(200, b"<!DOCTYPE html><html><body>Log in</body></html>", "text/html")
            return
        if name.startswith("api"):
            self._api(name, parse_qs(parts.query))
            return
        path = FOLDER / name
        if not path.is_file():
            self._send(404, b"", "text/plain")
            return
        content = path.read_bytes()
        first, last, code = 0, len(content) - 1, 200
        found = re.fullmatch(r"bytes=(\d+)-(\d*)", asked)
        if found and what != "no ranges":
            first, last, code = int(found[1]), min(int(found[2] or last), last), 206
        headers = {"ETag": f'"{hashlib.sha256(content).hexdigest()[:16]}"', "Accept-Ranges": "bytes"}
        if code == 206:
            headers["Content-Range"] = f"bytes {first}-{last}/{len(content)}"
        part = content[first : last + 1]
        if what == "other version":
            headers["ETag"] = f'"{len(ASKED)}"'
        most = len(part) // 2 if what == "cut" else len(part)
        self._send(code, part, "image/tiff", headers, most, body, 0.05 if what == "slow" else 0.0)

    def _api(self, name: str, query: dict[str, list[str]]) -> None:
        host = f"http://{self.headers['Host']}"
        if name == "api":
            text: dict[str, Any] = {
                "type": "Catalog", "stac_version": "1.0.0", "id": "api", "description": "made for tests",
                "conformsTo": ["https://api.stacspec.org/v1.0.0/core", "https://api.stacspec.org/v1.0.0/item-search"],
                "links": [
                    {"rel": "self", "href": f"{host}/api", "type": "application/json"},
                    {"rel": "root", "href": f"{host}/api", "type": "application/json"},
                    {"rel": "search", "href": f"{host}/api/search", "type": "application/geo+json", "method": "GET"},
                ],
            }  # fmt: skip
        else:
            items = json.loads((FOLDER / "items.json").read_text())["features"]
            west, south, east, north = map(float, query["bbox"][0].split(","))
            wanted = query.get("collections", [""])[0]
            near = [
                one for one in items
                if one["bbox"][0] <= east and one["bbox"][2] >= west
                and one["bbox"][1] <= north and one["bbox"][3] >= south
                and wanted in ("", one["collection"])
            ]  # fmt: skip
            at = int(query.get("token", ["0"])[0])
            text = {"type": "FeatureCollection", "features": near[at : at + PAGE], "links": []}
            if at + PAGE < len(near):
                again = "&".join(f"{k}={v[0]}" for k, v in query.items() if k != "token")
                href = f"{host}/api/search?{again}&token={at + PAGE}"
                text["links"] = [{"rel": "next", "href": href, "method": "GET", "type": "application/geo+json"}]
        self._send(200, json.dumps(text).encode(), "application/json")

    def _send(
        self, code: int, content: bytes, kind: str, headers: dict[str, str] | None = None, most: int | None = None,
        body: bool = True, pause: float = 0.0,
    ) -> None:  # fmt: skip
        """most: bytes of the content that are sent. pause: seconds between pieces of 16 kB."""
        self.send_response(code)
        self.send_header("Content-Type", kind)
        self.send_header("Content-Length", str(len(content)))
        for name, value in (headers or {}).items():
            self.send_header(name, value)
        self.end_headers()
        if body:
            with contextlib.suppress(BrokenPipeError, ConnectionResetError):
                sent = content if most is None else content[:most]
                for at in range(0, len(sent), (1 << 14) if pause else max(len(sent), 1)):
                    self.wfile.write(sent[at : at + (1 << 14)] if pause else sent)
                    threading.Event().wait(pause)
        if most is not None and most < len(content):
            self.close_connection = True

    def log_message(self, *_: object) -> None:
        """Nobody reads it."""


@dataclass(frozen=True)
class TileServer:
    address: str

    def asked(self, ending: str = "") -> list[dict[str, Any]]:
        """Requests since the rules were last set, for names that end so."""
        return [one for one in json.loads(self._call("/state", None)) if one["name"].endswith(ending)]

    def rules(self, **rules: dict[str, Any]) -> None:
        """Set the faults by the stem of a tile or, with '/' as '__', by any name; forget what was asked."""
        named = {k.replace("__", "/") if "__" in k else f"{k}.tif": v for k, v in rules.items()}
        self._call("/rules", json.dumps(named).encode())

    def _call(self, path: str, body: bytes | None) -> bytes:
        direct = urllib.request.build_opener(urllib.request.ProxyHandler({}))
        with direct.open(urllib.request.Request(self.address + path, data=body), timeout=10) as answer:
            return bytes(answer.read())


@contextlib.contextmanager
def serving_tiles(folder: Path) -> Iterator[TileServer]:
    with subprocess.Popen([sys.executable, __file__, str(folder)], stdout=subprocess.PIPE, text=True) as process:
        try:
            assert process.stdout is not None
            yield TileServer(f"http://127.0.0.1:{int(process.stdout.readline())}")
        finally:
            process.kill()


if __name__ == "__main__":
    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    print(server.server_address[1], flush=True)
    server.serve_forever()
