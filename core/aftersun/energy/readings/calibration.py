"""The baseline plant with what the sites' own meters say of it: output as it is now, with an honest error.

The weather year is typical, not the one of the readings. Where the light of their own months is loaded, or neighbours
tell of it, months are compared under their own sky; elsewhere each deviates by its weather, which enters the error: the
variance of a period's output is taken in proportion to the energy expected in it, which with 3.9 % for a
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
import pandas as pd

from aftersun.energy.assumptions import system_values
from aftersun.energy.balance import simulate
from aftersun.energy.baseline import baseline, open_string_chance
from aftersun.energy.generation import annual_generation
from aftersun.energy.readings import fit as readings_fit
from aftersun.energy.readings.causes import ranked_causes
from aftersun.energy.readings.checks import CLOCK, PRODUCTION, SUMMER_TIME, fine_production, limits
from aftersun.energy.readings.open_string import chance_by_meter
from aftersun.energy.readings.own_load import with_own_load
from aftersun.energy.readings.periods import periods_of
from aftersun.energy.readings.present import evidence_of, reach_of
from aftersun.energy.readings.quality import Checked, check_readings
from aftersun.energy.readings.sky import Sky, skies
from aftersun.energy.readings.standstill import idle_until_now, outages, snow_free_hours
from aftersun.model.codes import Untold
from aftersun.model.cohort import Cohort
from aftersun.model.energy import Energy
from aftersun.model.plant import Plant
from aftersun.model.ranges import Floats

# What a site has without readings.
_NOTHING_KNOWN: Mapping[str, object] = {
    **dict.fromkeys(("factor", "factor_se", "shortfall", "zero_day_share", "low_light_ratio"), np.nan),
    **dict.fromkeys(("trend_per_year", "trend_low", "trend_high"), np.nan),
    "years_of_data": 0.0,
    "periods": 0,
    "factor_read": np.nan,
    **dict.fromkeys(("change", "change_se"), np.nan),
    "changed_on": pd.NaT,
    "change_causes": (),
    "change_chances": (),
    "outages": 0,
    **dict.fromkeys(("outage_days", "outage_kwh"), np.nan),
    "outage_since": pd.NaT,
    **dict.fromkeys(("standstill_chance", "idle_days", "idle_kwh", "idle_expected_kwh"), np.nan),
    "idle_since": pd.NaT,
    "remarks": (Untold.NO_READINGS,),
}
EVIDENCE_COLUMNS = tuple(_NOTHING_KNOWN)
# What plugins may read of it in ``cohort.sites``, unknown where there are no readings.
SITE_COLUMNS = {
    f"meter_{name}": name
    for name in ("factor", "factor_se", "shortfall", "zero_day_share", "trend_per_year", "trend_low", "trend_high")
}
OPEN_STRING_COLUMN = "meter_open_string_chance"  # likewise: the chance of an open string that the meter leaves

_FIT_ROUNDS = 3
_LEAST_FACTOR = 0.02


@dataclass(frozen=True, eq=False)
class Calibration:
    """What the readings say of each site of a cohort.

    ``evidence`` is indexed by site_id and has the columns ``EVIDENCE_COLUMNS``; NaN = cannot be told.

    - factor, factor_se: measured over computed output of a typical year as the system does now, and its standard error
    - shortfall: the share that is missing beyond the errors of weather, meter and model, at least
    - zero_day_share: share of days without output among those on which most neighbours had some; without neighbours
      that of the outages among all days with readings, if there were any
    - low_light_ratio: the factor in low light over that in full light
    - trend_per_year, trend_low, trend_high: change of output, share a year, normal ageing included and steps not, with
      the 95 % interval; only an interval that excludes zero tells of a change
    - changed_on, change, change_se: the last day on which output changed at once, by what share of that before, and the
      standard error; factor is of the time since then
    - change_causes, change_chances: what may have done it, codes of ``step_causes.csv``, the likeliest first, and the
      chance of each: suspected, never known
    - years_of_data, periods: how much readings cover, and in how many months or longer readings
    - factor_read: the factor once more where it says that the facts are wrong: then nothing is corrected by it
    - outages, outage_since, outage_days, outage_kwh: times before that without output which no weather explains: how
      many, when the longest began, and of all the days and what the model expects in them. Nothing else here but
      zero_day_share is taken from these readings
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
    stopped_share: dict[str, float] = {}
    for site, site_id in enumerate(part.sites.index):
        output = _given(energy, site)
        idle = idle_until_now(by_site[site_id], output, snow_free, rating[site], pd.Timestamp(cohort.as_of))
        if idle is not None:
            rows[metered[site]] |= idle.figures
        if idle is not None and idle.told:
            by_site[site_id] = by_site[site_id].drop(idle.rows)
            produced = produced.drop(idle.rows)
        stopped = None if by_site[site_id].empty else outages(by_site[site_id], output, snow_free, rating[site])
        if stopped is not None:
            whole_h = float(by_site[site_id]["hours"].sum())
            rows[metered[site]] |= stopped.figures
            stopped_share[site_id] = float(by_site[site_id].loc[stopped.rows, "hours"].sum()) / whole_h
            by_site[site_id] = by_site[site_id].drop(stopped.rows)
    own_skies = _skies(part, part_plant, energy, [by_site[site_id] for site_id in part.sites.index])
    zero_days = _zero_days(part, part_plant, produced)
    clock_faults = readings.sites_with(CLOCK, SUMMER_TIME)
    for site, site_id in enumerate(part.sites.index):
        row = rows[metered[site]]
        share = zero_days.get(site_id, np.nan)
        row["zero_day_share"] = stopped_share.get(site_id, np.nan) if np.isnan(share) else share
        right = site_id not in clock_faults
        row |= _evidence(part, part_plant, energy, site, by_site[site_id], right, own_skies[site])
    evidence = _with_causes(cohort, _as_evidence(rows, cohort))
    factor[metered] = _dc_factors(part, part_plant, energy, evidence.iloc[metered])
    return Calibration(evidence, factor)


def _skies(cohort: Cohort, plant: Plant, energy: Energy, produced: list[pd.DataFrame]) -> list[Sky]:
    """Return the weather of the months of each site, as far as loaded light or neighbours tell."""
    as_of = pd.Timestamp(cohort.as_of)
    periods = [
        None if rows.empty else periods_of(rows, _given(energy, site), as_of) for site, rows in enumerate(produced)
    ]
    return skies(cohort, periods, plant.ageing_per_year)


def _as_evidence(rows: list[dict[str, object]], cohort: Cohort) -> pd.DataFrame:
    return pd.DataFrame(rows, columns=list(EVIDENCE_COLUMNS), index=cohort.sites.index)


def _given(energy: Energy, site: int) -> Floats:
    """Return what the production meter of a site would show of its typical year, (H,), kWh."""
    output: Floats = energy.generated[site].astype(np.float64) - energy.curtailed[site]
    return output


def _evidence(
    cohort: Cohort,
    plant: Plant,
    energy: Energy,
    site: int,
    produced: pd.DataFrame,
    clock_is_right: bool,
    sky: Sky,
) -> dict[str, object]:
    """Return the evidence of a site that has readings, without what takes neighbours."""
    if produced.empty:
        return {"remarks": (Untold.TOO_FEW,)}
    known = limits()
    output = _given(energy, site)
    year_kwh, as_of = float(output.sum()), pd.Timestamp(cohort.as_of)
    curtailed = float(energy.curtailed[site].sum(dtype=np.float64))
    if curtailed > known["curtailed_max"] * max(year_kwh, curtailed):
        return reach_of(periods_of(produced, output, as_of)) | {"remarks": (Untold.CURTAILED,)}
    if year_kwh <= 0:
        return reach_of(periods_of(produced, output, as_of)) | {"remarks": (Untold.NO_OUTPUT,)}
    remarks: list[Untold] = []
    row = evidence_of(produced, output, float(plant.ageing_per_year[site]), as_of, remarks, sky)
    fine = produced[fine_production(produced)]
    if len(fine) and clock_is_right:
        ratio = readings_fit.low_light_ratio(fine, output, cohort.weather.times.month.to_numpy())
        row["low_light_ratio"] = ratio
        if ratio < known["low_light_notice"]:
            remarks.append(Untold.LOW_LIGHT)
    return row | {"remarks": tuple(remarks)}


def _zero_days(cohort: Cohort, plant: Plant, produced: pd.DataFrame) -> pd.Series:
    known = limits()
    rating = pd.Series(cohort.sum_by_site(plant.dc_rating_kw), index=cohort.sites.index)
    days = readings_fit.day_outputs(produced, rating)
    return readings_fit.zero_day_shares(days, known["day_zero"], known["day_produces"], known["judged_days"])


def _dc_factors(cohort: Cohort, plant: Plant, energy: Energy, evidence: pd.DataFrame) -> Floats:
    """Return the factors on DC output that give the AC output found: clipping and the inverter bend the way there."""
    known = limits()
    certain = evidence["factor_se"].to_numpy() <= known["factor_se_max"]
    rows = np.flatnonzero(certain & evidence["factor_read"].isna().to_numpy())
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
        dc = np.clip(dc * aim / np.maximum(reached, 1e-9), _LEAST_FACTOR, 2.0 * known["factor_max"])
    result[rows] = dc
    return result


def with_open_strings(cohort: Cohort, plant: Plant, calibration: Calibration) -> tuple[Cohort, Plant]:
    """Return cohort and calibrated plant with the chance of an open string that the meters leave; output stays.

    The calibration has to be that of a plant whose strings all deliver: where its factor is applied it tells by Bayes.
    What was told of a string is right with ``told_open_right``. A string that is known to deliver is left alone.
    """
    sites, (_, strings) = cohort.sites, open_string_chance(cohort, system_values(cohort.overrides))
    by_meter = _open_by_meter(cohort, calibration.evidence)
    judged = ~np.isnan(by_meter)
    working = np.where(judged, 1.0 - by_meter / strings, 1.0)
    site = cohort.arrays["site"].to_numpy(dtype=np.intp)
    in_place = plant.replace(
        strings_working=np.where(judged[site], working[site], plant.strings_working),
        calibration=plant.calibration / working,
    )
    column = pd.array(by_meter, dtype="Float64")
    return replace(cohort, sites=sites.assign(**{OPEN_STRING_COLUMN: column})), in_place


def _open_by_meter(cohort: Cohort, evidence: pd.DataFrame) -> Floats:
    """Return the chance of an open string that the meters leave, (S,); NaN where they do not tell.

    Where output fell at once, that step is asked: the model's own error is no part of it.
    """
    known = limits()
    error, factor, read = (evidence[name].to_numpy(np.float64) for name in ("factor_se", "factor", "factor_read"))
    change, change_se = (evidence[name].to_numpy(np.float64) for name in ("change", "change_se"))
    chance, strings = open_string_chance(cohort, system_values(cohort.overrides))
    told = cohort.sites["open_string"].fillna(False).to_numpy(dtype=bool)
    fell = change < 0.0
    certain = np.where(fell, change_se, error) <= known["factor_se_max"]  # NaN compares false
    judged = certain & (np.isnan(read) | fell) & (strings > 1) & (chance > 0.0)
    by_meter = np.full(len(cohort), np.nan)
    by_meter[judged] = chance_by_meter(
        np.where(told, known["told_open_right"], chance)[judged],
        strings[judged],
        np.where(fell, 1.0 + change, factor)[judged],
        np.where(fell, change_se, np.hypot(error, known["model_sd"]))[judged],
        known["other_cause_share"],
    )
    return by_meter


def _with_causes(cohort: Cohort, evidence: pd.DataFrame) -> pd.DataFrame:
    """Return the evidence with what may have made output fall at once, where it did."""
    change, error = (evidence[name].to_numpy(np.float64) for name in ("change", "change_se"))
    rows = np.flatnonzero(change < 0.0)
    causes, chances = evidence["change_causes"].to_list(), evidence["change_chances"].to_list()
    by_meter = np.nan_to_num(_open_by_meter(cohort, evidence)) if len(rows) else np.zeros(0)
    for row in rows:
        causes[row], chances[row] = ranked_causes(float(change[row]), float(error[row]), float(by_meter[row]))
    return evidence.assign(
        change_causes=pd.Series(causes, index=evidence.index, dtype=object),
        change_chances=pd.Series(chances, index=evidence.index, dtype=object),
    )


def apply_calibration(plant: Plant, calibration: Calibration) -> Plant:
    """Return the plant whose computed output agrees with the readings, as far as there are any."""
    return plant.replace(calibration=plant.calibration * calibration.dc_factor)


def with_evidence(cohort: Cohort, calibration: Calibration) -> Cohort:
    """Return the cohort with the evidence that plugins may read as columns of its sites, NA where unknown.

    A factor that says that the facts are wrong tells nothing of the system.
    """
    evidence = calibration.evidence
    doubted = evidence["factor_read"].notna().to_numpy()
    columns = {}
    for name, source in SITE_COLUMNS.items():
        values = evidence[source].to_numpy(dtype=np.float64)
        if source in ("factor", "factor_se", "shortfall"):
            values = np.where(doubted, np.nan, values)
        columns[name] = pd.array(values, dtype="Float64")
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
