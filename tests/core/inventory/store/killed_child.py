"""Does operations on inventories, each in a forked child that is killed after a while.

A line in: operation, path of the inventory, folder of what it needs, seconds until the kill (empty: never), bytes that
a file may have (empty: as the system likes). A line out: the child's exit status, and the seconds it took. Everything
is imported before the fork, so that a child begins to work at once.
"""

from __future__ import annotations

import os
import resource
import signal
import sys
import time
import traceback
from collections.abc import Callable
from datetime import UTC, date, datetime
from pathlib import Path

import numpy as np
import pandas as pd

from aftersun.documents.letters.compose import Choices
from aftersun.documents.output_folder import Order, make_letters
from aftersun.inventory.loading.column_checks import NOBODY
from aftersun.inventory.loading.convert import convert
from aftersun.inventory.loading.load import load_file
from aftersun.inventory.log.call_log import record_call
from aftersun.inventory.log.corrections import correct_call
from aftersun.inventory.privacy.customer_rows import erase
from aftersun.inventory.runs.prune import prune
from aftersun.inventory.runs.stored_runs import RunRecord, write_run
from aftersun.inventory.store.backup import copy_inventory
from aftersun.inventory.store.file import Inventory
from aftersun.model.errors import AftersunError

DAY = date(2026, 3, 2)


def _load(path: Path, needs: Path) -> None:
    with Inventory.open(path) as inventory:
        load_file(inventory, "customer", needs / "customer.csv")


def _rank(path: Path, needs: Path, run_id: str = "killed") -> None:
    at = datetime(2026, 3, 1, 8, 0, tzinfo=UTC)
    run = RunRecord(run_id, at, at, "0", DAY, 2, 0)
    sites = [f"S{n}" for n in range(2000)]
    ranking = pd.DataFrame({"site_id": sites, "retrofit": "bird_mesh", "status": "advised", "npv": np.arange(2000.0)})
    flow = pd.DataFrame({"site_id": np.repeat(sites, 12), "retrofit": "bird_mesh", "year": np.tile(range(12), 2000)})
    flow["net"] = np.random.default_rng(1).normal(size=len(flow))  # does not compress: the write takes a while
    with Inventory.open(path) as inventory:
        write_run(inventory, run, {"ranking": ranking, "cash_flow": flow})


def _log(path: Path, needs: Path) -> None:
    with Inventory.open(path) as inventory:
        entry = {"site_id": "S1", "called_on": "2026-03-02", "outcome": "objection", "remark": "asked to be left alone"}
        record_call(inventory, entry, {"roof_kind": "pitched tile", "import_price": "0.4"}, today=DAY)


def _open(path: Path, needs: Path) -> None:
    Inventory.open(path).close()


def _create(path: Path, needs: Path) -> None:
    Inventory.create(path).close()


def _prune(path: Path, needs: Path) -> None:
    prune(path, 1)


def _erase(path: Path, needs: Path) -> None:
    erase(path, "C1", DAY)


def _backup(path: Path, needs: Path) -> None:
    copy_inventory(needs / "source.duckdb", path)


def _restore(path: Path, needs: Path) -> None:
    copy_inventory(needs / "source.duckdb", path, replace=True)


def _convert(path: Path, needs: Path) -> None:
    with Inventory.open(path) as inventory:
        convert(inventory, ["array.tilt_deg"], "percent", NOBODY, DAY)


def _correct(path: Path, needs: Path) -> None:
    with Inventory.open(path) as inventory:
        correct_call(inventory, 1, "somebody else said so", {}, {}, withdraw=True, although_objection=True)


def _letter(path: Path, needs: Path) -> None:
    order = Order(("offer_letter",), (), None, None)
    make_letters(path, 1, Choices(), order, path.with_name("letters"), date(2026, 6, 2))


OPERATIONS: dict[str, Callable[[Path, Path], None]] = {
    "load": _load,
    "rank": _rank,
    "log": _log,
    "migrate": _open,
    "create": _create,
    "prune": _prune,
    "erase": _erase,
    "backup": _backup,
    "restore": _restore,
    "convert": _convert,
    "correct": _correct,
    "letter": _letter,
}


def main() -> None:
    for line in sys.stdin:
        operation, path, needs, after, limit = line.rstrip("\n").split("\t")
        began = time.perf_counter()
        child = os.fork()
        if not child:
            if limit:
                resource.setrlimit(resource.RLIMIT_FSIZE, (int(limit), int(limit)))
            try:
                OPERATIONS[operation](Path(path), Path(needs))
            except AftersunError as error:
                os._exit(error.exit_code)
            except BaseException:
                traceback.print_exc()
                os._exit(1)
            os._exit(0)
        if after:
            time.sleep(float(after))
            os.kill(child, signal.SIGKILL)  # one that has ended stays until it is waited for
        status = os.waitpid(child, 0)[1]
        print(status, time.perf_counter() - began, flush=True)


if __name__ == "__main__":
    main()
