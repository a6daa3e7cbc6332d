"""What is computed in the background: in a process of its own, on a copy, told line by line and stopped with it."""

from __future__ import annotations

import json
import secrets
import subprocess
import sys
import threading
from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any

from aftersun.inventory.runs.carrying import take_run
from aftersun.inventory.store.file import Inventory
from aftersun.model.errors import AftersunError
from aftersun.office.work import Office

IDLE = {"running": False, "done": 0, "total": 0, "said": [], "by": "", "came": None}
MOST_KEPT = 20  # what-ifs


class Background:
    """Work that another process does: ``module``, called with words, prints JSON of how far it is and what came of it.

    It ends when nobody listens to it any more.
    """

    module = ""
    name = ""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._stopped = False
        self._state: dict[str, Any] = dict(IDLE)
        self._process: subprocess.Popen[str] | None = None
        self._thread: threading.Thread | None = None

    def state(self) -> dict[str, Any]:
        """Return how far it is: running, done of total sites, what was said last, what came of it, who began it."""
        with self._lock:
            return dict(self._state)

    def start(self, who: str) -> None:
        """Begin. Raises AftersunError if it is under way."""
        with self._lock:
            if self._state["running"]:
                raise AftersunError(
                    f"A {self.name} is under way, begun by {self._state['by']}.", "Wait for it, or stop it."
                )
            self._state = {**IDLE, "running": True, "by": who}
            self._stopped = False
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """Stop it: of a ranking what is finished is kept, and the next one goes on from there."""
        with self._lock:
            self._stopped = True
            if self._process is not None and self._process.stdin is not None and not self._process.stdin.closed:
                self._process.stdin.close()

    def wait(self) -> None:
        """Wait until none is under way."""
        if self._thread is not None:
            self._thread.join()

    def _run(self) -> None:
        came = None
        try:
            said, came = self._worked()
        except AftersunError as error:
            said = [str(error), error.hint]
        except Exception as error:  # what it says may hold a customer's data
            said = [f"The {self.name} failed ({type(error).__name__}); nothing was stored."]
        with self._lock:
            self._state |= {"running": False, "said": [line for line in said if line], "came": came}
            self._process = None

    def _worked(self) -> tuple[list[str], object]:
        raise NotImplementedError

    def _last_of(self, *words: object) -> dict[str, Any]:
        """Have the process work, and return its last line."""
        with subprocess.Popen(
            [sys.executable, "-m", self.module, *map(str, words)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            encoding="utf-8",
        ) as process:
            with self._lock:
                self._process = process
                if self._stopped and process.stdin is not None:  # before it was there
                    process.stdin.close()
            last: dict[str, Any] = {"said": [f"The {self.name} ended at once; nothing was stored."]}
            assert process.stdout is not None
            for line in process.stdout:
                last = json.loads(line)
                if "total" in last:
                    with self._lock:
                        self._state |= last
        return last


class Runs(Background):
    """The ranking that is under way, if any; stored in one transaction."""

    module, name = "aftersun.office.rank_copy", "ranking"

    def __init__(self, office: Office, workers: int) -> None:
        super().__init__()
        self._office, self._workers = office, workers

    def _worked(self) -> tuple[list[str], object]:
        office = self._office
        copy, tables = office.folder / "ranked.duckdb", office.folder / "tables"
        for path in (copy, *tables.iterdir()):
            path.unlink(missing_ok=True)
        office.shared.copy(office.path, copy)
        last = self._last_of(copy, office.company_file, tables, self._workers)
        if "run_id" not in last:
            return list(last.get("said", ())), None
        with Inventory.open(copy, read_only=True) as source, Inventory.open(office.path) as target:
            take_run(source, target, str(last["run_id"]), tables)
        copy.unlink()
        return [f"Ranked on {date.today()} and stored as run {last['run_id']}.", *last["said"]], None


class WhatIf(Background):
    """The run with changes, of one site or "" for all, beside the stored one; nothing is stored."""

    module, name = "aftersun.office.suppose_copy", "what-if"

    def __init__(
        self, office: Office, turn: threading.Lock, asked: Mapping[str, str], changes: Sequence[str], workers: int
    ) -> None:
        super().__init__()
        self.asked, self.changes = asked, changes
        self._office, self._turn, self._workers = office, turn, workers

    def _worked(self) -> tuple[list[str], object]:
        with self._turn:  # one at a time: each takes all cores that are allowed
            copy = self._office.folder / f"supposed-{secrets.token_hex(4)}.duckdb"
            try:
                self._office.shared.copy(self._office.path, copy)
                last = self._last_of(copy, self._workers, self.asked["site"], *self.changes)
            finally:
                copy.unlink(missing_ok=True)
        return list(last.get("said", ())), last.get("came")


class WhatIfs:
    """The what-ifs that were asked for, by number; the oldest are forgotten."""

    def __init__(self, office: Office, workers: int) -> None:
        self._office, self._workers = office, workers
        self._turn = threading.Lock()
        self._kept: dict[str, WhatIf] = {}

    def begin(self, who: str, asked: Mapping[str, str], changes: Sequence[str]) -> str:
        """Begin one, and return its number. Raises AftersunError if too many are under way."""
        if sum(one.state()["running"] for one in self._kept.values()) >= MOST_KEPT:
            raise AftersunError("Too many what-ifs are under way.", "Wait for one of them.")
        for number in [number for number, one in self._kept.items() if not one.state()["running"]][: 1 - MOST_KEPT]:
            del self._kept[number]
        number = secrets.token_hex(8)
        self._kept[number] = WhatIf(self._office, self._turn, asked, changes, self._workers)
        self._kept[number].start(who)
        return number

    def of(self, number: str) -> WhatIf:
        """Return one. Raises AftersunError if there is none of that number any more."""
        try:
            return self._kept[number]
        except KeyError:
            raise AftersunError("This what-if is no longer kept here.", "Ask it again.") from None

    def stop(self) -> None:
        """Stop all of them."""
        for one in self._kept.values():
            one.stop()
            one.wait()
