"""The sheets that show results site by site: dangers, notes, questions, offers, all retrofits, who is not called."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import pandas as pd

from aftersun import api
from aftersun_reports.call_sheet import names
from aftersun_reports.call_sheet.book import (
    COUNT,
    MONEY,
    SHARE,
    SHORT,
    TEXT,
    Column,
    Sheet,
    or_not_drawn,
    records_of,
    rows_of,
    values_of,
)  # fmt: skip
from aftersun_reports.call_sheet.calls import CallList
from aftersun_reports.call_sheet.notes import NotesOfRun, dangers_by_site

Table = tuple[Sheet, Iterator[Sequence[Any]]]

_CUSTOMER = Column("customer number", 16, SHORT, "The company's own number of the customer.")
# What a retrofit cannot be on a site: nothing is advised there, so nobody needs its notes.
_NO_ADVICE = (
    api.Status.NOT_APPLICABLE, api.Status.ALREADY_FITTED, api.Status.FAILED, api.Status.NOT_COST_EFFECTIVE,
)  # fmt: skip


def dangers(calls: CallList, called: pd.DataFrame) -> Table:
    """The dangers known to stand: their owners are told, on the call list or not."""
    personal = calls.run.personal
    wanted = ["site_id", "customer_id", "position", "excluded_reason", "excluded_detail"]
    places = {row["site_id"]: row for row in records_of(called[wanted])}
    sheet = Sheet(
        names.DANGERS,
        [
            "Known dangers: tell these owners, whether or not anything is sold",
            "Who may not be called about offers is told as a service matter, by letter or in person, without a "
            f"word of sales. {names.LOCAL_FIRST}",
        ],
        [
            Column("site", names.SITE_WIDTH, SHORT, "Site where there is a known danger now."),
            *([_CUSTOMER] if personal else []),
            Column("severity", 11, TEXT, "danger = can kill or hurt badly."),
            Column("note", 24, TEXT, "Name of the note."),
            Column("what it is and what to do", 90, TEXT, "Its whole text."),
            Column("who may do it", 34, TEXT, "Who may do the work."),
            Column("position on the call list", 11, COUNT, "Empty = not on the list."),
            Column("why not on the call list", 40, TEXT, "The rule that keeps it off the list."),
        ],
        empty="There is no known danger on any site of this run.",
    )

    def rows() -> Iterator[Sequence[Any]]:
        for site_id, found in dangers_by_site(calls.run.to_tell()).items():
            place = places.get(site_id, {})
            for one in found:
                position = place.get("position")
                why = api.not_called_text(place.get("excluded_reason") or "", place.get("excluded_detail"))
                owner = [place.get("customer_id")] if personal else []
                yield [site_id, *owner, one["severity"], one["note_id"], one["text"], one["who"], position, why]

    return sheet, rows()


def safety_notes(notes: NotesOfRun, titles: Mapping[str, str]) -> Table:
    """Every safety note of the run, whole, worst first."""
    sheet = Sheet(
        names.NOTES,
        ["Safety notes, in full", names.LOCAL_FIRST],
        [
            Column("note", 24, TEXT, "Its name, as other sheets give it."),
            Column("severity", 11, TEXT, "danger = can kill or hurt badly; warning = can hurt; caution = take care."),
            Column("what can happen and what to do", 90, TEXT, "Its whole text."),
            Column("who may do it", 34, TEXT, "Who may do the work."),
            Column("holds for", 44, TEXT, "The retrofits whose work it belongs to."),
            Column("sites", 8, COUNT, "On how many sites of this run it holds."),
        ],
        empty="This run has stored no safety note: have the work judged on site by who is licensed for it.",
    )
    return sheet, (
        [
            entry.note.id,
            entry.note.severity,
            entry.note.text,
            entry.note.who,
            ", ".join(titles.get(name, name) for name in entry.retrofits),
            entry.sites,
        ]
        for entry in notes.entries()
    )


def questions(calls: CallList, called: pd.DataFrame, titles: Mapping[str, str]) -> Table:
    """All questions whose answer could turn the advice, most valuable first."""
    money = f"[{calls.run.currency}]"
    sheet = Sheet(
        names.QUESTIONS,
        [
            "Questions worth asking, most valuable first",
            "An answer is worth what better decisions it leads to, on average over what it may be. On the phone it may "
            "be wrong, and that is counted.",
        ],
        [
            Column("site", names.SITE_WIDTH, SHORT, "Site of which it is unknown."),
            Column("position on the call list", 10, COUNT, "Empty = not on the list."),
            Column("question", 70, TEXT, "To be asked in these words."),
            Column("fact", 22, TEXT, "Its name in the inventory."),
            Column("chance that it is so", 11, SHARE, "What is assumed until the answer is known."),
            Column(f"worth by phone {money}", 12, MONEY, "Worth of an answer on the phone to the owner."),
            Column(f"worth if known {money}", 12, MONEY, "Worth of an answer that is certain."),
            Column(f"worth of a visit {money}", 12, MONEY, "Worth of having it looked at on site."),
            Column(f"a visit costs us {money}", 12, MONEY, "Empty = no visit would tell."),
            Column("about", 40, TEXT, "The retrofits that it may turn."),
        ],
        empty="Nothing that is asked for and unknown could turn any advice.",
    )
    table = calls.questions.sort_values(["value_of_phone", "value_if_known"], ascending=False, kind="stable")
    position = dict(zip(called["site_id"], values_of(called["position"]), strict=True))
    wanted = ["site_id", "question", "fact", "chance_true", "value_of_phone", "value_if_known", "value_of_visit"]
    return sheet, (
        [row[0], position.get(row[0]), *row[1:-1], _listed(row[-1] or "", titles)]
        for row in rows_of(table, [*wanted, "visit_cost", "retrofits"])
    )


def offers(calls: CallList, called: pd.DataFrame) -> Table:
    """What may be offered, single or several in one visit, in the owner's and the company's ledger."""
    money = f"[{calls.run.currency}]"
    sheet = Sheet(
        names.OFFERS,
        [
            "Offers: what is worth it or ends a known danger, single or several in one visit",
            f"Amounts in {calls.run.currency}; price and worth are the owner's, tax included; the contribution is "
            "ours, before tax.",
        ],
        [
            Column("site", names.SITE_WIDTH, SHORT, "Number of the site."),
            Column("position on the call list", 10, COUNT, "Only of the offer that the call is about."),
            Column("offer", 40, TEXT, "One retrofit, or several done in one visit."),
            Column("safety matter", 9, TEXT, "yes = it ends a known danger."),
            Column(f"price with tax {money}", 11, MONEY, "What the owner pays."),
            Column(names.worth(money), 11, MONEY, names.AT_VALUES),
            Column(f"worth P90 {money}", 11, MONEY, f"Exceeded with 90 % chance. {names.DRAWN}"),
            Column(f"worth P50 {money}", 11, MONEY, "As likely to be more as less."),
            Column(f"worth P10 {money}", 11, MONEY, "Exceeded with 10 % chance."),
            Column("chance of a gain", 10, SHARE, "Chance that the owner gains anything."),
            Column(f"first-year saving {money}", 11, MONEY, "What it brings the owner in the first year."),
            Column(f"contribution to the company if yes {money}", 15, MONEY, "Price before tax less own cost."),
            Column("equipment", 18, TEXT, "What the crew brings to reach the modules."),
            Column("safety notes", 44, TEXT, f"Whole texts: sheet '{names.NOTES}'."),
        ],
        empty="Nothing is worth offering on any site of this run.",
    )
    table = calls.offers
    at = {
        (site, offer): position
        for site, offer, position in rows_of(called, ["site_id", "retrofit", "position"])
        if offer is not None
    }
    wanted = ["site_id", "offer", "must_call", "upfront", "npv", *names.RANGE, "first_year_saving", "contribution"]

    def rows() -> Iterator[Sequence[Any]]:
        for site, offer, must, price, worth, *rest, brought in rows_of(table, [*wanted, "equipment"]):
            said = calls.notes.ids(site, calls.run.members(offer))
            listed = ", ".join((brought or "").replace("_", " ").split("+"))
            drawn = or_not_drawn(rest[:4], worth)
            title = calls.title(offer)
            yield [site, at.get((site, offer)), title, must, price, worth, *drawn, *rest[4:], listed, said]

    return sheet, rows()


def ranking(calls: CallList, titles: Mapping[str, str]) -> Table:
    """Every retrofit on every site, with its worth or the reason why not."""
    money = f"[{calls.run.currency}]"
    sheet = Sheet(
        names.RANKING,
        [
            "All retrofits on all sites, those that lose money too",
            "An empty figure was not calculated: the reason stands at the end of the row. Worth and price are the "
            f"owner's, tax included. {names.LOCAL_FIRST}",
        ],
        [
            Column("site", names.SITE_WIDTH, SHORT, "Number of the site."),
            Column("rank", 6, COUNT, "On this site, 1 = best."),
            Column("retrofit", 26, TEXT, "What could be done."),
            Column("status", 15, TEXT, f"{', '.join(map(api.status_text, api.Status))}."),
            Column(names.worth(money), 11, MONEY, f"{names.AT_VALUES} Below 0 = a loss."),
            Column(f"worth P90 {money}", 11, MONEY, f"Exceeded with 90 % chance. {names.DRAWN}"),
            Column(f"worth P50 {money}", 11, MONEY, "As likely to be more as less."),
            Column(f"worth P10 {money}", 11, MONEY, "Exceeded with 10 % chance."),
            Column("chance of a gain", 10, SHARE, "Chance that the owner gains anything."),
            Column(f"price with tax {money}", 11, MONEY, "What the owner would pay."),
            Column(f"first-year saving {money}", 11, MONEY, "What it would bring in the first year."),
            Column("energy gain [kWh a year]", 11, COUNT, "More energy a year, as new."),
            Column("safety notes", 40, TEXT, f"Of what is advised or unsure. Whole texts: sheet '{names.NOTES}'."),
            Column("reason", 90, TEXT, "Why, in the run's own words."),
        ],
        empty="This run has ranked nothing.",
    )
    table = calls.ranking
    wanted = ["site_id", "rank", "retrofit", "status", "npv", *names.RANGE]
    wanted += ["upfront", "first_year_saving", "energy_gain_kwh"]

    def rows() -> Iterator[Sequence[Any]]:
        reasons = _reasons(table, calls.run.currency)
        for (site, rank, retrofit, status, worth, *rest), reason in zip(rows_of(table, wanted), reasons, strict=True):
            said = None if status in _NO_ADVICE else calls.notes.ids(site, [retrofit])
            drawn = or_not_drawn(rest[:4], worth)
            yield (
                site,
                rank,
                titles.get(retrofit, retrofit),
                api.status_text(status),
                worth,
                *drawn,
                *rest[4:],
                said,
                reason,
            )

    return sheet, rows()


def not_called(run: api.RunView, called: pd.DataFrame) -> Table:
    """The sites that are not on the list, each with its reason."""
    left = called[called["position"].isna()]
    sheet = Sheet(
        names.NOT_CALLED,
        [f"Not called, and why: {names.sites(len(left))}"],
        [
            Column("site", names.SITE_WIDTH, SHORT, "Number of the site."),
            *([_CUSTOMER] if run.personal else []),
            Column("why not", 110, TEXT, "The first rule that holds; contact rules come before everything else."),
        ],
        empty="Every site of this run is on the call list.",
    )
    shown = ["site_id", *(["customer_id"] if run.personal else []), "excluded_reason", "excluded_detail"]
    return sheet, ((*who, api.not_called_text(why or "", detail)) for *who, why, detail in rows_of(left, shown))


_AT_ONCE = 10_000  # rows of the ranking that are in memory as text at once


def _reasons(ranking: pd.DataFrame, currency: str) -> Iterator[str]:
    for first in range(0, len(ranking), _AT_ONCE):
        for row in ranking.iloc[first : first + _AT_ONCE].to_dict("records"):
            yield api.reason_text(row, currency)


def _listed(retrofits: str, titles: Mapping[str, str]) -> str:
    return ", ".join(titles.get(name.strip(), name.strip()) for name in retrofits.split(","))
