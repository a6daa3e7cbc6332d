"""Looks over a loaded inventory for what is missing or cannot be right, by the small checks of ``checks.csv``.

Nothing here stops a load: these are facts to settle, with counts, a few ids as examples, and what to do.
"""

from __future__ import annotations

from datetime import date

import duckdb
import pandas as pd

import aftersun_datasets
from aftersun.inventory.loading.column_checks import NOBODY, NOTE, WARNING, Company, Finding, find
from aftersun.inventory.places import nearest_place_km
from aftersun.inventory.store import read
from aftersun.inventory.store.file import Inventory
from aftersun.inventory.store.sql import registered

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
        findings += [_in_the_sea(connection), _unknown_facts(connection)]
    return columns + [finding for finding in findings if finding is not None]


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
