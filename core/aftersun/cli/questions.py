"""Prints what to ask and which visit to make, from a stored run."""

from __future__ import annotations

import pandas as pd

from aftersun.cli.terminal import amount, counted, in_words, terminal
from aftersun.documents.run_view import RunView
from aftersun.scoring.ranges.information import by_question, visits_worth_making

_SITES = 10


def show_questions(view: RunView, questions: pd.DataFrame, site_id: str | None) -> None:
    """Print what answers are worth before they are known, of all sites or of one, and the visits worth making."""
    where = f"at {site_id}" if site_id else f"at all {view.run.sites} sites"
    terminal.heading(f"What to ask {where}: worth to the owners, in {view.currency}")
    if questions.empty:
        terminal.paragraph("Nothing that is asked for and unknown could turn any advice.")
        return
    terminal.paragraph(
        "An answer is worth what better decisions it leads to, on average over what it may be. On the phone it may "
        "be wrong, and that is counted."
    )
    for row in by_question(questions).to_dict("records"):
        terminal.paragraph(row["question"], hang=2)
        terminal.paragraph(
            f"unknown at {counted(row['sites'], 'site')}; worth {amount(row['value_of_phone'])} by phone, "
            f"{amount(row['value_if_known'])} if known for certain",
            indent=2,
        )
    visits = visits_worth_making(questions)
    terminal.heading("Visits worth making before anything is offered")
    if visits.empty:
        terminal.paragraph("None: no single fact is worth its trip and inspection. Ask on the phone.")
    for row in visits.head(_SITES).to_dict("records"):
        terminal.result(
            f"{row['site_id']}  {in_words(row['fact'])}: worth {amount(row['value_of_visit'])}, costs the company "
            f"{amount(row['visit_cost'])}"
        )
    if len(visits) > _SITES:
        terminal.result(f"and {len(visits) - _SITES} more; --json lists all")
