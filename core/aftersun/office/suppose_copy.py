"""Computes a run with changes on a copy of an inventory, in a process of its own; nothing is stored.

Called with the copy, how many processes may compute, the site or "" for all, and changes as ``what-if`` takes them. Its
last line is JSON with what came of it: ``offered`` by retrofit, rows that ``turned``, ``rows`` of one site, notes.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Sequence
from pathlib import Path

from aftersun.documents.run_view import RunView
from aftersun.inventory.store.file import Inventory
from aftersun.office.copies import say, work
from aftersun.scoring.run.what_if import suppose

_SHOWN = 50  # rows that turn


def main(copy: Path, workers: int, site: str, changes: Sequence[str]) -> None:
    """Compute and say what came of it."""

    def do(progress: Callable[[int, int], None]) -> None:
        with Inventory.open(copy, read_only=True) as inventory:
            view = RunView(inventory)
            if site:
                view.facts(site)  # there is such a site
            before = view.table("ranking", site or None)
            compared = suppose(inventory, view.run, before, changes, site or None, progress, workers)
        stored, supposed, turned = compared.offered("stored"), compared.offered("supposed"), compared.turned()
        came = {
            "offered": [[name, *stored[name], *supposed[name]] for name in sorted(stored)],
            "turned": json.loads(turned.head(_SHOWN).to_json(orient="records")),
            "turned_count": len(turned),
            "rows": json.loads(compared.rows.to_json(orient="records")) if site else [],
            "notes": json.loads(compared.notes.to_json(orient="records")),
        }
        failed = [f"Plugin {one.plugin} failed during {one.during}." for one in compared.failures]
        say(came=came, said=failed)

    work(do)


if __name__ == "__main__":
    main(Path(sys.argv[1]), int(sys.argv[2]), sys.argv[3], sys.argv[4:])
