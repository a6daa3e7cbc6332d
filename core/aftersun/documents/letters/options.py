"""One option of a letter: what an offer of a stored run costs and brings at the price that the account manager set."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from aftersun.documents.letters.facts import LEAST_KWH, Stored, fact, notes_of, tax_reclaimed
from aftersun.documents.prices import may_be_needed, price_of, whole
from aftersun.model.change import COST_KINDS, GAIN_KINDS
from aftersun.model.codes import Status
from aftersun.model.letter import (
    LetterAssumption,
    LetterClaim,
    LetterFact,
    LetterMonth,
    LetterOption,
    LetterPart,
    LetterPrice,
    LetterYear,
)
from aftersun.model.output import Price
from aftersun.money.company import Company
from aftersun.money.measures import discounted_payback, even_saving
from aftersun.money.template import TRAVEL
from aftersun.wording import Row, survey_text, value_of

MOST_ASSUMPTIONS = 12
COST_KINDS_WITH_TRAVEL = (*COST_KINDS, TRAVEL)
_LEVELS = np.linspace(0.0, 1.0, 21)  # of npv_percentiles: P0, P5 .. P100
_MOSTLY = 0.95  # share of a figure from which on it is told as the whole of it
_MONTHS = 12
_CODE = re.compile(r" ?\((?:the plant's [^)]*|[a-z]+(?:_[a-z0-9]+)+)\)")  # names that only the program knows


@dataclass(frozen=True)
class Catalogue:
    """What a run knows of each retrofit: what it is, what it assumes, and what the trade claims of it."""

    retrofits: Mapping[str, Row]
    assumptions: Mapping[str, Sequence[Row]]
    claims: Mapping[str, Sequence[Row]]

    def title(self, retrofit: str) -> str:
        """Return the title of a retrofit."""
        return str(self.retrofits.get(retrofit, {}).get("title", retrofit))


@dataclass(frozen=True)
class Records:
    """One offer of a site, by its id, with the rows that are stored of it."""

    stored: Stored
    name: str

    @property
    def offer(self) -> Row:
        """Its row of table offer."""
        return self.stored.offers[self.name]

    def rows(self, table: str) -> list[Row]:
        """Return its own rows of a table, such as offer_member or cash_flow."""
        return self.stored.of(table, "offer" if table.startswith("offer_") else "retrofit", [self.name])

    def of_members(self, table: str) -> list[Row]:
        """Return the rows that a table has of the retrofits in it."""
        return self.stored.of(table, "retrofit", self.names)

    @property
    def names(self) -> list[str]:
        """The retrofits that it consists of."""
        return [str(row["retrofit"]) for row in self.rows("offer_member")]

    @property
    def ranking(self) -> dict[str, Row]:
        """The rows of table ranking of its members, by retrofit."""
        return {str(row["retrofit"]): row for row in self.of_members("ranking")}

    @property
    def safety_remedial(self) -> bool:
        """Whether it is there for safety alone: it ends a known danger and is worth nothing that could be promised."""
        alone = len(self.names) == 1 and self.ranking[self.names[0]]["status"] == Status.SAFETY_REMEDIAL
        return bool(value_of(self.offer, "must_call")) and (alone or not float(self.offer["npv"]) > 0)

    @property
    def price(self) -> Price:
        """What it costs as computed, and what comes on top if needed."""
        return price_of(float(self.offer["upfront"]), self.rows("cost_item"))


def option_of(records: Records, price: float | None, catalogue: Catalogue, company: Company) -> LetterOption:
    """Return an offer of the run as an option of a letter, at a price with tax, None = as computed.

    Parts that are fitted only if needed are not in the price: net present value, payback and course count them at
    their chance, as the run did. The price is certain, and paid in year 0: another one moves the net present value and
    each of its percentiles by the difference. The chance of a gain is then read from the 21 stored percentiles, moved
    likewise, by linear interpolation between them; beyond the lowest and highest draw it is 1 and 0. With the price as
    computed it is the stored one, which counts the draws themselves. Payback is that of the moved cash flow. All is in
    today's money at the run's discount rate: ``yearly`` is the net present value with the price and what is counted of
    such parts put back, as an even amount a year over ``years`` (capital recovery), and the course of cash ends at the
    net present value.
    """
    offer, money = records.offer, company.money
    years = int(offer["years"])
    computed = records.price
    before = _money(computed.decided)
    paid = before if price is None else _money(price)
    lower = 0.0 if price is None else computed.decided - paid  # what the owner keeps by the price that was set
    cash = records.rows("cash_flow")
    net = np.array([float(row["net"]) for row in cash])
    net[0] += lower
    sums = np.cumsum(net * (1.0 + money.real_discount_rate) ** -np.arange(net.size))
    gains: dict[str, Any] = {}
    for level in ("", "_p90", "_p10"):
        worth = value_of(offer, f"npv{level}")
        value = None if worth is None else _money(float(worth) + lower)
        gains[f"npv{level}"] = value
        gains[f"yearly{level}"] = (
            None
            if value is None
            else _money(even_saving(value + paid + computed.counted, money.real_discount_rate, years))
        )
    at_once = -net[0] if net.size else paid + computed.counted  # the price less what is gained with it
    payback = float(discounted_payback(money.real_discount_rate, at_once, net[1:])) if net.size > 1 else np.inf
    items = [(row, _line(row)) for row in records.rows("cost_item")]
    later = tuple(line for row, line in items if row["kind"] not in GAIN_KINDS and (line.every_year or line.in_year))
    if at_once <= 0 and any(line.every_year for line in later):
        payback = np.inf
    return LetterOption(
        offer=records.name,
        parts=tuple(_part(row, catalogue) for row in records.rows("offer_member")),
        price=paid,
        price_before=before,
        sales_tax=_money(paid - paid / taxed(records.stored, company)),
        price_lines=price_lines([row for row in records.rows("cost_item") if not may_be_needed(row)], before),
        if_needed=tuple(map(_if_needed, filter(may_be_needed, records.rows("cost_item")))),
        if_needed_counted=_money(computed.counted),
        years=years,
        first_year_saving=_money(offer["first_year_saving"]),
        later=later,
        gained=tuple(line for row, line in items if row["kind"] in GAIN_KINDS and not line.every_year),
        apart=tuple(
            _line(row)
            for row in records.of_members("cost_item")
            if row["kind"] in GAIN_KINDS and value_of(row, "every_year")
        ),
        **gains,
        **_rule_ends(records, lower),
        chance_npv_positive=chance_of_gain(offer, lower if price is not None else None),
        discounted_payback_years=round(payback, 2) if np.isfinite(payback) else None,
        cash=tuple(LetterYear(year, _money(net[year]), _money(sums[year])) for year in range(len(net))),
        months=months_of(records.rows("offer_month")),
        claims=_claims(records, catalogue),
        assumptions=_assumptions(records, catalogue),
        notes=notes_of(records.of_members("safety_note")),
        survey_first=_survey(records, catalogue),
        safety_remedial=records.safety_remedial,
    )


def _rule_ends(records: Records, lower: float) -> dict[str, Any]:
    """Return what the offer is worth if today's export rule never ended, and when that ends, where it counts."""
    stays = value_of(records.offer, "npv_if_rule_stays")
    members = [row for row in records.ranking.values() if value_of(row, "rule_ends_in_years") is not None]
    if stays is None or not members:
        return {}
    return {
        "npv_if_rule_stays": _money(float(stays) + lower),
        "rule_ends_in_years": round(float(members[0]["rule_ends_in_years"]), 1),
        "rule_end_assumed": bool(value_of(members[0], "rule_end_assumed")),
    }


def taxed(stored: Stored, company: Company) -> float:
    """Return what the owner of a site pays for each unit of a price before tax."""
    return 1.0 if tax_reclaimed(stored) else 1.0 + company.money.sales_tax_rate


def below_cost(records: Records, price: float, company: Company) -> bool:
    """Tell whether the company would lose money at this price, with its reserve for warranty and later charges."""
    lower = (records.price.decided - price) / taxed(records.stored, company)
    return float(records.offer["contribution"]) - lower * (1.0 - company.calls.warranty_reserve_share) < -0.005


def chance_of_gain(offer: Row, lower: float | None) -> float | None:
    """Return the chance that the net present value is above 0 with the price lower by an amount, None = as computed."""
    drawn = offer.get("npv_percentiles")
    stored = value_of(offer, "chance_npv_positive")
    if lower is None or stored is None or drawn is None:
        return None if stored is None else round(float(stored), 4)
    moved = np.asarray(drawn, dtype=np.float64) + lower
    return round(1.0 - float(np.interp(0.0, moved, _LEVELS)), 4)


def months_of(rows: Sequence[Row]) -> tuple[LetterMonth, ...]:
    """Return the months of a year in order."""
    names = ("generated_kwh", "used_kwh", "to_water_kwh", "exported_kwh", "imported_kwh")
    return tuple(
        LetterMonth(int(row["month"]), *(round(float(row[name]), 2) for name in names))
        for row in sorted(rows, key=lambda row: int(row["month"]))
    )


def price_lines(costs: Sequence[Row], price: float) -> tuple[LetterPrice, ...]:
    """Return the lines of the first visit, rounded so that they add up to the price."""
    first = [
        row
        for row in costs
        if int(row["in_year"]) == 0 and row["kind"] in COST_KINDS_WITH_TRAVEL and not value_of(row, "every_year")
    ]
    amounts = [_money(row["price"]) for row in first]
    rest = _money(price - sum(amounts))
    if amounts and abs(rest) <= 0.01 * len(amounts):  # of the rounding
        largest = max(range(len(amounts)), key=amounts.__getitem__)
        amounts[largest], rest = _money(amounts[largest] + rest), 0.0
    lines = [replace(_line(row), price=amount) for row, amount in zip(first, amounts, strict=True)]
    return (*lines, LetterPrice("other", "", 1.0, "", rest)) if rest else tuple(lines)


def _line(row: Row) -> LetterPrice:
    quantity = round(float(row["quantity"]), 4)
    when = int(row["in_year"]), bool(value_of(row, "every_year"))
    return LetterPrice(str(row["kind"]), str(row["item"]), quantity, str(row["unit"]), _money(row["price"]), *when)


def _if_needed(row: Row) -> LetterPrice:
    parts, price = whole(row)
    return replace(_line(row), quantity=float(parts), price=_money(price))


def _part(row: Row, catalogue: Catalogue) -> LetterPart:
    name = str(row["retrofit"])
    summary = catalogue.retrofits.get(name, {}).get("summary", "")
    return LetterPart(name, catalogue.title(name), str(summary), _money(row["npv_added"]))


def _claims(records: Records, catalogue: Catalogue) -> tuple[LetterClaim, ...]:
    less, energy, ranking, months = None, records.stored.energy, records.ranking, records.rows("offer_month")
    if len(records.names) == 1 and len(months) == _MONTHS:  # of several it is not plain which one does it
        less = float(energy["exported_kwh"]) - sum(float(row["exported_kwh"]) for row in months)
    generated = float(energy["generated_kwh"])
    computed = {name: computed_of(ranking.get(name, {}), generated, less) for name in records.names}
    return tuple(
        LetterClaim(str(claim["text"]), str(claim["source"]), computed[name])
        for name in records.names
        for claim in catalogue.claims.get(name, ())
    )


def computed_of(row: Row, generated_kwh: float, less_exported_kwh: float | None) -> LetterFact:
    """Return what was computed of a retrofit for this roof, its payback apart: a letter has one, that of the offer.

    What goes into hot water may have heated it before, by another way: only the fall of what is exported, None = not
    known, tells how much of it is surplus.
    """
    gain, water = value_of(row, "energy_gain_kwh"), value_of(row, "to_water_kwh")
    if gain is None:
        return fact("computed_nothing")
    heat = None
    if water is not None and water >= LEAST_KWH:
        less = less_exported_kwh if less_exported_kwh is not None and less_exported_kwh >= LEAST_KWH else None
        surplus = less is not None and less >= _MOSTLY * float(water)
        heat = fact("heat_of_surplus", kwh=water) if surplus else fact("heat", kwh=water, less_exported_kwh=less)
    if abs(float(gain)) < LEAST_KWH or generated_kwh < 1:
        return fact("computed_no_gain", heat=heat)
    return fact("computed_gain", share=float(gain) / generated_kwh, kwh=gain, heat=heat)


def _assumptions(records: Records, catalogue: Catalogue) -> tuple[LetterAssumption, ...]:
    """Return what the members assume, what moves the result most first; without drivers by name."""
    drivers = {(row["retrofit"], row["name"]): row for row in records.of_members("driver")}
    rows = [
        (row, drivers.get((name, row["name"]), {}))
        for name in records.names
        for row in catalogue.assumptions.get(name, ())
    ]

    def order(pair: tuple[Row, Row]) -> tuple[float, str, str]:
        row, driver = pair
        swing = abs(float(driver["npv_high"]) - float(driver["npv_low"])) if driver else 0.0
        return -swing, str(row["name"]), str(row["retrofit"])

    several = len(records.names) > 1
    return tuple(
        LetterAssumption(
            meaning=(f"{catalogue.title(str(row['retrofit']))}: " if several else "") + plain_meaning(row["meaning"]),
            used=float(row["used"]),
            low=float(row["low"]),
            high=float(row["high"]),
            unit=str(row["unit"]),
            source=str(row["source"]),
            replaced=str(value_of(row, "overridden") or ""),
            turns=bool(driver.get("turns", False)),
        )
        for row, driver in sorted(rows, key=order)[:MOST_ASSUMPTIONS]
    )


def plain_meaning(text: str) -> str:
    """Return what an assumption means without the names that only the program knows."""
    return _CODE.sub("", str(text)).strip()


def _survey(records: Records, catalogue: Catalogue) -> tuple[LetterFact, ...]:
    """Return all that has to be looked at first, of what is named for safety alone, too."""
    to_look_at: list[LetterFact] = []
    for name in records.names:
        row = records.ranking.get(name, {})
        if survey_text(row):
            reason = value_of(row, "screening_reason")
            conditions = [fact("survey_quick_payback")] if value_of(row, "quick_payback") else []
            conditions += [fact("survey", text=str(reason))] if reason else []
            several = len(records.names) > 1
            of_retrofit = fact("survey_of", retrofit=catalogue.title(name), what=tuple(conditions))
            to_look_at += [of_retrofit] if several else conditions
    return tuple(to_look_at)


def _money(value: float) -> float:
    return round(float(value), 2) + 0.0  # no -0.0
