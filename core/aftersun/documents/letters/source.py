"""The rows that letters are composed from, each table of the run and the inventory read once."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence

import numpy as np
import pandas as pd

from aftersun.documents.letters.facts import Stored
from aftersun.documents.letters.options import Catalogue
from aftersun.documents.run_view import RunView
from aftersun.energy.assumptions import system_values
from aftersun.energy.demand import yearly_demand
from aftersun.inventory.log import learnt_facts
from aftersun.inventory.store import read
from aftersun.inventory.store.file import Inventory
from aftersun.wording import Row, value_of

_RUN_TABLES = (
    "offer", "offer_member", "offer_month", "cash_flow", "cost_item", "ranking", "driver", "safety_note",
    "site_energy", "site_loss", "site_evidence", "reading_finding", "question", "call",
)  # fmt: skip


class Source:
    """The rows of some sites of a run by table and site, each table read once."""

    def __init__(self, inventory: Inventory, view: RunView, site_ids: Sequence[str]) -> None:
        self.view = view
        tables = {name: view.table_of_sites(name, site_ids) for name in _RUN_TABLES}
        self.kept_too_little = bool(tables["offer"]["years"].isna().any())  # by an older program
        sites, arrays = view.sites(), view.arrays()
        self.sites = {site: rows[0] for site, rows in _by(sites[sites["site_id"].isin(site_ids)], "site_id").items()}
        tables["array"] = arrays[arrays["site_id"].isin(site_ids)]
        self._tables = {name: _by(table, "site_id") for name, table in tables.items()}
        owners = {str(row["customer_id"]) for row in self.sites.values() if value_of(row, "customer_id") is not None}
        self._people = _by(read.contacts(inventory, sorted(owners)), "customer_id")
        self._languages = read.languages(inventory)
        facts = learnt_facts.facts(inventory)
        new = facts["recorded_at"] > pd.Timestamp(view.made_at).tz_localize(None)
        self.learnt_since = frozenset(facts.loc[new, "site_id"])
        self.company = view.used_company()
        self._assumed = system_values(self.company.system_overrides)
        self.catalogue = Catalogue(
            {retrofit: rows[0] for retrofit, rows in _by(view.table("run_retrofit"), "retrofit").items()},
            _by(view.table("run_assumption"), "retrofit"),
            _by(view.table("run_claim"), "retrofit"),
        )

    def of(self, site_id: str) -> Stored:
        """Return the rows of one of the sites."""
        return Stored(self.sites[site_id], {name: rows.get(site_id, ()) for name, rows in self._tables.items()})

    def usual_demand_kwh(self, site: Row) -> float:
        """Return the electricity of a year that the run takes at a site where nothing tells it."""
        return float(yearly_demand(pd.DataFrame([{**site, "annual_demand_kwh": np.nan}]), self._assumed)[0])

    def language(self, site: Row) -> str:
        """Return the language that a site's customer reads, "" = not said."""
        return self._languages.get(str(site["customer_id"]), "")

    def customer(self, site: Row) -> tuple[str, ...]:
        """Return name and address of a site's customer, line by line."""
        (person,) = self._people.get(str(site["customer_id"]), [{}])
        return tuple(str(person[name]) for name in ("name", "street", "town") if value_of(person, name))


def _by(frame: pd.DataFrame, column: str) -> dict[str, Sequence[Row]]:
    rows_by = defaultdict(list)
    for row in frame.to_dict("records"):
        rows_by[str(row[column])].append(row)
    return dict(rows_by)
