"""Prints what to ask and which visit to make, from a stored run."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pandas as pd

from aftersun.cli.terminal import terminal
from aftersun.documents.run_view import RunView
from aftersun.inventory.store.file import Inventory
from aftersun.scoring.ranges.information import by_question, visits_worth_making

PER_CALL = 3  # questions to ask on one call
_SITES = 10


def questions_as_data(inventory: Path, site_id: str | None) -> dict[str, Any]:
    """Return the questions of all sites or of one, most valuable first, for another program."""
    with Inventory.open(inventory, read_only=True) as opened:
        view = RunView(opened)
        table = _of(view, site_id)
        return {
            "run_id": view.run.run_id,
            "currency": view.currency,
            "questions": [
                {str(name): None if pd.isna(value) else value for name, value in row.items() if name != "run_id"}
                for row in table.to_dict("records")
            ],
        }


def show_questions(inventory: Path, site_id: str | None) -> None:
    """Print what answers are worth before they are known, of all sites or of one, and the visits worth making."""
    with Inventory.open(inventory, read_only=True) as opened:
        view = RunView(opened)
        table = _of(view, site_id)
        where = f"at {site_id}" if site_id else f"at all {view.run.sites} sites"
        terminal.heading(f"What to ask {where}: worth to the owners, in {view.currency}")
        if table.empty:
            terminal.paragraph("Nothing that is asked for and unknown could turn any advice.")
            return
        terminal.paragraph(
            "An answer is worth what better decisions it leads to, on average over what it may be. On the phone it may "
            "be wrong, and that is counted."
        )
        for row in by_question(table).to_dict("records"):
            terminal.paragraph(row["question"], hang=2)
            terminal.paragraph(
                f"unknown at {row['sites']:,} {'site' if row['sites'] == 1 else 'sites'}; worth "
                f"{row['value_of_phone']:,.0f} by phone, {row['value_if_known']:,.0f} if known for certain",
                indent=2,
            )
        visits = visits_worth_making(table)
        terminal.heading("Visits worth making before anything is offered")
        if visits.empty:
            terminal.paragraph("None: no single fact is worth its trip and inspection. Ask on the phone.")
        for row in visits.head(_SITES).to_dict("records"):
            terminal.result(
                f"{row['site_id']}  {row['fact'].replace('_', ' ')}: worth {row['value_of_visit']:,.0f}, costs the "
                f"company {row['visit_cost']:,.0f}"
            )
        if len(visits) > _SITES:
            terminal.result(f"and {len(visits) - _SITES} more; --json lists all")


def to_ask(view: RunView, site_id: str) -> list[str]:
    """Return the questions to ask on a call at this site, the most valuable first."""
    table = view.table("question", site_id).sort_values("value_of_phone", ascending=False, kind="stable")
    return [str(question) for question in table.loc[table["value_of_phone"] > 0, "question"].head(PER_CALL)]


def _of(view: RunView, site_id: str | None) -> pd.DataFrame:
    if site_id is not None:
        view.facts(site_id)  # there is such a site
    table = view.table("question", site_id)
    return table.sort_values(["value_of_phone", "site_id"], ascending=[False, True], ignore_index=True)
