"""The sheets that show results site by site: dangers, notes, questions, offers, all retrofits, who is not called."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import pandas as pd

from aftersun import api
from aftersun_reports.call_sheet.book import drawn, records_of, values_of
from aftersun_reports.call_sheet.calls import CallList
from aftersun_reports.call_sheet.layout import Made, Table, rows_of, sheet
from aftersun_reports.call_sheet.words import sites, titled, why_not_called
from aftersun_reports.notes import NotesOfRun

# What a retrofit cannot be on a site: nothing is advised there, so nobody needs its notes.
_NO_ADVICE = (
    api.Status.NOT_APPLICABLE, api.Status.ALREADY_FITTED, api.Status.FAILED, api.Status.NOT_COST_EFFECTIVE,
)  # fmt: skip
_RANGE: Made = {name: ((name, "npv"), drawn) for name in ("npv_p90", "npv_p50", "npv_p10", "chance_npv_positive")}
_AT_ONCE = 10_000  # rows of the ranking that are in memory as text at once


def dangers(calls: CallList, called: pd.DataFrame) -> Table:
    """The dangers known to stand: their owners are told, on the call list or not."""
    wanted = ["site_id", "customer_id", "position", "excluded_reason", "excluded_detail"]
    by_site = {row["site_id"]: row for row in records_of(called[wanted])}
    layout = sheet(calls.run, "dangers")

    def rows() -> Iterator[Sequence[Any]]:
        for site, standing in calls.notes.known.items():
            call = by_site.get(site, {})
            why = why_not_called(call.get("excluded_reason"), call.get("excluded_detail"))
            for note in (calls.notes.notes[position] for position in standing):
                said = {"note": note.id, "severity": note.severity, "text": note.text, "who": note.who}
                cells = {**call, **said, "site_id": site, "why": why}
                yield [cells.get(column.key) for column in layout.columns]

    return layout, rows()


def safety_notes(run: api.RunView, notes: NotesOfRun, titles: Mapping[str, str]) -> Table:
    """Every safety note of the run, whole, worst first and by name."""
    where = run.safety_notes().where

    def rows() -> Iterator[Sequence[Any]]:
        order = sorted(enumerate(notes.notes), key=lambda item: (api.severity_order(item[1].severity), item[1].id))
        for position, note in order:
            with_it = [number for number, positions in enumerate(notes.sets) if position in positions]
            holds = where[where["set"].isin(with_it)]
            retrofits = sorted(holds["retrofit"].unique().astype(str))
            listed = ", ".join(titles.get(name, name) for name in retrofits)
            yield [note.id, note.severity, note.text, note.who, listed, holds["site_id"].nunique()]

    return sheet(run, "notes"), rows()


def questions(calls: CallList, called: pd.DataFrame, titles: Mapping[str, str]) -> Table:
    """All questions whose answer could turn the advice, most valuable first."""
    position = dict(zip(called["site_id"], values_of(called["position"]), strict=True))

    def listed(names: Sequence[str]) -> str:
        return ", ".join(titles.get(name, name) for name in names)

    layout = sheet(calls.run, "questions")
    table = calls.questions.sort_values(["value_of_phone", "value_if_known"], ascending=False, kind="stable")
    made: Made = {"position": (("site_id",), position.get), "retrofits": (("retrofits",), listed)}
    return layout, rows_of(table, layout.columns, made)


def offers(calls: CallList, called: pd.DataFrame) -> Table:
    """What may be offered, single or several in one visit, in the owner's and the company's ledger."""
    keys = zip(called["site_id"], called["retrofit"], strict=True)
    position = dict(zip(keys, values_of(called["position"]), strict=True))
    layout = sheet(calls.run, "offers")
    made: Made = {
        **_RANGE,
        "position": (("site_id", "offer"), lambda site, offer: position.get((site, offer))),
        "offer": (("offer",), calls.title),
        "equipment": (("equipment",), lambda brought: ", ".join(name.replace("_", " ") for name in brought)),
        "notes": (("site_id", "offer"), lambda site, offer: calls.note_ids(site, calls.run.members(offer))),
    }
    return layout, rows_of(calls.offers, layout.columns, made)


def ranking(calls: CallList, titles: Mapping[str, str]) -> Table:
    """Every retrofit on every site, with its worth or the reason why not."""

    def notes(site: str, retrofit: str, status: str) -> str | None:
        return None if status in _NO_ADVICE else calls.note_ids(site, [retrofit])

    layout = sheet(calls.run, "ranking")
    made: Made = {
        **_RANGE,
        "retrofit": (("retrofit",), titled(titles)),
        "status": (("status",), api.status_text),
        "notes": (("site_id", "retrofit", "status"), notes),
    }
    results = rows_of(calls.ranking, layout.columns[:-1], made)
    reasons = _reasons(calls.ranking, calls.run.currency)
    return layout, ((*row, reason) for row, reason in zip(results, reasons, strict=True))


def not_called(run: api.RunView, called: pd.DataFrame) -> Table:
    """The sites that are not on the list, each with its reason."""
    left = called[called["position"].isna()]
    layout = sheet(run, "not_called", sites=sites(len(left)))
    made: Made = {"why": (("excluded_reason", "excluded_detail"), why_not_called)}
    return layout, rows_of(left, layout.columns, made)


def _reasons(table: pd.DataFrame, currency: str) -> Iterator[str]:
    for first in range(0, len(table), _AT_ONCE):
        for row in table.iloc[first : first + _AT_ONCE].to_dict("records"):
            yield api.reason_text(row, currency)
