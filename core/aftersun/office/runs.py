"""Rankings in the background: one at a time, in a process of its own on a copy, stored here in one transaction."""

from __future__ import annotations

import json
import subprocess
import sys
import threading
from datetime import date
from typing import Any

from aftersun.inventory.runs.carrying import take_run
from aftersun.inventory.store.file import Inventory
from aftersun.model.errors import AftersunError
from aftersun.office.work import Office

IDLE = {"running": False, "done": 0, "total": 0, "said": [], "by": ""}


class Runs:
    """The ranking that is under way, if any. ``folder`` of the office holds its copy; it is stopped with the page."""

    def __init__(self, office: Office, workers: int) -> None:
        self._office, self._workers = office, workers
        self._lock = threading.Lock()
        self._state: dict[str, Any] = dict(IDLE)
        self._process: subprocess.Popen[str] | None = None
        self._thread: threading.Thread | None = None

    def state(self) -> dict[str, Any]:
        """Return how far it is: running, sites done of how many, what was said of it last, and who began it."""
        with self._lock:
            return dict(self._state)

    def start(self, who: str) -> None:
        """Begin a ranking. Raises AftersunError if one is under way."""
        with self._lock:
            if self._state["running"]:
                raise AftersunError(
                    f"A ranking is under way, begun by {self._state['by']}.", "Wait for it, or stop it."
                )
            self._state = {**IDLE, "running": True, "by": who}
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """Stop it: what is finished of it is kept, and the next one goes on from there."""
        with self._lock:
            if self._process is not None and self._process.stdin is not None and not self._process.stdin.closed:
                self._process.stdin.close()

    def wait(self) -> None:
        """Wait until none is under way."""
        if self._thread is not None:
            self._thread.join()

    def _run(self) -> None:
        try:
            said = self._ranked()
        except AftersunError as error:
            said = [str(error), error.hint]
        except Exception as error:  # what it says may hold a customer's data
            said = [f"The ranking failed ({type(error).__name__}); nothing was stored."]
        with self._lock:
            self._state |= {"running": False, "said": [line for line in said if line]}
            self._process = None

    def _ranked(self) -> list[str]:
        office = self._office
        copy, tables = office.folder / "ranked.duckdb", office.folder / "tables"
        for path in (copy, *tables.iterdir()):
            path.unlink(missing_ok=True)
        office.shared.copy(office.path, copy)
        words = [sys.executable, "-m", "aftersun.office.rank_copy", copy, office.company_file, tables, self._workers]
        with subprocess.Popen(
            [str(word) for word in words], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, encoding="utf-8"
        ) as process:
            with self._lock:
                self._process = process
            last = {"said": ["The ranking ended at once; nothing was stored."]}
            assert process.stdout is not None
            for line in process.stdout:
                last = json.loads(line)
                if "total" in last:
                    with self._lock:
                        self._state |= last
        if "run_id" not in last:
            return list(last.get("said", ()))
        with Inventory.open(copy, read_only=True) as source, Inventory.open(office.path) as target:
            take_run(source, target, str(last["run_id"]), tables)
        copy.unlink()
        return [f"Ranked on {date.today()} and stored as run {last['run_id']}.", *last["said"]]
