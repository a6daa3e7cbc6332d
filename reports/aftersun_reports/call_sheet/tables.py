"""The sheets that show results site by site: dangers, notes, questions, offers, all retrofits, who is not called."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

import pandas as pd

from aftersun import api
from aftersun_reports.call_sheet.book import ENTRIES, drawn, records_of, values_of
from aftersun_reports.call_sheet.calls import CallList
from aftersun_reports.call_sheet.layout import Made, Table, rows_of, sheet, table
from aftersun_reports.shared import sites, titled

# What a retrofit cannot be on a site: nothing is advised there, so nobody needs its notes.
_NO_ADVICE = (
    api.Status.NOT_APPLICABLE, api.Status.ALREADY_FITTED, api.Status.FAILED, api.Status.NOT_COST_EFFECTIVE,
)  # fmt: skip
_RANGE: Made = {name: ((name, "npv"), drawn) for name in ("npv_p90", "npv_p10", "chance_npv_positive")}
_PERSON = ("name", "street", "town", "phone")
_BY_CALL, _BY_NOTICE = "call", "letter or in person"
_AT_ONCE = 10_000  # rows of the ranking that are in memory as text at once


def dangers(calls: CallList, called: pd.DataFrame) -> Table:
    """The register of hazards known to stand: their owners are notified, on the call list or not, and by whom."""
    wanted = ["site_id", "customer_id", "position", "excluded_reason", "excluded_detail", "urgency", "found_on"]
    by_site = {row["site_id"]: row for row in records_of(called[wanted])}
    owners = calls.run.hazards()[["site_id", *_PERSON]].astype("string")
    people = {row["site_id"]: row for row in records_of(owners)}
    layout = sheet(calls.run, "dangers")

    def rows() -> Iterator[Sequence[Any]]:
        for site, standing in calls.notes.known.items():
            call = by_site.get(site, {})
            why = api.not_called_text(call.get("excluded_reason", ""), call.get("excluded_detail"))
            for note in (calls.notes.notes[position] for position in standing):
                said = {"note": note.id, "severity": note.severity, "text": note.text, "who": note.who}
                person = people.get(site, {})
                address = ", ".join(person[part] for part in ("street", "town") if person.get(part))
                cells = {**call, **person, **said, "site_id": site, "why": why, "address": address}
                cells["how"] = _BY_NOTICE if why else _BY_CALL
                yield [cells.get(column.key, "" if column.kind in ENTRIES else None) for column in layout.columns]

    return layout, rows()


def safety_notes(calls: CallList) -> Table:
    """Every safety note of the run, whole, worst first and by name."""
    notes, where = calls.notes, calls.run.safety_notes().where

    def rows() -> Iterator[Sequence[Any]]:
        order = sorted(enumerate(notes.notes), key=lambda item: (api.severity_order(item[1].severity), item[1].id))
        for position, note in order:
            with_it = [number for number, positions in enumerate(notes.sets) if position in positions]
            holds = where[where["set"].isin(with_it)]
            listed = titled(calls.titles, sorted(holds["retrofit"].unique().astype(str)))
            yield [note.id, note.severity, note.text, note.who, listed, holds["site_id"].nunique()]

    return sheet(calls.run, "notes"), rows()


def questions(calls: CallList, called: pd.DataFrame) -> Table:
    """All questions whose answer could turn the advice, most valuable first."""
    position = dict(zip(called["site_id"], values_of(called["position"]), strict=True))
    made: Made = {
        "position": (("site_id",), position.get),
        "retrofits": (("retrofits",), lambda names: titled(calls.titles, names)),
    }
    best_first = calls.questions.sort_values(["value_of_phone", "value_if_known"], ascending=False, kind="stable")
    return table(calls.run, "questions", best_first, made)


def offers(calls: CallList, called: pd.DataFrame) -> Table:
    """What may be offered, single or several in one visit, in the owner's and the company's ledger."""
    keys = zip(called["site_id"], called["retrofit"], strict=True)
    position = dict(zip(keys, values_of(called["position"]), strict=True))
    made: Made = {
        **_RANGE,
        "position": (("site_id", "offer"), lambda site, offer: position.get((site, offer))),
        "offer": (("offer",), calls.title),
        "equipment": (("equipment",), lambda brought: ", ".join(name.replace("_", " ") for name in brought)),
        "notes": (("site_id", "offer"), lambda site, offer: calls.note_ids(site, calls.run.members(offer))),
    }
    return table(calls.run, "offers", calls.offers, made)


def ranking(calls: CallList) -> Table:
    """Every retrofit on every site, with its net benefit or the reason why not."""

    def notes(site: str, retrofit: str, status: str) -> str | None:
        return None if status in _NO_ADVICE else calls.note_ids(site, [retrofit])

    layout = sheet(calls.run, "ranking")
    made: Made = {
        **_RANGE,
        "retrofit": (("retrofit",), calls.title),
        "status": (("status",), api.status_text),
        "notes": (("site_id", "retrofit", "status"), notes),
    }
    results = rows_of(calls.ranking, layout.columns[:-1], made)
    stored = (
        row
        for first in range(0, len(calls.ranking), _AT_ONCE)
        for row in calls.ranking.iloc[first : first + _AT_ONCE].to_dict("records")
    )
    reasons = (api.reason_text(row, calls.run.currency) for row in stored)
    return layout, ((*row, reason) for row, reason in zip(results, reasons, strict=True))


def delivered(calls: CallList) -> list[Table]:
    """What done work delivered against its promises, retrofit by retrofit; no sheet where nothing is measured."""
    found = calls.run.delivered()
    if found.empty:
        return []
    return [table(calls.run, "delivered", found, {"retrofit": (("retrofit",), calls.title)})]


def not_called(run: api.RunView, called: pd.DataFrame) -> Table:
    """The sites that are not on the list, each with its reason."""
    left = called[called["position"].isna()]
    titles = run.titles()
    passing = left["kind"].eq(api.CallKind.IN_PASSING).fillna(False).astype(bool)
    shown = ["retrofit", "npv", "contribution"]
    # what may be told in passing stands first
    left = left.assign(**{name: left[name].where(passing) for name in shown}).iloc[(~passing).argsort(kind="stable")]
    made: Made = {
        "why": (("excluded_reason", "excluded_detail"), api.not_called_text),
        "passing": (("retrofit",), lambda offer: titled(titles, run.members(offer), " and ") if offer else None),
    }
    return table(run, "not_called", left, made, sites=sites(len(left)))
