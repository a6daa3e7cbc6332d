"""Makes the inventories with a stored run that stand here: a few sites out of a demo's. Each layout that lands has one.

    git worktree add ../then COMMIT
    PYTHONPATH=../then/core:../then/datasets:../then/plugins:../then/reports aftersun demo then-demo
    python reduce.py then-demo/demo.duckdb demo-layout-N.duckdb && gzip -9 demo-layout-N.duckdb

The last line takes today's program, which copies a file as it is.

All people and places in it are invented.
"""

from __future__ import annotations

import sys
from pathlib import Path

from aftersun.inventory.store.file import Inventory, space_of
from aftersun.inventory.store.rewrite import Condition, columns_of, tables_of, write_copy

# A call, a danger to be told, the site of the README, one not to be contacted, one without tariff, one with a set.
SITES = ["S0127", "S0156", "S0160", "S0007", "S0019", "S0113"]


def main(source: Path, target: Path) -> None:
    """Copy an inventory with the rows of ``SITES`` alone."""
    with Inventory.open_as_it_is(source, read_only=True, may_use=space_of(target)) as inventory:
        customers = "SELECT customer_id FROM site WHERE site_id IN (SELECT unnest(?))"
        left_out = {}
        for table in tables_of(inventory.connection):
            names = columns_of(inventory.connection, table)
            if "site_id" in names:
                left_out[table] = Condition("site_id NOT IN (SELECT unnest(?))", [SITES])
            elif "customer_id" in names:
                left_out[table] = Condition(f"customer_id NOT IN ({customers})", [SITES])
        write_copy(inventory, target, left_out)


if __name__ == "__main__":
    main(Path(sys.argv[1]), Path(sys.argv[2]))
