"""Reads stored runs for those who read much of them: a table of many sites by one query."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import pandas as pd

from aftersun.inventory.runs.stored_runs import read_run_table
from aftersun.inventory.store.file import Inventory
from aftersun.inventory.store.sql import registered, typed_frame
from aftersun.inventory.store.tables import RUN_TABLES, read_table


class RunTables:
    """The tables of one run: those asked for site by site are read once and kept."""

    def __init__(self, inventory: Inventory, run_id: str) -> None:
        self._inventory, self._run_id = inventory, run_id
        self._asked: dict[str, str] = {}  # the site that a table was asked for first
        self._kept: dict[str, tuple[pd.DataFrame, Mapping[Any, Any]]] = {}  # with the rows of each site
        self._once: dict[tuple[str, str | None], pd.DataFrame] = {}

    def whole(self, name: str, where: str | None = None) -> pd.DataFrame:
        """Return a whole table; ``where`` names a yes/no column, for the rows in which it is true."""
        if where is None and name in self._kept:
            return self._kept[name][0].copy(deep=False)
        return read_run_table(self._inventory, name, self._run_id, where=where)

    def once(self, name: str, where: str | None = None) -> pd.DataFrame:
        """Return what :meth:`whole` does, read once and kept: for what is looked at again whenever anything changes."""
        if (name, where) not in self._once:
            self._once[name, where] = self.whole(name, where)
        return self._once[name, where].copy(deep=False)

    def of_site(self, name: str, site_id: str) -> pd.DataFrame:
        """Return the rows of one site. From the second site on, the table is in memory and no more asked for."""
        if name not in self._kept and self._asked.setdefault(name, site_id) == site_id:
            return read_run_table(self._inventory, name, self._run_id, site_id)
        if name not in self._kept:
            frame = read_run_table(self._inventory, name, self._run_id)
            self._kept[name] = frame, frame.groupby("site_id", sort=False).indices
        frame, rows_of = self._kept[name]
        return frame.take(rows_of.get(site_id, [])).reset_index(drop=True)

    def of_sites(self, name: str, site_ids: Sequence[str]) -> pd.DataFrame:
        """Return the rows of these sites, by one query, in the table's order."""
        kept = "WHERE run_id = ? AND site_id IN (SELECT unnest(?::VARCHAR[]))"
        return read_table(self._inventory.connection, RUN_TABLES[name], kept, [self._run_id, list(site_ids)])

    def note_sets(self) -> tuple[pd.DataFrame, pd.DataFrame]:
        """Return the different safety notes of the run, and which of them stand where.

        The notes have note_id, severity, text and who ("" = not said), in the order in which they were stored first.
        The second frame has site_id, retrofit and notes, a text of 0 and 1 for each of the first, by site and retrofit.
        """
        connection, run_id = self._inventory.connection, self._run_id
        different = """
            SELECT note_id, severity, text, coalesce(who, '') AS who FROM safety_note WHERE run_id = ?
            GROUP BY ALL ORDER BY min(rowid)
        """
        dtypes = dict.fromkeys(("note_id", "severity", "text", "who"), "string")
        notes = typed_frame(connection, different, dtypes, [run_id])
        if notes.empty:
            return notes, pd.DataFrame({"site_id": [], "retrofit": [], "notes": []}, dtype="string")
        query = """
            SELECT site_id, retrofit, bitstring_agg(bit, 0, ?)::VARCHAR AS notes
            FROM safety_note AS stored JOIN kinds_of_note AS kinds USING (note_id, severity, text)
            WHERE run_id = ? AND coalesce(stored.who, '') = kinds.who
            GROUP BY ALL ORDER BY site_id, retrofit
        """
        dtypes = dict.fromkeys(("site_id", "retrofit", "notes"), "string")
        with registered(connection, kinds_of_note=notes.assign(bit=range(len(notes)))):
            return notes, typed_frame(connection, query, dtypes, [len(notes) - 1, run_id])
