"""A web service on this machine's own loopback, for what would otherwise ask the world."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from urllib.parse import parse_qs, urlsplit


class Service:
    """Answers each request with ``status`` and ``body``, and remembers what was asked."""

    def __init__(self) -> None:
        self.status, self.body = 200, b""
        self.announced: int | None = None
        self.hold = threading.Event()
        self.hold.set()
        self.asked: list[str] = []
        service = self

        class Handler(BaseHTTPRequestHandler):
            def do_GET(self) -> None:
                service.asked.append(self.path)
                service.hold.wait(10)
                self.send_response(service.status)
                self.send_header("Content-Length", str(service.announced or len(service.body)))
                self.end_headers()
                with suppress(ConnectionError):  # who has heard enough hangs up
                    self.wfile.write(service.body)

            def log_message(self, *_: object) -> None:
                pass

        self.server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.url = f"http://127.0.0.1:{self.server.server_port}/api"

    def answer(self, body: str | bytes, status: int = 200) -> None:
        self.status, self.body = status, body if isinstance(body, bytes) else body.encode()

    def query(self) -> dict[str, list[str]]:
        return parse_qs(urlsplit(self.asked[-1]).query)


@contextmanager
def serving() -> Iterator[Service]:
    """Run such a service while the block runs."""
    made = Service()
    thread = threading.Thread(target=made.server.serve_forever, kwargs={"poll_interval": 0.02})
    thread.start()
    try:
        yield made
    finally:
        made.hold.set()
        made.server.shutdown()
        made.server.server_close()
        thread.join()
