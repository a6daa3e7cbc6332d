"""Ranks a copy of an inventory in a process of its own, which ends when nobody listens to it any more.

Called with the copy, the company file, a folder for the tables of the run, and how many processes may compute. Each
line that it prints is JSON: how far it is, and at the end the number of the run, or what went wrong.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from datetime import date
from pathlib import Path

from aftersun.inventory.runs.carrying import write_out
from aftersun.inventory.store.file import Inventory
from aftersun.office.copies import say, work
from aftersun.scoring.run.rank import Settings, rank


def main(copy: Path, company: Path, tables: Path, workers: int) -> None:
    """Rank, write the tables of the run out, and say so."""

    def do(progress: Callable[[int, int], None]) -> None:
        record = rank(copy, Settings(company, date.today(), workers=workers), progress)
        with Inventory.open(copy, may_use=[tables]) as inventory:
            write_out(inventory, record.run_id, tables)
        failed = [f"Plugin {failure['plugin']} failed during {failure['during']}." for failure in record.failures]
        say(run_id=record.run_id, said=failed)

    work(do)


if __name__ == "__main__":
    main(Path(sys.argv[1]), Path(sys.argv[2]), Path(sys.argv[3]), int(sys.argv[4]))
