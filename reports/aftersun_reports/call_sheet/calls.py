"""The first sheet: whom to call, in order, one row a customer, with everything that is needed on the phone."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
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
    NOT_DRAWN,
    SHARE,
    SHORT,
    TEXT,
    Column,
    Sheet,
    records_of,
)  # fmt: skip
from aftersun_reports.call_sheet.notes import NotesOfRun, dangers_by_site

PER_CALL = 3  # questions on one call; the others stand on their own sheet
OUTCOMES = ("unreached", "no", "later", "yes", "done", "objection")  # those of the call log
CALLED_ON, OUTCOME, LEAVE_UNTIL, RETROFIT, REMARK, SITE = (
    "called_on", "outcome", "leave_until", "retrofit", "remark", "site_id",
)  # fmt: skip

_SAFETY, _BOTH, _OFFER = "safety: tell, do not sell", "safety, and an offer", "offer"
_TELL_FIRST = "Tell the danger first; give the price only if asked."
_NOBODY = "Nobody is to be called in this run; the sheet 'Not called' says why, site by site."
_CONTACT = ("name", "town", "phone", "email")


@dataclass(frozen=True)
class CallList:
    """What the sheet of calls is made of, read once from the run."""

    run: api.RunView
    notes: NotesOfRun
    ranking: pd.DataFrame
    offers: pd.DataFrame
    questions: pd.DataFrame

    @cached_property
    def calls(self) -> list[Mapping[str, Any]]:
        """The sites to call, first one first."""
        return records_of(self.run.calls())

    @cached_property
    def by_customer(self) -> list[list[Mapping[str, Any]]]:
        """The calls, those of one customer together at the place of the first."""
        found: dict[str, list[Mapping[str, Any]]] = {}
        for call in self.calls:
            found.setdefault(str(call["customer_id"]), []).append(call)
        return list(found.values())

    @cached_property
    def facts(self) -> list[str]:
        """The facts that are asked for on these calls."""
        return sorted({str(question["fact"]) for asked in self._questions.values() for question in asked})

    @cached_property
    def members(self) -> int:
        """Of how many retrofits the largest offer of these calls consists, at least 1."""
        return max((len(self._members(call)) for call in self.calls), default=1)

    def columns(self) -> list[Column]:
        """Return the columns of the sheet: those on who is called only where names may be read."""
        money = f"[{self.run.currency}]"
        people = [
            Column("customer name", 22, SHORT, "How the customer is addressed."),
            Column("town", 18, SHORT, "Postal code and town."),
            Column("phone", 16, SHORT, "Number to call; 'none recorded' = write, or find the number first."),
            Column("e-mail", 32, SHORT, "Address to write to."),
        ]
        further = Column(
            "same customer, further sites",
            46,
            TEXT,
            "Other sites of this customer that are on the list: speak of them in the same call. Their figures stand "
            "on the sheet 'Offers'.",
        )
        return [
            Column("position", 10, COUNT, "Call in this order, 1 first: safety matters, then by value to the company."),
            Column("round", 7, COUNT, "Sites of one round lie close together and can be done in one day."),
            *(people if self.run.personal else []),
            Column("site", 12 if self.run.personal else names.SITE_WIDTH, SHORT, "Number of the site."),
            Column("kind of call", 13, TEXT, f"'{_SAFETY}' = a danger is to be told, and nothing is offered."),
            Column("what to say", 44, TEXT, "The advice in one sentence, as the run found it."),
            Column(
                "what may hurt someone: known dangers here",
                54,
                TEXT,
                "Tell the owner each of these, whole, whether or not anything is bought.",
            ),
            Column(
                "safety notes of the work offered",
                34,
                TEXT,
                "Severity and name of every note that holds for this work on this site; their whole text stands on the "
                "sheet 'Safety notes'. Local codes and licensed practice come first.",
            ),
            Column("what to ask", 44, TEXT, "The questions whose answers are worth most here, best first."),
            Column("contact rule", 34, TEXT, "Why this customer may be called."),
            Column("best offer", 26, TEXT, "What the call is about; several retrofits are done in one visit."),
            Column("before the price holds", 26, TEXT, "What has to be looked at on site first."),
            Column(f"price with tax {money}", 11, MONEY, "What the owner pays for it, tax included."),
            Column(names.worth(money), 11, MONEY, f"{names.AT_VALUES} Below 0 = a loss."),
            Column(f"worth P90 {money}", 11, MONEY, f"The worth is more than this with 90 % chance. {names.DRAWN}"),
            Column(f"worth P50 {money}", 11, MONEY, "As likely to be more as to be less than this."),
            Column(f"worth P10 {money}", 11, MONEY, "The worth is more than this with 10 % chance only."),
            Column("chance of a gain", 10, SHARE, "Chance that the owner gains anything at all."),
            Column(f"first-year saving {money}", 11, MONEY, "What it saves or earns the owner in the first year."),
            Column("chance of yes", 10, SHARE, "How often such a call ends in a yes, by the call log and a prior."),
            Column(
                f"contribution to the company if yes {money}",
                15,
                MONEY,
                "Price before tax less own cost and reserves. For us, not for the customer.",
            ),
            *([further] if len(self.by_customer) < len(self.calls) else []),
            *(self.entry_columns() if self.run.personal else []),
        ]

    def entry_columns(self) -> list[Column]:
        """Return the columns to be filled in after the call, titled as the call log has them."""
        also = [
            Column(f"{RETROFIT}_{number}", 26, ENTRY, "Further parts of the offer; empty the cell if not spoken of.")
            for number in range(2, self.members + 1)
        ]
        facts = [
            Column(fact, 14, ENTRY, "Answer to the question that names it: yes or no; empty = not known.")
            for fact in self.facts
        ]
        return [
            Column(CALLED_ON, 12, ENTRY_DAY, "Fill in: day of the call, year-month-day."),
            Column(OUTCOME, 12, ENTRY, f"Fill in: {', '.join(OUTCOMES)}. An objection ends all calls."),
            Column(LEAVE_UNTIL, 13, ENTRY_DAY, "Only with the outcome later: day until which to leave in peace."),
            Column(RETROFIT, 26, ENTRY, "What it was about; filled in already, change it where you spoke of another."),
            *also,
            *facts,
            Column(REMARK, 40, ENTRY, "Anything worth knowing."),
        ]

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
        held = 3 if run.personal else 2
        return Sheet(
            names.CALLS,
            [f"Whom to call, first one first: {_company_name(run)}", line, how],
            self.columns(),
            empty=_NOBODY,
            keys=held,
            held=held,
            pages_wide=3,
        )

    def rows(self) -> list[list[Any]]:
        """Return a row for each customer."""
        people = {str(row["customer_id"]): row for row in records_of(self.run.contacts())} if self.run.personal else {}
        return [self._row(mine, people.get(str(mine[0]["customer_id"]), {})) for mine in self.by_customer]

    def _row(self, mine: Sequence[Mapping[str, Any]], person: Mapping[str, Any]) -> list[Any]:
        call, several = mine[0], len(mine) > 1
        site_id, members = str(call["site_id"]), self._members(call)
        offer = self._offers.get((site_id, str(call["retrofit"])), {})
        drawn = [_drawn(offer, name) for name in ("npv_p90", "npv_p50", "npv_p10", "chance_npv_positive")]
        asked = [question["fact"] for one in mine for question in self._questions.get(str(one["site_id"]), ())]
        return [
            call["position"],
            call["round"],
            *([person.get(name) or names.NONE_RECORDED for name in _CONTACT] if self.run.personal else []),
            site_id,
            self._kind(call),
            self._say(call),
            self._by_site(mine, self._dangers_at),
            self._by_site(mine, lambda one: self.notes.ids(str(one["site_id"]), self._members(one))),
            self._by_site(mine, self._asked_at),
            contact_rule(self.run, person),
            self._title(call),
            self._first(site_id, members),
            offer.get("upfront"),
            call["npv"],
            *drawn,
            offer.get("first_year_saving"),
            # what is told for safety is no sale: nobody weighs what it would bring
            *((None, None) if self._kind(call) == _SAFETY else (call["chance_of_yes"], call["contribution"])),
            *(["\n".join(map(self._further, mine[1:]))] if len(self.by_customer) < len(self.calls) else []),
            *(self._entry(members, [] if several else asked) if self.run.personal else []),
        ]

    def _entry(self, members: Sequence[str], asked: Sequence[str]) -> list[Any]:
        parts = [*members, *([""] * (self.members - len(members)))]
        # None = not asked at this site, or it is not plain of which site: nothing to fill in.
        return ["", "", "", *parts, *("" if fact in asked else None for fact in self.facts), ""]

    def _by_site(self, mine: Sequence[Mapping[str, Any]], say: Any) -> str:
        if len(mine) == 1:
            return str(say(mine[0]))
        return "\n".join(f"At {one['site_id']}: {say(one)}" for one in mine)

    def _dangers_at(self, call: Mapping[str, Any]) -> str:
        return "\n".join(map(in_full, self._dangers.get(str(call["site_id"]), ()))) or "no danger is known here"

    def _asked_at(self, call: Mapping[str, Any]) -> str:
        asked = self._questions.get(str(call["site_id"]), ())
        return (
            "\n".join(f"{number}. {one['question']} [{one['fact']}]" for number, one in enumerate(asked, 1))
            or "no answer would turn the advice"
        )

    def _title(self, call: Mapping[str, Any]) -> str:
        return self.title(str(call["retrofit"]))

    def title(self, offer: str) -> str:
        """Return the titles of all that an offer consists of."""
        return " and ".join(self._titles.get(name, name) for name in self.run.members(offer))

    def _members(self, call: Mapping[str, Any]) -> Sequence[str]:
        return self.run.members(str(call["retrofit"]))

    def _kind(self, call: Mapping[str, Any]) -> str:
        if call["must_call"] != "yes":
            return _OFFER
        return _BOTH if call["npv"] > 0 else _SAFETY

    def _say(self, call: Mapping[str, Any]) -> str:
        """Return what to say; of what is told for safety, how to tell it, too."""
        first = f"{_TELL_FIRST} " if self._kind(call) == _SAFETY else ""
        return f"{first}{self._texts[str(call['site_id'])]}"

    def _first(self, site_id: str, members: Sequence[str]) -> str:
        """Say what has to be looked at before the price holds, whole."""
        found = [
            (self._titles.get(name, name), self._survey[site_id, name])
            for name in members
            if (site_id, name) in self._survey
        ]
        first = api.status_text(api.Status.SUBJECT_TO_SURVEY)
        if len(members) == 1 and (site_id, members[0]) not in self._told:
            return first if found else ""  # what to say tells why
        if len(members) == 1:
            return f"{first}: {found[0][1]}" if found else ""
        return "\n".join(f"{title}, {first}: {why}" for title, why in found)

    def _further(self, call: Mapping[str, Any]) -> str:
        offer = self._offers.get((str(call["site_id"]), str(call["retrofit"])), {})
        price = offer.get("upfront")
        price = float("nan") if price is None else price
        costs = "" if price != price else f", price with tax {api.ENGLISH.amount(price, self.run.currency)}"
        what = f"{call['site_id']}, position {call['position']:.0f}, {self._kind(call)}: {self._title(call)}{costs}"
        return f"{what}. {self._say(call)}"

    @cached_property
    def _texts(self) -> Mapping[str, str]:
        return self.run.call_texts()

    @cached_property
    def _titles(self) -> Mapping[str, str]:
        return self.run.titles()

    @cached_property
    def _dangers(self) -> Mapping[str, list[Mapping[str, Any]]]:
        return dangers_by_site(self.run.to_tell())

    @cached_property
    def _called(self) -> list[str]:
        return [str(call["site_id"]) for call in self.calls]

    @cached_property
    def _offers(self) -> Mapping[tuple[str, str], Mapping[str, Any]]:
        mine = self.offers[self.offers["site_id"].isin(self._called)]
        wanted = ["site_id", "offer", *names.RANGE, "upfront", "first_year_saving"]
        return {(str(row["site_id"]), str(row["offer"])): row for row in records_of(mine[wanted])}

    @cached_property
    def _questions(self) -> Mapping[str, list[Mapping[str, Any]]]:
        table = self.questions
        mine = table[table["site_id"].isin(self._called) & (table["value_of_phone"] > 0).fillna(False)]
        best = mine.sort_values("value_of_phone", ascending=False, kind="stable").groupby("site_id").head(PER_CALL)
        found: dict[str, list[Mapping[str, Any]]] = {}
        for row in records_of(best[["site_id", "fact", "question"]]):
            found.setdefault(str(row["site_id"]), []).append(row)
        return found

    @cached_property
    def _survey(self) -> Mapping[tuple[str, str], str]:
        mine = self.ranking[self.ranking["site_id"].isin(self._called)]
        said = {(row["site_id"], row["retrofit"]): api.survey_text(row) for row in mine.to_dict("records")}
        return {pair: why for pair, why in said.items() if why}

    @cached_property
    def _told(self) -> frozenset[tuple[str, str]]:
        """Sites and retrofits that the run calls about for safety alone."""
        return frozenset(
            (str(call["site_id"]), str(call["retrofit"])) for call in self.calls if self._kind(call) == _SAFETY
        )


def contact_rule(run: api.RunView, person: Mapping[str, Any]) -> str:
    """Say why a customer on the list may be called: the basis recorded, where it may be read, and the rules he passed.

    Whoever is on the list has passed every rule; others stand on the sheet of those not called, with the rule.
    """
    quiet = run.company.get("calls", {}).get("quiet_days")
    since = "" if quiet is None else f" No talk within the last {quiet:g} days, or asked to be called again by now."
    basis = f" Basis: {person['contact_basis']}." if person.get("contact_basis") else " A basis for it is recorded."
    on_register = person.get("on_register")
    agreed = person.get("register_agreement_on")
    if on_register == "yes":
        listed = (
            f" On a do-not-call register, agreed to calls in spite of it{f' on {agreed:%Y-%m-%d}' if agreed else ''}."
        )
    elif on_register == "no":
        listed = " Not on a do-not-call register."
    else:
        listed = " On no do-not-call register as far as recorded, or agreed in spite of it."
    return f"May be called.{basis} No objection.{listed}{since}"


def in_full(danger: Mapping[str, Any]) -> str:
    """Return a note as one paragraph: severity, name, whole text, who may do it."""
    who = f" Who: {danger['who']}." if danger["who"] else ""
    return f"{str(danger['severity']).upper()} [{danger['note_id']}] {danger['text']}{who}"


def _drawn(offer: Mapping[str, Any], name: str) -> Any:
    value = offer.get(name)
    return NOT_DRAWN if value is None or value != value else value


def _company_name(run: api.RunView) -> str:
    return str(run.company.get("company", {}).get("name", ""))
