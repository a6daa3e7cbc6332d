"""What an offer letter says to one customer: codes and figures, with nothing left to compute.

The words are the output's, in whatever language. Only what others wrote comes as text: titles, notes and questions of
plugins, names, remarks.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from typing import TypeAlias

LetterValue: TypeAlias = "int | float | str | LetterFact | tuple[LetterFact | str, ...]"


@dataclass(frozen=True)
class LetterFact:
    """One thing that a letter says: a code for the sentence, and what stands in it by name.

    A figure is in the unit that its name ends in: kwh (a year, unless the sentence says otherwise), kw, km, m, litres,
    deg, share (0..1); ``n`` is a number of years. A text was written by somebody else, or is a year or a day as
    YYYY-MM-DD. A further fact, or several, stand within the sentence. What is not known is left out.
    """

    code: str  # of the sentence or, within another, of a part of it
    values: Mapping[str, LetterValue] = field(default_factory=dict)  # what stands in the sentence, by name


@dataclass(frozen=True)
class LetterNote:
    """A safety note: severity danger, warning or caution, the text, and who may do the work."""

    note_id: str  # its id
    severity: str  # danger, warning or caution
    text: str  # as printed
    who: str  # who may do the work


@dataclass(frozen=True)
class LetterMonth:
    """One calendar month, 1 to 12: kWh generated, used on site at once, sent to hot water, exported and bought."""

    month: int  # 1 to 12
    generated_kwh: float  # AC output of the month
    used_kwh: float  # of it used on site at once
    to_water_kwh: float  # of it sent to the hot-water store
    exported_kwh: float  # of it fed into the grid
    imported_kwh: float  # bought


@dataclass(frozen=True)
class LetterYear:
    """One year of an option from the owner's purse; year 0 is the day of the work. The last one's sum is the npv."""

    year: int  # 0 = the day of the work
    net: float  # of the year, at today's prices
    cumulative: float  # of this and all years before, in today's money: each year counts by the letter's discount_rate


@dataclass(frozen=True)
class LetterPrice:
    """One line of what is paid or gained: so much of an item of the price book, and its amount, tax included."""

    kind: str  # one of the kinds of cost items; "other" = all that the run did not store line by line
    item: str  # its name in the price book
    quantity: float  # in its unit
    unit: str  # of the quantity
    price: float  # tax included
    in_year: int = 0  # whole years after the work
    every_year: bool = False  # for as long as it lasts


@dataclass(frozen=True)
class LetterAssumption:
    """One number that was assumed: its meaning, the value used and its usual range, in its unit, and its source.

    ``replaced`` says who of the company set the value and why, "" = nobody did. ``turns`` tells that the advice would
    turn within the range.
    """

    meaning: str  # in plain words
    used: float  # value used
    low: float  # usual low
    high: float  # usual high
    unit: str  # of all three
    source: str  # where it is from
    replaced: str  # who of the company set the value and why; "" = nobody
    turns: bool  # the advice would turn within the range


@dataclass(frozen=True)
class LetterClaim:
    """What the trade commonly promises, where that is from, and what was computed for this roof instead."""

    text: str  # as printed
    source: str  # where it is from
    computed: LetterFact  # for this roof


@dataclass(frozen=True)
class LetterPart:
    """One retrofit of an option: id, title, what it is in a sentence or two, what it adds given the others."""

    retrofit: str  # id
    title: str  # as printed
    summary: str  # what it is in a sentence or two
    npv_added: float  # to the net present value, given the other parts


@dataclass(frozen=True, kw_only=True)
class LetterOption:
    """One thing that the owner may choose; ``offer`` "" is doing nothing now, which costs and brings nothing.

    Amounts are in the letter's currency, tax included, in today's money. Parts that are fitted only if needed are not
    in ``price``; ``npv``, payback and ``cash`` count them by ``if_needed_counted``. ``yearly`` is the even amount a
    year over ``years`` that comes to npv + price + if_needed_counted at the letter's ``discount_rate``; P90 is
    exceeded with 90 %. Ranges and chance are None where the run has drawn none. ``discounted_payback_years`` None =
    never within ``years``, or there is no price and charges are paid every year.
    """

    offer: str  # id, members joined by "+"; "" = nothing now
    years: int  # that it is counted over
    parts: tuple[LetterPart, ...] = ()  # the retrofits in it; none = nothing now
    price: float = 0.0  # tax included
    price_before: float = 0.0  # before a discount or fixed price; the same where there is none
    sales_tax: float = 0.0  # contained in ``price``; 0 where the customer gets it back
    price_lines: tuple[LetterPrice, ...] = ()  # add up to price_before
    if_needed: tuple[LetterPrice, ...] = ()  # comes on top if needed: whole parts, their whole price
    if_needed_counted: float = 0.0  # what is counted of that: each part's price at its chance
    first_year_saving: float = 0.0  # money in the first year
    later: tuple[LetterPrice, ...] = ()  # what is paid beside the price: every year, and in later years
    gained: tuple[LetterPrice, ...] = ()  # what is gained once beside energy, such as a grant
    apart: tuple[LetterPrice, ...] = ()  # what it brings a year that is no energy: work, risk, nuisance avoided
    yearly: float = 0.0  # money a year as expected, even over the years, before the price
    yearly_p90: float | None = None  # exceeded with 90 %
    yearly_p10: float | None = None  # exceeded with 10 %
    npv: float = 0.0  # expected net present value
    npv_p90: float | None = None  # exceeded with 90 % or more; not above npv
    npv_p10: float | None = None  # exceeded with 10 % at most; not below npv
    npv_if_rule_stays: float | None = None  # if today's export rule never ended; None = it outlasts the years
    rule_ends_in_years: float | None = None  # until today's export rule or support ends; None likewise
    rule_end_assumed: bool = False  # nobody knows when it ends
    chance_npv_positive: float | None = None  # 0 to 1
    discounted_payback_years: float | None = None  # None = never within the years
    cash: tuple[LetterYear, ...] = ()  # year by year
    months: tuple[LetterMonth, ...] = ()  # energy with it, as new
    claims: tuple[LetterClaim, ...] = ()  # of the trade, beside what was computed
    assumptions: tuple[LetterAssumption, ...] = ()  # those that move the result most first
    notes: tuple[LetterNote, ...] = ()  # all of them, worst first
    survey_first: tuple[LetterFact, ...] = ()  # what has to be looked at on site before the price holds
    safety_remedial: bool = False  # ends a known hazard and is named for that alone: nothing is promised of it in money


@dataclass(frozen=True)
class LetterQuestion:
    """What to ask the customer, which advice the answer could turn, and what knowing it is worth to the owner."""

    question: str  # to ask
    retrofits: tuple[str, ...]  # titles of those whose advice it could turn
    worth: float  # in the letter's currency


@dataclass(frozen=True)
class LetterLoss:
    """A step from the light on the modules to what is generated; kWh taken away a year, negative = added.

    ``by_chance``: an average over systems like it; nobody knows whether this one loses it.
    """

    step: str  # of the chain of losses, as in the table site_loss
    kwh: float  # taken away a year; negative = added
    by_chance: bool = False  # an average; not known whether at this site


@dataclass(frozen=True, kw_only=True)
class Letter:
    """An offer to one customer, made from a stored run. ``customer`` holds name and address, line by line.

    ``changes`` says what differs from the version before; empty for the first. ``dangers`` are known to stand on the
    site now and are told whatever is offered. The last of ``options`` is doing nothing now.

    Without any option it is a safety notice (:attr:`notice`): it tells the dangers and nothing else, whoever may be
    contacted about offers.
    """

    number: str = ""  # year and six digits; "" = not issued yet
    version: int = 0  # from 1 on
    made_on: date  # day of the letter
    valid_until: date  # last day that prices hold
    run_id: str  # the stored run it was made from
    as_of: date  # day that the run takes ages and tariffs at
    program_version: str  # that made it
    price_date: date  # day the price book was checked
    currency: str  # three letters
    discount_rate: float = 0.0  # a year, real: by how much less a later year counts
    sales_tax_rate: float = 0.0  # share of the price before tax
    tax_reclaimed: bool = False  # the customer gets sales tax back: no amount contains any
    customer: tuple[str, ...]  # name and address, line by line
    site_id: str  # the site
    language: str = ""  # that the customer reads, two letters of ISO 639-1; "" = the letterhead's
    weather: LetterFact | None = None  # that the energy was computed with; None in a notice
    system: tuple[LetterFact, ...] = ()  # what is known of it
    findings: tuple[LetterFact, ...] = ()  # what stands out
    today: tuple[LetterMonth, ...] = ()  # energy as the site stands
    losses: tuple[LetterLoss, ...] = ()  # from light to electricity
    dangers: tuple[LetterNote, ...] = ()  # known to stand, told whatever is offered
    options: tuple[LetterOption, ...] = ()  # the last is doing nothing now; empty = a safety notice
    questions: tuple[LetterQuestion, ...] = ()  # what to ask
    remark: str = ""  # of the account manager
    changes: tuple[LetterFact, ...] = ()  # what differs from the version before, safety first
    from_meters: bool = False  # meter readings of the system went into it

    @property
    def notice(self) -> bool:
        """Whether it is a safety notice, which offers nothing."""
        return not self.options
