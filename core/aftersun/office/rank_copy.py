"""Ranks a copy of an inventory in a process of its own, which ends when nobody listens to it any more.

Called with the copy, the company file, a folder for the tables of the run, and how many processes may compute. Each
line that it prints is JSON: how far it is, and at the end the number of the run, or what went wrong.
"""

from __future__ import annotations

import json
import os
import signal
import sys
import threading
from datetime import date
from pathlib import Path

from aftersun.inventory.runs.carrying import write_out
from aftersun.inventory.store.file import Inventory
from aftersun.model.errors import AftersunError
from aftersun.scoring.run.rank import Settings, rank

_STEP = 100  # times that it says how far it is


def main(copy: Path, company: Path, tables: Path, workers: int) -> None:
    """Rank, write the tables of the run out, and say so."""

    def say(**what: object) -> None:
        print(json.dumps(what), flush=True)

    said = -1

    def progress(done: int, total: int) -> None:
        nonlocal said
        if total and _STEP * done // total != said:
            said = _STEP * done // total
            say(done=done, total=total)

    try:
        threading.Thread(target=_end_with_whom_it_is_for, daemon=True).start()
        record = rank(copy, Settings(company, date.today(), workers=workers), progress)
        with Inventory.open(copy, may_use=[tables]) as inventory:
            write_out(inventory, record.run_id, tables)
    except AftersunError as error:
        say(said=[str(error), error.hint])
        return
    except KeyboardInterrupt:  # before it began, or once it was done
        say(said=["stopped.", "Nothing was changed in the inventory."])
        return
    failed = [f"Plugin {failure['plugin']} failed during {failure['during']}." for failure in record.failures]
    say(run_id=record.run_id, said=failed)


def _end_with_whom_it_is_for() -> None:
    sys.stdin.read()
    os.kill(os.getpid(), signal.SIGINT)


if __name__ == "__main__":
    main(Path(sys.argv[1]), Path(sys.argv[2]), Path(sys.argv[3]), int(sys.argv[4]))
