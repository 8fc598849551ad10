"""A server on this machine that misbehaves as told."""

from __future__ import annotations

import gzip
import json
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer


class Server(ThreadingHTTPServer):
    """Answers every path with what `answers` holds for it: (status, headers, body, manner)."""

    daemon_threads = True

    def __init__(self) -> None:
        super().__init__(("127.0.0.1", 0), Handler)
        self.answers: dict[str, tuple[int, dict[str, str], bytes, str]] = {}
        self.asked: list[tuple[str, dict[str, str], bytes]] = []

    def url(self, path: str) -> str:
        return f"http://127.0.0.1:{self.server_port}{path}"

    def give(self, path: str, body: bytes | dict, status: int = 200, manner: str = "", **headers: str) -> str:
        data = json.dumps(body).encode() if isinstance(body, dict) else body
        self.answers[path] = (status, {k.replace("_", "-"): v for k, v in headers.items()}, data, manner)
        return self.url(path)

    def handle_error(self, request, client_address) -> None:  # noqa: ANN001
        """A client that hangs up is what the tests ask for."""


class Handler(BaseHTTPRequestHandler):
    server: Server

    def do_GET(self) -> None:  # noqa: N802
        self._answer(b"")

    def do_POST(self) -> None:  # noqa: N802
        self._answer(self.rfile.read(int(self.headers.get("Content-Length", 0))))

    def _answer(self, body: bytes) -> None:
        path = self.path.partition("?")[0]
        self.server.asked.append((self.path, dict(self.headers), body))
        status, headers, data, manner = self.server.answers.get(path, (404, {}, b"nothing here", ""))
        if headers.get("ETag") and self.headers.get("If-None-Match") == headers["ETag"]:
            status, data = 304, b""
        if manner == "gzip":
            data = gzip.compress(data)
            headers = headers | {"Content-Encoding": "gzip"}
        length = len(data)
        if manner == "half":
            data = data[: length // 2]
        self.send_response(status)
        for name, value in headers.items():
            self.send_header(name, value)
        if status != 304:
            self.send_header("Content-Length", str(length))
        self.end_headers()
        if manner == "slow":
            for i in range(0, len(data), 16):
                self.wfile.write(data[i : i + 16])
                self.wfile.flush()
                time.sleep(0.05)
            return
        if manner == "silent":
            time.sleep(5.0)
        self.wfile.write(data)

    def log_message(self, *_: object) -> None:
        """Be quiet."""


@contextmanager
def misbehaving() -> Iterator[Server]:
    server = Server()
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02}, daemon=True)
    thread.start()
    try:
        yield server
    finally:
        server.shutdown()
        server.server_close()
