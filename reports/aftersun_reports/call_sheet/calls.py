"""The first two sheets: whom to call, in order, one row a customer; and all else of these calls by the same number."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any

import pandas as pd

from aftersun import api
from aftersun_reports.call_sheet.book import Column, Sheet, drawn, records_of
from aftersun_reports.call_sheet.layout import columns, sheet
from aftersun_reports.notes import NotesOfRun, in_full
from aftersun_reports.shared import titled

PER_CALL = 3  # questions on one call; the others are on their own sheet
CALLED_ON, OUTCOME, LEAVE_UNTIL, RETROFIT, REMARK, SITE = (
    "called_on", "outcome", "leave_until", "retrofit", "remark", "site_id",
)  # fmt: skip
FILLED_IN_ON_CALLS = (CALLED_ON, OUTCOME, LEAVE_UNTIL, REMARK)

_SAFETY, _BOTH, _OFFER = "safety: notify, do not sell", "safety, and an offer", "offer"
_SERVICE = "service: system has stopped"
_KINDS = {
    api.CallKind.WARN: _SAFETY,
    api.CallKind.WARN_AND_OFFER: _BOTH,
    api.CallKind.SERVICE: _SERVICE,
    api.CallKind.OFFER: _OFFER,
}
NONE_RECORDED = "none recorded"
_PSEUDONYM_WIDTH = 18  # characters
_RANGE = ("npv_p90", "npv_p10", "chance_npv_positive")
_FOR_US = ("chance_of_yes", "contribution", "per_crew_hour")
_NO_NOTE = "none stored with this run"

Record = Mapping[str, Any]


@dataclass(frozen=True)
class Call:
    """One site to call: its row of the call list, the offer with its members, what to say, warn of and ask."""

    row: Record
    members: Sequence[str]
    offer: Record
    text: str
    dangers: str
    questions: Sequence[Record]
    price: api.Price | None = None  # None where nothing is offered

    @property
    def site_id(self) -> str:
        """Number of the site."""
        return str(self.row["site_id"])

    @property
    def kind(self) -> str:
        """What kind of call it is."""
        return _KINDS[api.CallKind(self.row["kind"])]

    @property
    def ask(self) -> str:
        """The questions with the facts that they are about."""
        asked = (f"{number}. {one['question']} [{one['fact']}]" for number, one in enumerate(self.questions, 1))
        return "\n".join(asked) or "no answer would turn the advice"


@dataclass(frozen=True)
class Customer:
    """The calls to one customer, the first of them the most urgent, and what is known of the person."""

    calls: Sequence[Call]
    person: Record

    @property
    def first(self) -> Call:
        """The call that the row is about."""
        return self.calls[0]

    def by_site(self, say: Callable[[Call], str]) -> str:
        """Say something of each site, with its number where there are several."""
        if len(self.calls) == 1:
            return say(self.first)
        return "\n".join(f"At {call.site_id}: {say(call)}" for call in self.calls)


@dataclass(frozen=True)
class CallList:
    """What the sheet of calls is made of, read once from the run."""

    run: api.RunView
    notes: NotesOfRun
    titles: Mapping[str, str]  # by retrofit
    ranking: pd.DataFrame
    offers: pd.DataFrame
    questions: pd.DataFrame
    _ids: dict[tuple[int, ...], str] = field(default_factory=dict)  # texts by set of notes

    @cached_property
    def calls(self) -> list[Call]:
        """The sites to call, first one first."""
        rows = records_of(self.run.calls())
        sites = [str(row["site_id"]) for row in rows]
        offers = self.offers[self.offers["site_id"].isin(sites)]
        by_offer = {(str(row["site_id"]), str(row["offer"])): row for row in records_of(offers)}
        asked, texts, prices = self._asked(sites), self.run.call_texts(), self.run.prices(sites)
        return [
            Call(
                row,
                self.run.members(str(row["retrofit"])) if row["retrofit"] else (),
                by_offer.get((site, str(row["retrofit"])), {}),
                texts[site],
                self._dangers(site),
                asked.get(site, ()),
                prices.get((site, str(row["retrofit"]))),
            )
            for site, row in zip(sites, rows, strict=True)
        ]

    @cached_property
    def customers(self) -> list[Customer]:
        """The calls, those of one customer together at the place of the first."""
        people = {str(row["customer_id"]): row for row in records_of(self.run.contacts())} if self.run.personal else {}
        calls: dict[str, list[Call]] = {}
        for call in self.calls:
            calls.setdefault(str(call.row["customer_id"]), []).append(call)
        return [Customer(mine, people.get(number, {})) for number, mine in calls.items()]

    @cached_property
    def facts(self) -> list[str]:
        """The facts that are asked for on these calls."""
        return sorted({str(question["fact"]) for call in self.calls for question in call.questions})

    @cached_property
    def members(self) -> int:
        """Of how many retrofits the largest offer of these calls consists, at least 1."""
        return max((len(call.members) for call in self.calls), default=1)

    def note_ids(self, site_id: str, retrofits: Sequence[str]) -> str:
        """Return severity and id of the notes of these retrofits at a site, worst first: DANGER a, b and WARNING c."""
        positions = tuple(self.notes.at(site_id, retrofits))
        if positions not in self._ids:
            by_severity: dict[str, list[str]] = {}
            for note in (self.notes.notes[position] for position in positions):
                by_severity.setdefault(note.severity, []).append(note.id)
            lines = [f"{severity.upper()} {', '.join(ids)}" for severity, ids in by_severity.items()]
            self._ids[positions] = "\n".join(lines) or _NO_NOTE
        return self._ids[positions]

    def sheet(self, key: str) -> Sheet:
        """Return the layout of the sheet of calls or of their details."""
        run = self.run
        held = 3 if run.personal else 2
        layout = sheet(run, key, company=str(run.company.get("company", {}).get("name", "")))
        return replace(layout, columns=self.columns(key), keys=held, held=held)

    def columns(self, key: str) -> list[Column]:
        """Return the columns of one of these sheets or the call log: one for each fact asked and each member."""
        several = {
            "answer": [{"fact": fact} for fact in self.facts],
            "further_retrofit": [{"number": str(number)} for number in range(2, self.members + 1)],
        }
        wanted = [column for column in columns(self.run, key) if column.key != "further" or self.several_sites]
        return [
            replace(
                column,
                title=column.title.format(**figures),
                width=_PSEUDONYM_WIDTH if column.key == "site" and not self.run.personal else column.width,
            )
            for column in wanted
            for figures in several.get(column.key, [{}])
        ]

    @cached_property
    def several_sites(self) -> bool:
        """Whether any customer is called about several sites."""
        return len(self.customers) < len(self.calls)

    def rows(self, key: str) -> list[list[Any]]:
        """Return a row of the sheet of calls or of their details for each customer."""
        wanted = self.columns(key)
        return [[cells.get(column.key, cells.get(column.title)) for column in wanted] for cells in self._cells]

    @cached_property
    def _cells(self) -> list[dict[str, Any]]:
        return [self._cells_of(customer) for customer in self.customers]

    def _cells_of(self, customer: Customer) -> dict[str, Any]:
        call = customer.first
        person = {name: customer.person.get(name) for name in ("name", "town", "email")}
        reached = customer.person.get("phone") or customer.person.get("email")
        return {
            **{name: value or NONE_RECORDED for name, value in person.items()},
            "phone": reached or NONE_RECORDED,
            "position": call.row["position"],
            "round": call.row["round"],
            "site": call.site_id,
            "kind": call.kind,
            "say": customer.by_site(lambda call: call.text),
            "dangers": customer.by_site(lambda call: call.dangers),
            "notes": customer.by_site(lambda call: self.note_ids(call.site_id, call.members)),
            "ask": customer.by_site(lambda call: call.ask),
            "contact_rule": contact_rule(self.run, customer.person),
            "offer": customer.by_site(self._offer_and_price),
            "survey": self._survey_first(call),
            "upfront": call.offer.get("upfront") if call.price is None else call.price.decided,
            "if_needed": call.price.if_needed if call.price is not None and call.price.if_needed else None,
            # what is told for safety is no sale: nobody weighs what it would bring
            "npv": None if call.kind == _SAFETY else call.row["npv"],
            **{name: drawn(call.offer.get(name), call.row["npv"]) for name in _RANGE},
            "first_year_saving": call.offer.get("first_year_saving"),
            **{name: None if call.kind == _SAFETY else call.row[name] for name in _FOR_US},
            "further": "\n".join(map(self._further, customer.calls[1:])),
            **self._entries(customer),
        }

    def _offer_and_price(self, call: Call) -> str:
        """Return what a call is about, with its price."""
        if not call.members:
            return call.kind
        title, price = self.title(call.row["retrofit"]), call.price
        if price is None:
            return title
        decided, more = (api.ENGLISH.amount(one, self.run.currency) for one in (price.decided, price.if_needed))
        return f"{title}, {decided}" + (f"; if needed plus {more}" if price.if_needed else "")

    def _entries(self, customer: Customer) -> dict[str, str | None]:
        """Return what is filled in already of the cells to be filled in, by key or title of the column."""
        call = customer.first
        asked = [question["fact"] for question in call.questions] if len(customer.calls) == 1 else []
        further = [*call.members[1:], *[""] * self.members]
        return {
            **dict.fromkeys(FILLED_IN_ON_CALLS, ""),
            RETROFIT: call.members[0] if call.members else "",
            **{f"{RETROFIT}_{number}": name for number, name in zip(range(2, self.members + 1), further, strict=False)},
            # None = not asked at this site, or it is not plain of which site: nothing to fill in.
            **{fact: "" if fact in asked else None for fact in self.facts},
        }

    def title(self, offer: str) -> str:
        """Return the titles of all that an offer consists of."""
        return titled(self.titles, self.run.members(offer), " and ")

    def _survey_first(self, call: Call) -> str:
        """Say what has to be looked at before the price holds, whole."""
        allowed = call.offer.get("chance_allowed")
        if allowed is not None and allowed < 1:
            chance = api.ENGLISH.percent(allowed)
            return f"{api.status_text(api.Status.ASK_FIRST)}: the answers allow it with a chance of {chance}"
        first = api.status_text(api.Status.SUBJECT_TO_SURVEY)
        surveys = {name: self._surveys.get((call.site_id, name)) for name in call.members}
        lines = [f"{self.title(name)}, {first}: {why}" for name, why in surveys.items() if why]
        if len(call.members) > 1 or not lines:
            return "\n".join(lines)
        # otherwise what to say tells why
        return f"{first}: {surveys[call.members[0]]}" if call.kind == _SAFETY else first

    def _further(self, call: Call) -> str:
        return f"{call.site_id}, number {call.row['position']:.0f} on the list, {call.kind}"

    def _dangers(self, site_id: str) -> str:
        standing = (self.notes.notes[position] for position in self.notes.known.get(site_id, ()))
        return "\n".join(map(in_full, standing)) or "no hazard is known here"

    def _asked(self, sites: Sequence[str]) -> Mapping[str, list[Record]]:
        """Return the questions of these sites that are worth most, best first."""
        table = self.questions
        mine = table[table["site_id"].isin(sites) & (table["value_of_phone"] > 0).fillna(False)]
        best = mine.sort_values("value_of_phone", ascending=False, kind="stable").groupby("site_id").head(PER_CALL)
        asked: dict[str, list[Record]] = {}
        for row in records_of(best[["site_id", "fact", "question"]]):
            asked.setdefault(str(row["site_id"]), []).append(row)
        return asked

    @cached_property
    def _surveys(self) -> Mapping[tuple[str, str], str]:
        """What has to be looked at first, by site and retrofit, of the sites to call."""
        mine = self.ranking[self.ranking["site_id"].isin([call.site_id for call in self.calls])]
        return {(row["site_id"], row["retrofit"]): api.survey_text(row) for row in mine.to_dict("records")}


def contact_rule(run: api.RunView, person: Record) -> str:
    """Say why a customer on the list may be called: the basis recorded, where it may be read, and the rules he passed.

    Whoever is on the list has passed every rule; others stand on the sheet of those not called, with the rule.
    """
    quiet = run.company.get("calls", {}).get("quiet_days")
    since = "" if quiet is None else f" No talk within the last {quiet:g} days, or asked to be called again by now."
    basis = f" Basis: {person['contact_basis']}." if person.get("contact_basis") else " A basis for it is recorded."
    agreed = person.get("register_agreement_on")
    on = f" on {agreed:%Y-%m-%d}" if agreed else ""
    listed = {
        "yes": f" On a do-not-call register, agreed to calls in spite of it{on}.",
        "no": " Not on a do-not-call register.",
    }.get(person.get("on_register", ""), " On no do-not-call register as far as recorded, or agreed in spite of it.")
    return f"May be called.{basis} No objection.{listed}{since}"
