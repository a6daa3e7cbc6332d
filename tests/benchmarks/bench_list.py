"""What an office's list of many roofs costs to read and load, CSV and workbook.

    python tests/benchmarks/bench_list.py [--rows 100000]

All people are invented. Printed are the time by the clock and of the processor, for each kind of file, to understand
it, to split and check it, to store it, and to write what is doubtful.
"""

from __future__ import annotations

import argparse
import csv
import random
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import xlsxwriter

from aftersun.inventory.office_list.load_list import known_to, prepare, store_list, understand, write_doubtful
from aftersun.inventory.store.file import Inventory

_HEADINGS = (
    "Customer No;Name;Street;Postcode;Town;Phone;Email;Lat;Lon;System size;Pitch;Roof direction;kWp 2;Pitch 2;"
    "Direction 2;Installed;Yearly usage;Hot water;Tank;Battery;Roof;Birds;Tariff;Price/kWh"
)
HEADINGS = _HEADINGS.split(";")


def row(number: int, chance: random.Random) -> list[str]:
    """Return the cells of one invented roof."""
    second = chance.random() < 0.2
    return [
        str(number),
        f"Household {number}",
        f"Plover Row {number}",
        f"{number % 90000 + 1000:05}",
        "Rookhollow",
        f"000 {number:07}",
        f"household{number}@larkmoor.invalid",
        f"{chance.uniform(49, 52):.5f}".replace(".", ","),
        f"{chance.uniform(7, 12):.5f}".replace(".", ","),
        f"{chance.uniform(2, 15):.2f} kWp".replace(".", ","),
        chance.choice(["30", "35°", "20", "", "flat"]),
        chance.choice(["S", "SSW", "SE", "W", "E", ""]),
        "3,5" if second else "",
        "20" if second else "",
        "W" if second else "",
        chance.choice(["02/03/2024", "25/11/2019", "2017", "", "asked in spring"]),
        chance.choice(["3.500", "8.000 kWh", "4,5 MWh", ""]),
        chance.choice(["combi", "gas", "heatpump", ""]),
        chance.choice(["200 l", "150", ""]),
        chance.choice(["", "none", "9,6 kWh"]),
        chance.choice(["tile", "slate", "metal", ""]),
        chance.choice(["x", "no", "sí", ""]),
        chance.choice(["home", "farm"]),
        "0,30",
    ]


def write_csv(path: Path, rows: list[list[str]]) -> None:
    """Write the list as CSV, a title above its headings."""
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, delimiter=";")
        writer.writerows([["All roofs"], HEADINGS, *rows])


def write_xlsx(path: Path, rows: list[list[str]]) -> None:
    """Write the list as a workbook."""
    with xlsxwriter.Workbook(path) as book:
        sheet = book.add_worksheet("Roofs")
        for n, cells in enumerate([["All roofs"], HEADINGS, *rows]):
            for position, cell in enumerate(cells):
                if cell:
                    sheet.write_string(n, position, cell)


def timed(what: str, done: Callable[[], Any]) -> Any:
    """Print what a step costs and return what it gives."""
    clock, processor = time.perf_counter(), time.process_time()
    given = done()
    print(
        f"  {what}: {time.perf_counter() - clock:.1f} s, {time.process_time() - processor:.1f} s of processor time",
        flush=True,
    )
    return given


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--rows", type=int, default=100_000)
    count = parser.parse_args().rows
    chance = random.Random(17)
    rows = [row(number, chance) for number in range(1, count + 1)]
    measure(rows, ".csv", write_csv)
    measure(rows, ".xlsx", write_xlsx)


def measure(rows: list[list[str]], suffix: str, write: Callable[[Path, list[list[str]]], None]) -> None:
    """Print what one kind of file costs."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / f"list{suffix}"
        write(path, rows)
        print(f"{len(rows)} rows as {suffix}, {path.stat().st_size / 1e6:.0f} MB")
        with Inventory.create(Path(folder) / "company.duckdb") as inventory:
            understood = timed("read and understand", lambda: understand(path))
            prepared = timed("split and check", lambda: prepare(understood, known_to(inventory)))
            timed("store", lambda: store_list(inventory, prepared))
            timed("write what is doubtful", lambda: write_doubtful(prepared, Path(folder)))


if __name__ == "__main__":
    main()
