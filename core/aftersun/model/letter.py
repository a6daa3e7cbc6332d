"""What an offer letter says to one customer: everything an output prints of it, and nothing to be computed."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date


@dataclass(frozen=True)
class LetterNote:
    """A safety note: severity danger, warning or caution, the text, and who may do the work."""

    note_id: str
    severity: str
    text: str
    who: str


@dataclass(frozen=True)
class LetterMonth:
    """One calendar month, 1 to 12: kWh generated, used on site at once, sent to hot water, exported and bought."""

    month: int
    generated_kwh: float
    used_kwh: float
    to_water_kwh: float
    exported_kwh: float
    imported_kwh: float


@dataclass(frozen=True)
class LetterYear:
    """One year of an option from the owner's purse, at today's prices; year 0 is the day of the work."""

    year: int
    net: float  # of the year
    cumulative: float  # of this and all years before, not discounted


@dataclass(frozen=True)
class LetterPrice:
    """One line of the price: a kind of work or thing, in words, and what it costs, tax included."""

    what: str
    price: float


@dataclass(frozen=True)
class LetterAssumption:
    """One number that was assumed: its meaning, the value used and its usual range, in its unit, and its source.

    ``replaced`` says who of the company set the value and why, "" = nobody did. ``turns`` tells that the advice would
    turn within the range.
    """

    meaning: str
    used: float
    low: float
    high: float
    unit: str
    source: str
    replaced: str
    turns: bool


@dataclass(frozen=True)
class LetterClaim:
    """What the trade commonly promises, where that is from, and what was computed for this roof instead."""

    text: str
    source: str
    computed: str


@dataclass(frozen=True)
class LetterPart:
    """One retrofit of an option: id, title, what it is in a sentence or two, what it adds given the others."""

    retrofit: str
    title: str
    summary: str
    npv_added: float


@dataclass(frozen=True)
class LetterOption:
    """One thing that the owner may choose; ``offer`` "" is doing nothing now, which costs and brings nothing.

    Amounts are in the letter's currency, tax included, at today's prices. ``yearly`` is what it brings a year on
    average over ``years`` before its price; P90 is exceeded with 90 %. Ranges and chance are None where the run has
    drawn none. ``discounted_payback_years`` None = never within ``years``. ``told_not_sold``: it ends a danger that is
    known to stand, and nothing is promised of it in money.
    """

    offer: str
    title: str
    parts: tuple[LetterPart, ...]
    price: float
    price_before: float  # before a discount or fixed price; the same where there is none
    sales_tax: float  # contained in ``price``
    price_lines: tuple[LetterPrice, ...]  # add up to price_before
    years: int
    first_year_saving: float
    yearly: float
    yearly_p90: float | None
    yearly_p50: float | None
    yearly_p10: float | None
    npv: float
    npv_p90: float | None
    npv_p50: float | None
    npv_p10: float | None
    chance_npv_positive: float | None
    discounted_payback_years: float | None
    cash: tuple[LetterYear, ...]
    months: tuple[LetterMonth, ...]
    claims: tuple[LetterClaim, ...]
    assumptions: tuple[LetterAssumption, ...]  # those that move the result most first
    notes: tuple[LetterNote, ...]  # all of them, worst first
    survey_first: str  # what has to be looked at on site before the price holds; "" = nothing
    told_not_sold: bool


@dataclass(frozen=True)
class LetterFact:
    """One thing known of the system, in words: ``value`` holds its unit."""

    label: str
    value: str


@dataclass(frozen=True)
class LetterQuestion:
    """What to ask the customer, and what would change with the answer."""

    question: str
    changes: str


@dataclass(frozen=True)
class LetterLoss:
    """A step from the light on the modules to what is generated; kWh taken away a year, negative = added.

    ``by_chance``: an average over systems like it; nobody knows whether this one loses it.
    """

    step: str
    kwh: float
    by_chance: bool = False


@dataclass(frozen=True)
class Letter:
    """An offer to one customer, made from a stored run. ``customer`` holds name and address, line by line.

    ``changes`` says what differs from the version before; empty for the first. ``dangers`` are known to stand on the
    site now and are told whatever is offered. The last of ``options`` is doing nothing now.

    Without any option it is a safety notice (:attr:`notice`): it tells the dangers and nothing else, whoever may be
    contacted about offers.
    """

    number: str
    version: int
    made_on: date
    valid_until: date
    run_id: str
    as_of: date
    program_version: str
    price_date: date
    currency: str
    sales_tax_rate: float
    customer: tuple[str, ...]
    site_id: str
    weather: str
    system: tuple[LetterFact, ...]
    findings: tuple[str, ...]  # what is known of the system, in sentences
    today: tuple[LetterMonth, ...]
    losses: tuple[LetterLoss, ...]
    dangers: tuple[LetterNote, ...]
    options: tuple[LetterOption, ...]
    questions: tuple[LetterQuestion, ...]
    remark: str  # of the account manager
    changes: tuple[str, ...]
    from_meters: bool = False  # meter readings of the system went into it

    @property
    def notice(self) -> bool:
        """Whether it is a safety notice, which offers nothing."""
        return not self.options
