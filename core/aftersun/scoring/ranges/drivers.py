"""Which of the numbers assumed moves the value of a retrofit most: each alone at its low and at its high."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import special

from aftersun.energy.baseline import BOILERS, FACTS_OF_BASELINE
from aftersun.energy.baseline import baseline as baseline_plant
from aftersun.energy.geometry import ASSUMED
from aftersun.model import tables
from aftersun.model.change import LABOUR, Change, CostLine
from aftersun.model.cohort import Cohort
from aftersun.model.plant import Plant
from aftersun.model.ranges import Bools, Fact, Floats, Range
from aftersun.model.records import each_array, put, take
from aftersun.model.uses import OF_A_HOUSEHOLD, is_home
from aftersun.money.company import Company
from aftersun.money.export_rules import (
    NET_METERING_YEARS,
    NETTED,
    SUPPORT_YEARS,
    export_rule,
    rule_after,
    rule_ends,
)
from aftersun.scoring.value.simulations import Baseline, Rows, Simulations
from aftersun.scoring.value.valuation import Case, Parts, Valuation, evaluate

TRIANGULAR = "triangular"  # between low and high with its mode at the value used
AROUND = "around"  # the same with its mean there: so the price asked is the mean of what is paid
NORMAL = "normal"  # low and high are the values exceeded with 90 % and 10 %
STANDARD_NORMAL_P10 = 1.2816  # exceeded with 10 %
CHANCE = "chance"  # low = no, high = yes, the value used is the chance of yes
OUTCOME = "outcome"  # the same of what no customer knows

LIFE, YIELD, YIELD_OF_ALL = "life_of_the_pv_system", "yield", "yield_of_all_sites"
_YIELDS = {
    YIELD_OF_ALL: "Yield of all sites over that computed: what the model and the region's weather have in common",
    YIELD: "Yield of this site over that computed",
}
# Of what is assumed of every system, that which a retrofit acts on: its gain moves with it, the yield hardly does. With
# each the column of the plant that such a retrofit changes, and whether it is the same on all roofs.
DECIDE_ON_GAINS = {
    "soiling_rate_factor": ("soiling_rate_per_day", False),
    "rain_threshold_mm": ("soiling_rate_per_day", True),
    "droppings_loss_nested": ("droppings_loss", False),
    "excess_loss_chance": ("excess_loss", False),
    "excess_loss_size": ("excess_loss", False),
    "shunt_share": ("shunt_share", False),
}
# Of these a chance that something is so at a roof: it is so or not, and a range of what may come holds both.
CHANCES_OF_ROOFS = ("excess_loss_chance",)
# Assumptions of ``system.csv`` that stand in for facts in numbers that may be unknown: of each the column, and whether
# it holds where people live (True), where nobody does (False), or everywhere (None).
UNKNOWN_NUMBERS: Mapping[str, tuple[str, bool | None]] = {
    "unknown_demand_kwh": ("annual_demand_kwh", True),
    "unknown_business_demand_kwh": ("annual_demand_kwh", False),
    "unknown_occupants": ("occupants", True),
    "unknown_business_litres": ("hot_water_litres_per_day", False),
    "unknown_store_litres": ("water_store_litres", None),
}
# The same of arrays: of each assumption the column of an array whose being unknown it stands in for.
UNKNOWN_GEOMETRY = {
    "unknown_tilt_deg": "tilt_deg",
    "unknown_turn_deg": "azimuth_deg",
    "unknown_rating_ratio": "dc_rating_kw",
}
COLUMNS_OF_NUMBERS = tuple(dict.fromkeys(column for column, _ in UNKNOWN_NUMBERS.values()))
BOILER, HEAT_PUMP, BATTERY = "water_efficiency_boiler", "water_efficiency_heat_pump", "battery_kw_per_kwh"
UNKNOWN_ENDS = (NET_METERING_YEARS, SUPPORT_YEARS)  # until when today's export rule and support hold
_OF_HOT_WATER = ("occupants", "hot_water_litres_per_day", "water_store_litres")
# What differs from home to home where water is heated, and nobody knows of any home.
OF_EACH_HOME = (
    *("water_draw_factor", "base_load_share", "load_evenness"),
    *("store_set_c", "store_max_c", "thermostat_band_k", BOILER),
)
OF_SOME_HOMES = (HEAT_PUMP, BATTERY)  # the same of those that have one
MONEY = ("real_discount_rate", "electricity_price_growth", "fuel_price_growth")
LABOUR_LEVEL, SITE_HOURS = "labour_price_level", "site_hours_level"  # of the ``price_levels.csv``
_HOURS = ("h", "min")  # units of assumptions that are hours of work, alone or for a piece


@dataclass(frozen=True, eq=False)
class Driver:
    """One number, and what S sites gain and pay over the years with it at its low and its high, all others as they are.

    ``shared`` numbers are the same for all customers: if one is wrong, it is wrong everywhere. ``chance`` (S,) is that
    of a fact at each site; ``used`` is then the one of a site of which nothing is known.
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
    chance: Floats | None = None

    @property
    def ends(self) -> tuple[Parts, ...]:
        """What the sites gain and pay at its low and at its high."""
        return self.at_low, self.at_high

    def take(self, rows: Rows) -> Driver:
        """Return the same of the sites at these positions."""
        chance = None if self.chance is None else self.chance[rows]
        return replace(self, at_low=take(rows, self.at_low), at_high=take(rows, self.at_high), chance=chance)

    def weights(self, quantiles: Floats) -> tuple[Floats, ...]:
        """Return how far each quantile (0..1) of the number lies from the value used to its low and to its high.

        0 = not at all, 1 = there.
        """
        if self.spread in (CHANCE, OUTCOME):
            yes = quantiles < (self.used if self.chance is None else self.chance)
            return np.where(yes, 0.0, 1.0), np.where(yes, 1.0, 0.0)
        if self.spread == NORMAL:
            step = special.ndtri(quantiles) / STANDARD_NORMAL_P10  # the normal distribution's quantiles
            return np.maximum(-step, 0.0), np.maximum(step, 0.0)
        width = self.high - self.low
        mode = (self.used - self.low) / width
        if self.spread == AROUND:  # from the peak down and up in straight lines, so often below that the mean is there
            below = np.maximum(1 - np.sqrt(quantiles / max(1 - mode, 1e-300)), 0.0)
            above = np.maximum(1 - np.sqrt((1 - quantiles) / max(mode, 1e-300)), 0.0)
            return below, above
        # The triangle's quantiles; the library's own cost every process half a second of imports.
        share = np.where(quantiles < mode, np.sqrt(mode * quantiles), 1 - np.sqrt((1 - mode) * (1 - quantiles)))
        value = share * width + self.low
        down, up = max(self.used - self.low, 1e-300), max(self.high - self.used, 1e-300)
        return np.maximum((self.used - value) / down, 0.0), np.maximum((value - self.used) / up, 0.0)


def drivers(case: Case, valuation: Valuation) -> Iterator[Driver]:
    """Yield the drivers of one retrofit on sites that may have it: its own assumptions and facts, money, life, yield.

    ``valuation`` is its own there. What the company has replaced still runs over its low and high: the company may be
    wrong too. A value at which the retrofit fails is left out; the guard of the case then says so.
    """
    parts = valuation.parts
    yield from of_numbers(case)
    yield from of_systems(case, parts, bool(valuation.heats_water.any()))
    yield from of_facts_and_yield(case, parts)


def of_numbers(case: Case) -> Iterator[Driver]:
    """Yield the retrofit's own assumptions, money, and where they are assumed the system's life and the rules' ends."""
    own, baseline, company = case.assumed, case.baseline, case.company
    for name, usual in case.loaded.retrofit.assumptions.items():
        given = company.range_of(case.loaded.id, name, usual)
        if given.low < given.high:
            ends = (evaluate(case, own.with_value(name, end)) for end in (given.low, given.high))
            around = given.of_each_site or given.unit.partition("/")[0] in _HOURS
            spread = AROUND if around else TRIANGULAR
            yield from driver(name, given, own[name], not given.of_each_site, *ends, spread=spread)
    change = case.guard.change(case.loaded, baseline.cohort, baseline.plant, own)  # whatever money and life are
    money = tables.settings("money")
    for name in MONEY:
        altered = (company.money.model_copy(update={name: end}) for end in (money[name].low, money[name].high))
        others = (replace(case, company=company.model_copy(update={"money": section})) for section in altered)
        ends = (evaluate(other, own, known_change=change) for other in others)
        yield from driver(name, money[name], getattr(company.money, name), True, *ends)
    for name, given in tables.ranges("price_levels.csv").items():
        levels = (_at_level(case, change, name, end) for end in (given.low, given.high))
        ends = (evaluate(other, own, known_change=altered) for other, altered in levels)
        spread = AROUND if name in (LABOUR_LEVEL, SITE_HOURS) else TRIANGULAR
        yield from driver(name, given, given.mode, name != SITE_HOURS, *ends, spread=spread)
    if baseline.remaining_assumed.any():
        life, used = tables.settings("pv_system")["life_years"], company.pv_system.life_years
        years = (remaining_years(baseline, end - used, company) for end in (life.low, life.high))
        others = (replace(case, baseline=replace(baseline, remaining_years=left)) for left in years)
        ends = (evaluate(other, own, known_change=change) for other in others)
        yield from driver(LIFE, life, used, False, *ends)
    for name in UNKNOWN_ENDS if baseline.ends.assumed.any() else ():
        given, overrides = tables.ranges("system.csv")[name], baseline.cohort.overrides
        cohorts = (replace(baseline.cohort, overrides={**overrides, name: end}) for end in (given.low, given.high))
        at_ends = [rule_ends(cohort) for cohort in cohorts]
        if any((at.first_years != baseline.ends.first_years).any() for at in at_ends):
            others = (replace(case, baseline=replace(baseline, ends=at)) for at in at_ends)
            ends = (evaluate(other, own, known_change=change) for other in others)
            yield from driver(name, given, overrides.get(name, given.mode), True, *ends)


def _at_level(case: Case, change: Change | None, name: str, level: float) -> tuple[Case, Change | None]:
    """Return the case and its change at another price level, or where the work on site takes longer or less long.

    What cancels imports under net metering has no price of its own.
    """
    if name == SITE_HOURS:
        return case, change and _taking(change, level)
    if name == LABOUR_LEVEL:
        work = {skill: level * hour for skill, hour in case.company.work.items()}
        return replace(case, company=case.company.model_copy(update={"work": work})), change
    sites = case.baseline.cohort.sites
    rules = {"export_income": export_rule(sites), "export_income_after": rule_after(sites)[0]}
    factors = {part: np.where(np.isin(rule, NETTED), 1.0, level) for part, rule in rules.items()}
    return replace(case, bill_factors=factors), change


def _taking(change: Change, level: float) -> Change:
    """Return the change with all labour on site taking ``level`` times as long."""

    def lines(of_change: Sequence[CostLine]) -> list[CostLine]:
        return [replace(one, quantity=one.quantity * level) if one.kind == LABOUR else one for one in of_change]

    others = [_taking(other, level) for other in change.alternatives]
    return replace(change, costs=lines(change.costs), yearly=lines(change.yearly), alternatives=others)


def of_systems(case: Case, parts: Parts, heats_water: bool) -> Iterator[Driver]:
    """Yield what is assumed of systems: facts in numbers that are unknown somewhere, and what decides on gains.

    An assumption decides on the gain of a retrofit if the retrofit changes what it sets. All else that is assumed of
    every system moves a retrofit as it moves the yield, and is part of the yield's deviation. ``heats_water`` tells
    whether the retrofit changes anywhere what the water is heated with; else it does not matter how many bathe.
    """
    cohort, system = case.baseline.cohort, tables.ranges("system.csv")
    changed = case.simulations.changed_columns()
    for name, (column, of_all) in DECIDE_ON_GAINS.items():
        given = system[name]
        if is_chance := name in CHANCES_OF_ROOFS:
            given = replace(given, low=0.0, high=1.0)
        others = [replace(cohort, overrides={**cohort.overrides, name: end}) for end in (given.low, given.high)]
        if column in changed and any(moved_columns(cohort, other) for other in others):
            baselines = (_standing(case.baseline, other, case.simulations) for other in others)
            ends = (evaluate(replace(case, baseline=other)) for other in baselines)
            for one in driver(name, given, cohort.overrides.get(name, given.mode), of_all, *ends):
                yield replace(one, spread=OUTCOME) if is_chance else one
    for name in OF_EACH_HOME if heats_water else ():
        given, used = system[name], cohort.overrides.get(name, system[name].mode)
        if name == BOILER:  # the heat stays the same, and what it costs in fuel goes by the efficiency
            boilers = np.isin(case.baseline.plant.water_heat, BOILERS)
            fuel = (np.where(boilers, used / end, 1.0) for end in (given.low, given.high))
            homes = (replace(case, bill_factors={"water_fuel_cost": factor}) for factor in fuel)
        else:
            told = ({**cohort.overrides, name: end} for end in (given.low, given.high))
            homes = (standing_as(case, cohort.answering(cohort.sites, overrides)) for overrides in told)
        yield from driver(name, given, used, False, *(evaluate(home) for home in homes))
    plant = case.baseline.plant
    for name, there in zip(OF_SOME_HOMES, (plant.water_heat == "heat pump", plant.battery_kwh > 0), strict=True):
        rows = np.flatnonzero(there)
        if len(rows) and heats_water:
            given, some = system[name], case.take(rows)
            here = some.baseline.cohort
            told = ({**here.overrides, name: end} for end in (given.low, given.high))
            ends = (evaluate(standing_as(some, here.answering(here.sites, overrides))) for overrides in told)
            some_rows = driver(name, given, cohort.overrides.get(name, given.mode), False, *ends)
            yield from (_among_all(one, rows, parts) for one in some_rows)
    home = is_home(cohort.sites)
    for name, (column, at_home) in UNKNOWN_NUMBERS.items():
        unknown = cohort.sites[column].isna().to_numpy(dtype=bool)
        rows = np.flatnonzero(unknown if at_home is None else unknown & (home == at_home))
        if len(rows) and (heats_water or column not in _OF_HOT_WATER):
            given, some, everywhere = system[name], case.take(rows), np.ones(len(rows), dtype=bool)
            ends = (evaluate(_told(some, column, everywhere, end)) for end in (given.low, given.high))
            some_rows = driver(column, given, cohort.overrides.get(name, given.mode), False, *ends)
            yield from (_among_all(one, rows, parts) for one in some_rows)

    for name, column in UNKNOWN_GEOMETRY.items():
        flag = ASSUMED[column]
        if flag in cohort.arrays and len(rows := np.flatnonzero(cohort.sum_by_site(cohort.arrays[flag]) > 0)):
            given, some = system[name], case.take(rows)
            here = some.baseline.cohort
            told = ({**here.overrides, name: end} for end in (given.low, given.high))
            stands = (_standing(some.baseline, replace(here, overrides=one), some.simulations) for one in told)
            ends = (evaluate(replace(some, baseline=other)) for other in stands)
            some_rows = driver(column, given, cohort.overrides.get(name, given.mode), False, *ends)
            yield from (_among_all(one, rows, parts) for one in some_rows)


def _among_all(of_rows: Driver, rows: Rows, parts: Parts) -> Driver:
    """Return a driver of the sites at some positions as one of all, the others as they are."""
    return replace(of_rows, at_low=put(rows, parts, of_rows.at_low), at_high=put(rows, parts, of_rows.at_high))


def of_facts_and_yield(case: Case, parts: Parts) -> Iterator[Driver]:
    """Yield the facts that are unknown somewhere, and the yield."""
    for fact in case.loaded.retrofit.facts.values():
        yield from _of_fact(case, fact, parts)
    for name, spread, shared in (
        (YIELD_OF_ALL, case.baseline.yield_sd_shared, True),
        (YIELD, case.baseline.yield_sd, False),
    ):
        step = STANDARD_NORMAL_P10 * spread
        low, high = (replace(parts, saving=parts.saving + sign * step * parts.saving) for sign in (-1.0, 1.0))
        middle = float(np.median(step)) if np.size(step) else 0.0
        yield Driver(name, "ratio", 1.0 - middle, 1.0, 1.0 + middle, NORMAL, shared, low, high, _YIELDS[name])


def driver(
    name: str,
    given: Range,
    used: float,
    shared: bool,
    low: Valuation | None,
    high: Valuation | None,
    *,
    spread: str = TRIANGULAR,
) -> Iterator[Driver]:
    """Yield a number with its range and the valuations at its ends, unless the retrofit failed at one."""
    if low is not None and high is not None:
        ends = min(given.low, used), used, max(given.high, used)
        yield Driver(name, given.unit, *ends, spread, shared, low.parts, high.parts, given.meaning)


def _of_fact(case: Case, fact: Fact, parts: Parts) -> Iterator[Driver]:
    """Yield the fact as a driver where it is unknown somewhere.

    What it is worth if true is valued; if false follows, since the value used is the mean of both by their chances.
    """
    prior = case.company.priors.get(fact.id, fact.prior.mode)
    sites = case.baseline.cohort.sites
    chance = fact.chance(sites, prior)
    unknown = sites[fact.id].isna().to_numpy() & (chance > 0.0) & (chance < 1.0)
    if fact.id in OF_A_HOUSEHOLD:
        unknown &= is_home(sites)
    if not unknown.any():
        return
    valuation = evaluate(_told(case, fact.id, unknown, True))
    if valuation is None:
        return
    if_true = valuation.parts
    other = np.where(unknown, 1.0 - chance, 1.0)

    def if_false(mean: Floats, true: Floats) -> Floats:
        return np.where(unknown, (mean - chance * true) / other, mean)

    yes, no = put(np.flatnonzero(unknown), parts, take(unknown, if_true)), each_array(if_false, parts, if_true)
    yield Driver(fact.id, "no/yes", 0.0, prior, 1.0, CHANCE, False, no, yes, fact.question, chance)


def _told(case: Case, column: str, where: Bools, value: float | bool) -> Case:
    """Return the case with a fact known to be this at the sites ``where``, corrected by meters as before."""
    cohort = case.baseline.cohort
    answer = cohort.sites[column].mask(pd.Series(where, index=cohort.sites.index), value)
    sites = cohort.sites.assign(**{column: answer})
    if (by_meter := f"meter_{column}_chance") in sites:  # an answer is more than a chance
        sites[by_meter] = sites[by_meter].mask(pd.Series(where, index=sites.index))
    if column in COLUMNS_OF_NUMBERS:
        other = _standing(case.baseline, replace(cohort, sites=sites), case.simulations)
    elif column in FACTS_OF_BASELINE:
        other = _standing(case.baseline, cohort.answering(sites), case.simulations)
    else:
        other = replace(case.baseline, cohort=cohort.answering(sites))
    return replace(case, baseline=other)


def moved_columns(cohort: Cohort, other: Cohort) -> Mapping[str, npt.NDArray[Any]]:
    """Return the columns of the baseline's plant that are other with other facts or assumptions, as they are then."""
    before, after = baseline_plant(cohort), baseline_plant(other)
    return {
        column.name: getattr(after, column.name)
        for column in fields(Plant)
        if not np.array_equal(getattr(before, column.name), getattr(after, column.name))
    }


def _standing(baseline: Baseline, other: Cohort, simulations: Simulations) -> Baseline:
    """Return the sites as they would stand with other facts or assumptions, corrected by meters as before."""
    moved = moved_columns(baseline.cohort, other)
    if not moved:
        return replace(baseline, cohort=other)
    year = simulations.of(baseline.plant.replace(**moved))
    kwh = {**baseline.yearly_kwh, **year.yearly_kwh}
    return replace(baseline, cohort=other, plant=year.plant, bill=year.bill, yearly_kwh=kwh)


def standing_as(case: Case, other: Cohort) -> Case:
    """Return the case with the sites as they would stand by other facts or assumptions, each simulated anew."""
    plant = case.baseline.plant.replace(**moved_columns(case.baseline.cohort, other))
    part = replace(case.baseline, cohort=other, plant=plant)
    year = Simulations(part).anew(plant)
    kwh = {**part.yearly_kwh, **year.yearly_kwh}
    baseline = replace(part, yearly_kwh=kwh, bill=year.bill, months=year.months)
    return replace(case, baseline=baseline, simulations=Simulations(baseline))


def remaining_years(baseline: Baseline, more_years: float, company: Company) -> Floats:
    """Return the years left (S,) if systems last so many years more, or fewer, where nobody knows how long."""
    moved = (baseline.remaining_years + more_years).clip(min=company.pv_system.least_remaining_years)
    return np.where(baseline.remaining_assumed, moved, baseline.remaining_years)
