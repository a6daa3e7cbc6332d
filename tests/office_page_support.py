"""The office's page over a copy of the demo, asked as a browser asks it, without a server."""

from __future__ import annotations

import re
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from html import unescape
from pathlib import Path

import httpx2
from starlette.testclient import TestClient

from aftersun.office.server import opened
from aftersun.scoring.run.demo import Demo

PORT = 8999
HOST = f"127.0.0.1:{PORT}"
ADDRESS = f"http://{HOST}"


@contextmanager
def page_of(demo: Demo, folder: Path) -> Iterator[TestClient]:
    """Open the page of a copy of the demo in a new folder; its client is a browser that was not there before."""
    shutil.copytree(demo.inventory.parent, folder)
    with opened(folder / demo.inventory.name, folder / demo.company.name, PORT, 1) as app:
        yield browser_of(app)


def browser_of(app: object) -> TestClient:
    """Return a further browser at the same page."""
    return TestClient(app, ADDRESS, headers={"origin": ADDRESS}, follow_redirects=True)  # type: ignore[arg-type]


def send(client: httpx2.Client, address: str, shown_at: str = "/", who: str = "Kim", **fields: str) -> tuple[int, str]:
    """Fill a form in as it stands at an address, and send it; return the status and the page that follows."""
    shown = client.get(shown_at).text
    token = re.search(r'name="token" value="(\w+)"', shown)
    seen = re.search(r'name="seen" value="(\d+)"', shown)
    assert token is not None
    known = {"token": token[1], **({"seen": seen[1]} if seen else {}), **({"who": who} if who else {})}
    answer = client.post(address, data={**known, **fields})
    return answer.status_code, answer.text


def text_of(page: str) -> str:
    """Return what a page says, without its tags."""
    return re.sub(r"\s+", " ", unescape(re.sub(r"<[^>]+>", " ", page)))


@dataclass
class Served:
    """A page that runs as an office starts it."""

    process: subprocess.Popen[str]
    address: str
    inventory: Path

    def stop(self) -> int:
        """Stop it as Ctrl-C does, and return its exit code."""
        self.process.send_signal(signal.SIGINT)
        return self.process.wait(60)


@contextmanager
def served(inventory: Path) -> Iterator[Served]:
    """Start the program's own server over an inventory, at a free port; it is killed at the end if it still runs."""
    words = [sys.executable, "-c", "from aftersun.cli import main; main()", "open", str(inventory)]
    with subprocess.Popen(
        [*words, "--port", "0", "--no-browser", "--workers", "1"], stderr=subprocess.PIPE, text=True
    ) as process:
        assert process.stderr is not None
        try:
            line = process.stderr.readline()
            address = re.search(r"http://[\d.:]+", line)
            assert address is not None, line + process.stderr.read()
            client_until_it_answers(address[0])
            yield Served(process, address[0], inventory)
        finally:
            process.kill()


def client_until_it_answers(address: str) -> None:
    """Wait until a page answers."""
    for _ in range(600):
        try:
            httpx2.get(f"{address}/run-state", timeout=60)
        except httpx2.TransportError:
            time.sleep(0.1)
        else:
            return
    raise AssertionError("the page never answered")


def browser_at(address: str) -> httpx2.Client:
    """Return a client of a page that runs, as :func:`browser_of` of one that does not."""
    return httpx2.Client(base_url=address, headers={"origin": address}, follow_redirects=True, timeout=120)
