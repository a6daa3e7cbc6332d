"""One stored run, read only: everything that is printed or written about it comes through here."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pandas as pd

from aftersun.inventory import read, runs
from aftersun.inventory.store import Inventory
from aftersun.model.errors import AftersunError
from aftersun.scoring import words


class RunView:
    """The newest stored run of an open inventory.

    Raises
    ------
    AftersunError
        If nothing has been ranked yet.
    """

    def __init__(self, inventory: Inventory) -> None:
        found = runs.latest_run(inventory)
        if found is None:
            raise AftersunError("Nothing has been ranked yet.", "Run 'aftersun rank' first.")
        self.run = found
        self._inventory = inventory

    def table(self, name: str, site_id: str | None = None) -> pd.DataFrame:
        """Return the rows of a result table, of the whole run or of one site."""
        return runs.read_run_table(self._inventory, name, self.run.run_id, site_id)

    @property
    def currency(self) -> str:
        """The currency of all amounts."""
        return str(self.run.settings["company"]["company"]["currency"])

    @property
    def company_name(self) -> str:
        """The company's name."""
        return str(self.run.settings["company"]["company"]["name"])

    def replaced_by_company(self) -> list[str]:
        """Return a sentence for each value assumed of every system, or chance of a fact, that the company replaced."""
        company = self.run.settings["company"]
        said = []
        for section, what in (("system", "Assumed of every system"), ("facts", "Chance where not known")):
            for name, given in company[section].items():
                why = words.join(f"by {given['who']}" if given["who"] else "by the company", given["why"])
                said.append(f"{what}, replaced {why}: {name.replace('_', ' ')} {given['value']:g}.")
        return said

    def titles(self) -> dict[str, str]:
        """Return the title of each retrofit by id."""
        table = self.table("run_retrofit")
        return dict(zip(table["retrofit"], table["title"], strict=True))

    def calls(self) -> pd.DataFrame:
        """Return the sites to call, first one first."""
        table = self.table("call")
        return table[table["position"].notna()].sort_values("position", ignore_index=True)

    def excluded(self) -> pd.Series:
        """Return how many sites are not called, by reason."""
        table = self.table("call")
        return table.loc[table["position"].isna(), "excluded_reason"].value_counts()

    def to_tell(self) -> pd.DataFrame:
        """Return the dangers known to stand on sites now, one row a site and note: site_id, note_id, text, who.

        Their owners are told whether or not they may be called about offers, and without any sales text.
        """
        known = runs.read_run_table(self._inventory, "safety_note", self.run.run_id, where="tell_owner")
        return known[["site_id", "note_id", "severity", "text", "who"]].drop_duplicates(ignore_index=True)

    def far_from_weather(self) -> int:
        """Return how many sites have a remark on the distance or height of their weather station."""
        remark = self.table("site_energy")["remark"]
        return int((remark.fillna("") != "").sum())

    def facts(self, site_id: str) -> Mapping[str, Any]:
        """Return the known technical facts of a site as they stand in the inventory now.

        Raises
        ------
        AftersunError
            If there is no such site.
        """
        sites = read.sites(self._inventory)
        found = sites[sites["site_id"] == site_id]
        if found.empty:
            raise AftersunError(
                "There is no such site in the inventory.",
                "Check the site's number; it is the column site_id.",
            )
        return {str(name): value for name, value in found.iloc[0].items() if not pd.isna(value)}

    def arrays(self, site_id: str) -> pd.DataFrame:
        """Return the arrays of a site as they stand in the inventory now."""
        arrays = read.arrays(self._inventory)
        return arrays[arrays["site_id"] == site_id].reset_index(drop=True)

    def call_of(self, site_id: str) -> Mapping[str, Any]:
        """Return the call-list row of a site; a site loaded after the run has none and gets the reason."""
        table = self.table("call", site_id)
        if table.empty:
            return {"position": None, "excluded_reason": "loaded after the last run; rank again"}
        return {str(name): value for name, value in table.iloc[0].items()}
