"""The office's page over a copy of the demo, asked as a browser asks it, without a server."""

from __future__ import annotations

import re
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from html import unescape
from pathlib import Path

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


def send(client: TestClient, address: str, shown_at: str = "/", who: str = "Kim", **fields: str) -> tuple[int, str]:
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
