"""Looks over a loaded inventory for what is missing or cannot be right, by the small checks of ``checks.csv``.

Nothing here stops a load: these are facts to settle, with counts, a few ids as examples, and what to do.
"""

from __future__ import annotations

from datetime import date

import duckdb
import numpy as np
import pandas as pd

import aftersun_datasets
from aftersun.inventory.loading.column_checks import NOBODY, NOTE, WARNING, Company, Finding, find
from aftersun.inventory.places import nearest_place_km
from aftersun.inventory.store import read
from aftersun.inventory.store.file import Inventory
from aftersun.inventory.store.sql import registered
from aftersun.inventory.store.tables import loaded_tables, read_table
from aftersun.model.price_times import PRICES, SLOTS, by_tariff, pricing_row, slots_in_words, slots_of
from aftersun.model.ranges import Bools

# Facts that change the sign or the rank of a retrofit.
DECISIVE_FACTS = (
    "remaining_life_years",
    "annual_demand_kwh",
    "water_heat",
    "birds_seen",
    "roof_kind",
    "commissioned_on",
    "monitoring",
    "export_price",
)
_EXAMPLES = 5
_FAR_KM = 50.0  # from places of 500 people and more (assumption: hardly any home with a solar system lies farther)
# What the conditions of checks.csv speak of besides the tables.
_ROWS = """
    WITH priced_site AS (SELECT * EXCLUDE (valid_from) FROM site LEFT JOIN tariff_in_force USING (tariff_id)),
    placed_array AS (
        SELECT "array".*, CASE WHEN latitude >= 0 THEN 180 WHEN latitude < 0 THEN 0 END AS equator_deg
        FROM "array" LEFT JOIN site USING (site_id)
    )
"""


def check_inventory(inventory: Inventory, as_of: date | None = None, company: Company = NOBODY) -> list[Finding]:
    """Return all findings: on whole columns, then in the order of ``checks.csv``; ``as_of`` is today unless given."""
    day, connection = as_of or date.today(), inventory.connection
    columns = find(inventory, company, day)
    with registered(connection, tariff_in_force=read.tariffs_in_force(inventory, day)):
        findings = [
            _finding(connection, check, day) for check in aftersun_datasets.rows("checks.csv", "aftersun.inventory")
        ]
        findings += [*price_findings(inventory), _in_the_sea(connection), _unknown_facts(connection)]
    return columns + [finding for finding in findings if finding is not None]


def price_findings(inventory: Inventory) -> list[Finding]:
    """Return what periods and hourly prices leave open or say twice, tariff by tariff."""
    periods, hours = (
        dict(by_tariff(read_table(inventory.connection, loaded_tables()[name])))
        for name in ("tariff_period", "tariff_hour")
    )
    known = {
        (str(row["tariff_id"]), pd.Timestamp(row["valid_from"])): row["import_price"]
        for row in read_table(inventory.connection, loaded_tables()["tariff"]).to_dict("records")
    }
    found = []
    for key in sorted(periods.keys() | hours.keys()):
        tariff = f"Tariff {key[0]} of {key[1].date()}"
        if key not in known:
            todo = "Load a row of table tariff with this tariff_id and valid_from, or correct valid_from."
            found.append(Finding(WARNING, f"{tariff} has prices by time, but no tariff begins on that day.", todo))
            continue
        rows, by_hour = periods.get(key, pd.DataFrame()), hours.get(key, pd.DataFrame())
        hourly = len(by_hour) > 0 and bool(by_hour["import_price"].notna().any())
        priced = pricing_row(rows, "import_price") >= 0 if len(rows) else np.zeros(SLOTS, dtype=bool)
        if not priced.all() and not hourly and pd.isna(known[key]):
            todo = "Add a row to tariff_period, or give tariff.import_price, which holds for all hours left open."
            found.append(Finding(WARNING, f"{tariff} has no price for {slots_in_words(~priced)}.", todo))
        if priced.any() and hourly:
            todo = "Take import_price out of one of the tables; until then tariff_period holds."
            found.append(Finding(WARNING, f"{tariff} prices import in tariff_period and in tariff_hour.", todo))
        twice = _priced_twice(rows)
        if twice.any():
            todo = "Let each hour of each kind of day and month stand in one row; until then the last row holds."
            found.append(Finding(WARNING, f"{tariff} has two prices for {slots_in_words(twice)}.", todo))
    return found


def _priced_twice(periods: pd.DataFrame) -> Bools:
    """Return the slots for which two rows of a tariff have a price of one kind."""
    count = np.zeros((len(PRICES), *SLOTS), dtype=np.int64)
    for period in periods.to_dict("records"):
        for kind, price in enumerate(PRICES):
            count[kind] += slots_of(period) if pd.notna(period[price]) else 0
    return np.asarray((count > 1).any(axis=0))


def _finding(connection: duckdb.DuckDBPyConnection, check: dict[str, str], day: date) -> Finding | None:
    """Return a finding on the rows that a check is about, named by their number; None if there are none."""
    figures = {"day": day, **{name: float(check[name]) for name in ("low", "high") if check[name]}}
    key = f"{check['rows'].rpartition('_')[2]}_id"
    condition = check["condition"].format_map(figures)
    query = f"{_ROWS} SELECT {key}, coalesce({condition}, false) AS wrong FROM {check['rows']} ORDER BY {key}"
    rows = connection.execute(query).df()
    wrong = rows.loc[rows["wrong"], key]
    return _of(check["level"], wrong, len(rows), check["finding"].format_map(figures), check["what_to_do"])


def _of(level: str, wrong: pd.Series, total: int, what: str, what_to_do: str) -> Finding | None:
    """Return a finding on the rows of these numbers, of so many in all; None if there are none."""
    if wrong.empty:
        return None
    more = " and others" if len(wrong) > _EXAMPLES else ""
    return Finding(level, f"{len(wrong)} of {total} {what}: {', '.join(wrong.head(_EXAMPLES))}{more}.", what_to_do)


def _in_the_sea(connection: duckdb.DuckDBPyConnection) -> Finding | None:
    """Return the sites that lie far from every town: in the sea, more often than in a desert; None if none do."""
    query = "SELECT site_id, latitude, longitude FROM site WHERE latitude + longitude IS NOT NULL ORDER BY site_id"
    sites = connection.execute(query).df()
    if sites.empty:
        return None
    far = nearest_place_km(sites["latitude"], sites["longitude"]) > _FAR_KM
    what = f"sites lie more than {_FAR_KM:g} km from any town, in the sea or a desert"
    return _of(WARNING, sites["site_id"][far], len(sites), what, "Check sign and order of latitude and longitude.")


def _unknown_facts(connection: duckdb.DuckDBPyConnection) -> Finding | None:
    """Return how much is unknown of the facts that most change a decision; None if nothing is."""
    sites = connection.execute(f"{_ROWS} SELECT {', '.join(DECISIVE_FACTS)} FROM priced_site").df()
    shares = sites.isna().mean().sort_values(ascending=False, kind="stable")
    missing = [f"{name} {100 * share:.0f} %" for name, share in shares.items() if share > 0]
    if not missing:
        return None
    what = f"Unknown of the facts that most change a decision, share of {len(sites)} sites"
    todo = "Ask for those at the top first; assumptions stand in until then."
    return Finding(NOTE, f"{what}: {', '.join(missing)}.", todo)
