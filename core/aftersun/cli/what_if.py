"""Prints a run with something changed beside the stored one."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from aftersun.cli.call_list import show_no_contact, show_notes
from aftersun.cli.terminal import amount, cell, in_words, terminal
from aftersun.documents.run_view import RunView
from aftersun.scoring.run.what_if import Comparison
from aftersun.wording import status_text

_SITES = 10


def comparison_as_data(view: RunView, comparison: Comparison) -> dict[str, Any]:
    """Return all rows side by side, for another program."""
    return {
        "run_id": view.run_id,
        "currency": view.currency,
        "may_not_be_called": view.may_not_be_called(),
        "rows": comparison.rows,
        "safety_notes": comparison.notes,
        "failures": [failure.plugin for failure in comparison.failures],
    }


def show_comparison(view: RunView, comparison: Comparison, changes: Sequence[str], site_id: str | None) -> None:
    """Print what moves, of one site or of all, and what can hurt someone in what would be offered."""
    terminal.heading(f"If {', '.join(changes)}: net present value in {view.currency}")
    terminal.paragraph(f"Beside run {view.run_id}, which stays as it is. Nothing is stored.")
    show_no_contact(view, site_id)
    if site_id is None:
        _show_all(comparison)
    else:
        _show_site(view, comparison)
        _show_why_nothing_changed(view, comparison, changes, site_id)
    show_notes(comparison.notes, "Safety notes for what would be offered")


def _show_site(view: RunView, comparison: Comparison) -> None:
    titles = view.titles()
    rows = [
        [titles.get(row["retrofit"], row["retrofit"]), *_worth(row, "stored"), *_worth(row, "supposed")]
        for row in comparison.rows.to_dict("records")
    ]
    terminal.table(["retrofit", "stored", "", "what if", ""], rows, "<><><")


def _show_why_nothing_changed(view: RunView, comparison: Comparison, changes: Sequence[str], site_id: str) -> None:
    """Say of each change why it moved nothing at this site; nothing if any result moved."""
    rows = comparison.rows
    both = ((rows[f"{name}_stored"], rows[f"{name}_supposed"]) for name in ("npv", "status", "upfront"))
    if any([*map(cell, stored)] != [*map(cell, supposed)] for stored, supposed in both):
        return
    facts, titles = view.facts(site_id), view.titles()
    status = view.table("ranking", site_id).set_index("retrofit")["status"]
    for change in changes:
        place, _, value = change.partition("=")
        table, _, name = place.strip().partition(".")
        if table == "site" and cell(facts.get(name)) == value.strip():
            terminal.say("what_if.is_so_already", change=change)
        elif table in status and table not in set(rows["retrofit"]):
            why = status_text(status[table])
            terminal.say("what_if.not_valued", change=change, retrofit=titles[table], status=why)
        else:
            terminal.say("what_if.nothing_depends", change=change)


def _show_all(comparison: Comparison) -> None:
    stored, changed = comparison.offered("stored"), comparison.offered("supposed")
    rows = [
        [in_words(retrofit), count, amount(worth), changed[retrofit][0], amount(changed[retrofit][1])]
        for retrofit, (count, worth) in sorted(stored.items())
    ]
    terminal.table(["retrofit", "offered", "NPV", "what if", "NPV"], rows, "<>>>>")
    turned = comparison.turned()
    terminal.result("", f"The advice turns {len(turned)} times.")
    for row in turned.head(_SITES).to_dict("records"):
        before, after = " ".join(_worth(row, "stored")), " ".join(_worth(row, "supposed"))
        terminal.paragraph(f"{row['site_id']} {in_words(row['retrofit'])}: {before} -> {after}", indent=2, hang=2)
    if len(turned) > _SITES:
        terminal.result(f"  and {len(turned) - _SITES} more; --json lists all")


def _worth(row: Mapping[Any, Any], which: str) -> tuple[str, str]:
    return amount(row[f"npv_{which}"]), status_text(cell(row[f"status_{which}"]))
