"""The first sheet: whom to call, in order, one row a customer, with everything that is needed on the phone."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any

import pandas as pd

from aftersun import api
from aftersun_reports.call_sheet import names
from aftersun_reports.call_sheet.book import (
    COUNT,
    ENTRY,
    ENTRY_DAY,
    MONEY,
    SHARE,
    SHORT,
    TEXT,
    Column,
    Sheet,
    drawn,
    records_of,
)  # fmt: skip
from aftersun_reports.notes import NotesOfRun, in_full
from aftersun_reports.shared import title_of

PER_CALL = 3  # questions on one call; the others stand on their own sheet
OUTCOMES = ("unreached", "no", "later", "yes", "done", "objection")  # those of the call log
CALLED_ON, OUTCOME, LEAVE_UNTIL, RETROFIT, REMARK, SITE = (
    "called_on", "outcome", "leave_until", "retrofit", "remark", "site_id",
)  # fmt: skip

_SAFETY, _BOTH, _OFFER = "safety: tell, do not sell", "safety, and an offer", "offer"
_TELL_FIRST = "Tell the danger first; give the price only if asked."
_NOBODY = "Nobody is to be called in this run; the sheet 'Not called' says why, site by site."
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

    @property
    def site_id(self) -> str:
        """Number of the site."""
        return str(self.row["site_id"])

    @property
    def kind(self) -> str:
        """What kind of call it is."""
        if self.row["must_call"] != "yes":
            return _OFFER
        return _BOTH if self.row["npv"] > 0 else _SAFETY

    @property
    def say(self) -> str:
        """What to say; of what is told for safety, how to tell it, too."""
        return f"{_TELL_FIRST} {self.text}" if self.kind == _SAFETY else self.text

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
        asked, texts = self._asked(sites), self.run.call_texts()
        return [
            Call(
                row,
                self.run.members(str(row["retrofit"])),
                by_offer.get((site, str(row["retrofit"])), {}),
                texts[site],
                self._dangers(site),
                asked.get(site, ()),
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

    def sheet(self) -> Sheet:
        """Return the sheet's layout."""
        run = self.run
        how = (
            "Row by row on the phone; the yellow cells at the right end are filled in after the call, and the sheet "
            f"'{names.LOG}' gathers them."
            if run.personal
            else "Made without names and addresses: site numbers are pseudonyms, and no outcome can be entered."
        )
        line = (
            f"Run {run.run_id}, as of {run.as_of:%Y-%m-%d}, amounts in {run.currency}. P90 = exceeded with 90 % "
            f"chance. Every column is explained on the sheet '{names.GUIDE}'."
        )
        company = run.company.get("company", {}).get("name", "")
        above = [f"Whom to call, first one first: {company}", line, how]
        held = 3 if run.personal else 2
        return Sheet(names.CALLS, above, self.columns(), empty=_NOBODY, keys=held, held=held, pages_wide=3)

    def rows(self) -> list[list[Any]]:
        """Return a row for each customer."""
        columns = self.columns()
        return [[column.make(customer) if column.make else None for column in columns] for customer in self.customers]

    def columns(self) -> list[Column]:
        """Return the columns of the sheet: those on who is called only where names may be read."""
        return [
            Column(
                "position", 10, COUNT, "Call in this order, 1 first: safety matters, then by value to the company.",
                make=lambda customer: customer.first.row["position"],
            ),
            Column(
                "round", 7, COUNT, "Sites of one round lie close together and can be done in one day.",
                make=lambda customer: customer.first.row["round"],
            ),
            *(self._person_columns() if self.run.personal else []),
            *self._talk_columns(),
            *self._money_columns(),
            *(self._entry_columns() if self.run.personal else []),
        ]  # fmt: skip

    def _person_columns(self) -> list[Column]:
        def column(title: str, width: int, says: str, name: str) -> Column:
            return Column(
                title, width, SHORT, says, make=lambda customer: customer.person.get(name) or names.NONE_RECORDED
            )

        no_phone = "Number to call; 'none recorded' = write, or find the number first."
        return [
            column("customer name", 22, "How the customer is addressed.", "name"),
            column("town", 18, "Postal code and town.", "town"),
            column("phone", 16, no_phone, "phone"),
            column("e-mail", 32, "Address to write to.", "email"),
        ]

    def _talk_columns(self) -> list[Column]:
        """Return the columns of what is said, asked and warned of, and of the offer."""

        def column(title: str, width: int, says: str, make: Callable[[Customer], Any], kind: str = TEXT) -> Column:
            return Column(title, width, kind, says, make=make)

        site_width = 12 if self.run.personal else names.SITE_WIDTH
        whole_notes = (
            "Severity and name of every note that holds for this work on this site; their whole text stands on the "
            "sheet 'Safety notes'. Local codes and licensed practice come first."
        )
        return [
            column("site", site_width, "Number of the site.", lambda customer: customer.first.site_id, SHORT),
            column(
                "kind of call", 13, f"'{_SAFETY}' = a danger is to be told, and nothing is offered.",
                lambda customer: customer.first.kind,
            ),
            column(
                "what to say", 44, "The advice in one sentence, as the run found it.",
                lambda customer: customer.first.say,
            ),
            column(
                "what may hurt someone: known dangers here", 54,
                "Tell the owner each of these, whole, whether or not anything is bought.",
                lambda customer: customer.by_site(lambda call: call.dangers),
            ),
            column(
                "safety notes of the work offered", 34, whole_notes,
                lambda customer: customer.by_site(lambda call: self.note_ids(call.site_id, call.members)),
            ),
            column(
                "what to ask", 44, "The questions whose answers are worth most here, best first.",
                lambda customer: customer.by_site(lambda call: call.ask),
            ),
            column(
                "contact rule", 34, "Why this customer may be called.",
                lambda customer: contact_rule(self.run, customer.person),
            ),
            column(
                "best offer", 26, "What the call is about; several retrofits are done in one visit.",
                lambda customer: self.title(customer.first.row["retrofit"]),
            ),
            column(
                "before the price holds", 26, "What has to be looked at on site first.",
                lambda customer: self._survey_first(customer.first),
            ),
        ]  # fmt: skip

    def _money_columns(self) -> list[Column]:
        """Return the columns of what it costs and brings, the owner and the company."""
        money = f"[{self.run.currency}]"

        def ours(title: str, width: int, kind: str, says: str, name: str) -> Column:
            # what is told for safety is no sale: nobody weighs what it would bring
            return Column(
                title, width, kind, says,
                make=lambda customer: None if customer.first.kind == _SAFETY else customer.first.row[name],
            )  # fmt: skip

        worth, *spread = names.worth_columns(
            self.run.currency,
            "The worth is more than this with 90 % chance.",
            "As likely to be more as to be less than this.",
            "The worth is more than this with 10 % chance only.",
            "Chance that the owner gains anything at all.",
            " Below 0 = a loss.",
        )
        further = Column(
            "same customer, further sites", 46, TEXT,
            "Other sites of this customer that are on the list: speak of them in the same call. Their figures stand "
            "on the sheet 'Offers'.",
            make=lambda customer: "\n".join(map(self._further, customer.calls[1:])),
        )  # fmt: skip
        return [
            Column(
                f"price with tax {money}", 11, MONEY, "What the owner pays for it, tax included.",
                make=lambda customer: customer.first.offer.get("upfront"),
            ),
            replace(worth, make=lambda customer: customer.first.row["npv"]),
            *(replace(one, make=_of_range(one.of[0])) for one in spread),
            replace(
                names.saving_column(money, "What it saves or earns the owner in the first year."),
                make=lambda customer: customer.first.offer.get("first_year_saving"),
            ),
            ours(
                "chance of yes", 10, SHARE, "How often such a call ends in a yes, by the call log and a prior.",
                "chance_of_yes",
            ),
            ours(
                f"contribution to the company if yes {money}", 15, MONEY,
                "Price before tax less own cost and reserves. For us, not for the customer.", "contribution",
            ),
            *([further] if len(self.customers) < len(self.calls) else []),
        ]  # fmt: skip

    def _entry_columns(self) -> list[Column]:
        """Return the columns to be filled in after the call, titled as the call log has them."""

        def empty(_: Customer) -> str:
            return ""

        def member(at: int) -> Callable[[Customer], str]:
            return lambda customer: [*customer.first.members, *[""] * self.members][at]

        def answer(fact: str) -> Callable[[Customer], str | None]:
            # None = not asked at this site, or it is not plain of which site: nothing to fill in.
            def cell(customer: Customer) -> str | None:
                asked = [question["fact"] for question in customer.first.questions]
                return "" if len(customer.calls) == 1 and fact in asked else None

            return cell

        about = "What it was about; filled in already, change it where you spoke of another."
        also = "Further parts of the offer; empty the cell if not spoken of."
        told = "Answer to the question that names it: yes or no; empty = not known."
        later = "Only with the outcome later: day until which to leave in peace."
        outcomes = f"Fill in: {', '.join(OUTCOMES)}. An objection ends all calls."
        return [
            Column(CALLED_ON, 12, ENTRY_DAY, "Fill in: day of the call, year-month-day.", make=empty),
            Column(OUTCOME, 12, ENTRY, outcomes, make=empty),
            Column(LEAVE_UNTIL, 13, ENTRY_DAY, later, make=empty),
            Column(RETROFIT, 26, ENTRY, about, make=member(0)),
            *(Column(f"{RETROFIT}_{at + 1}", 26, ENTRY, also, make=member(at)) for at in range(1, self.members)),
            *(Column(fact, 14, ENTRY, told, make=answer(fact)) for fact in self.facts),
            Column(REMARK, 40, ENTRY, "Anything worth knowing.", make=empty),
        ]

    def title(self, offer: str) -> str:
        """Return the titles of all that an offer consists of."""
        return title_of(self.run, self._titles, offer)

    def _survey_first(self, call: Call) -> str:
        """Say what has to be looked at before the price holds, whole."""
        first = api.status_text(api.Status.SUBJECT_TO_SURVEY)
        surveys = {name: self._surveys.get((call.site_id, name)) for name in call.members}
        lines = [f"{self._titles.get(name, name)}, {first}: {why}" for name, why in surveys.items() if why]
        if len(call.members) > 1 or not lines:
            return "\n".join(lines)
        # otherwise what to say tells why
        return f"{first}: {surveys[call.members[0]]}" if call.kind == _SAFETY else first

    def _further(self, call: Call) -> str:
        price = call.offer.get("upfront")
        costs = ""
        if price is not None and price == price:
            costs = f", price with tax {api.ENGLISH.amount(price, self.run.currency)}"
        what = f"{call.kind}: {self.title(call.row['retrofit'])}{costs}"
        return f"{call.site_id}, position {call.row['position']:.0f}, {what}. {call.say}"

    def _dangers(self, site_id: str) -> str:
        standing = (self.notes.notes[position] for position in self.notes.known.get(site_id, ()))
        return "\n".join(map(in_full, standing)) or "no danger is known here"

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
    def _titles(self) -> Mapping[str, str]:
        return self.run.titles()

    @cached_property
    def _surveys(self) -> Mapping[tuple[str, str], str]:
        """What has to be looked at first, by site and retrofit, of the sites to call."""
        mine = self.ranking[self.ranking["site_id"].isin([call.site_id for call in self.calls])]
        return {(row["site_id"], row["retrofit"]): api.survey_text(row) for row in mine.to_dict("records")}


def _of_range(name: str) -> Callable[[Customer], Any]:
    return lambda customer: drawn(customer.first.offer.get(name), 0.0)


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
