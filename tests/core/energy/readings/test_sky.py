"""Readings under the sky of their own months: what light that is loaded, and neighbours, let tell.

Sound output is computed; months deviate by draws of 13 %, years by 4 %, as weather does in the middle latitudes (from
memory of maps of the variability of irradiation).
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
import pytest
from readings_support import from_hours

from aftersun.energy.balance import simulate
from aftersun.energy.baseline import baseline
from aftersun.energy.readings.calibration import calibrate
from aftersun.energy.readings.quality import check_readings
from aftersun.model.cohort import Cohort

FIRST, LAST, FALL = "2021-01-01", "2025-01-01", "2024-03-01"
SEED = 0
MONTHS = pd.date_range(FIRST, LAST, freq="MS", inclusive="left")


def weather_of_months(seed: int) -> np.ndarray:
    """What each month gives over the typical one."""
    rng = np.random.default_rng(seed)
    return (1 + rng.normal(0, 0.13, len(MONTHS))) * np.repeat(1 + rng.normal(0, 0.03, 4), 12)


def homes(make_cohort: Any, count: int) -> Cohort:
    facts = {"annual_demand_kwh": 4000.0, "inverter_rating_kw": 6.0, "export_rule": "net billing"}
    cohort: Cohort = make_cohort(*({**facts, "latitude": 40.0 + 0.01 * n, "longitude": 0.0} for n in range(count)))
    return cohort


def told(cohort: Cohort, sky: np.ndarray, left: dict[str, float], own: float = 0.03) -> pd.DataFrame:
    """The evidence where each site has the months of ``sky``, an own deviation, and since FALL only what is left."""
    output = simulate(cohort, baseline(cohort)).generated.astype(np.float64)
    rng, tables = np.random.default_rng(9), []
    for site, site_id in enumerate(cohort.sites.index):
        rows = from_hours(str(site_id), "production", output[site], "MS", FIRST, LAST)
        since = rows["starts_at"] >= FALL
        share = sky * (1 + rng.normal(0, own, len(sky))) * np.where(since, left.get(str(site_id), 1.0), 1.0)
        tables.append(rows.assign(kwh=rows["kwh"] * share))
    return calibrate(cohort, baseline(cohort), check_readings(cohort, pd.concat(tables, ignore_index=True))).evidence


def with_light(cohort: Cohort, sky: np.ndarray, latitude: float) -> Cohort:
    hours = np.repeat(np.arange(12), 24 * np.array([31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31]))
    typical = np.bincount(hours, cohort.weather.ghi) / 1000
    light = pd.DataFrame({"month": MONTHS, "latitude": latitude, "longitude": 0.0})
    return replace(cohort, past_light=light.assign(irradiation_kwh_m2=1.06 * sky * np.tile(typical, 4)))  # 6 % too high


def test_light_of_the_months_shows_a_fall_that_weather_hides(make_cohort: Any) -> None:
    cohort, sky = homes(make_cohort, 1), weather_of_months(SEED)
    hidden = told(cohort, sky, {"S0": 0.85}).loc["S0"]
    assert np.isnan(hidden["change"])  # so in seven of eight draws, the eighth tells a wrong size; below in eight
    seen = told(with_light(cohort, sky, 40.3), sky, {"S0": 0.85}).loc["S0"]
    assert seen["change"] == pytest.approx(-0.15, abs=0.03)
    assert seen["changed_on"] == pd.Timestamp(FALL)
    assert seen["change_se"] < 0.03
    too_far = told(with_light(cohort, sky, 41.0), sky, {"S0": 0.85}).loc["S0"]
    assert too_far["factor"] == hidden["factor"]


def test_neighbours_show_it_where_no_light_is_loaded(make_cohort: Any) -> None:
    sky = weather_of_months(SEED)
    few, many = (told(homes(make_cohort, count), sky, {"S0": 0.85}) for count in (4, 5))
    assert np.isnan(few.loc["S0", "change"])  # three neighbours are too few
    assert many.loc["S0", "change"] == pytest.approx(-0.15, abs=0.03)
    assert many.loc["S0", "changed_on"] == pd.Timestamp(FALL)
    assert many["change"].drop("S0").isna().all()  # and theirs is no fault


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(5))
def test_sound_neighbours_raise_nothing_and_keep_their_level(make_cohort: Any, seed: int) -> None:
    cohort, sky = homes(make_cohort, 5), weather_of_months(10 + seed)
    found = told(cohort, sky, {})
    assert found["change"].isna().all()
    assert not ((found["trend_low"] > 0) | (found["trend_high"] < 0)).any()
    # the mean of their own years stays in the level, and in its error
    alone = told(homes(make_cohort, 1), sky, {}).loc["S0"]
    assert found.loc["S0", "factor"] == pytest.approx(alone["factor"], abs=0.03)
    assert found.loc["S0", "factor_se"] > 0.015
