"""What one retrofit is worth on the sites of a cohort: energy, bills, costs, cash flow, net present value."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from aftersun.host.assumed import assumed
from aftersun.host.guard import Guard
from aftersun.host.registry import Loaded
from aftersun.inventory.store.tables import RUN_TABLES
from aftersun.model.change import ACCESS, AT_END, GAIN_KINDS, Change, CostLine
from aftersun.model.cohort import Cohort
from aftersun.model.errors import AftersunError
from aftersun.model.new_arrays import places_of, widened_change
from aftersun.model.ranges import Assumed, Bools, Floats
from aftersun.model.records import choose, take
from aftersun.money import measures
from aftersun.money.cash_flow import CashFlow, owner_cash_flow, study_years
from aftersun.money.company import Company
from aftersun.money.prices import Prices, Visit
from aftersun.money.tariffs import Bill
from aftersun.scoring.value.simulations import GAINS, NO_MONTHS, Baseline, Months, Rows, Simulations, only_where


def values_of(loaded: Loaded, company: Company) -> Assumed:
    """Return a retrofit's assumptions with the company's own values in force."""
    return assumed(loaded.retrofit, company.overrides(loaded.id), company.priors, company.prices)


@dataclass(frozen=True, eq=False)
class Case:
    """A retrofit on sites that may have it, and what it takes to value it there."""

    loaded: Loaded
    baseline: Baseline
    simulations: Simulations  # of the same sites
    company: Company
    guard: Guard
    chosen: npt.NDArray[np.object_] | None = None  # label of the variant that each site has taken, None = the best
    bill_factors: Mapping[str, Floats] = field(default_factory=dict)  # on parts of the bills, by name, each (S,)

    @property
    def assumed(self) -> Assumed:
        """The retrofit's assumptions with the values in force."""
        return values_of(self.loaded, self.company)

    def take(self, rows: Rows) -> Case:
        """Return the sites at these positions."""
        chosen = None if self.chosen is None else self.chosen[rows]
        factors = {name: factor[rows] for name, factor in self.bill_factors.items()}
        part, simulations = self.baseline.take(rows), self.simulations.take(rows)
        return replace(self, baseline=part, simulations=simulations, chosen=chosen, bill_factors=factors)

    def billed(self, bill: Bill) -> Bill:
        """Return a bill of the sites with the factors in force."""
        scaled: dict[str, Any] = {name: getattr(bill, name) * factor for name, factor in self.bill_factors.items()}
        return replace(bill, **scaled)


@dataclass(frozen=True, eq=False)
class Parts:
    """Present values (S,) of what a retrofit saves in bills, avoids of work and risk, and costs.

    ``if_found`` is the part of the cost that is paid only where a finding is worth it, and all gain comes with it; 0
    where there are no two stages.
    """

    saving: Floats
    avoided: Floats
    cost: Floats
    if_found: Floats

    @property
    def gain(self) -> Floats:
        """What is saved and avoided, (S,)."""
        return self.saving + self.avoided

    @property
    def npv(self) -> Floats:
        """Net present value, a second stage left that would cost more than it gains, (S,)."""
        return self.gain - self.cost + left_undone(self.gain, self.if_found)


def left_undone(gain: Floats, if_found: Floats) -> Floats:
    """Return what is saved by leaving a second stage undone that would cost more than it gains, shape as broadcast."""
    return np.where(if_found > 0, np.maximum(if_found - gain, 0.0), 0.0)


@dataclass(frozen=True, eq=False)
class Valuation:
    """A retrofit valued on sites that may have it; arrays of shape (S,).

    ``gain_kwh`` is that of the year in which the effect is fullest. ``variant`` is the label of the change that was
    taken of each site, "" where there was only one. ``items`` are the rows of what it takes to show, ``visit`` is the
    company's side of the first visit; both are empty where nobody asked for them. ``yearly_margin`` is the present
    value of what the company adds to its own cost of yearly charges, ``if_found`` that of what is paid once only if a
    finding is worth it. ``months`` are empty where the year was reckoned,
    not simulated.
    """

    site_ids: pd.Index
    gain_kwh: Mapping[str, Floats]
    years: Floats
    flow: CashFlow
    discount_rate: float
    items: pd.DataFrame
    visit: Visit
    yearly_margin: Floats
    remarks: npt.NDArray[np.object_]
    variant: npt.NDArray[np.object_]
    months: Months
    if_found: Floats

    @cached_property
    def npv(self) -> Floats:
        """Net present value of all that is done, a second stage too whatever it is worth, (S,)."""
        return measures.npv(self.discount_rate, self.flow.net)

    @cached_property
    def sir(self) -> Floats:
        """Savings-to-investment ratio, (S,), NaN where nothing is invested."""
        gains, prices = (measures.npv(self.discount_rate, part) for part in (self.flow.operating, self.flow.upfront))
        return measures.savings_to_investment_ratio(gains, prices)

    @cached_property
    def simple_payback(self) -> Floats:
        """Years, (S,), NaN = never, or nothing is paid at once and charges are paid every year."""
        return self._unless_charged(measures.simple_payback(self._at_once, self._afterwards))

    @cached_property
    def discounted_payback(self) -> Floats:
        """Years, (S,), NaN as in :attr:`simple_payback`."""
        return self._unless_charged(measures.discounted_payback(self.discount_rate, self._at_once, self._afterwards))

    @property
    def _at_once(self) -> Floats:
        """What is paid at once, less what is gained then, (S,)."""
        return self.flow.upfront[:, 0] - self.flow.operating[:, 0]

    def _unless_charged(self, payback: Floats) -> Floats:
        return np.where((self._at_once <= 0) & (self.flow.yearly_cost > 0).any(axis=1), np.nan, payback)

    @cached_property
    def ended(self) -> Floats:
        """Present value of what it would save besides if today's export rule and support never ended, (S,)."""
        return measures.npv(self.discount_rate, self.flow.ended)

    @property
    def _afterwards(self) -> Floats:
        """What is left of each year after the first visit, (S, Y)."""
        return self.flow.operating[:, 1:] - self.flow.upfront[:, 1:]

    @cached_property
    def parts(self) -> Parts:
        """Present values of what it saves and avoids, and of what is paid for it at once and later."""
        flow, rate = self.flow, self.discount_rate
        paid = flow.upfront + flow.yearly_cost
        saving, avoided, cost = (measures.npv(rate, part) for part in (flow.saving, flow.avoided, paid))
        return Parts(saving, avoided, cost, self.if_found)

    def expecting(self, npv: Floats) -> Valuation:
        """Return the valuation with a cash flow that comes to this net present value, (S,)."""
        flow = coming_to(npv, self.flow, self.years, self.discount_rate)
        return replace(self, flow=flow, if_found=np.zeros_like(npv))

    @property
    def heats_water(self) -> Bools:
        """Where it changes what the water is heated with, (S,)."""
        return np.asarray((self.gain_kwh["to_water"] != 0) | (self.gain_kwh["water_backup"] != 0))

    def cash_rows(self, where: Bools) -> pd.DataFrame:
        """Return the cash flow of the sites ``where``, one row a year."""
        rows = np.flatnonzero(where)
        return cash_rows(self.site_ids[rows], take(rows, self.flow), self.years[rows], self.discount_rate)


def coming_to(npv: Floats, flow: CashFlow, years: Floats, discount_rate: float) -> CashFlow:
    """Return a cash flow whose savings and avoided costs are scaled so that it comes to this net present value, (S,).

    Where nothing is gained there is nothing to scale: what is missing is spread evenly over the ``years``.
    """
    gain = measures.npv(discount_rate, flow.saving + flow.avoided)
    wanted = npv + measures.npv(discount_rate, flow.upfront + flow.yearly_cost)
    scales = (gain > 0) & (wanted > 0)
    factor = np.where(scales, wanted / np.where(scales, gain, 1.0), 1.0)[:, np.newaxis]
    scaled = replace(flow, saving=flow.saving * factor, avoided=flow.avoided * factor, ended=flow.ended * factor)
    missing = np.where(scales, 0.0, npv - measures.npv(discount_rate, scaled.net))
    year = np.arange(flow.net.shape[1])
    counted = (year >= 1) & (year <= np.maximum(years, 1)[:, np.newaxis])
    a_year = missing / measures.npv(discount_rate, counted.astype(np.float64))
    return replace(scaled, avoided=scaled.avoided + counted * a_year[:, np.newaxis])


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
    case: Case, assume: Assumed | None = None, itemised: bool = False, known_change: Change | None = None
) -> Valuation | None:
    """Return what a retrofit is worth on these sites, the best of its variants on each, or None if it failed.

    ``assume`` stands in for the values in force. ``itemised`` adds what it takes, which is most of the work.
    ``known_change`` is what the retrofit has answered to the same question before.
    """
    values = case.assumed if assume is None else assume
    change = known_change
    if change is None:
        change = case.guard.change(case.loaded, case.baseline.cohort, case.baseline.plant, values)
    if change is None:
        return None
    places = places_of(change, len(case.baseline.cohort))
    if places:
        change = widened_change(case.baseline.cohort, change, places)
        wider = case.simulations.wider(places)
        case = replace(case, baseline=wider.baseline, simulations=wider)
    if case.chosen is not None and change.alternatives:
        change = as_chosen(change, case.chosen, case.baseline.cohort, case.company)
    life = values.get("life_years", case.loaded.retrofit.about.life.mode)
    try:
        variants, available = [_valued(case, change, life, itemised)], [change.available]
        for other in change.alternatives:
            plant = only_where(case.baseline.cohort, other.available, other.plant, change.plant)
            with suppress(AftersunError):  # one that the company has no price for is not on offer
                variants.append(_valued(case, replace(other, plant=plant, today=change.today), life, itemised))
                available.append(other.available)
    except AftersunError as error:
        case.guard.fail(case.loaded, "price", f"{error} {error.hint}")
        return None
    except ValueError as error:
        case.guard.fail(case.loaded, "cash flow", str(error))
        return None
    return _best(variants, available) if len(variants) > 1 else variants[0]


def as_chosen(change: Change, label: npt.NDArray[np.object_], cohort: Cohort, company: Company) -> Change:
    """Merge a change and its alternatives to one that is, at each site, the one of that label."""
    # which ones have a price does not depend on the sites: sums of a site are the same bits alone and among others
    options = [one for one in (change, *change.alternatives) if _has_prices(one, company)]
    masks = [label == option.label for option in options]
    plant, costs, yearly = change.plant, list[CostLine](), list[CostLine]()
    life = np.zeros(len(label))
    for option, mask in zip(options, masks, strict=True):
        plant = only_where(cohort, mask, option.plant, plant)
        costs += [replace(line, quantity=line.quantity * mask) for line in option.costs]
        yearly += [replace(line, quantity=line.quantity * mask) for line in option.yearly]
        life = life if option.plant_life_years is None else np.where(mask, option.plant_life_years, life)
    longer = any(option.plant_life_years is not None for option in options)
    fade, kept_years = _fade(options, masks, len(label)), life if longer else None
    return Change(plant, costs, yearly, fade, plant_life_years=kept_years, today=change.today)


def _has_prices(option: Change, company: Company) -> bool:
    """Tell whether the company has a price for all that a variant takes; the way up goes by the company's rules."""
    try:
        for line in (*option.costs, *option.yearly):
            if line.kind != ACCESS:
                company.price_of(line.kind, line.item)
    except AftersunError:
        return False
    return True


def _fade(options: Sequence[Change], masks: Sequence[Bools], size: int) -> Floats | None:
    given = [one.fade for one in options if one.fade is not None]
    if not given:
        return None
    years = max(fade.shape[-1] for fade in given)
    merged = np.ones((size, years))
    for one, mask in zip(options, masks, strict=True):
        if one.fade is not None:
            merged[mask] = 0.0
            merged[mask, : one.fade.shape[-1]] = np.broadcast_to(one.fade, (size, one.fade.shape[-1]))[mask]
    return merged


def bills_to_flow(
    baseline: Baseline,
    change: Change,
    bills: tuple[Bill, Bill],
    years: Floats,
    company: Company,
    prices: Prices,
    paid: Floats | None = None,
    without: Bill | None = None,
) -> CashFlow:
    """Return the owner's cash flow of a change from the bills before and after it; ``paid`` (S, Y+1) or nothing.

    ``without`` is the bill without a PV system, where the change keeps it longer than it would be kept before.
    """
    before, after = bills
    left = baseline.ends.left(company.money.horizon_years)
    yearly_cost, gained = prices.yearly(change.yearly)
    lost_before, beyond = before.lost_by_ends(*left), np.zeros(1)
    if without is not None:
        there = np.arange(1, company.money.horizon_years + 1) <= np.floor(baseline.remaining_years)[:, np.newaxis]
        lost_before = np.where(there, lost_before, 0.0)
        dark = without.electricity - before.electricity + without.water_fuel_cost - before.water_fuel_cost
        beyond = np.where(there, 0.0, dark[:, np.newaxis])
    return owner_cash_flow(
        before.electricity - after.electricity,
        ended=after.lost_by_ends(*left) - lost_before,
        beyond=beyond,
        first_year_fuel_saving=before.water_fuel_cost - after.water_fuel_cost,
        fade=change.fade,
        ageing_per_year=baseline.plant.ageing_per_year,
        price_growth=company.money.electricity_price_growth,
        fuel_price_growth=company.money.fuel_price_growth,
        yearly_cost=yearly_cost,
        avoided=gained,
        gained_once=prices.once_gained(change.costs, company.money.horizon_years, years),
        upfront=0.0 if paid is None else paid[:, 0],
        later=0.0 if paid is None else paid,
        years=years,
        horizon_years=company.money.horizon_years,
    )


def _valued(case: Case, change: Change, life_years: float, itemised: bool) -> Valuation:
    """Value one variant on all sites."""
    baseline, company = case.baseline, case.company
    after, prices = case.simulations.of(change.plant), case.simulations.prices(company)
    kept_years = remaining_with(change, baseline)
    years = study_years(company.money.horizon_years, life_years, kept_years)
    longer = bool((kept_years > baseline.remaining_years).any())
    paid = prices.once(change.costs, company.money.horizon_years)
    before = case.simulations.of(baseline.plant if change.today is None else change.today)
    bills = case.billed(before.bill), case.billed(after.bill)
    size = len(baseline.cohort)
    fullest = 1.0 if change.fade is None else change.fade.max(axis=-1)
    return Valuation(
        site_ids=baseline.cohort.sites.index,
        gain_kwh={name: (after.yearly_kwh[name] - before.yearly_kwh[name]) * fullest for name in GAINS},
        years=years,
        flow=bills_to_flow(
            baseline,
            change,
            bills,
            years,
            company,
            prices,
            paid,
            case.billed(case.simulations.without_plant()) if longer else None,
        ),
        discount_rate=company.money.real_discount_rate,
        items=item_rows(change.costs, change.yearly, prices, years) if itemised else _NO_ITEMS,
        visit=prices.first_visit(change.costs) if itemised else _NO_VISIT,
        yearly_margin=margin_of_charges(change, years, company, prices),
        remarks=np.full(size, "", dtype=object) if change.remarks is None else change.remarks,
        variant=np.full(size, change.label, dtype=object),
        months=after.months,
        if_found=_paid_if_found(change, paid, prices, company),
    )


def _paid_if_found(change: Change, paid: Floats, prices: Prices, company: Company) -> Floats:
    """Return the present value of the part of what is ``paid`` (S, Y+1) that a finding decides on, (S,).

    The trip is paid whatever is found.
    """
    if not any(line.if_found for line in change.costs):
        return np.zeros(len(paid))
    # with the hours at nought, not left out, the same person drives
    first = [replace(line, quantity=line.quantity * (not line.if_found)) for line in change.costs]
    return measures.npv(company.money.real_discount_rate, paid - prices.once(first, company.money.horizon_years))


def remaining_with(change: Change, baseline: Baseline) -> Floats:
    """Return the years that the PV systems are kept with a change, (S,): no fewer than without."""
    given = change.plant_life_years
    return baseline.remaining_years if given is None else np.maximum(baseline.remaining_years, given)


def margin_of_charges(change: Change, years: Floats, company: Company, prices: Prices) -> Floats:
    """Return the present value of the company's margin on yearly charges, as long as a customer stays, (S,).

    The last part of a year that a customer stays counts as such a part. None is counted after the ``years`` (S,).
    """
    year = np.arange(1, company.money.horizon_years + 1)
    part = np.clip(np.minimum(years, company.calls.customer_years)[:, np.newaxis] - year + 1.0, 0.0, 1.0)
    factor = (part * measures.single_present_value(company.money.real_discount_rate, year)).sum(axis=1)
    return np.asarray(prices.yearly_margin(change.yearly) * factor)


def _best(variants: Sequence[Valuation], available: Sequence[Bools | None]) -> Valuation:
    """Return of each site the variant of the highest net present value; the first of equal ones."""
    npv = [
        variant.npv if where is None else np.where(where, variant.npv, -np.inf)
        for variant, where in zip(variants, available, strict=True)
    ]
    choice = np.argmax(npv, axis=0)

    names = ("gain_kwh", "years", "flow", "yearly_margin", "remarks", "variant", "if_found")
    parts = [{name: getattr(one, name) for name in names} for one in variants]
    chosen = choose(choice, *parts)
    at_site = pd.Series(choice, index=variants[0].site_ids)
    months = [variant.months for variant in variants]
    items = [
        variant.items[variant.items["site_id"].map(at_site).to_numpy() == position]
        for position, variant in enumerate(variants)
    ]
    return replace(
        variants[0],
        **chosen,
        items=pd.concat(items, ignore_index=True),
        visit=Visit.chosen(choice, [variant.visit for variant in variants]),
        months=choose(choice, *months) if all(len(of_variant) for of_variant in months) else NO_MONTHS,
    )


ITEM_COLUMNS = [name for name in RUN_TABLES["cost_item"].columns if name not in ("run_id", "retrofit")]
_NO_VISIT = Visit({}, {}, {}, {})
_NO_ITEMS = pd.DataFrame(columns=ITEM_COLUMNS)


def item_rows(costs: Sequence[CostLine], yearly: Sequence[CostLine], prices: Prices, years: Floats) -> pd.DataFrame:
    """Return what it takes and saves, line by line; of later visits those that are paid for."""
    once = prices.rows(costs)
    last, gain = years[once["site"].to_numpy()], once["kind"].isin(GAIN_KINDS).to_numpy()
    once["in_year"] = once["in_year"].where(once["in_year"] != AT_END, last.astype(np.int64))
    year = once["in_year"].to_numpy()
    once = once[np.where(gain, year <= last, year < np.maximum(last, 1))]
    both = pd.concat([once, prices.yearly_rows(yearly)], ignore_index=True)
    items: pd.DataFrame = both[ITEM_COLUMNS]
    return items
