"""Prints the call list of a stored run."""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from typing import Any

import pandas as pd

from aftersun.cli.terminal import amount, cell, counted, terminal
from aftersun.documents.run_view import RunView
from aftersun.documents.summary import summary
from aftersun.model.change import severity_order
from aftersun.model.codes import TO_TELL, TO_WARN, CallKind
from aftersun.model.figures import ENGLISH
from aftersun.wording import capacity_text, not_called_text, plan_text, say, shortage_text

_CALL = ("position", "site_id", "customer_id", "kind", "urgency", "retrofit", "npv", "must_call", "chance_of_yes")
_COMPANY = ("expected_value", "crew_hours", "per_crew_hour")
_WARNED = ("site_id", "customer_id", "kind", "urgency", "found_on", "position")
_PASSING = ("site_id", "customer_id", "retrofit", "npv", "contribution")
_OFFER = ("npv_p90", "npv_p10", "chance_npv_positive", "upfront", "contribution")
_NOTE = ("note_id", "severity", "text", "who")

Row = Mapping[Any, Any]


def show_calls(view: RunView, first: int) -> None:
    """Print whom to warn and whom to sell to, the first of each with safety notes, and who is left out and why."""
    calls, known = view.calls(), view.to_tell()
    terminal.heading(f"Whom to call first: {view.company['company']['name']}, {view.as_of:%Y-%m-%d}")
    terminal.say("call_list.about", currency=view.currency, calls=len(calls), sites=view.run.sites)
    _show_total(view)
    warned, served = calls["kind"].isin(TO_WARN), calls["kind"] == CallKind.SERVICE
    notes = _show_list(view, calls[warned].head(first), known, "Whom to warn, the most urgent first")
    notes |= _show_list(view, calls[served].head(first), known, "Whom to call now: their systems stand still")
    notes |= _show_list(view, calls[~warned & ~served].head(first), known, "Whom to call about offers")
    show_notes(pd.DataFrame(notes.values()), "Safety notes for these calls")
    _show_known_dangers(view, known)
    _show_standing_not_called(view)
    _show_in_passing(view, first)
    far = view.far_from_weather()
    if far:
        terminal.result("")
        terminal.say("call_list.far_weather", sites=far)
    _show_month(view)
    terminal.heading("Not called")
    terminal.result(*(f"{count:>6}  {reason}" for reason, count in view.excluded().items()))


def _show_list(view: RunView, calls: pd.DataFrame, known: pd.DataFrame, heading: str) -> dict[str, dict[Hashable, Any]]:
    """Print these calls under a heading; return the safety notes of their work by id."""
    notes: dict[str, dict[Hashable, Any]] = {}
    if calls.empty:
        return notes
    terminal.heading(heading)
    people, titles, texts = view.contacts().set_index("customer_id"), view.titles(), view.call_texts()
    for call in calls.to_dict("records"):
        _show_call(view, call, titles)
        _show_person(call["customer_id"], people.loc[call["customer_id"]])
        terminal.paragraph(texts[call["site_id"]], indent=4)
        _show_company(view, call)
        for question in view.to_ask(call["site_id"]):
            terminal.paragraph(f"ask: {question}", indent=4, hang=5)
        mine = _notes(view, call)
        notes.update({note["note_id"]: note for note in mine})
        if mine:
            terminal.paragraph(f"safety: {', '.join(note['note_id'] for note in mine)}", indent=4, hang=8)
        for danger in known.loc[known["site_id"] == call["site_id"], "text"]:
            terminal.paragraph(f"known danger, tell the owner: {danger}", indent=4, hang=2)
    return notes


def calls_as_data(view: RunView, first: int) -> dict[str, Any]:
    """Return the first calls with their safety notes, worst first, and all lists, for another program."""
    calls, listed = view.calls(), view.table("call")
    return {
        "run_id": view.run_id,
        "currency": view.currency,
        "calls": _as_data(view, calls.head(first)),
        "to_warn": listed[listed["kind"].isin(TO_WARN)].sort_values(["urgency", "found_on"])[list(_WARNED)],
        "to_serve": _as_data(view, calls[calls["kind"] == CallKind.SERVICE].head(first)),
        "to_sell": _as_data(view, calls[~calls["kind"].isin(TO_TELL)].head(first)),
        "in_passing": view.in_passing()[list(_PASSING)],
        "tell_owner": view.to_tell(),
        "not_called": view.excluded().to_dict(),
    }


def _as_data(view: RunView, calls: pd.DataFrame) -> list[dict[str, Any]]:
    result, texts = [], view.call_texts()
    for call in calls.to_dict("records"):
        offer = _offer(view, call)
        result.append(
            {
                **{name: call[name] for name in _CALL},
                "sentence": texts[call["site_id"]],
                **{name: offer[name] for name in _OFFER},
                **{name: call[name] for name in _COMPANY},
                "ask": view.to_ask(call["site_id"]),
                "safety_notes": [{name: note[name] for name in _NOTE} for note in _notes(view, call)],
            }
        )
    return result


def show_no_contact(view: RunView, site_id: str | None) -> None:
    """Say that the owner of a site may not be called about offers, or of how many sites; nothing if all may be."""
    forbidden = view.may_not_be_called()
    if site_id in forbidden:
        call = view.call_of(site_id)
        terminal.say("call_list.no_contact", why=not_called_text(call["excluded_reason"], call["excluded_detail"]))
    elif site_id is None and forbidden:
        terminal.say("call_list.no_contacts", sites=counted(len(forbidden), "site"))


def show_notes(notes: pd.DataFrame, heading: str) -> None:
    """Print safety notes under a heading, worst first; nothing if there are none."""
    if notes.empty:
        return
    terminal.heading(heading)
    for note in worst_first(notes):
        terminal.paragraph(in_full(note), hang=2)
    terminal.say("call_list.local_first")


def worst_first(notes: pd.DataFrame) -> list[dict[Hashable, Any]]:
    """Return safety notes as records, those that hurt most first."""
    return sorted(notes.to_dict("records"), key=lambda note: severity_order(note["severity"]))


def in_full(note: Row) -> str:
    """Return a safety note as one paragraph: severity, name, whole text, who may do the work."""
    return f"{note['severity'].upper()} [{note['note_id']}] {note['text']} Who: {note['who']}."


def sureness(row: Row, currency: str) -> str:
    """Say how sure a worth is: what is exceeded with 90 and 10 %, and the chance of a gain, which is never certain."""
    chance = row["chance_npv_positive"]
    percent = "over 99 %" if chance > 0.99 else "under 1 %" if chance < 0.01 else ENGLISH.percent(chance)
    p90, p10 = amount(row["npv_p90"]), amount(row["npv_p10"])
    return say("call_list.range", p90=p90, p10=p10, currency=currency, chance=percent)


def show_summary(view: RunView) -> None:
    """Print the run in ten lines."""
    terminal.heading("In short")
    terminal.result(*summary(view))


def first_site(view: RunView) -> str:
    """Return the site to call first, or the first of all if nobody is to be called."""
    calls = view.calls()
    return str((calls if len(calls) else view.table("call"))["site_id"].iloc[0])


def _show_call(view: RunView, call: Row, titles: Mapping[str, str]) -> None:
    """Print what a call is about and what that is worth."""
    terminal.result("")
    if pd.isna(call["retrofit"]):
        about = say("call_list.service", site=call["site_id"])
        terminal.paragraph(f"{call['position']:>2}. {about}", hang=4)
        return
    key = "worth" if not call["must_call"] else "worth_and_safety" if call["npv"] > 0 else "safety"
    worth = say(f"call_list.{key}", npv=amount(call["npv"]), currency=view.currency)
    what = " and ".join(titles[name] for name in view.members(call["retrofit"]))
    terminal.paragraph(f"{call['position']:>2}. {what} at {call['site_id']}, {worth}", hang=4)
    offer = _offer(view, call)
    if call["npv"] > 0 and not pd.isna(offer["chance_npv_positive"]):
        terminal.paragraph(sureness(offer, view.currency), indent=4)


def _show_company(view: RunView, call: Row) -> None:
    """Print what a call is for the company; what is told for safety alone is weighed by nobody."""
    if call["kind"] == CallKind.WARN or pd.isna(call["per_crew_hour"]):
        return
    figures = {name: amount(call[name]) for name in ("contribution", "per_crew_hour")}
    chance = ENGLISH.percent(call["chance_of_yes"])
    terminal.paragraph(say("call_list.company", currency=view.currency, chance=chance, **figures), indent=4)


def _show_in_passing(view: RunView, first: int) -> None:
    """Print the first of what is good for owners and too small for the company to call about."""
    rows, titles = view.in_passing(), view.titles()
    if rows.empty:
        return
    terminal.heading("To be told or done in passing")
    terminal.say("call_list.in_passing", sites=counted(len(rows), "site"))
    terminal.table(
        ["site", "offer", "worth to the owner", "contribution to us", "why no call"],
        [
            [
                row["site_id"],
                " and ".join(titles[name] for name in view.members(row["retrofit"])),
                amount(row["npv"]),
                amount(row["contribution"]),
                not_called_text(row["excluded_reason"], row["excluded_detail"]),
            ]
            for row in rows.head(first).to_dict("records")
        ],
        "<<>><",
    )


def _show_person(customer_id: str, person: pd.Series) -> None:
    name, town, phone, email = map(cell, person[["name", "town", "phone", "email"]])
    reach = phone or email or "no phone number or e-mail address"
    terminal.paragraph(", ".join(filter(None, [name or customer_id, town, reach])), indent=4)


def _show_known_dangers(view: RunView, known: pd.DataFrame) -> None:
    """Print the dangers that stand on sites now, the most urgent first: a service message, apart from the calls."""
    if known.empty:
        return
    terminal.heading("Known dangers: tell these owners, whether or not anything is sold")
    for (severity, text, who), group in known.groupby(["severity", "text", "who"], sort=False):
        terminal.paragraph(f"{str(severity).upper()} {text} Who: {who}.", hang=2)
        terminal.paragraph(f"Sites: {', '.join(group['site_id'])}.", indent=2, hang=2)
    listed = view.table("call")
    by_notice = known.loc[known["site_id"].isin(listed.loc[listed["kind"] == CallKind.NOTICE, "site_id"]), "site_id"]
    if len(by_notice):
        terminal.say("call_list.by_notice", sites=", ".join(by_notice.drop_duplicates()))


def _show_standing_not_called(view: RunView) -> None:
    """Name the sites whose systems stand still and whose owners may not be called about offers."""
    listed, evidence = view.table("call"), view.table("site_evidence")
    noticed = listed.loc[listed["kind"] == CallKind.NOTICE, "site_id"]
    still = evidence.loc[evidence["idle_since"].notna() & evidence["site_id"].isin(noticed), "site_id"]
    if len(still):
        terminal.result("")
        terminal.say("call_list.still_by_notice", sites=", ".join(still))


def _show_month(view: RunView) -> None:
    """Print how far the month goes: what is booked of what is limited, and how good the list is."""
    plan = view.table("run_plan")
    if plan.empty:
        return
    row = plan.iloc[0]
    terminal.heading(f"The month, for {view.company['company']['name']}")
    value, plain, status = amount(row["value"]), amount(row["greedy_value"]), plan_text(row["status"])
    terminal.say("call_list.month", value=value, plain=plain, currency=view.currency, status=status)
    capacities = view.table("run_capacity").to_dict("records")
    shortage = shortage_text(capacities)
    if shortage:
        terminal.paragraph(shortage)
    rows = [
        [
            capacity_text(capacity["name"]),
            f"{capacity['bookable']:,.4g}",
            f"{capacity['used']:,.4g}",
            amount(capacity["value_of_one_more"]),
            "does not fit" if capacity["binding"] else "fits",
        ]
        for capacity in capacities
    ]
    if rows:
        terminal.table(["capacity", "bookable", "expected", "one more is worth", "next job"], rows, "<>>><")


def _show_total(view: RunView) -> None:
    """Print what the best offers of all roofs come to, whoever may be called, and how sure that is."""
    if not view.run.settings.get("ranges", True):
        terminal.say("call_list.look")
    value = view.table("run_value")
    for row in value[value["retrofit"] == ""].to_dict("records"):
        npv, p90, p10 = (amount(row[name]) for name in ("npv", "npv_p90", "npv_p10"))
        terminal.say("call_list.total", offers=row["offers"], currency=view.currency, npv=npv, p90=p90, p10=p10)


def _notes(view: RunView, call: Row) -> list[dict[Hashable, Any]]:
    """Return the safety notes of the work that a call offers, each once, worst first."""
    if pd.isna(call["retrofit"]):
        return []
    notes = view.table("safety_note", call["site_id"])
    return worst_first(notes[notes["retrofit"].isin(view.members(call["retrofit"]))].drop_duplicates("note_id"))


def _offer(view: RunView, call: Row) -> Row:
    """Return the offer that a call is about, in both ledgers."""
    if pd.isna(call["retrofit"]):  # a call for service, where nothing is offered
        return dict.fromkeys((*_OFFER, "chance_allowed"))
    offers = view.table("offer", call["site_id"])
    return {str(name): value for name, value in offers[offers["offer"] == call["retrofit"]].iloc[0].items()}
