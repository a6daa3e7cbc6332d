"""What one retrofit is worth on the sites of a cohort: energy, bills, costs, cash flow, net present value."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, fields, replace
from functools import partial
from operator import attrgetter
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

import aftersun_datasets
from aftersun.energy.balance import simulate
from aftersun.energy.fitted_baseline import FittedBaseline, fitted_baseline
from aftersun.host.assumed import assumed
from aftersun.host.guard import Guard
from aftersun.host.registry import Loaded
from aftersun.model.change import Change
from aftersun.model.cohort import Cohort
from aftersun.model.errors import AftersunError
from aftersun.model.plant import PER_ARRAY, Plant, level_of
from aftersun.model.ranges import Assumed, Bools, Floats
from aftersun.money import measures, prices
from aftersun.money.cash_flow import CashFlow, owner_cash_flow, remaining_life, study_years
from aftersun.money.company import Company
from aftersun.money.tariffs import Bill, yearly_bill
from aftersun.money.totals import Totals
from aftersun.money.travel import trip
from aftersun.scoring import words

Rows = npt.NDArray[np.intp]

GAINS = ("generated", "to_water", "water_backup")
_PICKED = ("npv", "sir", "simple_payback", "discounted_payback", "remarks", "variant")


@dataclass(frozen=True, eq=False)
class Today:
    """A cohort as it stands: plant, energy, bill, and the years left (S,).

    ``yearly_kwh`` has the sums of the energy balance by the names of its columns; the hours are not kept.
    """

    cohort: Cohort
    plant: Plant
    yearly_kwh: Mapping[str, Floats]
    bill: Bill
    remaining_years: Floats
    remaining_assumed: Bools
    within_reach: Bools
    yield_sd: Floats  # standard deviation of the yield over the years, beyond what all sites share; share
    yield_sd_shared: float

    def take(self, rows: Rows) -> Today:
        """Return the sites at these positions."""
        return Today(
            self.cohort.take(rows),
            self.plant.take(rows, self.cohort.array_rows(rows)),
            {name: kwh[rows] for name, kwh in self.yearly_kwh.items()},
            self.bill.take(rows),
            self.remaining_years[rows],
            self.remaining_assumed[rows],
            self.within_reach[rows],
            self.yield_sd[rows],
            self.yield_sd_shared,
        )


@dataclass(frozen=True, eq=False)
class Simulated:
    """What a plant does in a year: sums of its energy, kWh (S,) by name, and the bill."""

    plant: Plant
    yearly_kwh: Mapping[str, Floats]
    bill: Bill


class Simulations:
    """Simulates plants of one cohort, each distinct one once, and adds up prices; the hours are not kept."""

    def __init__(self, now: Today) -> None:
        self._now, self._cohort = now, now.cohort
        self.known = [Simulated(now.plant, {name: now.yearly_kwh[name] for name in GAINS}, now.bill)]
        self._totals: tuple[Company, Totals] | None = None

    def of(self, plant: Plant) -> Simulated:
        """Return the year of this plant."""
        for known in self.known:
            if same_plant(plant, known.plant):
                return known
        self.known.append(self._where_new(plant))
        return self.known[-1]

    def _where_new(self, plant: Plant) -> Simulated:
        """Simulate the sites whose plant is not that of a known one; a site's year never depends on the others."""
        size = len(self._now.cohort)
        source = np.full(size, -1)
        for place, known in enumerate(self.known):
            source[(source < 0) & alike(self._now.cohort, plant, known.plant)] = place
        rows = np.flatnonzero(source < 0)
        if len(rows) == size:
            return self.anew(plant)
        few = Simulations(self._now.take(rows)).anew(plant.take(rows, self._now.cohort.array_rows(rows)))

        def merged(values: Callable[[Simulated], npt.NDArray[Any]]) -> npt.NDArray[Any]:
            result = values(self.known[0]).copy()
            for place, known in enumerate(self.known):
                result[source == place] = values(known)[source == place]
            result[rows] = values(few)
            return result

        kwh = {name: merged(partial(_kwh, name)) for name in GAINS}
        bill = Bill(**{column.name: merged(attrgetter(f"bill.{column.name}")) for column in fields(Bill)})
        return Simulated(plant, kwh, bill)

    def anew(self, plant: Plant) -> Simulated:
        """Simulate a plant, known or not."""
        energy = simulate(self._cohort, plant)
        bill = yearly_bill(energy, self._cohort.sites, self._cohort.weather.times)
        return Simulated(plant, {name: energy.annual(name) for name in GAINS}, bill)

    def totals(self, company: Company) -> Totals:
        """Return the company's prices at these sites."""
        if self._totals is None or self._totals[0] is not company:
            self._totals = company, Totals(self._cohort.sites, company)
        return self._totals[1]


def _kwh(name: str, year: Simulated) -> Floats:
    return year.yearly_kwh[name]


def alike(cohort: Cohort, plant: Plant, other: Plant, but_for: Collection[str] = ()) -> Bools:
    """Tell which sites have the same columns in both plants, apart from some."""
    same = np.ones(len(cohort), dtype=bool)
    for column in fields(Plant):
        mine, its = getattr(plant, column.name), getattr(other, column.name)
        if mine is its or column.name in but_for:
            continue
        differs = mine != its
        same &= ~(cohort.sum_by_site(differs) > 0 if level_of(column.name) == PER_ARRAY else differs)
    return same


def only_where(cohort: Cohort, where: Bools | None, plant: Plant, other: Plant) -> Plant:
    """Return the plant at the sites ``where`` (None = everywhere), the other elsewhere."""
    if where is None or plant is other:
        return plant
    of_arrays = where[cohort.arrays["site"].to_numpy(dtype=np.intp)]
    columns = {}
    for column in fields(Plant):
        mine, its = getattr(plant, column.name), getattr(other, column.name)
        mask = of_arrays if level_of(column.name) == PER_ARRAY else where
        columns[column.name] = mine if mine is its else np.where(mask, mine, its)
    return Plant(**columns)


def same_plant(plant: Plant, other: Plant) -> bool:
    """Tell whether all columns are equal."""
    columns = [(getattr(plant, column.name), getattr(other, column.name)) for column in fields(Plant)]
    return all(mine is its or np.array_equal(mine, its) for mine, its in columns)


@dataclass(frozen=True, eq=False)
class Worth:
    """A retrofit valued on sites that may have it; arrays of shape (S,).

    ``gain_kwh`` is that of the year in which the effect is fullest. ``variant`` is the label of the change that was
    taken of each site, "" where there was only one.
    """

    site_ids: pd.Index
    gain_kwh: Mapping[str, Floats]
    years: Floats
    flow: CashFlow
    items: pd.DataFrame
    npv: Floats
    sir: Floats
    simple_payback: Floats
    discounted_payback: Floats
    discount_rate: float
    remarks: npt.NDArray[np.object_]
    variant: npt.NDArray[np.object_]

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
        count = self.flow.net.shape[1]
        year = np.tile(np.arange(count), rows.size)
        table = {
            "site_id": np.repeat(self.site_ids.to_numpy()[rows], count),
            "year": year,
            **{
                name: getattr(self.flow, name)[rows].ravel()
                for name in ("saving", "yearly_cost", "avoided", "upfront", "net")
            },
        }
        frame = pd.DataFrame(table)
        frame["discounted"] = frame["net"] / (1.0 + self.discount_rate) ** year
        return frame[frame["year"] <= np.repeat(self.years[rows], count)].reset_index(drop=True)


def today(cohort: Cohort, company: Company, readings: pd.DataFrame) -> tuple[Today, FittedBaseline]:
    """Simulate a cohort as it stands, corrected by its meter readings, and take its bill."""
    fit = fitted_baseline(cohort, readings)
    cohort, plant, energy = fit.cohort, fit.plant, fit.energy
    planned = cohort.sites["remaining_life_years"].to_numpy(dtype=np.float64, na_value=np.nan)
    years, assumed_life = remaining_life(planned, cohort.years_since(cohort.sites["commissioned_on"]), company)
    way = trip(cohort.sites["latitude"].to_numpy(float), cohort.sites["longitude"].to_numpy(float), company)
    bill = yearly_bill(energy, cohort.sites, cohort.weather.times)
    yearly_kwh = {column.name: energy.annual(column.name) for column in fields(energy)}
    own, shared = yield_sd(fit.cohort)
    return Today(cohort, plant, yearly_kwh, bill, years, assumed_life, way.within_reach, own, shared), fit


def yield_sd(cohort: Cohort) -> tuple[Floats, float]:
    """Return the standard deviation of the yield of each site over the years, and that which all sites share.

    Both as shares. Where meters have corrected the model, their own error stands instead of the model's.
    """
    rows = {row["name"]: float(row["mode"]) for row in aftersun_datasets.rows("weather_uncertainty.csv")}
    total, shared = rows["yield_over_life"], rows["yield_shared"]
    own = np.full(len(cohort), np.sqrt(total**2 - shared**2))
    if "meter_factor_se" in cohort.sites:
        measured = cohort.sites["meter_factor_se"].to_numpy(dtype=np.float64, na_value=np.nan)
        own = np.where(np.isnan(measured), own, np.minimum(measured, own))
    return own, shared


def evaluate(
    now: Today,
    loaded: Loaded,
    company: Company,
    guard: Guard,
    assume: Assumed | None = None,
    simulations: Simulations | None = None,
    itemised: bool = True,
) -> Worth | None:
    """Return what a retrofit is worth on these sites, the best of its variants on each, or None if it failed.

    ``assume`` stands in for the values in force; ``simulations`` of the same sites saves what was simulated before;
    without ``itemised`` the rows of what it takes are left out, which is most of the work.
    """
    retrofit = loaded.retrofit
    values = assumed(retrofit, company.overrides(loaded.id), company.priors) if assume is None else assume
    change = guard.change(loaded, now.cohort, now.plant, values)
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
    now: Today,
    alternatives: Sequence[Change],
    life_years: float,
    company: Company,
    simulations: Simulations,
    itemised: bool,
    first: Plant,
) -> dict[Change, Worth]:
    """Value the alternatives; one that the company has no price for is not on offer."""
    found = {}
    for change in alternatives:
        plant = only_where(now.cohort, change.available, change.plant, first)
        with suppress(AftersunError):
            here = replace(change, plant=plant)
            found[change] = _valued(now, here, life_years, company, simulations, itemised)
    return found


def bills_to_flow(
    now: Today,
    change: Change,
    bills: tuple[Bill, Bill],
    years: Floats,
    company: Company,
    totals: Totals,
    paid: Floats | None = None,
) -> CashFlow:
    """Return the owner's cash flow of a change from the bills before and after it; ``paid`` (S, Y+1) or nothing."""
    before, after = bills
    yearly_cost, avoided = totals.yearly(change.yearly)
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
    now: Today, change: Change, life_years: float, company: Company, simulations: Simulations, itemised: bool
) -> Worth:
    """Value one variant on all sites."""
    cohort = now.cohort
    after, totals = simulations.of(change.plant), simulations.totals(company)
    paid = totals.once(change.costs, company.money.horizon_years)
    years = study_years(company.money.horizon_years, life_years, now.remaining_years)
    flow = bills_to_flow(now, change, (now.bill, after.bill), years, company, totals, paid)
    size = len(cohort)
    rate = company.money.real_discount_rate
    first = flow.upfront[:, 0]
    afterwards = flow.operating[:, 1:] - flow.upfront[:, 1:]
    fullest = 1.0 if change.fade is None else change.fade.max(axis=-1)
    return Worth(
        site_ids=cohort.sites.index,
        gain_kwh={name: (after.yearly_kwh[name] - now.yearly_kwh[name]) * fullest for name in GAINS},
        years=years,
        flow=flow,
        items=_items(change, cohort, company, years) if itemised else _NO_ITEMS,
        npv=measures.npv(rate, flow.net),
        sir=measures.savings_to_investment_ratio(measures.npv(rate, flow.operating), measures.npv(rate, flow.upfront)),
        simple_payback=measures.simple_payback(first, flow.operating[:, 1]),
        discounted_payback=measures.discounted_payback(rate, first, afterwards),
        discount_rate=rate,
        remarks=np.full(size, "", dtype=object) if change.remarks is None else change.remarks,
        variant=np.full(size, change.label, dtype=object),
    )


def _best(variants: Sequence[Worth], available: Sequence[Bools | None]) -> Worth:
    """Return of each site the variant of the highest net present value; the first of equal ones."""
    worth = [
        one.npv if where is None else np.where(where, one.npv, -np.inf)
        for one, where in zip(variants, available, strict=True)
    ]
    choice = np.argmax(worth, axis=0)
    row = np.arange(len(choice))

    def of(values: Callable[[Worth], npt.NDArray[Any]]) -> npt.NDArray[Any]:
        picked: npt.NDArray[Any] = np.stack([values(one) for one in variants])[choice, row]
        return picked

    first = variants[0]
    chosen = pd.Series(choice, index=first.site_ids)
    items = [one.items[one.items["site_id"].map(chosen).to_numpy() == turn] for turn, one in enumerate(variants)]
    return Worth(
        site_ids=first.site_ids,
        gain_kwh={name: of(partial(_gain, name)) for name in GAINS},
        years=first.years,
        flow=CashFlow(**{column.name: of(attrgetter(f"flow.{column.name}")) for column in fields(CashFlow)}),
        items=pd.concat(items, ignore_index=True),
        discount_rate=first.discount_rate,
        **{name: of(attrgetter(name)) for name in _PICKED},
    )


def _gain(name: str, worth: Worth) -> Floats:
    return worth.gain_kwh[name]


_ITEM_COLUMNS = ["site_id", "kind", "item", "quantity", "unit", "unit_cost", "cost", "price", "note", "in_year"]
_NO_ITEMS = pd.DataFrame(columns=_ITEM_COLUMNS)


def _items(change: Change, cohort: Cohort, company: Company, years: Floats) -> pd.DataFrame:
    """Return what it takes and saves, line by line; of later visits those that are paid for."""
    once = prices.price_lines(change.costs, cohort.sites, company)
    once = once[once["in_year"].to_numpy() < np.maximum(years, 1)[once["site"].to_numpy()]]
    yearly = prices.price_yearly(change.yearly, cohort.sites, company)
    again = [f"after {year} years" if year else "" for year in once["in_year"]]
    once = once.assign(note=[words.join(when, note) for when, note in zip(again, once["note"], strict=True)])
    yearly = yearly.assign(note=[words.join(words.EVERY_YEAR, note) for note in yearly["note"]])
    both = pd.concat([once, yearly], ignore_index=True)
    items: pd.DataFrame = both[_ITEM_COLUMNS]
    return items
