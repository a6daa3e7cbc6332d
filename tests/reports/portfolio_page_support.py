"""A stored run held in memory, so that tests of the portfolio page can change anything in it."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from notes_support import gathered

from aftersun import api
from aftersun.delivered.report import as_table
from aftersun.documents.run_view import RunView
from aftersun.inventory.runs import stored_runs
from aftersun.inventory.store import read
from aftersun.inventory.store.file import Inventory
from aftersun.inventory.store.tables import RUN_TABLES
from aftersun_reports.portfolio_page import FILE, PortfolioPage

# texts that break out of a page, a cell or a line where they are not kept literal
HOSTILE = (
    "<img src=x onerror=\"document.title='broken'\">",
    "</script><script>document.title='broken'</script>",
    'O\'Brien "the roof" & sons <b>bold</b>',
    "\u202eוילה של שמש\u202c",
    '=HYPERLINK("x")',
    "../../etc/passwd",
    "${title} {{x}} %s \u2028 \\u003c",
    "Ä" * 200,
)

HEAD = api.Letterhead(
    name="Larkmoor Roofs & Light (invented)",
    address=("1 Quarry Lane",),
    contact=(),
    closing=(),
    logo=None,
    logo_format="",
    accent_colour="#30506b",
    paper="a4",
    language="en",
    words={},
    decimal_mark=".",
    thousands_mark=",",
    date_format="%d %b %Y",
    currency_first=False,
)


@dataclass(frozen=True)
class FakeRun:
    """A run as an output sees it; frames are handed out as copies."""

    tables: Mapping[str, pd.DataFrame]
    site_facts: pd.DataFrame
    array_facts: pd.DataFrame
    people: pd.DataFrame
    personal: bool = True
    letterhead: api.Letterhead = HEAD
    currency: str = "EUR"
    run_id: str = "20260601T000000000000Z"
    as_of: date = date(2026, 6, 1)
    made_at: datetime = datetime(2026, 6, 1, 12, 30, tzinfo=UTC)
    delivered_work: pd.DataFrame = field(default_factory=lambda: as_table(()))
    made_from: Mapping[str, Any] = field(default_factory=dict)
    company: Mapping[str, Any] = field(default_factory=lambda: {"company": {"price_date": "2026-05-01"}})

    def table(self, name: str, site_id: str | None = None) -> pd.DataFrame:
        found = self.tables[name]
        return found.copy() if site_id is None else found[found["site_id"] == site_id].reset_index(drop=True)

    def worth_it(self) -> tuple[int, int]:
        return RunView.worth_it(self)  # type: ignore[arg-type]  # it reads one table

    def delivered(self) -> pd.DataFrame:
        return self.delivered_work.copy()

    def sites(self) -> pd.DataFrame:
        return self.site_facts.copy()

    def arrays(self) -> pd.DataFrame:
        return self.array_facts.copy()

    def places(self) -> pd.DataFrame:
        return RunView.places(self)  # type: ignore[arg-type]  # it reads the sites alone

    def contacts(self) -> pd.DataFrame:
        return self.people.copy() if self.personal else self.people.iloc[:0].copy()

    def titles(self) -> Mapping[str, str]:
        table = self.tables["run_retrofit"]
        return dict(zip(table["retrofit"], table["title"], strict=True))

    def calls(self) -> pd.DataFrame:
        table = self.tables["call"]
        return table[table["position"].notna()].sort_values("position", ignore_index=True)

    def members(self, offer: str) -> Sequence[str]:
        table = self.tables["offer_member"]
        return sorted(table.loc[table["offer"] == offer, "retrofit"].unique()) or [offer]

    def prices(self, site_ids: Sequence[str]) -> Mapping[tuple[str, str], api.Price]:
        return {}

    def call_texts(self) -> Mapping[str, str]:
        return {site: f"What to say at {site}." for site in self.calls()["site_id"]}

    def to_tell(self) -> pd.DataFrame:
        table = self.tables["safety_note"]
        known = table[table["tell_owner"].fillna(False).astype(bool)]
        return known[["site_id", "note_id", "severity", "text", "who"]].drop_duplicates(ignore_index=True)

    def safety_notes(self) -> api.SafetyNotes:
        return gathered(self.table("safety_note"))

    def letters(self) -> Sequence[api.Letter]:
        return ()


def stored(inventory: Path) -> FakeRun:
    """Read the newest run of an inventory whole."""
    with Inventory.open(inventory, read_only=True) as opened:
        run = stored_runs.stored_run(opened)
        assert run is not None
        tables = {name: stored_runs.read_run_table(opened, name, run.run_id) for name in RUN_TABLES}
        sites, arrays = read.sites(opened), read.arrays(opened)
        people = read.contacts(opened, list(sites["customer_id"]))
    made_from = {
        "program_version": run.program_version,
        "plugin_versions": run.plugin_versions,
        "input_hashes": run.input_hashes,
        "seed": run.seed,
        "sites": run.sites,
        "failures": [],
    }
    return FakeRun(tables, sites, arrays, people, run_id=run.run_id, as_of=run.as_of, made_from=made_from)


def without_ranges(run: FakeRun) -> FakeRun:
    """Return the run as if nothing had been drawn: measures missing, no sums of the portfolio."""
    tables = dict(run.tables)
    for name in ("ranking", "offer"):
        drawn = [column for column in tables[name] if column.startswith(("npv_", "chance_"))]
        tables[name] = tables[name].assign(**dict.fromkeys(drawn, np.nan))
    return replace(run, tables=tables | {"run_value": tables["run_value"].iloc[:0]})


def renamed(run: FakeRun, of: Mapping[str, str]) -> FakeRun:
    """Return the run with other site numbers."""

    def change(frame: pd.DataFrame) -> pd.DataFrame:
        return (
            frame.assign(site_id=frame["site_id"].map(lambda site: of.get(site, site))) if "site_id" in frame else frame
        )

    tables = {name: change(table) for name, table in run.tables.items()}
    return replace(run, tables=tables, site_facts=change(run.site_facts), array_facts=change(run.array_facts))


def many_sites(run: FakeRun, count: int) -> FakeRun:
    """Return a run of ``count`` sites: those of the run over and over, each with its own number and place."""
    ids = sorted(run.site_facts["site_id"])
    times = -(-count // len(ids))

    def over(frame: pd.DataFrame) -> pd.DataFrame:
        if "site_id" not in frame:
            return frame
        parts = []
        for copy in range(times):
            kept = ids[: count - copy * len(ids)]
            part = frame[frame["site_id"].isin(kept)]
            parts.append(part.assign(site_id=f"{copy:02d}-" + part["site_id"].astype(str)))
        return pd.concat(parts, ignore_index=True)

    tables = {name: over(table) for name, table in run.tables.items()}
    sites = over(run.site_facts)
    spread = np.random.default_rng(0).normal(0.0, 0.6, (2, len(sites)))
    sites = sites.assign(latitude=sites["latitude"] + spread[0], longitude=sites["longitude"] + spread[1])
    return replace(run, tables=tables, site_facts=sites, array_facts=over(run.array_facts))


def write(run: FakeRun, folder: Path) -> Path:
    """Write the page of a run into a new folder and return its path."""
    folder.mkdir(parents=True, exist_ok=True)
    (path,) = PortfolioPage().write(run, folder, {})
    assert path == folder / FILE
    return path


def embedded(page: str) -> dict[str, Any]:
    """Return the data that a page carries."""
    start = page.index('id="data">') + len('id="data">')
    found: dict[str, Any] = json.loads(page[start : page.index("</script>", start)])
    return found
