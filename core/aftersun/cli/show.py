"""Prints the call list of a stored run."""

from __future__ import annotations

from collections.abc import Hashable
from pathlib import Path
from typing import Any

import pandas as pd

from aftersun.cli.terminal import terminal
from aftersun.inventory.read import contacts
from aftersun.inventory.runs import RunRecord
from aftersun.inventory.store import Inventory
from aftersun.model.change import SEVERITIES
from aftersun.scoring.view import RunView


def show_calls(inventory: Path, first: int) -> None:
    """Print the first calls with reason and safety notes, then known dangers, and who is left out and why."""
    with Inventory.open(inventory, read_only=True) as opened:
        view = RunView(opened)
        calls = view.calls()
        shown = calls.head(first)
        people = contacts(opened, list(shown["customer_id"])).set_index("customer_id")
        titles, tell = view.titles(), view.to_tell()
        terminal.heading(f"Whom to call first: {view.company_name}, {view.run.as_of:%Y-%m-%d}")
        terminal.paragraph(
            f"Worth = net present value for the owner in {view.currency} at today's prices, tax included. "
            f"{len(calls)} of {view.run.sites} sites that could be valued are on the list."
        )
        notes: dict[str, dict[Hashable, Any]] = {}
        for row in shown.to_dict("records"):
            person = people.loc[row["customer_id"]]
            name = _text(person["name"]) or row["customer_id"]
            reach = _text(person["phone"]) or _text(person["email"]) or "no phone number or e-mail address"
            terminal.result()
            terminal.result(
                f"{row['position']:>2}. {titles[row['retrofit']]} at {row['site_id']}, "
                f"worth {row['npv']:,.0f} {view.currency}"
            )
            terminal.paragraph(", ".join(filter(None, [name, _text(person["town"]), reach])), indent=4)
            terminal.paragraph(row["sentence"], indent=4)
            site = view.table("safety_note", row["site_id"])
            mine = _worst_first(site[site["retrofit"] == row["retrofit"]])
            notes.update({note["note_id"]: note for note in mine})
            terminal.paragraph(f"safety: {', '.join(note['note_id'] for note in mine)}", indent=4, hang=8)
            for danger in tell[tell["site_id"] == row["site_id"]].to_dict("records"):
                terminal.paragraph(f"known danger, tell the owner: {danger['text']}", indent=4, hang=2)
        if notes:
            terminal.heading("Safety notes for these calls")
            for note in _worst_first(pd.DataFrame(notes.values())):
                terminal.paragraph(
                    f"{note['severity'].upper()} [{note['note_id']}] {note['text']} Who: {note['who']}.", hang=2
                )
            terminal.paragraph("Local codes and licensed practice come first; these notes replace neither.")
        _show_known_dangers(tell)
        far = view.far_from_weather()
        if far:
            terminal.result()
            terminal.paragraph(
                f"Note: {far} sites are far from their weather station or at another height; 'aftersun explain' says "
                "how far. Their energy is less certain."
            )
        terminal.heading("Not called")
        for reason, count in view.excluded().items():
            terminal.result(f"{count:>6}  {reason}")


def _show_known_dangers(tell: pd.DataFrame) -> None:
    """Print the dangers that stand on sites now: a service message, kept apart from the calls."""
    if tell.empty:
        return
    terminal.heading("Known dangers: tell these owners, whether or not anything is sold")
    for (severity, text, who), group in tell.groupby(["severity", "text", "who"], sort=False):
        terminal.paragraph(f"{str(severity).upper()} {text} Who: {who}.", hang=2)
        terminal.paragraph(f"Sites: {', '.join(group['site_id'])}.", indent=2, hang=2)


def calls_as_data(inventory: Path, first: int) -> dict[str, Any]:
    """Return the first calls with their safety notes, worst first, for another program."""
    with Inventory.open(inventory, read_only=True) as opened:
        view = RunView(opened)
        result = []
        for row in view.calls().head(first).to_dict("records"):
            site = view.table("safety_note", row["site_id"])
            mine = _worst_first(site[site["retrofit"] == row["retrofit"]])
            names = ("position", "site_id", "customer_id", "retrofit", "npv", "sentence")
            result.append(
                {
                    **{name: row[name] for name in names},
                    "safety_notes": [
                        {name: note[name] for name in ("note_id", "severity", "text", "who")} for note in mine
                    ],
                }
            )
        return {
            "run_id": view.run.run_id,
            "currency": view.currency,
            "calls": result,
            "tell_owner": view.to_tell().to_dict("records"),
            "not_called": {str(reason): int(count) for reason, count in view.excluded().items()},
        }


def show_failures(record: RunRecord) -> None:
    """Say on stderr which plugins failed; the others' results stand."""
    for failure in record.failures:
        terminal.message(f"plugin {failure['plugin']} failed during {failure['during']}: {failure['reason']}")
    if record.failures:
        terminal.message("The results of all other retrofits are complete.")


def first_site(inventory: Path) -> str:
    """Return the site to call first, or the first of all if nobody is to be called."""
    with Inventory.open(inventory, read_only=True) as opened:
        view = RunView(opened)
        calls = view.calls()
        return str((calls if len(calls) else view.table("call"))["site_id"].iloc[0])


def _worst_first(notes: pd.DataFrame) -> list[dict[Hashable, Any]]:
    return sorted(notes.to_dict("records"), key=lambda note: -SEVERITIES.index(note["severity"]))


def _text(value: Any) -> str:
    return value if isinstance(value, str) else ""
