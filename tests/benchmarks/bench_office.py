"""What a screen of the office's page costs: python bench_office.py RANKED.duckdb COMPANY.toml --sites 1000 10000

Each size is the inventory given, whose sites, customers and run are copied under further numbers. Of each screen it
tells the time of the processor in ms, the best of five, and its ratio to that with the inventory as given: such ratios
hold on any machine.
"""

from __future__ import annotations

import argparse
import re
import shutil
import sys
import time
from pathlib import Path
from tempfile import TemporaryDirectory

import duckdb

sys.path.insert(0, str(Path(__file__).parents[1]))
from office_page_support import PORT, browser_of, send

from aftersun.inventory.store.file import Inventory
from aftersun.inventory.store.tables import all_tables
from aftersun.office.server import opened

TIMES = 5
_NUMBERS = ("site_id", "customer_id", "array_id", "row_key")


def multiplied(inventory: Path, copies: int) -> int:
    """Have all that is said of sites and customers there so many times, under other numbers; return how many sites."""
    Inventory.open(inventory).close()  # brought up to date
    with duckdb.connect(str(inventory)) as connection:
        for table, described in all_tables().items():
            names = [name for name in described.columns if name in _NUMBERS]
            if not {"site_id", "customer_id"} & set(names) or table in ("letter", "letter_offer"):
                continue
            replaced = [f"{name} || '-' || copy AS {name}" for name in names]
            for number in (
                ("entry", "change", "fact", "offer") if table in ("call_log", "change", "fact_origin") else ()
            ):
                if number in described.columns:
                    replaced.append(f'{number} + copy * (SELECT max({number}) FROM "{table}") AS {number}')
            if table == "call":
                replaced.append("position + copy * (SELECT max(position) FROM call) AS position")
            rows = (
                f'SELECT * EXCLUDE (copy) REPLACE ({", ".join(replaced)}) FROM "{table}", range(1, {copies}) AS c(copy)'
            )
            connection.execute(f'INSERT INTO "{table}" {rows}')
        return int(connection.execute("SELECT count(*) FROM site").fetchall()[0][0])


def costs(folder: Path, inventory: Path, company: Path) -> dict[str, float]:
    """Return the time of the processor that each screen takes, in ms."""
    with opened(folder / inventory.name, folder / company.name, PORT, 1) as app:
        client = browser_of(app)
        site = re.findall(r"site=(\w+)\"", client.get("/").text)[0]
        screens = {
            "today": "/",
            "site": f"/site?site={site}",
            "search": "/found?q=a",
            "journal": "/journal",
            "company": "/company",
        }

        def best(address: str) -> float:
            taken = []
            for _ in range(TIMES):
                since = time.process_time()
                assert client.get(address).status_code == 200
                taken.append(1000 * (time.process_time() - since))
            return min(taken)

        found = {name: best(address) for name, address in screens.items()}
        assert send(client, "/call", screens["site"], site=site, outcome="unreached")[0] == 200
        since = time.process_time()
        client.get("/")
        return {**found, "today, once a call was logged": 1000 * (time.process_time() - since)}


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("inventory", type=Path)
    parser.add_argument("company", type=Path)
    parser.add_argument("--sites", type=int, nargs="*", default=[1000, 10000])
    given = parser.parse_args()
    base: dict[str, float] = {}
    for sites in (0, *given.sites):
        with TemporaryDirectory() as name:
            folder = Path(name)
            for path in (given.inventory, given.company):
                shutil.copy(path, folder)
            with duckdb.connect(str(folder / given.inventory.name)) as connection:
                there = connection.execute("SELECT count(*) FROM site").fetchall()[0][0]
            count = multiplied(folder / given.inventory.name, max(sites // there, 1)) if sites else there
            found = costs(folder, given.inventory, given.company)
        base = base or found
        for screen, ms in found.items():
            print(f"{count:>7} sites  {screen:<30} {ms:8.0f} ms  {ms / base[screen]:6.1f} times", flush=True)


if __name__ == "__main__":
    main()
