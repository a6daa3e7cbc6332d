"""What one retrofit is worth on the sites of a cohort: energy, bills, costs, cash flow, net present value."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, fields, replace
from functools import partial
from operator import attrgetter
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from aftersun.host.assumed import assumed
from aftersun.host.guard import Guard
from aftersun.host.registry import Loaded
from aftersun.model.change import Change
from aftersun.model.errors import AftersunError
from aftersun.model.plant import Plant
from aftersun.model.ranges import Assumed, Bools, Floats
from aftersun.money import measures
from aftersun.money.cash_flow import CashFlow, owner_cash_flow, study_years
from aftersun.money.company import Company
from aftersun.money.prices import Prices, Visit
from aftersun.money.tariffs import Bill
from aftersun.scoring.value import words
from aftersun.scoring.value.simulations import GAINS, NO_MONTHS, Baseline, Months, Rows, Simulations, only_where

_PICKED = ("npv", "sir", "simple_payback", "discounted_payback", "remarks", "variant")


@dataclass(frozen=True, eq=False)
class Valuation:
    """A retrofit valued on sites that may have it; arrays of shape (S,).

    ``gain_kwh`` is that of the year in which the effect is fullest. ``variant`` is the label of the change that was
    taken of each site, "" where there was only one. ``items`` are the rows of what it takes to show, ``visit`` is the
    company's side of the first visit; both are empty where nobody asked for them. ``months`` are empty where the year
    was reckoned, not simulated.
    """

    site_ids: pd.Index
    gain_kwh: Mapping[str, Floats]
    years: Floats
    flow: CashFlow
    items: pd.DataFrame
    visit: Visit
    npv: Floats
    sir: Floats
    simple_payback: Floats
    discounted_payback: Floats
    discount_rate: float
    remarks: npt.NDArray[np.object_]
    variant: npt.NDArray[np.object_]
    months: Months

    def take(self, rows: Rows) -> Valuation:
        """Return the sites at these positions, without the rows of what it takes."""
        return replace(
            self,
            site_ids=self.site_ids[rows],
            gain_kwh={name: values[rows] for name, values in self.gain_kwh.items()},
            years=self.years[rows],
            flow=self.flow.take(rows),
            items=_NO_ITEMS,
            visit=_NO_VISIT,
            months=self.months[rows] if len(self.months) else self.months,
            **{name: getattr(self, name)[rows] for name in _PICKED},
        )

    @property
    def saving(self) -> Floats:
        """Present value of what it saves in bills, (S,)."""
        return measures.npv(self.discount_rate, self.flow.saving)

    @property
    def avoided(self) -> Floats:
        """Present value of the work and risk that it avoids, (S,)."""
        return measures.npv(self.discount_rate, self.flow.avoided)

    @property
    def cost(self) -> Floats:
        """Present value of what is paid for it, at once and later, (S,)."""
        return measures.npv(self.discount_rate, self.flow.upfront + self.flow.yearly_cost)

    def cash_rows(self, where: Bools) -> pd.DataFrame:
        """Return the cash flow of the sites ``where``, one row a year."""
        rows = np.flatnonzero(where)
        return cash_rows(self.site_ids[rows], self.flow.take(rows), self.years[rows], self.discount_rate)


def cash_rows(site_ids: pd.Index, flow: CashFlow, years: Floats, discount_rate: float) -> pd.DataFrame:
    """Return cash flows over the years that they last, one row a site and year."""
    count = flow.net.shape[1]
    year = np.tile(np.arange(count), len(site_ids))
    names = ("saving", "yearly_cost", "avoided", "upfront", "net")
    frame = pd.DataFrame(
        {
            "site_id": np.repeat(site_ids.to_numpy(), count),
            "year": year,
            **{name: getattr(flow, name).ravel() for name in names},
        }
    )
    frame["discounted"] = frame["net"] / (1.0 + discount_rate) ** year
    return frame[frame["year"] <= np.repeat(years, count)].reset_index(drop=True)


def evaluate(
    now: Baseline,
    loaded: Loaded,
    company: Company,
    guard: Guard,
    assume: Assumed | None = None,
    simulations: Simulations | None = None,
    itemised: bool = True,
    known_change: Change | None = None,
) -> Valuation | None:
    """Return what a retrofit is worth on these sites, the best of its variants on each, or None if it failed.

    ``assume`` stands in for the values in force; ``simulations`` of the same sites saves what was simulated before;
    without ``itemised`` the rows of what it takes are left out, which is most of the work. ``known_change`` is what the
    retrofit has answered to the same question before.
    """
    retrofit = loaded.retrofit
    values = assumed(retrofit, company.overrides(loaded.id), company.priors) if assume is None else assume
    change = guard.change(loaded, now.cohort, now.plant, values) if known_change is None else known_change
    if change is None:
        return None
    life = values.get("life_years", retrofit.about.life.mode)
    known = Simulations(now) if simulations is None else simulations
    try:
        first = _valued(now, change, life, company, known, itemised)
        others = _priced(now, change.alternatives, life, company, known, itemised, change.plant)
    except AftersunError as error:
        guard.fail(loaded, "price", f"{error} {error.hint}")
        return None
    except ValueError as error:
        guard.fail(loaded, "cash flow", str(error))
        return None
    return _best([first, *others.values()], [change.available, *(one.available for one in others)]) if others else first


def _priced(
    now: Baseline,
    alternatives: Sequence[Change],
    life_years: float,
    company: Company,
    simulations: Simulations,
    itemised: bool,
    first: Plant,
) -> dict[Change, Valuation]:
    """Value the alternatives; one that the company has no price for is not on offer."""
    found = {}
    for change in alternatives:
        plant = only_where(now.cohort, change.available, change.plant, first)
        with suppress(AftersunError):
            here = replace(change, plant=plant)
            found[change] = _valued(now, here, life_years, company, simulations, itemised)
    return found


def bills_to_flow(
    now: Baseline,
    change: Change,
    bills: tuple[Bill, Bill],
    years: Floats,
    company: Company,
    prices: Prices,
    paid: Floats | None = None,
) -> CashFlow:
    """Return the owner's cash flow of a change from the bills before and after it; ``paid`` (S, Y+1) or nothing."""
    before, after = bills
    yearly_cost, avoided = prices.yearly(change.yearly)
    return owner_cash_flow(
        before.electricity - after.electricity,
        first_year_fuel_saving=before.water_fuel_cost - after.water_fuel_cost,
        fade=change.fade,
        ageing_per_year=now.plant.ageing_per_year,
        price_growth=company.money.electricity_price_growth,
        fuel_price_growth=company.money.fuel_price_growth,
        yearly_cost=yearly_cost,
        avoided=avoided,
        upfront=0.0 if paid is None else paid[:, 0],
        later=0.0 if paid is None else paid,
        years=years,
        horizon_years=company.money.horizon_years,
    )


def _valued(
    now: Baseline, change: Change, life_years: float, company: Company, simulations: Simulations, itemised: bool
) -> Valuation:
    """Value one variant on all sites."""
    cohort = now.cohort
    after, prices = simulations.of(change.plant), simulations.prices(company)
    paid = prices.once(change.costs, company.money.horizon_years)
    years = study_years(company.money.horizon_years, life_years, now.remaining_years)
    flow = bills_to_flow(now, change, (now.bill, after.bill), years, company, prices, paid)
    size = len(cohort)
    rate = company.money.real_discount_rate
    first = flow.upfront[:, 0]
    afterwards = flow.operating[:, 1:] - flow.upfront[:, 1:]
    fullest = 1.0 if change.fade is None else change.fade.max(axis=-1)
    return Valuation(
        site_ids=cohort.sites.index,
        gain_kwh={name: (after.yearly_kwh[name] - now.yearly_kwh[name]) * fullest for name in GAINS},
        years=years,
        flow=flow,
        items=_items(change, prices, years) if itemised else _NO_ITEMS,
        visit=prices.first_visit(change.costs) if itemised else _NO_VISIT,
        npv=measures.npv(rate, flow.net),
        sir=measures.savings_to_investment_ratio(measures.npv(rate, flow.operating), measures.npv(rate, flow.upfront)),
        simple_payback=measures.simple_payback(first, flow.operating[:, 1]),
        discounted_payback=measures.discounted_payback(rate, first, afterwards),
        discount_rate=rate,
        remarks=np.full(size, "", dtype=object) if change.remarks is None else change.remarks,
        variant=np.full(size, change.label, dtype=object),
        months=after.months,
    )


def _best(variants: Sequence[Valuation], available: Sequence[Bools | None]) -> Valuation:
    """Return of each site the variant of the highest net present value; the first of equal ones."""
    worth = [
        one.npv if where is None else np.where(where, one.npv, -np.inf)
        for one, where in zip(variants, available, strict=True)
    ]
    choice = np.argmax(worth, axis=0)
    row = np.arange(len(choice))

    def of(values: Callable[[Valuation], npt.NDArray[Any]]) -> npt.NDArray[Any]:
        picked: npt.NDArray[Any] = np.stack([values(one) for one in variants])[choice, row]
        return picked

    first = variants[0]
    chosen = pd.Series(choice, index=first.site_ids)
    items = [one.items[one.items["site_id"].map(chosen).to_numpy() == turn] for turn, one in enumerate(variants)]
    return Valuation(
        site_ids=first.site_ids,
        gain_kwh={name: of(partial(_gain, name)) for name in GAINS},
        years=first.years,
        flow=CashFlow(**{column.name: of(attrgetter(f"flow.{column.name}")) for column in fields(CashFlow)}),
        items=pd.concat(items, ignore_index=True),
        visit=Visit.chosen([one.visit for one in variants], choice),
        discount_rate=first.discount_rate,
        months=of(attrgetter("months")) if all(len(one.months) for one in variants) else NO_MONTHS,
        **{name: of(attrgetter(name)) for name in _PICKED},
    )


def _gain(name: str, worth: Valuation) -> Floats:
    return worth.gain_kwh[name]


ITEM_COLUMNS = ["site_id", "kind", "item", "quantity", "unit", "unit_cost", "cost", "price", "note", "in_year"]
_NO_VISIT = Visit({}, {}, {})
_NO_ITEMS = pd.DataFrame(columns=ITEM_COLUMNS)


def _items(change: Change, prices: Prices, years: Floats) -> pd.DataFrame:
    """Return what it takes and saves, line by line; of later visits those that are paid for."""
    once = prices.rows(change.costs)
    once = once[once["in_year"].to_numpy() < np.maximum(years, 1)[once["site"].to_numpy()]]
    yearly = prices.yearly_rows(change.yearly)
    again = [f"after {year} years" if year else "" for year in once["in_year"]]
    once = once.assign(note=[words.join(when, note) for when, note in zip(again, once["note"], strict=True)])
    yearly = yearly.assign(note=[words.join(words.EVERY_YEAR, note) for note in yearly["note"]])
    both = pd.concat([once, yearly], ignore_index=True)
    items: pd.DataFrame = both[ITEM_COLUMNS]
    return items
