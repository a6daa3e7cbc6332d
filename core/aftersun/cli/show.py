"""Prints the call list of a stored run."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from aftersun.cli.terminal import terminal
from aftersun.inventory.read import contacts
from aftersun.inventory.runs import RunRecord
from aftersun.inventory.store import Inventory
from aftersun.model.change import SEVERITIES
from aftersun.scoring.view import RunView


def show_calls(inventory: Path, first: int) -> None:
    """Print the first calls with reason and safety notes, then who is left out and why."""
    with Inventory.open(inventory, read_only=True) as opened:
        view = RunView(opened)
        calls = view.calls()
        shown = calls.head(first)
        people = contacts(opened, list(shown["customer_id"])).set_index("customer_id")
        titles = view.titles()
        terminal.heading(f"Whom to call first: {view.company_name}, {view.run.as_of:%Y-%m-%d}")
        terminal.paragraph(
            f"Worth = net present value for the owner in {view.currency} at today's prices, tax included. "
            f"{len(calls)} of {view.run.sites} sites are on the list."
        )
        notes: dict[str, tuple[str, str, str]] = {}
        for row in shown.to_dict("records"):
            person = people.loc[row["customer_id"]]
            phone = _text(person["phone"]) or "no phone number"
            terminal.result()
            terminal.result(
                f"{row['position']:>2}. {titles[row['retrofit']]} at {row['site_id']}, worth {row['npv']:,.0f}"
            )
            terminal.paragraph(f"{_text(person['name']) or row['customer_id']}, {phone}", indent=4)
            terminal.paragraph(f"{row['sentence']}", indent=4)
            site = view.table("safety_note", row["site_id"])
            mine = site[site["retrofit"] == row["retrofit"]]
            ids = []
            for note in sorted(mine.to_dict("records"), key=lambda note: -SEVERITIES.index(note["severity"])):
                notes[note["note_id"]] = (note["severity"], note["text"], note["who"])
                ids.append(note["note_id"])
            terminal.paragraph(f"safety: {', '.join(ids)}", indent=4, hang=8)
        if notes:
            terminal.heading("Safety notes for these calls")
            for note_id, (severity, text, who) in sorted(notes.items(), key=lambda item: -SEVERITIES.index(item[1][0])):
                terminal.paragraph(f"{severity.upper()} [{note_id}] {text} Who: {who}.", hang=2)
            terminal.paragraph("Local codes and licensed practice come first; these notes replace neither.")
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


def calls_as_data(inventory: Path, first: int) -> dict[str, Any]:
    """Return the first calls with their safety notes for another program."""
    with Inventory.open(inventory, read_only=True) as opened:
        view = RunView(opened)
        shown = view.calls().head(first)
        result = []
        for row in shown.to_dict("records"):
            site = view.table("safety_note", row["site_id"])
            mine = site[site["retrofit"] == row["retrofit"]]
            result.append(
                {
                    **{
                        name: row[name]
                        for name in ("position", "site_id", "customer_id", "retrofit", "npv", "sentence")
                    },
                    "safety_notes": mine[["note_id", "severity", "text", "who"]].to_dict("records"),
                }
            )
        excluded = {str(reason): int(count) for reason, count in view.excluded().items()}
        return {"run_id": view.run.run_id, "currency": view.currency, "calls": result, "not_called": excluded}


def show_failures(record: RunRecord) -> None:
    """Say on stderr which plugins failed; the others' results stand."""
    for failure in record.failures:
        terminal.message(f"plugin {failure['plugin']} failed during {failure['during']}: {failure['reason']}")
    if record.failures:
        terminal.message("The results of all other retrofits are complete.")


def _text(value: Any) -> str:
    return value if isinstance(value, str) else ""


def first_site(inventory: Path) -> str:
    """Return the site to call first, or the first of all if nobody is to be called."""
    with Inventory.open(inventory, read_only=True) as opened:
        view = RunView(opened)
        calls = view.calls()
        return str((calls if len(calls) else view.table("call"))["site_id"].iloc[0])
