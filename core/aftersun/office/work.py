"""The inventory as an office works with it: read by all at once, written by one after the other, each by name."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import date
from pathlib import Path
from typing import Any

from aftersun.documents.run_view import RunView
from aftersun.inventory.looking_up import Directory
from aftersun.inventory.runs.stored_runs import stored_run
from aftersun.inventory.store import trail
from aftersun.inventory.store.file import Inventory, Shared


class Overtaken(Exception):
    """Somebody else changed what a form was about after it was shown; ``since`` is the last change that it knew."""

    def __init__(self, since: int) -> None:
        super().__init__()
        self.since = since


class Office:
    """An inventory that this process holds, while the page is there. ``folder`` is for what is made beside it."""

    def __init__(self, inventory: Path, shared: Shared, company_file: Path, folder: Path) -> None:
        self.path = inventory
        self.shared = shared
        self.company_file = company_file
        self.folder = folder
        self._reading = threading.RLock()
        self._view: RunView | None = None
        self._seen: object = None
        self._made: dict[str, dict[str, Any]] = {}  # of the view
        self._directory: tuple[int, Directory] | None = None
        self._handle: Inventory | None = None

    @contextmanager
    def inventory(self) -> Iterator[Inventory]:
        """Give the inventory to read, with nobody else on the same handle."""
        with self._reading:
            self._handle = self._handle or Inventory.open(self.path, read_only=True)
            yield self._handle

    def ranked(self) -> bool:
        """Tell whether there is a run to show."""
        with self.inventory() as inventory:
            return stored_run(inventory) is not None

    @contextmanager
    def view(self) -> Iterator[RunView]:
        """Give the newest run as all else stands now. Raises AftersunError where nothing was ranked yet."""
        with self.inventory() as inventory:
            now = (self.shared.written, date.today())
            if self._view is None or now != self._seen:
                newest = RunView(inventory)
                same = self._view is not None and self._view.run_id == newest.run_id
                self._view = self._view.renewed() if same and self._view else newest
                self._seen, self._made = now, {}
            yield self._view

    def once(self, name: str, make: Callable[[RunView], dict[str, Any]]) -> dict[str, Any]:
        """Return what is made of the view under a name; made anew once anything was stored, and on another day."""
        with self.view() as view:
            if name not in self._made:
                self._made[name] = make(view)
            return self._made[name]

    def directory(self) -> Directory:
        """Return who is where, read again once somebody was changed."""
        with self.inventory() as inventory:
            newest = trail.newest_of_people(inventory)
            if self._directory is None or self._directory[0] != newest:
                self._directory = newest, Directory(inventory)
            return self._directory[1]

    @contextmanager
    def writing(self, who: str, site_id: str = "", seen: int | None = None) -> Iterator[Inventory]:
        """Give the inventory to change, put down to somebody. Nobody else writes meanwhile.

        Raises
        ------
        Overtaken
            If a site was changed after the change ``seen``.
        """
        with self.shared.writing, trail.acting_as(who), Inventory.open(self.path) as inventory:
            if site_id and seen is not None and trail.newest(inventory, site_id) > seen:
                raise Overtaken(seen)
            yield inventory

    def close(self) -> None:
        """Let go of the inventory."""
        with self._reading:
            if self._handle is not None:
                self._handle.close()
