"""The rows that letters are composed from, each table of the run and the inventory read once."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence

import pandas as pd

from aftersun.documents.letters.facts import Row, System, notes_of, value_of
from aftersun.documents.letters.options import Catalogue, Records
from aftersun.documents.run_view import RunView
from aftersun.energy.assumptions import system_values
from aftersun.inventory.log import learnt_facts
from aftersun.inventory.store import read
from aftersun.inventory.store.file import Inventory
from aftersun.model.letter import LetterNote

_RUN_TABLES = (
    "offer", "offer_member", "offer_month", "cash_flow", "cost_item", "ranking", "driver", "safety_note",
    "site_energy", "site_loss", "site_evidence", "reading_finding", "question", "call",
)  # fmt: skip


class Source:
    """The rows of some sites of a run by table and site, each table read once."""

    def __init__(self, inventory: Inventory, view: RunView, site_ids: Sequence[str]) -> None:
        self.view = view
        self._tables = {name: _by(view.table_of_sites(name, site_ids), "site_id") for name in _RUN_TABLES}
        sites, arrays = view.sites(), view.arrays()
        self.sites = {site: rows[0] for site, rows in _by(sites[sites["site_id"].isin(site_ids)], "site_id").items()}
        self._tables["array"] = _by(arrays[arrays["site_id"].isin(site_ids)], "site_id")
        owners = {str(row["customer_id"]) for row in self.sites.values() if value_of(row, "customer_id") is not None}
        self._people = _by(read.contacts(inventory, sorted(owners)), "customer_id")
        facts = learnt_facts.facts(inventory)
        new = facts["recorded_at"] > pd.Timestamp(view.made_at).tz_localize(None)
        self.learnt_since = frozenset(facts.loc[new, "site_id"])
        self.company = view.used_company()
        self.unknown_demand_kwh = system_values(self.company.system_overrides)["unknown_demand_kwh"]
        self.catalogue = Catalogue(
            {retrofit: rows[0] for retrofit, rows in _by(view.table("run_retrofit"), "retrofit").items()},
            _by(view.table("run_assumption"), "retrofit"),
            _by(view.table("run_claim"), "retrofit"),
        )

    def dangers(self, site_id: str) -> tuple[LetterNote, ...]:
        """Return the dangers known to stand on a site now, worst first."""
        return notes_of([row for row in self.rows("safety_note", site_id) if value_of(row, "tell_owner")])

    def rows(self, table: str, site_id: str) -> Sequence[Row]:
        """Return the rows that a table of the run has of a site."""
        return self._tables[table].get(site_id, ())

    def row(self, table: str, site_id: str) -> Row | None:
        """Return the only row that a table of the run has of a site, None where it has none."""
        rows = self.rows(table, site_id)
        return rows[0] if rows else None

    def offers(self, site_id: str) -> dict[str, Row]:
        """Return the offers of a site by name."""
        return {str(row["offer"]): row for row in self.rows("offer", site_id)}

    def customer(self, site_id: str) -> tuple[str, ...]:
        """Return name and address of the site's customer, line by line."""
        (person,) = self._people.get(str(self.sites[site_id]["customer_id"]), [{}])
        return tuple(str(person[name]) for name in ("name", "street", "town") if value_of(person, name))

    def system(self, site_id: str) -> System:
        """Return what is stored of a site that the run has valued."""
        energy = self.row("site_energy", site_id)
        assert energy is not None  # checked before
        return System(
            self.sites[site_id],
            self.rows("array", site_id),
            energy,
            self.row("site_evidence", site_id),
            self.rows("site_loss", site_id),
            self.rows("reading_finding", site_id),
        )

    def records(self, site_id: str, offer: str) -> Records:
        """Return the rows of one offer of a site."""
        rows = self._of(site_id, "offer_member", "offer", [offer])
        members = [str(row["retrofit"]) for row in rows]
        energy = self.row("site_energy", site_id)
        return Records(
            offer=self.offers(site_id)[offer],
            members=rows,
            cash=self._of(site_id, "cash_flow", "retrofit", [offer]),
            costs=self._of(site_id, "cost_item", "retrofit", [offer]),
            months=self._of(site_id, "offer_month", "offer", [offer]),
            ranking={str(row["retrofit"]): row for row in self._of(site_id, "ranking", "retrofit", members)},
            drivers=self._of(site_id, "driver", "retrofit", members),
            notes=self._of(site_id, "safety_note", "retrofit", members),
            generated_kwh=0.0 if energy is None else float(energy["generated_kwh"]),
            exported_kwh=0.0 if energy is None else float(energy["exported_kwh"]),
        )

    def _of(self, site_id: str, table: str, column: str, names: Sequence[str]) -> list[Row]:
        return [row for row in self.rows(table, site_id) if row[column] in names]


def _by(frame: pd.DataFrame, column: str) -> dict[str, Sequence[Row]]:
    rows_by = defaultdict(list)
    for row in frame.to_dict("records"):
        rows_by[str(row[column])].append(row)
    return dict(rows_by)
