"""Prints the call list of a stored run."""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from typing import Any

import pandas as pd

from aftersun.cli.terminal import amount, cell, counted, money, money_range, records, terminal
from aftersun.documents.call_rows import OF_OFFER, chance_text, price_text, reach, shown_calls, worst_first
from aftersun.documents.run_view import RunView
from aftersun.documents.summary import summary
from aftersun.model.codes import TO_TELL, TO_WARN, CallKind
from aftersun.model.figures import ENGLISH
from aftersun.wording import capacity_text, hazard_text, not_called_text, plan_text, say, shortage_text

_CALL = ("position", "site_id", "customer_id", "kind", "urgency", "retrofit", "npv", "must_call", "chance_of_yes")
_COMPANY = ("expected_value", "crew_hours", "per_crew_hour")
_WARNED = ("site_id", "customer_id", "kind", "urgency", "found_on", "position")
_PASSING = ("site_id", "customer_id", "retrofit", "npv", "contribution")
_WAYS = {"phone": "phone", "email": "e-mail"}  # to notify somebody, by column; else by letter
_NOTE = ("note_id", "severity", "text", "who")

Row = Mapping[Any, Any]


def show_calls(view: RunView, first: int, in_full: bool = False) -> None:
    """Print the run in six lines, the hazards to notify and the first calls, a line each, and all their safety notes.

    ``in_full`` adds what to say and to ask on each call, offers to make in passing, the month's capacity, and who is
    not called and why.
    """
    calls = view.calls()
    terminal.heading(say("call_list.title", company=view.company["company"]["name"], day=view.as_of))
    terminal.result(*summary(view, terminal.width))
    if not view.run.settings.get("ranges", True):
        terminal.say("call_list.look")
    served, sold = calls["kind"] == CallKind.SERVICE, calls["kind"] == CallKind.OFFER
    warned, to_make = calls[~served & ~sold].head(first), calls[served | sold].head(first)
    known = view.hazards()
    _show_hazards(known, first)
    _show_to_make(view, to_make)
    _show_stopped_not_called(view)
    shown = pd.concat([warned, to_make])
    if in_full:
        _show_what_to_say(view, shown)
        _show_in_passing(view, first)
        _show_month(view)
        if far := view.far_from_weather():
            terminal.say("call_list.far_weather", sites=far)
        terminal.heading("Not called")
        for reason, count in view.excluded().items():
            terminal.paragraph(f"{count:>6}  {reason}", hang=8)
    _show_lettered_notes(view, shown)


def _show_hazards(known: pd.DataFrame, first: int) -> None:
    """Print whom to notify of a hazard, the most urgent first: a service message that sells nothing."""
    if known.empty:
        return
    terminal.result("")
    terminal.say("call_list.hazards", sites=counted(len(known), "site"))
    rows = [
        [
            cell(row["position"]),
            row["site_id"],
            cell(row["name"]) or cell(row["customer_id"]),
            cell(row["phone"]),
            ", ".join(map(hazard_text, row["note_ids"])),
            next((f"by {how}" for name, how in _WAYS.items() if cell(row[name])), "by letter"),
        ]
        for row in known.head(first).to_dict("records")
    ]
    terminal.table(["no", "site", "customer", "phone", "hazard", "notify"], rows, "><<<<<", cut=True)
    if len(known) > first:
        terminal.say("call_list.more_hazards", sites=counted(len(known) - first, "more site"))


def _show_to_make(view: RunView, calls: pd.DataFrame) -> None:
    """Print the calls to make, a line each."""
    if calls.empty:
        return
    terminal.result("")
    terminal.say("call_list.to_make", currency=view.currency)
    titles = view.titles()
    people = {row["customer_id"]: row for row in records(view.contacts())}
    rows, flags = [], set()
    for shown in shown_calls(view, calls):
        call, offer, flag = shown.call, shown.offer, shown.flag
        person = people[call["customer_id"]]
        flags.add(flag)
        what = " + ".join(titles[name] for name in shown.members) or say("call_list.stopped")
        chance = offer["chance_npv_positive"]
        rows.append(
            [
                cell(call["position"]),
                call["site_id"],
                cell(person["name"]) or call["customer_id"],
                reach(person),
                what,
                price_text(shown.price),
                money(call["npv"]),
                money_range(offer["npv_p90"], offer["npv_p10"]),
                "" if pd.isna(chance) else chance_text(chance),
                money(offer["contribution"]),
                flag,
            ]
        )
    header = ["no", "site", "customer", "phone", "offer", "price", "NPV", "80 % range", "chance", "ours", ""]
    terminal.table(header, rows, "><<<<>>>>><", cut=True)
    if keys := [say(f"call_list.flag_{flag}") for flag in sorted(flags - {""})]:
        terminal.paragraph(f"Flags: {'; '.join(keys)}.")
    if any(row[5].endswith("+") for row in rows):
        terminal.say("call_list.price_plus")


def _show_what_to_say(view: RunView, calls: pd.DataFrame) -> None:
    """Print what to say and what to ask on each call, and what it is for the company."""
    terminal.heading("What to say and to ask")
    texts = view.call_texts()
    for call in calls.to_dict("records"):
        terminal.paragraph(f"{call['position']:>4}  {call['site_id']}: {texts[call['site_id']]}", hang=6)
        _show_company(view, call)
        for question in view.to_ask(call["site_id"]):
            terminal.paragraph(f"ask: {question}", indent=6, hang=5)


def _show_lettered_notes(view: RunView, calls: pd.DataFrame) -> None:
    """Print every safety note of these calls and every known hazard once, by letter, and which call has which."""
    known = view.to_tell()
    notes: dict[Hashable, dict[Hashable, Any]] = {}
    of_call: dict[int, set[Hashable]] = {}
    for shown in shown_calls(view, calls):
        mine = {note["note_id"]: note for note in shown.notes}
        notes |= mine
        of_call[shown.call["position"]] = set(mine)
    for note in known.drop_duplicates("note_id").to_dict("records"):
        notes.setdefault(note["note_id"], note)
    if not notes:
        return
    terminal.heading("Safety notes")
    ordered = worst_first(pd.DataFrame(notes.values()))
    letters = {note["note_id"]: _letter(number) for number, note in enumerate(ordered)}
    alike: dict[tuple[str, ...], list[int]] = {}
    for position, ids in of_call.items():
        alike.setdefault(tuple(letters[name] for name in letters if name in ids), []).append(position)
    for signs, positions in alike.items():
        if signs:
            numbers = ", ".join(map(str, positions))
            terminal.paragraph(f"{'call' if len(positions) == 1 else 'calls'} {numbers}: {' '.join(signs)}", hang=4)
    for note in ordered:
        where = known.loc[known["note_id"] == note["note_id"], "site_id"]
        sites = f" Known at: {', '.join(where)}." if len(where) else ""
        terminal.paragraph(f"{letters[note['note_id']]:<3}{in_full(note)}{sites}", hang=3)
    terminal.say("call_list.local_first")


def _letter(number: int) -> str:
    """Return A to Z, then AA, AB and on."""
    more, last = divmod(number, 26)
    return (_letter(more - 1) if more else "") + chr(ord("A") + last)


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
    for shown in shown_calls(view, calls):
        call, offer = shown.call, shown.offer
        result.append(
            {
                **{name: call[name] for name in _CALL},
                "sentence": texts[call["site_id"]],
                **{name: offer[name] for name in OF_OFFER},
                **{name: call[name] for name in _COMPANY},
                "ask": view.to_ask(call["site_id"]),
                "safety_notes": [{name: note[name] for name in _NOTE} for note in shown.notes],
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


def in_full(note: Row) -> str:
    """Return a safety note as one paragraph: severity, name, whole text, who may do the work."""
    return f"{note['severity'].upper()} [{note['note_id']}] {note['text']} Who: {note['who']}."


def sureness(row: Row, currency: str) -> str:
    """Say how sure a net present value is: what is exceeded with 90 and 10 %, and the chance of a gain."""
    percent = {">99 %": "over 99 %", "<1 %": "under 1 %"}.get(chance := chance_text(row["chance_npv_positive"]), chance)
    p90, p10 = amount(row["npv_p90"]), amount(row["npv_p10"])
    return say("call_list.range", p90=p90, p10=p10, currency=currency, chance=percent)


def first_site(view: RunView) -> str:
    """Return the site to call first, or the first of all if nobody is to be called."""
    calls = view.calls()
    return str((calls if len(calls) else view.table("call"))["site_id"].iloc[0])


def _show_company(view: RunView, call: Row) -> None:
    """Print what a call is for the company; what is told for safety alone is weighed by nobody."""
    if call["kind"] == CallKind.WARN or pd.isna(call["per_crew_hour"]):
        return
    figures = {name: amount(call[name]) for name in ("contribution", "per_crew_hour")}
    chance = ENGLISH.percent(call["chance_of_yes"])
    terminal.paragraph(say("call_list.company", currency=view.currency, chance=chance, **figures), indent=6)


def _show_in_passing(view: RunView, first: int) -> None:
    """Print the first of what is good for owners and too small for the company to call about."""
    rows, titles = view.in_passing(), view.titles()
    if rows.empty:
        return
    terminal.heading("To mention or do in passing")
    terminal.say("call_list.in_passing", sites=counted(len(rows), "site"))
    terminal.table(
        ["site", "offer", "net benefit to the owner", "contribution to us", "why no call"],
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


def _show_stopped_not_called(view: RunView) -> None:
    """Name the sites whose systems have stopped and whose owners may not be called about offers."""
    listed, evidence = view.table("call"), view.table("site_evidence")
    noticed = listed.loc[listed["kind"] == CallKind.NOTICE, "site_id"]
    stopped = evidence.loc[evidence["idle_since"].notna() & evidence["site_id"].isin(noticed), "site_id"]
    if len(stopped):
        terminal.say("call_list.stopped_by_letter", sites=", ".join(stopped))


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
        terminal.table(["capacity", "bookable", "expected", "value of one more", "next job"], rows, "<>>><")
