"""Which of the numbers assumed moves the worth of a retrofit most: each alone at its low and at its high."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from aftersun.energy.baseline import FACTS_OF_TODAY, baseline
from aftersun.host.assumed import assumed
from aftersun.host.guard import Guard
from aftersun.host.registry import Loaded
from aftersun.model import tables
from aftersun.model.cohort import Cohort
from aftersun.model.plant import Plant
from aftersun.model.ranges import Bools, Fact, Floats, Range
from aftersun.money.company import Company
from aftersun.scoring.value.simulations import Baseline, Rows, Simulations
from aftersun.scoring.value.valuation import Valuation, evaluate

TRIANGULAR = "triangular"  # between low and high with its mode at the value used
NORMAL = "normal"  # low and high are the values exceeded with 90 % and 10 %
CHANCE = "chance"  # low = no, high = yes, the value used is the chance of yes

LIFE, YIELD, YIELD_OF_ALL = "life_of_the_pv_system", "yield", "yield_of_all_sites"
_YIELDS = {
    YIELD_OF_ALL: "Yield of all sites over that computed: what the model and the region's weather have in common",
    YIELD: "Yield of this site over that computed",
}
# Of what is assumed of every system, that which a retrofit acts on: its gain moves with it, the yield hardly does. With
# each the column of the plant that it sets.
DECIDE_ON_GAINS = {
    "soiling_rate_factor": "soiling_rate_per_day",
    "droppings_loss_nested": "droppings_loss",
    "excess_loss_chance": "excess_loss",
    "excess_loss_size": "excess_loss",
}
# Facts in numbers that may be unknown, and the assumption of ``system.csv`` that stands in for each.
UNKNOWN_NUMBERS = {"annual_demand_kwh": "unknown_demand_kwh", "occupants": "unknown_occupants"}
_MONEY = ("real_discount_rate", "electricity_price_growth", "fuel_price_growth")


@dataclass(frozen=True, eq=False)
class Parts:
    """Present values (S,) of what a retrofit saves in bills, avoids of work and risk, and costs."""

    saving: Floats
    avoided: Floats
    cost: Floats

    @classmethod
    def of(cls, worth: Valuation) -> Parts:
        """Take the parts of a worth."""
        return cls(worth.saving, worth.avoided, worth.cost)

    def take(self, rows: Rows) -> Parts:
        """Return those of the sites at these positions."""
        return Parts(self.saving[rows], self.avoided[rows], self.cost[rows])

    def put(self, rows: Rows, few: Parts) -> Parts:
        """Return these with those of a few sites in place of their own."""
        merged = {}
        for column in fields(Parts):
            values = getattr(self, column.name).copy()
            values[rows] = getattr(few, column.name)
            merged[column.name] = values
        return Parts(**merged)

    @property
    def gain(self) -> Floats:
        """What is saved and avoided, (S,)."""
        return self.saving + self.avoided

    @property
    def npv(self) -> Floats:
        """Net present value, (S,)."""
        return self.saving + self.avoided - self.cost


@dataclass(frozen=True, eq=False)
class Driver:
    """One number, and what S sites gain and pay over the years with it at its low and its high, all others as they are.

    ``shared`` numbers are the same for all customers: if one is wrong, it is wrong everywhere.
    """

    name: str
    unit: str
    low: float
    used: float
    high: float
    spread: str
    shared: bool
    at_low: Parts
    at_high: Parts
    meaning: str = ""


def drivers(
    now: Baseline, loaded: Loaded, company: Company, guard: Guard, base: Valuation, simulations: Simulations
) -> Iterator[Driver]:
    """Yield the drivers of one retrofit on sites that may have it: its own assumptions and facts, money, life, yield.

    ``base`` is what it is worth there. What the company has replaced still runs over its low and high: the company may
    be wrong too. A value at which the retrofit fails is left out; ``guard`` then says so.
    """
    yield from of_numbers(now, loaded, company, guard, simulations)
    yield from of_systems(now, loaded, company, guard, base, simulations)
    yield from of_facts_and_yield(now, loaded, company, guard, base, simulations)


def of_numbers(
    now: Baseline, loaded: Loaded, company: Company, guard: Guard, simulations: Simulations
) -> Iterator[Driver]:
    """Yield the retrofit's own assumptions, money, and the life of the system where it is assumed."""
    own = assumed(loaded.retrofit, company.overrides(loaded.id), company.priors)

    for name, given in loaded.retrofit.assumptions.items():
        if given.low < given.high:
            found = (
                evaluate(now, loaded, company, guard, own.with_value(name, end), simulations, itemised=False)
                for end in (given.low, given.high)
            )
            yield from _driver(name, given, own[name], TRIANGULAR, True, *found)
    change = guard.change(loaded, now.cohort, now.plant, own)  # the same whatever money and life are

    def worth(company: Company = company, now: Baseline = now) -> Valuation | None:
        return evaluate(now, loaded, company, guard, own, simulations, itemised=False, known_change=change)

    for name, given in _money_ranges("money").items():
        ends = (
            worth(company=_with_money(company, name, given.low)),
            worth(company=_with_money(company, name, given.high)),
        )
        yield from _driver(name, given, getattr(company.money, name), TRIANGULAR, True, *ends)
    if now.remaining_assumed.any():
        lives, used = _money_ranges("pv_system")["life_years"], company.pv_system.life_years
        ends = (
            worth(now=_with_life(now, lives.low - used, company)),
            worth(now=_with_life(now, lives.high - used, company)),
        )
        yield from _driver(LIFE, lives, used, TRIANGULAR, False, *ends)


def of_systems(
    now: Baseline, loaded: Loaded, company: Company, guard: Guard, base: Valuation, simulations: Simulations
) -> Iterator[Driver]:
    """Yield what is assumed of systems: facts in numbers that are unknown somewhere, and what decides on gains.

    An assumption decides on the gain of a retrofit if the retrofit changes what it sets. All else that is assumed of
    every system moves a retrofit as it moves the yield, and is part of the yield's deviation.
    """
    own = assumed(loaded.retrofit, company.overrides(loaded.id), company.priors)
    system = tables.ranges("system.csv")
    changed = simulations.changed_columns()
    for name, column in DECIDE_ON_GAINS.items():
        given = system[name]
        others = [_overridden(now.cohort, name, end) for end in (given.low, given.high)]
        if column not in changed or not any(_moved(now.cohort, other) for other in others):
            continue
        worths = (
            evaluate(_standing(now, other, simulations), loaded, company, guard, own, simulations, itemised=False)
            for other in others
        )
        used = now.cohort.overrides.get(name, given.mode)
        yield from _driver(name, given, used, TRIANGULAR, True, *worths)
    heats_water = np.any(base.gain_kwh["to_water"] != 0) or np.any(base.gain_kwh["water_backup"] != 0)
    for column, name in UNKNOWN_NUMBERS.items():
        rows = np.flatnonzero(now.cohort.sites[column].isna().to_numpy(dtype=bool))
        if len(rows) and (heats_water or column != "occupants"):
            given = system[name]
            part, few, everywhere = now.take(rows), simulations.take(rows), np.ones(len(rows), dtype=bool)
            ends = [told(part, column, everywhere, few, end) for end in (given.low, given.high)]
            found = [evaluate(end, loaded, company, guard, own, few, itemised=False) for end in ends]
            used = now.cohort.overrides.get(name, given.mode)
            for one in _driver(name, given, used, TRIANGULAR, False, *found):
                whole = Parts.of(base)
                at_low, at_high = whole.put(rows, one.at_low), whole.put(rows, one.at_high)
                yield replace(one, name=column, at_low=at_low, at_high=at_high)


def of_facts_and_yield(
    now: Baseline, loaded: Loaded, company: Company, guard: Guard, base: Valuation, simulations: Simulations
) -> Iterator[Driver]:
    """Yield the facts that are unknown somewhere, and the yield."""
    own = assumed(loaded.retrofit, company.overrides(loaded.id), company.priors)

    def worth(now: Baseline) -> Valuation | None:
        return evaluate(now, loaded, company, guard, own, simulations, itemised=False)

    for fact in loaded.retrofit.facts.values():
        yield from _of_fact(now, fact, company.priors.get(fact.id, fact.prior.mode), base, worth, simulations)
    saving = base.saving
    for name, spread, shared in ((YIELD_OF_ALL, now.yield_sd_shared, True), (YIELD, now.yield_sd, False)):
        step = STANDARD_NORMAL_P10 * spread
        low, high = (Parts(saving + sign * step * saving, base.avoided, base.cost) for sign in (-1.0, 1.0))
        middle = float(np.median(step)) if np.size(step) else 0.0
        ratio = (1.0 - middle, 1.0, 1.0 + middle)
        yield Driver(name, "ratio", *ratio, NORMAL, shared, low, high, _YIELDS[name])


STANDARD_NORMAL_P10 = 1.2816  # exceeded with 10 %


def _driver(
    name: str, given: Range, used: float, spread: str, shared: bool, low: Valuation | None, high: Valuation | None
) -> Iterator[Driver]:
    if low is not None and high is not None:
        ends = min(given.low, used), used, max(given.high, used)
        yield Driver(name, given.unit, *ends, spread, shared, Parts.of(low), Parts.of(high), given.meaning)


def _of_fact(
    now: Baseline,
    fact: Fact,
    prior: float,
    base: Valuation,
    worth: Callable[[Baseline], Valuation | None],
    simulations: Simulations,
) -> Iterator[Driver]:
    """Yield the fact as a driver where it is unknown somewhere.

    What it is worth if true is valued; if false follows, since the value used is the mean of both by their chances.
    """
    unknown = now.cohort.sites[fact.id].isna().to_numpy()
    if not unknown.any() or not 0.0 < prior < 1.0:
        return
    found: Valuation | None = worth(told(now, fact.id, unknown, simulations))
    if found is None:
        return
    yes, no = {}, {}
    for part in fields(Parts):
        mean, true = getattr(base, part.name), getattr(found, part.name)
        yes[part.name] = np.where(unknown, true, mean)
        no[part.name] = np.where(unknown, (mean - prior * true) / (1.0 - prior), mean)
    yield Driver(fact.id, "no/yes", 0.0, prior, 1.0, CHANCE, False, Parts(**no), Parts(**yes), fact.question)


def told(now: Baseline, fact: str, where: Bools, simulations: Simulations, value: float | bool = True) -> Baseline:
    """Return the baseline with the fact known to be this at the sites ``where``, corrected by meters as before."""
    cohort = now.cohort
    answer = cohort.sites[fact].mask(pd.Series(where, index=cohort.sites.index), value)
    sites = cohort.sites.assign(**{fact: answer})
    if fact in UNKNOWN_NUMBERS:
        return _standing(now, replace(cohort, sites=sites), simulations)
    other = cohort.answering(sites)
    if fact not in FACTS_OF_TODAY:
        return replace(now, cohort=other)
    return _standing(now, other, simulations)


def _overridden(cohort: Cohort, name: str, value: float) -> Cohort:
    return replace(cohort, overrides={**cohort.overrides, name: value})


def _moved(cohort: Cohort, other: Cohort) -> Mapping[str, npt.NDArray[Any]]:
    """Return the columns of the baseline's plant that are other with other facts or assumptions, as they are then."""
    before, after = baseline(cohort), baseline(other)
    return {
        column.name: getattr(after, column.name)
        for column in fields(Plant)
        if not np.array_equal(getattr(before, column.name), getattr(after, column.name))
    }


def _standing(now: Baseline, other: Cohort, simulations: Simulations) -> Baseline:
    """Return the sites as they would stand with other facts or assumptions, corrected by meters as before."""
    moved = _moved(now.cohort, other)
    if not moved:
        return replace(now, cohort=other)
    year = simulations.of(now.plant.replace(**moved))
    return replace(
        now, cohort=other, plant=year.plant, bill=year.bill, yearly_kwh={**now.yearly_kwh, **year.yearly_kwh}
    )


def _money_ranges(section: str) -> dict[str, Range]:
    wanted = _MONEY if section == "money" else ("life_years",)
    return {name: given for name, given in tables.settings(section).items() if name in wanted}


def _with_money(company: Company, name: str, value: float) -> Company:
    changed: dict[str, Any] = {name: value}
    return company.model_copy(update={"money": company.money.model_copy(update=changed)})


def _with_life(now: Baseline, more_years: float, company: Company) -> Baseline:
    """Return the sites with more or fewer years left where nobody knows how many."""
    moved = (now.remaining_years + more_years).clip(min=company.pv_system.least_remaining_years)
    return replace(now, remaining_years=np.where(now.remaining_assumed, moved, now.remaining_years))
