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
    records_of,
    rows_of,
    values_of,
)  # fmt: skip
from aftersun_reports.call_sheet.calls import CallList
from aftersun_reports.notes import LOCAL_FIRST, NotesOfRun

Table = tuple[Sheet, Iterator[Sequence[Any]]]

_CUSTOMER = Column("customer number", 16, SHORT, "The company's own number of the customer.", "customer_id")
# What a retrofit cannot be on a site: nothing is advised there, so nobody needs its notes.
_NO_ADVICE = (
    api.Status.NOT_APPLICABLE, api.Status.ALREADY_FITTED, api.Status.FAILED, api.Status.NOT_COST_EFFECTIVE,
)  # fmt: skip


def dangers(calls: CallList, called: pd.DataFrame) -> Table:
    """The dangers known to stand: their owners are told, on the call list or not."""
    personal = calls.run.personal
    sheet = Sheet(
        names.DANGERS,
        [
            "Known dangers: tell these owners, whether or not anything is sold",
            "Who may not be called about offers is told as a service matter, by letter or in person, without a "
            f"word of sales. {LOCAL_FIRST}",
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
        wanted = ["site_id", "customer_id", "position", "excluded_reason", "excluded_detail"]
        places = {row["site_id"]: row for row in records_of(called[wanted])}
        for site, standing in calls.notes.known.items():
            place = places.get(site, {})
            owner = [place.get("customer_id")] if personal else []
            why = names.why_not_called(place.get("excluded_reason"), place.get("excluded_detail"))
            for note in (calls.notes.notes[position] for position in standing):
                said = (note.severity, note.id, note.text, note.who)
                yield [site, *owner, *said, place.get("position"), why]

    return sheet, rows()


def safety_notes(notes: NotesOfRun, titles: Mapping[str, str], where: pd.DataFrame) -> Table:
    """Every safety note of the run, whole, worst first and by name; ``where`` is that of the run's notes."""
    sheet = Sheet(
        names.NOTES,
        ["Safety notes, in full", LOCAL_FIRST],
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

    def rows() -> Iterator[Sequence[Any]]:
        order = sorted(enumerate(notes.notes), key=lambda item: (api.severity_order(item[1].severity), item[1].id))
        for position, note in order:
            holds = where[
                where["set"].isin([at for at, notes_of_set in enumerate(notes.sets) if position in notes_of_set])
            ]
            retrofits = sorted(holds["retrofit"].unique().astype(str))
            listed = ", ".join(titles.get(name, name) for name in retrofits)
            yield [note.id, note.severity, note.text, note.who, listed, holds["site_id"].nunique()]

    return sheet, rows()


def questions(calls: CallList, called: pd.DataFrame, titles: Mapping[str, str]) -> Table:
    """All questions whose answer could turn the advice, most valuable first."""
    money = f"[{calls.run.currency}]"
    position = dict(zip(called["site_id"], values_of(called["position"]), strict=True))
    sheet = Sheet(
        names.QUESTIONS,
        [
            "Questions worth asking, most valuable first",
            "An answer is worth what better decisions it leads to, on average over what it may be. On the phone it may "
            "be wrong, and that is counted.",
        ],
        [
            Column("site", names.SITE_WIDTH, SHORT, "Site of which it is unknown.", "site_id"),
            Column("position on the call list", 10, COUNT, "Empty = not on the list.", "site_id", position.get),
            Column("question", 70, TEXT, "To be asked in these words.", "question"),
            Column("fact", 22, TEXT, "Its name in the inventory.", "fact"),
            Column("chance that it is so", 11, SHARE, "What is assumed until the answer is known.", "chance_true"),
            Column(
                f"worth by phone {money}", 12, MONEY, "Worth of an answer on the phone to the owner.", "value_of_phone"
            ),
            Column(f"worth if known {money}", 12, MONEY, "Worth of an answer that is certain.", "value_if_known"),
            Column(f"worth of a visit {money}", 12, MONEY, "Worth of having it looked at on site.", "value_of_visit"),
            Column(f"a visit costs us {money}", 12, MONEY, "Empty = no visit would tell.", "visit_cost"),
            Column("about", 40, TEXT, "The retrofits that it may turn.", "retrofits", names.listed(titles)),
        ],
        empty="Nothing that is asked for and unknown could turn any advice.",
    )
    table = calls.questions.sort_values(["value_of_phone", "value_if_known"], ascending=False, kind="stable")
    return sheet, rows_of(table, sheet.columns)


def offers(calls: CallList, called: pd.DataFrame) -> Table:
    """What may be offered, single or several in one visit, in the owner's and the company's ledger."""
    money = f"[{calls.run.currency}]"
    keys = zip(called["site_id"], called["retrofit"], strict=True)
    position = dict(zip(keys, values_of(called["position"]), strict=True))
    sheet = Sheet(
        names.OFFERS,
        [
            "Offers: what is worth it or ends a known danger, single or several in one visit",
            f"Amounts in {calls.run.currency}; price and worth are the owner's, tax included; the contribution is "
            "ours, before tax.",
        ],
        [
            Column("site", names.SITE_WIDTH, SHORT, "Number of the site.", "site_id"),
            Column(
                "position on the call list", 10, COUNT, "Only of the offer that the call is about.",
                ("site_id", "offer"), lambda site, offer: position.get((site, offer)),
            ),
            Column("offer", 40, TEXT, "One retrofit, or several done in one visit.", "offer", calls.title),
            Column("safety matter", 9, TEXT, "yes = it ends a known danger.", "must_call"),
            Column(f"price with tax {money}", 11, MONEY, "What the owner pays.", "upfront"),
            *_worth(calls.run.currency),
            names.saving_column(money, "What it brings the owner in the first year."),
            Column(
                f"contribution to the company if yes {money}", 15, MONEY, "Price before tax less own cost.",
                "contribution",
            ),
            Column("equipment", 18, TEXT, "What the crew brings to reach the modules.", "equipment", _equipment),
            Column(
                "safety notes", 44, TEXT, f"Whole texts: sheet '{names.NOTES}'.",
                ("site_id", "offer"), lambda site, offer: calls.note_ids(site, calls.run.members(offer)),
            ),
        ],
        empty="Nothing is worth offering on any site of this run.",
    )  # fmt: skip
    return sheet, rows_of(calls.offers, sheet.columns)


def ranking(calls: CallList, titles: Mapping[str, str]) -> Table:
    """Every retrofit on every site, with its worth or the reason why not."""
    money = f"[{calls.run.currency}]"

    def notes(site: str, retrofit: str, status: str) -> str | None:
        return None if status in _NO_ADVICE else calls.note_ids(site, [retrofit])

    sheet = Sheet(
        names.RANKING,
        [
            "All retrofits on all sites, those that lose money too",
            "An empty figure was not calculated: the reason stands at the end of the row. Worth and price are the "
            f"owner's, tax included. {LOCAL_FIRST}",
        ],
        [
            Column("site", names.SITE_WIDTH, SHORT, "Number of the site.", "site_id"),
            Column("rank", 6, COUNT, "On this site, 1 = best.", "rank"),
            Column("retrofit", 26, TEXT, "What could be done.", "retrofit", names.titled(titles)),
            Column(
                "status", 15, TEXT, f"{', '.join(map(api.status_text, api.Status))}.", "status", api.status_text,
            ),
            *_worth(calls.run.currency, " Below 0 = a loss."),
            Column(f"price with tax {money}", 11, MONEY, "What the owner would pay.", "upfront"),
            names.saving_column(money, "What it would bring in the first year."),
            Column("energy gain [kWh a year]", 11, COUNT, "More energy a year, as new.", "energy_gain_kwh"),
            Column(
                "safety notes", 40, TEXT, f"Of what is advised or unsure. Whole texts: sheet '{names.NOTES}'.",
                ("site_id", "retrofit", "status"), notes,
            ),
            Column("reason", 90, TEXT, "Why, in the run's own words."),
        ],
        empty="This run has ranked nothing.",
    )  # fmt: skip
    reasons = _reasons(calls.ranking, calls.run.currency)
    results = rows_of(calls.ranking, sheet.columns[:-1])
    return sheet, ((*row, reason) for row, reason in zip(results, reasons, strict=True))


_AT_ONCE = 10_000  # rows of the ranking that are in memory as text at once


def _reasons(ranking: pd.DataFrame, currency: str) -> Iterator[str]:
    for first in range(0, len(ranking), _AT_ONCE):
        for row in ranking.iloc[first : first + _AT_ONCE].to_dict("records"):
            yield api.reason_text(row, currency)


def not_called(run: api.RunView, called: pd.DataFrame) -> Table:
    """The sites that are not on the list, each with its reason."""
    left = called[called["position"].isna()]
    why = "The first rule that holds; contact rules come before everything else."
    sheet = Sheet(
        names.NOT_CALLED,
        [f"Not called, and why: {names.sites(len(left))}"],
        [
            Column("site", names.SITE_WIDTH, SHORT, "Number of the site.", "site_id"),
            *([_CUSTOMER] if run.personal else []),
            Column("why not", 110, TEXT, why, ("excluded_reason", "excluded_detail"), names.why_not_called),
        ],
        empty="Every site of this run is on the call list.",
    )
    return sheet, rows_of(left, sheet.columns)


def _worth(currency: str, loss: str = "") -> list[Column]:
    p50 = "As likely to be more as less."
    return names.worth_columns(currency, "Exceeded with 90 % chance.", p50, "Exceeded with 10 % chance.", loss=loss)


def _equipment(brought: Sequence[str]) -> str:
    return ", ".join(name.replace("_", " ") for name in brought)
