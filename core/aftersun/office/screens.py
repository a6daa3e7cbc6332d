"""What each screen shows: rows of views and tables as they are, picked and put side by side."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from typing import Any

import pandas as pd

from aftersun import wording
from aftersun.documents.call_rows import Shown, chance_text, price_text, reach, shown_calls, worst_first
from aftersun.documents.run_view import RunView
from aftersun.inventory.log import call_log, letters
from aftersun.inventory.log.learnt_facts import fact_columns, facts
from aftersun.inventory.store import dictionary, read, trail
from aftersun.inventory.store.file import Inventory
from aftersun.model.codes import CallKind
from aftersun.model.errors import AftersunError
from aftersun.model.shown import cell, in_words, money, money_range, records
from aftersun.office.runs import IDLE, WhatIfs
from aftersun.office.work import Office

SHOWN = 50  # rows of a list
FOUND = 30  # sites while somebody types
CHANGES = 100
READINGS = 12
_CALLED = (CallKind.SERVICE, CallKind.OFFER)

Screen = dict[str, Any]


def today(office: Office) -> Screen:
    """Whom to notify of a hazard, whom to call, whom to call back, and what was sold and not recorded as done."""
    return office.once("today", _today) if office.ranked() else {"unranked": True}


def _today(view: RunView) -> Screen:
    hazards, calls = view.hazards(), view.calls()
    calls = calls[calls["kind"].isin(_CALLED)]
    rules, called = view.contact_rules(), sorted(calls["customer_id"].head(SHOWN))
    people = _by_customer(read.contacts(view.inventory, called))
    noticed = letters.newest(view.inventory, list(hazards["site_id"].head(SHOWN)), notices=True)
    titles = view.titles()
    shown = [_call(one, people[one.call["customer_id"]], titles) for one in shown_calls(view, calls.head(SHOWN))]
    due = call_log.to_call_back(view.inventory, date.today())
    due = due[due["customer_id"].map(rules).fillna("none") == ""]
    taken = call_log.offers(view.inventory)
    taken = taken[taken["state"] == call_log.TAKEN]
    found = pd.concat([due["customer_id"], _owners(view, taken)]).dropna().unique()
    named = _by_customer(read.contacts(view.inventory, sorted(found)))
    return {
        "hazards": [
            {
                **row,
                "named": ", ".join(map(wording.hazard_text, row["note_ids"])),
                "notice": noticed.get(row["site_id"]),
            }
            for row in records(hazards.head(SHOWN))
        ],
        "hazard_count": len(hazards),
        "calls": shown,
        "call_count": len(calls),
        "due": [{**row, **_person(named, row["customer_id"])} for row in records(due.head(SHOWN))],
        "due_count": len(due),
        "taken": [
            {**row, "what": _titled(view, row["retrofit"]), **_person(named, owner)}
            for row, owner in zip(records(taken.head(SHOWN)), _owners(view, taken), strict=False)
        ],
        "taken_count": len(taken),
        "unranked": False,
        **_of_run(view),
    }


def _of_run(view: RunView) -> Screen:
    days = (date.today() - view.made_at.date()).days
    return {
        "currency": view.currency,
        "company": view.company["company"]["name"],
        "as_of": view.as_of,
        "run_days": days,
    }


def _call(shown: Shown, person: Mapping[str, Any], titles: Mapping[str, str]) -> Screen:
    call, offer, chance = shown.call, shown.offer, shown.offer["chance_npv_positive"]
    return {
        **call,
        "name": cell(person["name"]) or call["customer_id"],
        "reach": reach(person),
        "what": " + ".join(titles[name] for name in shown.members) or wording.say("call_list.stopped"),
        "price": price_text(shown.price),
        "worth": money(call["npv"]),
        "range": money_range(offer["npv_p90"], offer["npv_p10"]),
        "chance": "" if pd.isna(chance) else chance_text(chance),
        "ours": money(offer["contribution"]),
        "flag": shown.flag,
        "notes": [note["note_id"] for note in shown.notes],
    }


def _titled(view: RunView, offer: str) -> str:
    titles = view.titles()
    return " + ".join(titles.get(name, in_words(name)) for name in view.members(offer))


def _owners(view: RunView, rows: pd.DataFrame) -> pd.Series:
    owners = view.sites().set_index("site_id")["customer_id"]
    return rows["site_id"].map(owners)


def _by_customer(contacts: pd.DataFrame) -> dict[str, dict[str, Any]]:
    return {row["customer_id"]: row for row in records(contacts)}


def _person(named: Mapping[str, Mapping[str, Any]], customer_id: str) -> Screen:
    person = named.get(customer_id)
    if person is None:
        return {"name": cell(customer_id), "reach": "by letter"}
    return {"name": cell(person["name"]) or cell(customer_id), "reach": reach(person)}


def people(office: Office, text: str) -> Screen:
    """The sites that a text fits; who may not be called about offers has no phone number here."""
    if not text.strip():
        return {"text": text, "rows": [], "count": 0}
    rows, count = office.directory().find(text, FOUND)
    rules: Mapping[Any, Any] = {}
    if office.ranked():
        with office.view() as view:
            rules = view.contact_rules().to_dict()
    rows["rule"] = rows["customer_id"].map(rules).fillna("not_settled")
    rows["phone"] = rows["phone"].where(rows["rule"] == "", None)
    return {"text": text, "rows": records(rows), "count": count}


def site(office: Office, site_id: str) -> Screen:
    """One site: dangers, verdicts, what to ask, safety notes, energy, facts with where they are from, and its history.

    Raises AftersunError if there is no such site.
    """
    with office.view() as view:
        inventory, known = view.inventory, view.facts(site_id)
        call, currency = view.call_of(site_id), view.currency
        rule = view.contact_rules().get(known["customer_id"], "not_settled")
        contact = read.contacts(inventory, [known["customer_id"]])
        person = records(contact)[0] if len(contact) else {}
        ranking = view.table("ranking", site_id).sort_values("rank", na_position="last")
        notes, danger = view.table("safety_note", site_id), view.to_tell()
        prices = view.prices([site_id])
        titles, changes = view.titles(), trail.changes(inventory, site_id)
        asked = {row["fact"]: row["question"] for row in records(view.questions(site_id))}
        by_note = notes.groupby("note_id", sort=False)["retrofit"].agg(lambda names: sorted(set(names)))
        energy = view.table("site_energy", site_id)
        readings = read.readings(inventory, [site_id]).sort_values("starts_at", ascending=False)
        quiet = call.get("excluded_detail")
        return {
            "site": site_id,
            "seen": trail.newest(inventory, site_id),
            "person": {name: cell(value) for name, value in person.items()},
            "rule": wording.not_called_text(rule, quiet) if rule else "",
            "call": {**call, "why": wording.not_called_text(call["excluded_reason"] or "", quiet)},
            "dangers": worst_first(danger[danger["site_id"] == site_id]),
            "notice": letters.newest(inventory, [site_id], notices=True).get(site_id),
            "verdicts": [
                {
                    **row,
                    "title": titles.get(row["retrofit"], row["retrofit"]),
                    "advice": wording.status_text(row["status"]),
                    "range": money_range(row["npv_p90"], row["npv_p10"]),
                    "reason": wording.reason_text(row, currency),
                    "price": price_text(prices.get((site_id, row["retrofit"]))),
                }
                for row in records(ranking)
            ],
            "offers": [(row["offer"], _titled(view, row["offer"])) for row in records(view.table("offer", site_id))],
            "ask": view.to_ask(site_id),
            "notes": [
                {**note, "of": ", ".join(titles.get(name, name) for name in by_note[note["note_id"]])}
                for note in worst_first(notes.drop_duplicates(["note_id", "text"]))
            ],
            "energy": records(energy)[0] if len(energy) else None,
            "losses": records(view.losses(site_id)) if len(energy) else [],
            "groups": _facts(view, site_id, known, changes, asked),
            "history": _history(inventory, site_id, changes),
            "sold": [
                {**row, "what": _titled(view, row["retrofit"])} for row in records(call_log.offers(inventory, site_id))
            ],
            "letters": records(letters.listing(inventory, site_id)),
            "readings": records(readings.head(READINGS)),
            "reading_count": len(readings),
            "outcomes": call_log.OUTCOMES,
            **_of_run(view),
        }


def _facts(
    view: RunView, site_id: str, known: Mapping[str, Any], changes: pd.DataFrame, asked: Mapping[str, str]
) -> list[Screen]:
    """Return the facts of a site, its arrays and its tariff, what is to be asked first, each with where it is from."""
    tariffs = read.tariffs_in_force(view.inventory, max(date.today(), view.as_of))
    tariff = tariffs[tariffs["tariff_id"] == known.get("tariff_id", "")]
    rows = [("site", site_id, "The site", known)]
    rows += [("array", row["array_id"], f"Array {row['array_id']}", row) for row in records(view.arrays(site_id))]
    rows += [("tariff", row["tariff_id"], f"Tariff {row['tariff_id']}", row) for row in records(tariff)]
    groups, origins = [], _origins(changes)
    for table, key, title, values in rows:
        cells = [
            {
                "column": column,
                "value": cell(values.get(column.name)),
                "origin": origins.get((table, key, column.name)) or origins.get((table, key, ""), ""),
                "asked": asked.get(column.name, ""),
            }
            for column in dictionary.columns(table)
            if column.name in fact_columns()
        ]
        cells.sort(key=lambda one: (not one["asked"], not one["value"]))
        groups.append({"table": table, "key": key, "title": title, "cells": cells})
    return groups


def _origins(changes: pd.DataFrame) -> dict[tuple[str, str, str], str]:
    """Return by table, key and column on whose word a cell says what it says; by column "" of its row being there."""
    told: dict[tuple[str, str, str], str] = {}
    for row in records(changes[changes["applied"]]):
        key = row["row_key"].rpartition(" ")[0] if row["table_name"] == "tariff" else row["row_key"]
        text = f"{cell(row['source']) or cell(row['command'])}, {row['changed_at']:%Y-%m-%d}"
        told[row["table_name"], key, cell(row["column_name"])] = text
    return told


def _history(inventory: Inventory, site_id: str, changes: pd.DataFrame) -> list[Screen]:
    """Return the calls about a site, newest first, with who recorded each."""
    recorded = changes[(changes["table_name"] == "call_log") & changes["column_name"].isna()]
    by = dict(zip(recorded["row_key"], recorded["changed_by"].fillna(""), strict=True))
    rows = records(call_log.entries(inventory, site_id, with_remark=True, with_corrected=True))
    return [
        {**row, "by": by.get(str(row["entry"]), ""), "stands": pd.isna(row["corrected_at"])} for row in reversed(rows)
    ]


def since(office: Office, site_id: str, seen: int) -> list[Screen]:
    """What was changed about a site after a change."""
    with office.inventory() as inventory:
        changes = trail.changes(inventory, site_id)
        return records(changes[changes["change"] > seen])


def journal(office: Office) -> Screen:
    """The newest changes, and what of them can be taken back."""
    with office.inventory() as inventory:
        changes = trail.latest(inventory, CHANGES)
        calls = call_log.entries(inventory, with_corrected=False)
        learnt = facts(inventory)
        learnt = learnt[learnt["entry"].isna() & ~learnt["corrected"]]
        return {
            "changes": records(changes),
            "calls": records(calls.iloc[::-1].head(FOUND)),
            "facts": records(learnt.iloc[::-1].head(FOUND)),
        }


def issued(office: Office) -> Screen:
    """The letters issued, newest first, and to whom one could be written."""
    with office.view() as view:
        rows = letters.listing(view.inventory).iloc[::-1]
        to_write = view.calls_to_write()
        return {"letters": records(rows.head(SHOWN)), "count": len(rows), "to_write": records(to_write.head(SHOWN))}


def company(office: Office) -> Screen:
    """Prices with their day, and what the month has room for."""
    with office.view() as view:
        used = view.company
        capacities = [
            {**row, "title": wording.capacity_text(row["name"])} for row in records(view.table("run_capacity"))
        ]
        prices = {name: used[name] for name in ("materials", "work", "inspections", "yearly") if name in used}
        priced_on = view.used_company().identity.price_date
        return {
            "priced_on": priced_on,
            "price_days": (date.today() - priced_on).days,
            "prices": {name: group for name, group in prices.items() if isinstance(group, Mapping)},
            "capacities": capacities,
            "shortage": wording.shortage_text(capacities),
            "file": office.company_file.name,
            **_of_run(view),
        }


SUPPOSED = {
    "tariff.import_price": ("Price of electricity", "per kWh", 0.0, 1.0, 0.01),
    "tariff.export_price": ("Price of what is exported", "per kWh", 0.0, 1.0, 0.01),
    "money.real_discount_rate": ("Discount rate above inflation", "of 1", 0.0, 0.3, 0.005),
}
"""By place as what-if takes it: what a slider is for, its unit, from where to where it goes, its step."""


def _as_it_is(view: RunView, site_id: str) -> dict[str, str]:
    """Return what holds now by place: the tariff of the site, or the one that most sites have."""
    sites = view.sites()
    named = sites.loc[sites["site_id"] == site_id, "tariff_id"] if site_id else sites["tariff_id"]
    tariffs = read.tariffs_in_force(view.inventory, max(date.today(), view.as_of))
    rows = records(tariffs[tariffs["tariff_id"].isin(named.mode())])
    used = {f"tariff.{name}": value for name, value in rows[0].items()} if rows else {}
    used["money.real_discount_rate"] = view.company["money"]["real_discount_rate"]
    return {place: cell(used.get(place)) for place in SUPPOSED}


def changes(office: Office, values: Mapping[str, str]) -> list[str]:
    """Return what a form supposes that is not so now. Raises AftersunError if that is nothing."""
    with office.view() as view:
        now = _as_it_is(view, values["site"])
    found = [f"{place}={values[place]}" for place in SUPPOSED if values[place] and not _same(values[place], now[place])]
    if not found:
        raise AftersunError("Nothing is different from what holds now.", "Move a slider first.")
    return found


def _same(one: str, other: str) -> bool:
    try:
        return float(one) == float(other or 0)
    except ValueError:
        return one == other


def what_if(office: Office, what_ifs: WhatIfs, number: str, site_id: str) -> Screen:
    """The sliders, and what came of a what-if beside the stored run."""
    asked = what_ifs.of(number) if number else None
    site_id = asked.asked["site"] if asked else site_id
    with office.view() as view:
        if site_id:
            view.facts(site_id)  # there is such a site
        titles, now, quiet = view.titles(), _as_it_is(view, site_id), view.may_not_be_called()
        about = _of_run(view)
    state: Screen = asked.state() if asked else dict(IDLE)
    came = state["came"] or {}

    def both(row: Mapping[str, Any]) -> Screen:
        said = {
            which: (money(row[f"npv_{which}"]), wording.status_text(cell(row[f"status_{which}"])))
            for which in ("stored", "supposed")
        }
        return {"site_id": row["site_id"], "title": titles.get(row["retrofit"], row["retrofit"]), **said}

    return {
        "site": site_id,
        "number": number,
        "quiet": site_id in quiet,
        "sliders": [
            (place, *SUPPOSED[place], now[place], (asked.asked[place] if asked else "") or now[place])
            for place in SUPPOSED
        ],
        "changes": [
            f"{SUPPOSED[place][0].lower()} {value}" for place, _, value in (one.partition("=") for one in asked.changes)
        ]
        if asked
        else [],
        "state": state,
        "done": bool(came),
        "offered": [(titles.get(name, name), *figures) for name, *figures in came.get("offered", ())],
        "turned": [both(row) for row in came.get("turned", ())],
        "turned_count": came.get("turned_count", 0),
        "rows": [both(row) for row in came.get("rows", ())],
        "notes": worst_first(pd.DataFrame(came["notes"])) if came.get("notes") else [],
        **about,
    }
