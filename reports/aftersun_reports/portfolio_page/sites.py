"""The table of sites: one line each, with its best offer and whether it may be called."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import pandas as pd

from aftersun import api
from aftersun_reports.notes import NotesOfRun
from aftersun_reports.portfolio_page.coding import coded, numbers, text

# What a site is marked as, the first that holds: word and what it means, in the order of their marks on the map.
STATES = (
    ("to call", "on the list of calls of the month"),
    ("offer, not called", "something pays for the owner, but is not called about now"),
    ("no offer", "no retrofit pays there"),
    ("not valued", "could not be valued"),
)
_LISTED = {
    api.CallKind.NOTICE: "notify by letter or in person",
    api.CallKind.IN_PASSING: "good for the owner, in passing",
}
NO_OFFER, NOT_VALUED = "not cost-effective", "not valued"
_CALL, _OFFER, _NONE, _UNVALUED = range(len(STATES))
_ROUGH = 1  # decimals of a position where nothing personal may be read: about ten kilometres


@dataclass(frozen=True)
class Sites:
    """All sites of a run in one order: ids, their facts, the best offer of each (rows by site_id) and its status."""

    ids: list[str]
    facts: pd.DataFrame
    best: pd.DataFrame
    calls: pd.DataFrame
    statuses: Sequence[str]


def read_sites(run: api.RunView) -> Sites:
    """Read the sites that the inventory has now or the run has valued, by site_id."""
    facts, ranking = run.sites(), run.table("ranking")
    ids = sorted({*map(str, facts["site_id"]), *map(str, ranking["site_id"])})
    offers = run.table("offer")
    calls = run.table("call").set_index("site_id", drop=False)
    # what a call offers goes before what has the highest net present value: one offer on page and call sheet
    called = offers["site_id"].map(calls["retrofit"].where(calls["position"].notna()))
    best = offers.assign(called=(offers["offer"] == called).fillna(False).astype(bool))
    best = best.sort_values(["called", "npv", "offer"], ascending=[False, False, True], kind="stable")
    best = best.drop(columns="called").drop_duplicates("site_id").set_index("site_id", drop=False)
    return Sites(
        ids, facts.set_index("site_id", drop=False).reindex(ids), best, calls, _statuses(run, ids, best, ranking)
    )


def as_data(run: api.RunView, sites: Sites, notes: NotesOfRun) -> dict[str, Any]:
    """Return the columns of the table of sites. Names and towns stand there only if they may be read."""
    best, calls = sites.best.reindex(sites.ids), sites.calls.reindex(sites.ids)
    position = calls["position"]
    offers = [text(offer) for offer in best["offer"]]
    about = [text(offer) for offer in calls["retrofit"]]
    sets: dict[tuple[int, ...], int] = {}
    with_notes = []
    for site, offer, call in zip(sites.ids, offers, about, strict=True):
        mine = {*notes.known.get(site, ()), *notes.at(site, [*run.members(offer), *run.members(call)])}
        with_notes.append(sets.setdefault(tuple(sorted(mine)), len(sets)))
    decimals = 5 if run.personal else _ROUGH
    data = {
        "id": list(sites.ids),
        "offer": coded(offers),
        "npv": numbers(best["npv"]),
        "p90": numbers(best["npv_p90"]),
        "p10": numbers(best["npv_p10"]),
        "chance": numbers(best["chance_npv_positive"]),
        "price": numbers(best["upfront"]),
        "status": coded(sites.statuses),
        "call": numbers(position),
        "about": coded(about),
        "not_called": coded(contact(calls)),
        "notes": with_notes,
        "note_sets": [list(positions) for positions in sets],
        "danger": [int(site in notes.known) for site in sites.ids],
        "state": [
            _state(pd.notna(call), offer, status)
            for call, offer, status in zip(position, offers, sites.statuses, strict=True)
        ],
        "latitude": numbers(sites.facts["latitude"].round(decimals)),
        "longitude": numbers(sites.facts["longitude"].round(decimals)),
    }
    if run.personal:
        people = run.contacts().set_index("customer_id").reindex(list(sites.facts["customer_id"]))
        data |= {"name": coded(people["name"]), "town": coded(people["town"])}
    return data


def _state(called: bool, offer: str, status: str) -> int:
    if called:
        return _CALL
    if offer:
        return _OFFER
    return _UNVALUED if status in (NOT_VALUED, api.status_text(api.Status.FAILED)) else _NONE


def not_called(calls: pd.DataFrame) -> list[str]:
    """Return of rows of table call why they are no calls, "" where they are."""
    pairs = calls[["excluded_reason", "excluded_detail"]].fillna("")
    return [api.not_called_text(*pair) for pair in pairs.itertuples(index=False)]


def contact(calls: pd.DataFrame) -> list[str]:
    """Return likewise, and what is said there all the same."""
    kinds = calls["kind"].fillna("").map(_LISTED).fillna("")
    pairs = zip(kinds, not_called(calls), strict=True)
    return [f"{kind}: {why}" if kind and why else why for kind, why in pairs]


def _statuses(run: api.RunView, ids: list[str], best: pd.DataFrame, ranking: pd.DataFrame) -> list[str]:
    """Return the status of each site's best offer as its retrofits have it; of a site without an offer, why."""
    of_site: dict[str, dict[str, str]] = {}  # by retrofit
    for site, retrofit, status in zip(ranking["site_id"], ranking["retrofit"], ranking["status"], strict=True):
        of_site.setdefault(str(site), {})[str(retrofit)] = str(status)
    offers, failed = best["offer"].to_dict(), api.status_text(api.Status.FAILED)
    result = []
    for site in ids:
        seen = of_site.get(site, {})
        if site in offers:
            alone = [seen.get(member, "") for member in run.members(str(offers[site]))]
            # Of a set the members' own statuses say what they are worth alone; only a survey holds for all.
            survey = api.Status.SUBJECT_TO_SURVEY in alone
            of_set = api.Status.SUBJECT_TO_SURVEY if survey else api.Status.RECOMMENDED
            result.append(api.status_text(alone[0] if len(alone) == 1 else of_set))
        else:
            result.append(NOT_VALUED if not seen else failed if {*seen.values()} == {api.Status.FAILED} else NO_OFFER)
    return result
