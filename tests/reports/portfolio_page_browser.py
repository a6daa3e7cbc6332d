"""Opens the portfolio page in the headless browser of the system, and notes every request and every complaint."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, Page, sync_playwright

READY = "() => document.documentElement.dataset.page === 'ready'"
DRAWN = "() => document.documentElement.dataset.charts === 'drawn'"


@dataclass
class Opened:
    """A page in the browser with what it asked for and what the console said."""

    page: Page
    requests: list[str] = field(default_factory=list)
    complaints: list[str] = field(default_factory=list)

    def cells(self, column: str) -> list[str]:
        """Return the texts of a column of the table of sites, as shown."""
        heads = self.page.locator("#sites-table thead button").all_inner_texts()
        place = next(n for n, head in enumerate(heads) if head.startswith(column))
        return self.page.locator(f"#sites-table tbody tr > :nth-child({place + 1})").all_inner_texts()


@contextmanager
def browser() -> Iterator[Browser]:
    """Start the browser of the system; without one the test fails and says so."""
    found = shutil.which("chromium")
    if found is None:
        pytest.fail("There is no 'chromium' on the path: install it (Debian: apt-get install chromium).")
    with sync_playwright() as playwright:
        started = playwright.chromium.launch(executable_path=found, headless=True, args=["--no-sandbox"])
        try:
            yield started
        finally:
            started.close()


def open_page(started: Browser, path: Path, anchor: str = "", **context: Any) -> Opened:
    """Open a page of a file and wait until its charts are drawn."""
    page = started.new_context(**context).new_page()
    opened = Opened(page)
    page.on("request", lambda request: opened.requests.append(request.url))
    page.on("console", lambda line: opened.complaints.append(line.text) if line.type in ("error", "warning") else None)
    page.on("pageerror", lambda error: opened.complaints.append(str(error)))
    page.goto(path.as_uri() + anchor)
    page.wait_for_function(DRAWN)
    return opened
