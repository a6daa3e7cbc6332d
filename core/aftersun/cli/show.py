"""Prints the call list of a stored run."""

from __future__ import annotations

from collections.abc import Hashable, Mapping, Sequence
from pathlib import Path
from typing import Any

import pandas as pd

from aftersun.cli.ask import to_ask
from aftersun.cli.terminal import terminal
from aftersun.documents.run_view import RunView
from aftersun.documents.summary import summary
from aftersun.inventory.runs.stored_runs import RunRecord
from aftersun.inventory.store.file import Inventory
from aftersun.inventory.store.read import contacts
from aftersun.model.change import severity_order
from aftersun.scoring.offers.ledgers import JOINED

RANGE_COLUMNS = ("npv_p90", "npv_p50", "npv_p10", "chance_npv_positive", "upfront", "contribution")


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
        _show_total(view)
        notes: dict[str, dict[Hashable, Any]] = {}
        for row in shown.to_dict("records"):
            person = people.loc[row["customer_id"]]
            name = _text(person["name"]) or row["customer_id"]
            reach = _text(person["phone"]) or _text(person["email"]) or "no phone number or e-mail address"
            terminal.result()
            members = row["retrofit"].split(JOINED)
            what = " and ".join(titles[name] for name in members)
            worth = f"worth {row['npv']:,.0f} {view.currency}"
            if row["must_call"]:
                worth = f"a safety matter, {worth}" if row["npv"] > 0 else "a safety matter, not for its worth"
            terminal.paragraph(f"{row['position']:>2}. {what} at {row['site_id']}, {worth}", hang=4)
            offer = _offer(view, row)
            if row["npv"] > 0 and not pd.isna(offer["chance_npv_positive"]):
                terminal.paragraph(sureness(offer, view.currency), indent=4)
            terminal.paragraph(", ".join(filter(None, [name, _text(person["town"]), reach])), indent=4)
            terminal.paragraph(row["sentence"], indent=4)
            for question in to_ask(view, row["site_id"]):
                terminal.paragraph(f"ask: {question}", indent=4, hang=5)
            site = view.table("safety_note", row["site_id"])
            mine = _worst_first(site[site["retrofit"].isin(members)].drop_duplicates("note_id"))
            notes.update({note["note_id"]: note for note in mine})
            terminal.paragraph(f"safety: {', '.join(note['note_id'] for note in mine)}", indent=4, hang=8)
            for danger in tell[tell["site_id"] == row["site_id"]].to_dict("records"):
                terminal.paragraph(f"known danger, tell the owner: {danger['text']}", indent=4, hang=2)
        show_notes(pd.DataFrame(notes.values()), "Safety notes for these calls")
        _show_known_dangers(tell)
        far = view.far_from_weather()
        if far:
            terminal.result()
            terminal.paragraph(
                f"Note: {far} sites are far from their weather station or at another height; 'aftersun explain' says "
                "how far. Their energy is less certain."
            )
        _show_capacity(view)
        terminal.heading("Not called")
        for reason, count in view.excluded().items():
            terminal.result(f"{count:>6}  {reason}")


def show_notes(notes: pd.DataFrame, heading: str) -> None:
    """Print safety notes under a heading, worst first; nothing if there are none."""
    if notes.empty:
        return
    terminal.heading(heading)
    for note in _worst_first(notes):
        terminal.paragraph(f"{note['severity'].upper()} [{note['note_id']}] {note['text']} Who: {note['who']}.", hang=2)
    terminal.paragraph("Local codes and licensed practice come first; these notes replace neither.")


def _show_capacity(view: RunView) -> None:
    """Print how far the month goes: what is booked of what is limited, and how good the list is."""
    plan, capacities = view.table("run_plan"), view.table("run_capacity")
    if plan.empty:
        return
    row = plan.iloc[0]
    terminal.heading(f"The month, for {view.company_name}")
    terminal.paragraph(
        f"All calls together bring {row['value']:,.0f} {view.currency} on average, after travel ({row['status']}; "
        f"a plain list by value for effort would bring {row['greedy_value']:,.0f})."
    )
    if row["shortage"]:
        terminal.paragraph(str(row["shortage"]))
    rows = [
        [
            str(one["name"]),
            f"{one['bookable']:,.4g}",
            f"{one['used']:,.4g}",
            "" if pd.isna(one["value_of_one_more"]) else f"{one['value_of_one_more']:,.0f}",
            "does not fit" if one["binding"] else "fits",
        ]
        for one in capacities.to_dict("records")
    ]
    if rows:
        terminal.table(["capacity", "bookable", "expected", "one more is worth", "next job"], rows, "<>>><")


def _show_total(view: RunView) -> None:
    """Print what the best offers of all roofs come to, whoever may be called, and how sure that is."""
    value = view.table("run_value")
    for row in value[value["retrofit"] == ""].to_dict("records"):
        terminal.paragraph(
            f"The best offers of all {row['offers']} roofs that have one would be worth {row['npv_p50']:,.0f} "
            f"{view.currency} together (more than {row['npv_p90']:,.0f} with 90 %, than {row['npv_p10']:,.0f} with "
            "10 %; prices and effects are wrong for all roofs at once if they are wrong)."
        )


def _offer(view: RunView, call: Mapping[Hashable, Any]) -> pd.Series:
    """Return the offer that a call is about, in both ledgers."""
    offers = view.table("offer", call["site_id"])
    found: pd.Series = offers[offers["offer"] == call["retrofit"]].iloc[0]
    return found


def sureness(row: Mapping[Any, Any] | pd.Series, currency: str) -> str:
    """Say how sure a worth is: what is exceeded with 90 and 10 %, and the chance of a gain."""
    return (
        f"more than {row['npv_p90']:,.0f} {currency} with 90 %, than {row['npv_p10']:,.0f} with 10 %; chance of a gain "
        f"{_percent(row['chance_npv_positive'])}"
    )


def _percent(chance: float) -> str:
    """Write a chance; draws never make certain."""
    return "over 99 %" if chance > 0.99 else "under 1 %" if chance < 0.01 else f"{100 * chance:.0f} %"


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
            mine = _worst_first(site[site["retrofit"].isin(row["retrofit"].split(JOINED))].drop_duplicates("note_id"))
            names = ("position", "site_id", "customer_id", "retrofit", "npv", "sentence", "must_call", "chance_of_yes")
            worth = _offer(view, row)
            result.append(
                {
                    **{name: row[name] for name in names},
                    **{name: None if pd.isna(worth[name]) else float(worth[name]) for name in RANGE_COLUMNS},
                    "ask": to_ask(view, row["site_id"]),
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


def show_summary(inventory: Path) -> None:
    """Print the last run in ten lines."""
    with Inventory.open(inventory, read_only=True) as opened:
        view = RunView(opened)
        terminal.heading("In short")
        for line in summary(view):
            terminal.result(line)


def show_failures(record: RunRecord) -> None:
    """Say on stderr which plugins failed; the others' results stand."""
    show_failed([(failure["plugin"], failure["during"], failure["reason"]) for failure in record.failures])


def show_failed(failures: Sequence[tuple[str, str, str]]) -> None:
    """Say on stderr which plugins failed, during what and why."""
    for plugin, during, reason in failures:
        terminal.message(f"plugin {plugin} failed during {during}: {reason}")
    if failures:
        terminal.message("The results of all other retrofits are complete.")


def first_site(inventory: Path) -> str:
    """Return the site to call first, or the first of all if nobody is to be called."""
    with Inventory.open(inventory, read_only=True) as opened:
        view = RunView(opened)
        calls = view.calls()
        return str((calls if len(calls) else view.table("call"))["site_id"].iloc[0])


def _worst_first(notes: pd.DataFrame) -> list[dict[Hashable, Any]]:
    return sorted(notes.to_dict("records"), key=lambda note: severity_order(note["severity"]))


def _text(value: Any) -> str:
    return value if isinstance(value, str) else ""
