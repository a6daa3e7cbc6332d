"""The baseline plant with what the sites' own meters say of it: output fitted to readings, with an honest error.

The weather year is typical, not the one of the readings, so every month deviates by its weather and that enters the
error: the variance of a period's output is taken in proportion to the energy expected in it, which with 3.9 % for a
year [1]_ makes 13.5 % for a mean month and more for a dull one.

References
----------
.. [1] D. Thevenard, S. Pelland, "Estimating the uncertainty in long-term photovoltaic yield predictions", Solar
   Energy 91, 432-445, 2013.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import pandas as pd

from aftersun.energy.assumptions import system_values
from aftersun.energy.balance import simulate
from aftersun.energy.baseline import baseline, open_string_chance
from aftersun.energy.generation import annual_generation
from aftersun.energy.readings import fit as readings_fit
from aftersun.energy.readings.checks import CLOCK, PRODUCTION, SUMMER_TIME, fine_production, limits
from aftersun.energy.readings.clock import TypicalTime
from aftersun.energy.readings.open_string import chance_by_meter
from aftersun.energy.readings.own_load import with_own_load
from aftersun.energy.readings.quality import Checked, check_readings
from aftersun.energy.readings.standstill import idle_until_now, snow_free_hours
from aftersun.model.codes import Untold
from aftersun.model.cohort import DAYS_PER_YEAR, Cohort
from aftersun.model.energy import Energy
from aftersun.model.plant import Plant
from aftersun.model.ranges import Floats
from aftersun.model.weather import HOURS_PER_YEAR

# What a site has without readings.
_NOTHING_KNOWN: Mapping[str, object] = {
    **dict.fromkeys(("factor", "factor_se", "shortfall", "zero_day_share", "low_light_ratio"), np.nan),
    **dict.fromkeys(("trend_per_year", "trend_low", "trend_high"), np.nan),
    "years_of_data": 0.0,
    "periods": 0,
    "factor_read": np.nan,
    **dict.fromkeys(("standstill_chance", "idle_days", "idle_kwh", "idle_expected_kwh"), np.nan),
    "idle_since": pd.NaT,
    "remarks": (Untold.NO_READINGS,),
}
EVIDENCE_COLUMNS = tuple(_NOTHING_KNOWN)
# What plugins may read of it in ``cohort.sites``, unknown where there are no readings.
SITE_COLUMNS = {
    f"meter_{name}": name for name in ("factor", "factor_se", "shortfall", "zero_day_share", "trend_per_year")
}
OPEN_STRING_COLUMN = "meter_open_string_chance"  # likewise: the chance of an open string that the meter leaves

_FIT_ROUNDS = 3
_LEAST_MONTH_H = 20 * 24.0  # of readings, for a month to count in a trend
_YEAR_MARGIN = 0.02  # by which two years may fall short


@dataclass(frozen=True, eq=False)
class Calibration:
    """What the readings say of each site of a cohort.

    ``evidence`` is indexed by site_id and has the columns ``EVIDENCE_COLUMNS``; NaN = cannot be told.

    - factor, factor_se: measured over computed output of a typical year, within its bounds, and its standard error
    - shortfall: the share that is missing beyond the errors of weather, meter and model, at least
    - zero_day_share: share of days without output among those on which most neighbours had some
    - low_light_ratio: the factor in low light over that in full light
    - trend_per_year, trend_low, trend_high: change of output, share a year, normal ageing included, 95 % interval
    - years_of_data, periods: how much readings cover, and in how many months or longer readings
    - factor_read: what the readings give, where factor is the bound taken in its place
    - standstill_chance: that the system stands still now, where the last readings show nothing
    - idle_since, idle_days, idle_kwh, idle_expected_kwh: since when they show nothing, on how many days with readings,
      what they show and what the model expects in that time; only where it is likely enough to be told. Nothing else
      here is taken from these readings then: they say how the system stands, not what it makes when it runs
    - remarks: what could not be told and why, codes of Untold

    ``dc_factor`` (S,) is what DC output has to be multiplied with; 1 where there is nothing or too little to go by.
    """

    evidence: pd.DataFrame
    dc_factor: Floats


def calibrate(cohort: Cohort, plant: Plant, readings: Checked) -> Calibration:
    """Compare production readings with the computed output of the sites that have any; only these are simulated.

    ``plant`` is the baseline's, not calibrated yet. Output of earlier years is computed without the ageing since then.
    """
    produced = readings.of(PRODUCTION)
    by_site = dict(iter(produced.groupby("site_id")))
    metered = np.flatnonzero(cohort.sites.index.isin(list(by_site)))
    rows = [dict(_NOTHING_KNOWN) for _ in cohort.sites.index]
    factor = np.ones(len(cohort))
    if not len(metered):
        return Calibration(_as_evidence(rows, cohort), factor)
    part, part_plant = cohort.take(metered), plant.take(metered, cohort.array_rows(metered))
    energy = simulate(part, part_plant)
    rating, snow_free = part.sum_by_site(part_plant.dc_rating_kw), snow_free_hours(part.weather)
    for site, site_id in enumerate(part.sites.index):
        output = _given(energy, site)
        idle = idle_until_now(by_site[site_id], output, snow_free, rating[site], pd.Timestamp(cohort.as_of))
        if idle is not None:
            rows[metered[site]] |= idle.figures
        if idle is not None and idle.told:
            by_site[site_id] = by_site[site_id].drop(idle.rows)
            produced = produced.drop(idle.rows)
    zero_days = _zero_days(part, part_plant, produced)
    clock_faults = readings.sites_with(CLOCK, SUMMER_TIME)
    for site, site_id in enumerate(part.sites.index):
        row = rows[metered[site]]
        row["zero_day_share"] = zero_days.get(site_id, np.nan)
        row |= _evidence(part, part_plant, energy, site, by_site[site_id], site_id not in clock_faults)
    evidence = _as_evidence(rows, cohort)
    factor[metered] = _dc_factors(part, part_plant, energy, evidence.iloc[metered])
    return Calibration(evidence, factor)


def _as_evidence(rows: list[dict[str, object]], cohort: Cohort) -> pd.DataFrame:
    return pd.DataFrame(rows, columns=list(EVIDENCE_COLUMNS), index=cohort.sites.index)


@dataclass(frozen=True, eq=False)
class Periods:
    """Measured and computed kWh of N periods of a site, their middle in years and their hours, each (N,)."""

    measured: Floats
    expected: Floats  # of the plant as it is on the day of the run
    year: Floats
    hours: Floats


def periods_of(produced: pd.DataFrame, output: Floats) -> Periods:
    """Add up readings of one site by calendar month; longer readings stay as they are.

    ``produced`` has the columns of good intervals, ``output`` (H,) is the computed output of the typical year, kWh.
    """
    starts, ends = produced["starts_at"], produced["ends_at"]
    expected = TypicalTime.spanning(starts, ends).add_up(output, starts, ends)
    hours = produced["hours"].to_numpy(dtype=np.float64)
    month = (starts.dt.year * 12 + starts.dt.month).to_numpy()
    own = -1 - np.arange(len(produced))
    _, period = np.unique(np.where(hours <= 24 * limits()["fine_bin_days"], month, own), return_inverse=True)
    middle = (starts + (ends - starts) / 2 - pd.Timestamp("2000-01-01")) / pd.Timedelta(days=DAYS_PER_YEAR)
    total = _sums(period, hours)
    return Periods(
        measured=_sums(period, produced["kwh"].to_numpy(dtype=np.float64)),
        expected=_sums(period, expected),
        year=2000 + _sums(period, middle.to_numpy(dtype=np.float64) * hours) / total,
        hours=total,
    )


def _sums(period: npt.NDArray[np.intp], values: Floats) -> Floats:
    return np.asarray(np.bincount(period, values), dtype=np.float64)


def _given(energy: Energy, site: int) -> Floats:
    """Return what the production meter of a site would show of its typical year, (H,), kWh."""
    output: Floats = energy.generated[site].astype(np.float64) - energy.curtailed[site]
    return output


def _evidence(
    cohort: Cohort, plant: Plant, energy: Energy, site: int, produced: pd.DataFrame, clock_is_right: bool
) -> dict[str, object]:
    """Return the evidence of a site that has readings, without what takes neighbours."""
    if produced.empty:
        return {"remarks": (Untold.TOO_FEW,)}
    known = limits()
    output = _given(energy, site)
    year_kwh = float(output.sum())
    periods = periods_of(produced, output)
    row: dict[str, object] = {
        "years_of_data": float(periods.hours.sum()) / HOURS_PER_YEAR,
        "periods": len(periods.year),
    }
    curtailed = float(energy.curtailed[site].sum(dtype=np.float64))
    if curtailed > known["curtailed_max"] * max(year_kwh, curtailed):
        return row | {"remarks": (Untold.CURTAILED,)}
    if year_kwh <= 0:
        return row | {"remarks": (Untold.NO_OUTPUT,)}
    remarks: list[Untold] = []
    row |= _factor(periods, year_kwh, _ageing_since(cohort, plant, site, periods.year), remarks)
    row |= _trend(periods, remarks)
    fine = produced[fine_production(produced)]
    if len(fine) and clock_is_right:
        ratio = readings_fit.low_light_ratio(fine, output, cohort.weather.times.month.to_numpy())
        row["low_light_ratio"] = ratio
        if ratio < known["low_light_notice"]:
            remarks.append(Untold.LOW_LIGHT)
    return row | {"remarks": tuple(remarks)}


def _ageing_since(cohort: Cohort, plant: Plant, site: int, year: Floats) -> Floats:
    """Return the share of output left of what there was in ``year`` (N,)."""
    now = 2000 + (pd.Timestamp(cohort.as_of) - pd.Timestamp("2000-01-01")).days / DAYS_PER_YEAR
    left: Floats = (1 - plant.ageing_per_year[site]) ** np.maximum(now - year, 0.0)
    return left


def _factor(periods: Periods, year_kwh: float, ageing: Floats, remarks: list[Untold]) -> dict[str, object]:
    known = limits()
    usable = periods.expected > 0
    if not usable.any():
        remarks.append(Untold.NONE_EXPECTED)
        return {}
    expected = periods.expected[usable]
    ratio = periods.measured[usable] / expected * ageing[usable]
    weather_sd = known["year_sd"] * np.sqrt(year_kwh / expected)
    fitted, weather_error = readings_fit.huber_factor(ratio, weather_sd)
    factor = float(np.clip(fitted, known["factor_min"], known["factor_max"]))
    error = float(np.hypot(weather_error, factor * known["meter_sd"]))
    if factor != fitted:
        remarks.append(Untold.BEYOND_BOUNDS)
    if error > known["factor_se_max"]:
        remarks.append(Untold.TOO_FEW)
    doubt = known["shortfall_errors"] * np.hypot(error, known["model_sd"])
    read = np.nan if factor == fitted else float(fitted)
    shortfall = max(0.0, 1 - factor - float(doubt))
    return {"factor": factor, "factor_se": error, "shortfall": shortfall, "factor_read": read}


def _trend(periods: Periods, remarks: list[Untold]) -> dict[str, object]:
    """Tell the trend over the last whole years, if there are at least two and readings cover them."""
    known = limits()
    half = periods.hours / HOURS_PER_YEAR / 2
    last = float((periods.year + half).max())
    years = np.floor(last - float((periods.year - half).min()) + _YEAR_MARGIN)
    inside = (periods.year > last - years) & (periods.expected > 0)
    covered = periods.hours[inside].sum() / HOURS_PER_YEAR
    kept = inside & (periods.hours >= _LEAST_MONTH_H)
    if years < known["trend_years"] or covered < known["trend_coverage"] * years or kept.sum() < 2 * years:
        remarks.append(Untold.NO_TREND)
        return {}
    ratio = periods.measured[kept] / periods.expected[kept]
    slope, low, high = readings_fit.yearly_trend(periods.year[kept], ratio)
    return {"trend_per_year": slope, "trend_low": low, "trend_high": high}


def _zero_days(cohort: Cohort, plant: Plant, produced: pd.DataFrame) -> pd.Series:
    known = limits()
    rating = pd.Series(cohort.sum_by_site(plant.dc_rating_kw), index=cohort.sites.index)
    days = readings_fit.day_outputs(produced, rating)
    return readings_fit.zero_day_shares(days, known["day_zero"], known["day_produces"], known["judged_days"])


def _dc_factors(cohort: Cohort, plant: Plant, energy: Energy, evidence: pd.DataFrame) -> Floats:
    """Return the factors on DC output that give the AC output found: clipping and the inverter bend the way there."""
    known = limits()
    rows = np.flatnonzero(evidence["factor_se"].to_numpy() <= known["factor_se_max"])
    result = np.ones(len(cohort))
    if not len(rows):
        return result
    part, part_plant = cohort.take(rows), plant.take(rows, cohort.array_rows(rows))
    aim = evidence["factor"].to_numpy()[rows]
    reference = energy.annual("generated")[rows]
    dc = aim.copy()
    for _ in range(_FIT_ROUNDS):
        now = part_plant.replace(calibration=part_plant.calibration * dc)
        reached = annual_generation(part, now) / reference
        dc = np.clip(dc * aim / np.maximum(reached, 1e-9), known["factor_min"], known["factor_max"])
    result[rows] = dc
    return result


def with_open_strings(cohort: Cohort, plant: Plant, calibration: Calibration) -> tuple[Cohort, Plant]:
    """Return cohort and calibrated plant with the chance of an open string that the meters leave; output stays.

    The calibration has to be that of a plant whose strings all deliver: where its factor is applied it tells by Bayes.
    What was told of a string is right with ``told_open_right``. A string that is known to deliver is left alone.
    """
    known, evidence, sites = limits(), calibration.evidence, cohort.sites
    error, factor, read = (evidence[name].to_numpy(np.float64) for name in ("factor_se", "factor", "factor_read"))
    chance, strings = open_string_chance(cohort, system_values(cohort.overrides))
    told = sites["open_string"].fillna(False).to_numpy(dtype=bool)
    judged = (error <= known["factor_se_max"]) & (strings > 1) & (chance > 0.0)  # NaN compares false
    by_meter = np.full(len(cohort), np.nan)
    by_meter[judged] = chance_by_meter(
        np.where(told, known["told_open_right"], chance)[judged],
        strings[judged],
        np.where(np.isnan(read), factor, read)[judged],
        np.hypot(error, known["model_sd"])[judged],
        known["other_cause_share"],
    )
    working = np.where(judged, 1.0 - by_meter / strings, 1.0)
    site = cohort.arrays["site"].to_numpy(dtype=np.intp)
    in_place = plant.replace(
        strings_working=np.where(judged[site], working[site], plant.strings_working),
        calibration=plant.calibration / working,
    )
    column = pd.array(by_meter, dtype="Float64")
    return replace(cohort, sites=sites.assign(**{OPEN_STRING_COLUMN: column})), in_place


def apply_calibration(plant: Plant, calibration: Calibration) -> Plant:
    """Return the plant whose computed output agrees with the readings, as far as there are any."""
    return plant.replace(calibration=plant.calibration * calibration.dc_factor)


def with_evidence(cohort: Cohort, calibration: Calibration) -> Cohort:
    """Return the cohort with the evidence that plugins may read as columns of its sites, NA where unknown."""
    columns = {
        name: pd.array(calibration.evidence[source].to_numpy(dtype=np.float64), dtype="Float64")
        for name, source in SITE_COLUMNS.items()
    }
    return replace(cohort, sites=cohort.sites.assign(**columns))


@dataclass(frozen=True, eq=False)
class FittedBaseline:
    """``cohort`` with own load shapes, measured demand and evidence columns; ``plant`` calibrated."""

    cohort: Cohort
    plant: Plant
    readings: Checked
    calibration: Calibration


def fitted_baseline(cohort: Cohort, readings: pd.DataFrame) -> FittedBaseline:
    """Return the baseline plant as far as facts and meter readings tell.

    ``readings`` has the dictionary's columns of table reading and may be empty; then nothing but the evidence columns,
    all unknown, is added.
    """
    checked = check_readings(cohort, readings)
    cohort = with_own_load(cohort, checked)
    plant = baseline(cohort)
    all_strings = plant.replace(strings_working=np.ones_like(plant.strings_working))
    calibration = calibrate(cohort, all_strings, checked)
    plant = apply_calibration(plant, calibration)
    cohort, plant = with_open_strings(with_evidence(cohort, calibration), plant, calibration)
    return FittedBaseline(cohort, plant, checked, calibration)
