"""Prints what to ask and which visit to make, from a stored run."""

from __future__ import annotations

import pandas as pd

from aftersun.cli.call_list import show_no_contact
from aftersun.cli.terminal import amount, counted, in_words, terminal
from aftersun.documents.asked import by_question, visits_worth_making
from aftersun.documents.run_view import RunView
from aftersun.wording import say

_SITES = 10


def show_questions(view: RunView, questions: pd.DataFrame, site_id: str | None) -> None:
    """Print the value of answers before they are known, of all sites or of one, and the visits that pay."""
    where = f"at {site_id}" if site_id else f"at all {view.run.sites} sites"
    terminal.heading(f"What to ask {where}: value to the owners, in {view.currency}")
    show_no_contact(view, site_id)
    if questions.empty:
        terminal.say("questions.none")
        return
    terminal.say("questions.about")
    for row in by_question(questions).to_dict("records"):
        terminal.paragraph(row["question"], hang=2)
        by_phone, if_known = amount(row["value_of_phone"]), amount(row["value_if_known"])
        sites = counted(row["sites"], "site")
        terminal.say("questions.worth", indent=2, sites=sites, by_phone=by_phone, if_known=if_known)
    visits = visits_worth_making(questions)
    terminal.heading("Visits that pay before anything is offered")
    if visits.empty:
        terminal.say("questions.no_visit")
    for row in visits.head(_SITES).to_dict("records"):
        worth, cost, fact = amount(row["value_of_visit"]), amount(row["visit_cost"]), in_words(row["fact"])
        terminal.result(say("questions.visit", site=row["site_id"], fact=fact, worth=worth, cost=cost))
    if len(visits) > _SITES:
        terminal.result(f"and {len(visits) - _SITES} more; --json lists all")
