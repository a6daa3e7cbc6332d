"""What is shown of a call beside its row: offer, members, safety notes, how the customer is reached."""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Mapping
from dataclasses import dataclass
from typing import Any

import pandas as pd

from aftersun.documents.run_view import RunView
from aftersun.model.change import severity_order
from aftersun.model.codes import Status
from aftersun.model.figures import ENGLISH
from aftersun.model.output import Price
from aftersun.model.shown import cell, money, records

Row = Mapping[Any, Any]
OF_OFFER = ("npv_p90", "npv_p10", "chance_npv_positive", "upfront", "contribution")


@dataclass(frozen=True)
class Shown:
    """A call, and what is shown beside its row.

    ``offer`` is its row of table offer, without values for a call for service, where nothing is offered. ``flag`` says
    what is to be minded of it, A = asked first, S = surveyed first, "" = nothing. ``notes`` are the safety
    notes of the work, each once, worst first. ``price`` is None where nothing is offered.
    """

    call: Row
    members: tuple[str, ...]
    offer: Row
    flag: str
    notes: list[dict[Hashable, Any]]
    price: Price | None = None


def shown_calls(view: RunView, calls: pd.DataFrame) -> list[Shown]:
    """Return what is shown of some rows of table call, by one query a table."""
    sites = list(calls["site_id"])
    offers = {(row["site_id"], row["offer"]): row for row in records(view.table_of_sites("offer", sites))}
    notes: dict[str, list[dict[Hashable, Any]]] = {}
    for note in view.table_of_sites("safety_note", sites).to_dict("records"):
        notes.setdefault(note["site_id"], []).append(note)
    ranked, prices = view.table_of_sites("ranking", sites), view.prices(sites)
    surveyed = ranked[ranked["status"] == Status.SUBJECT_TO_SURVEY]
    to_survey = set(zip(surveyed["site_id"], surveyed["retrofit"], strict=True))
    shown = []
    for call in records(calls):
        site, offered = call["site_id"], call["retrofit"]
        if pd.isna(offered):
            shown.append(Shown(call, (), dict.fromkeys((*OF_OFFER, "chance_allowed")), "", []))
            continue
        members, offer = view.members(offered), offers[site, offered]
        asked = not pd.isna(offer["chance_allowed"]) and offer["chance_allowed"] < 1
        flag = "A" if asked else "S" if any((site, name) in to_survey for name in members) else ""
        mine: dict[str, dict[Hashable, Any]] = {}
        for note in notes.get(site, ()):
            if note["retrofit"] in members:
                mine.setdefault(note["note_id"], note)
        shown.append(Shown(call, members, offer, flag, _worst_first(mine.values()), prices[site, offered]))
    return shown


def price_text(price: Price | None) -> str:
    """Return what is asked in any case; a plus says that parts come on top if they are needed."""
    return "" if price is None else money(price.decided) + ("+" if price.if_needed else "")


def reach(person: Row | pd.Series) -> str:
    """Return how a customer is reached."""
    return cell(person["phone"]) or ("by e-mail" if cell(person["email"]) else "by letter")


def worst_first(notes: pd.DataFrame) -> list[dict[Hashable, Any]]:
    """Return safety notes as records, those that hurt most first."""
    return _worst_first(notes.to_dict("records"))


def _worst_first(notes: Iterable[dict[Hashable, Any]]) -> list[dict[Hashable, Any]]:
    return sorted(notes, key=lambda note: severity_order(note["severity"]))


def chance_text(chance: float) -> str:
    """Return a chance, which is never certain."""
    return ">99 %" if chance > 0.99 else "<1 %" if chance < 0.01 else ENGLISH.percent(chance)
