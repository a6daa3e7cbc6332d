"""The baseline of a cohort, and its year with other plants: each distinct one simulated once, sums kept, no hours."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field, fields, replace
from operator import attrgetter

import numpy as np
import numpy.typing as npt
import pandas as pd

from aftersun.energy.assumptions import system_values
from aftersun.energy.balance import simulated
from aftersun.energy.readings.calibration import FittedBaseline, fitted_baseline
from aftersun.model import tables
from aftersun.model.cohort import Cohort
from aftersun.model.energy import HOURS_OF_MONTHS, Energy
from aftersun.model.new_arrays import Places, widened_cohort, widened_plant
from aftersun.model.plant import PER_ARRAY, Plant
from aftersun.model.ranges import Bools, Floats
from aftersun.model.records import Kept, choose, each_array, put, take
from aftersun.money.cash_flow import remaining_life
from aftersun.money.company import Company
from aftersun.money.export_rules import RuleEnds, rule_ends
from aftersun.money.prices import Prices, trip
from aftersun.money.tariffs import Bill, yearly_bill

Rows = npt.NDArray[np.intp]

GAINS = ("generated", "to_water", "water_backup")
MONTHLY = ("generated", "used", "to_water", "exported", "imported")

Months = Floats  # (S, 12, columns MONTHLY), kWh
NO_MONTHS: Months = np.empty((0, 12, len(MONTHLY)))


@dataclass(frozen=True, eq=False)
class Baseline:
    """A cohort as it stands: plant, energy, bill, until when the bill's rules hold, and the years left (S,).

    ``yearly_kwh`` has the sums of the energy balance by the names of its columns; the hours are not kept, but for the
    mean W generated in each hour of the day, month by month, in ``picture`` (S, 288).
    """

    cohort: Cohort
    plant: Plant
    yearly_kwh: Mapping[str, Floats]
    months: Months
    picture: Floats
    bill: Bill
    ends: RuleEnds
    remaining_years: Floats
    remaining_assumed: Bools
    within_reach: Bools
    yield_sd: Floats  # standard deviation of the yield over the years, beyond what all sites share; share
    yield_sd_shared: float

    def take(self, rows: Rows) -> Baseline:
        """Return the sites at these positions."""
        of_all = ("cohort", "plant", "yield_sd_shared")
        of_sites = {column.name: getattr(self, column.name) for column in fields(self) if column.name not in of_all}
        plant = self.plant.take(rows, self.cohort.array_rows(rows))
        return replace(self, cohort=self.cohort.take(rows), plant=plant, **take(rows, of_sites))

    def wider(self, places: Places) -> Baseline:
        """Return the same with room for added arrays, which have no power yet."""
        plant = widened_plant(self.cohort, self.plant, places)
        return replace(self, cohort=widened_cohort(self.cohort, places), plant=plant)


@dataclass(frozen=True, eq=False)
class Simulated:
    """What a plant does in a year: sums of its energy, kWh (S,) by name, the bill, and the months where simulated."""

    plant: Plant
    yearly_kwh: Mapping[str, Floats]
    bill: Bill
    months: Months = field(default_factory=lambda: NO_MONTHS)


class Simulations:
    """Simulates plants on the sites of one baseline, each distinct one once; the hours are not kept."""

    def __init__(self, baseline: Baseline) -> None:
        self.baseline = baseline
        kwh = {name: baseline.yearly_kwh[name] for name in GAINS}
        self.known = [Simulated(baseline.plant, kwh, baseline.bill, baseline.months)]
        self._prices: tuple[Company, Prices] | None = None
        self._without_plant: Bill | None = None
        self._wider = Kept()

    def of(self, plant: Plant) -> Simulated:
        """Return the year of this plant."""
        for known in self.known:
            if alike(self.baseline.cohort, plant, known.plant).all():
                return known
        self.known.append(self._where_new(plant))
        return self.known[-1]

    def _where_new(self, plant: Plant) -> Simulated:
        """Simulate the sites whose plant is not that of a known one; a site's year never depends on the others."""
        cohort = self.baseline.cohort
        source = np.full(len(cohort), -1)
        for position, known in enumerate(self.known):
            source[(source < 0) & alike(cohort, plant, known.plant)] = position
        rows = np.flatnonzero(source < 0)
        if len(rows) == len(cohort):
            return self.anew(plant)
        few = self.take(rows).anew(plant.take(rows, cohort.array_rows(rows)))
        years = [(known.yearly_kwh, known.bill, known.months) for known in self.known]
        before = choose(np.maximum(source, 0), *years)
        return Simulated(plant, *put(rows, before, (few.yearly_kwh, few.bill, few.months)))

    def anew(self, plant: Plant, by_month: bool = True) -> Simulated:
        """Simulate a plant, known or not."""
        return _year(self.baseline.cohort, plant, GAINS, by_month)[0]

    def without_plant(self) -> Bill:
        """Return the bill of the year without a PV system."""
        if self._without_plant is None:
            plant = self.baseline.plant
            none = plant.replace(availability=np.zeros_like(plant.availability))
            self._without_plant = Simulations.anew(self, none, by_month=False).bill
        return self._without_plant

    def changed_columns(self) -> frozenset[str]:
        """Return the columns of the plant in which what was simulated differs from the baseline's."""
        return columns_changed(self.baseline.plant, [known.plant for known in self.known[1:]])

    def take(self, rows: Rows) -> Simulations:
        """Return the same of the sites at these positions, with nothing simulated yet but the baseline."""
        return Simulations(self.baseline.take(rows))

    def wider(self, places: Places) -> Simulations:
        """Return the same of the sites with room for added arrays, which have no power yet."""
        return self._wider.once(places.key, lambda: self._with_room(self.baseline.wider(places)))

    def _with_room(self, baseline: Baseline) -> Simulations:
        return Simulations(baseline)

    def prices(self, company: Company) -> Prices:
        """Return the company's prices at these sites."""
        if self._prices is None or self._prices[0] is not company:
            self._prices = company, Prices(self.baseline.cohort.sites, company)
        return self._prices[1]


def _year(
    cohort: Cohort, plant: Plant, names: Sequence[str], by_month: bool = True, pictured: bool = False
) -> tuple[Simulated, Floats]:
    """Simulate a plant, add up the energy of these names, the bill and, where wanted, months; picture its days."""
    parts = []
    for rows, part, energy in simulated(cohort, plant):
        sites = part.sites.assign(water_heat=plant.water_heat[rows])  # a change may have exchanged the heater
        bill = yearly_bill(energy, sites, part.weather.times, part.calendars)
        months = np.stack([energy.monthly(name) for name in MONTHLY], axis=2) if by_month else NO_MONTHS
        picture = _picture(energy) if pictured else np.empty((len(part), 0))
        parts.append(({name: energy.annual(name) for name in names}, bill, months, picture))
    kwh, bill, months, picture = each_array(lambda *of_parts: np.concatenate(of_parts), *parts)
    return Simulated(plant, kwh, bill, months), picture


def _picture(energy: Energy) -> Floats:
    """Return the mean W generated in each hour of the day of each month, (S, 288)."""
    parts = np.split(energy.generated, np.cumsum(HOURS_OF_MONTHS)[:-1], axis=1)
    days = [part.reshape(len(part), -1, 24).mean(axis=1, dtype=np.float64) for part in parts]
    return 1000.0 * np.concatenate(days, axis=1)


def alike(cohort: Cohort, plant: Plant, other: Plant, but_for: Collection[str] = ()) -> Bools:
    """Tell which sites have the same columns in both plants, apart from some."""
    same = np.ones(len(cohort), dtype=bool)
    for column in fields(Plant):
        values, others = getattr(plant, column.name), getattr(other, column.name)
        if values is others or column.name in but_for:
            continue
        differs = values != others
        if not differs.any():
            continue
        same &= ~(cohort.sum_by_site(differs) > 0 if column.name in PER_ARRAY else differs)
    return same


def only_where(cohort: Cohort, where: Bools | None, plant: Plant, other: Plant) -> Plant:
    """Return the plant at the sites ``where`` (None = everywhere), the other elsewhere."""
    if where is None or plant is other:
        return plant
    of_arrays = where[cohort.arrays["site"].to_numpy(dtype=np.intp)]
    columns = {}
    for column in fields(Plant):
        values, others = getattr(plant, column.name), getattr(other, column.name)
        mask = of_arrays if column.name in PER_ARRAY else where
        columns[column.name] = values if values is others else np.where(mask, values, others)
    return Plant(**columns)


def columns_changed(plant: Plant, others: Sequence[Plant]) -> frozenset[str]:
    """Return the columns in which any of the others differs from the plant."""
    return frozenset(
        column.name
        for column in fields(Plant)
        for other in others
        if not np.array_equal(getattr(other, column.name), getattr(plant, column.name))
    )


def baseline_of(cohort: Cohort, company: Company, readings: pd.DataFrame) -> tuple[Baseline, FittedBaseline]:
    """Simulate a cohort as it stands, corrected by its meter readings, and take its bill."""
    fit = fitted_baseline(cohort, readings)
    sites = fit.cohort.sites
    planned = sites["remaining_life_years"].to_numpy(dtype=np.float64, na_value=np.nan)
    age = fit.cohort.age_years(system_values(fit.cohort.overrides)["unknown_age_years"])
    years, assumed = remaining_life(planned, age, company)
    year, picture = _year(fit.cohort, fit.plant, [column.name for column in fields(Energy)], pictured=True)
    own, shared = yield_sd(fit.cohort)
    baseline = Baseline(
        fit.cohort,
        fit.plant,
        year.yearly_kwh,
        year.months,
        picture,
        year.bill,
        ends=rule_ends(fit.cohort),
        remaining_years=years,
        remaining_assumed=assumed,
        within_reach=trip(sites, company).within_reach,
        yield_sd=own,
        yield_sd_shared=shared,
    )
    return baseline, fit


def yield_sd(cohort: Cohort) -> tuple[Floats, float]:
    """Return the standard deviation of the yield of each site over the years, and that which all sites share.

    Both as shares. Where meters have corrected the model, their own error stands instead of the model's; else an age
    that is not known adds the ageing of the years in doubt.
    """
    total, shared = (tables.mode("weather_uncertainty.csv", name) for name in ("yield_over_life", "yield_shared"))
    low, mode, high = attrgetter("low", "mode", "high")(tables.ranges("system.csv")["unknown_age_years"])
    age_sd = np.sqrt(((high - low) ** 2 + (mode - low) * (mode - high)) / 18.0)  # of a triangular distribution
    aged = system_values(cohort.overrides)["ageing_per_year"] * age_sd
    unknown = cohort.sites["commissioned_on"].isna().to_numpy(dtype=bool)
    own = np.sqrt(total**2 - shared**2 + np.where(unknown, aged**2, 0.0))
    if "meter_factor_se" in cohort.sites:
        measured = cohort.sites["meter_factor_se"].to_numpy(dtype=np.float64, na_value=np.nan)
        own = np.where(np.isnan(measured), own, np.minimum(measured, own))
    return own, shared
