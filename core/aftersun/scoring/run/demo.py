"""The demo: an invented company loaded from packaged tables, on the weather year that pvlib carries."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from pathlib import Path

import pvlib

import aftersun_datasets
from aftersun.climate.read import read_weather
from aftersun.climate.sun import hours_table
from aftersun.inventory.loading.load import load_file
from aftersun.inventory.store.dictionary import tables
from aftersun.inventory.store.file import Inventory
from aftersun.inventory.store.weather_store import put_weather
from aftersun.model.errors import AftersunError

AS_OF = date(2026, 6, 1)
WEATHER_FILE = Path(pvlib.__file__).parent / "data" / "723170TYA.CSV"  # TMY3, station 723170


@dataclass(frozen=True)
class Demo:
    """Where the demo was made, and how many rows were loaded and rejected."""

    inventory: Path
    company: Path
    tables: Path
    as_of: date
    accepted: int
    rejected: int


def make_demo(folder: Path) -> Demo:
    """Write the invented tables into a new folder and load them, with the weather year, into an inventory.

    Raises
    ------
    AftersunError
        If the folder exists already.
    """
    if folder.exists():
        raise AftersunError(f"{folder} exists already.", "Choose another folder, or remove it; nothing was changed.")
    made = folder / "tables"
    made.mkdir(parents=True)
    for name in (*(f"{table}.csv" for table in tables()), "README.md"):
        (made / name).write_bytes(aftersun_datasets.path(f"demo/{name}").read_bytes())
    for name in ("company.toml", "logo.svg"):  # the company file and what it names
        (folder / name).write_bytes(aftersun_datasets.path(f"demo/{name}").read_bytes())
    inventory = folder / "demo.duckdb"
    accepted = rejected = 0
    with Inventory.create(inventory) as opened:
        for table in tables():
            report = load_file(opened, table, made / f"{table}.csv")
            accepted += report.rows_read - report.rejected
            rejected += report.rejected
        year = read_weather(WEATHER_FILE).year
        put_weather(opened, year.station, hours_table(year))
    return Demo(inventory, folder / "company.toml", made, AS_OF, accepted, rejected)
