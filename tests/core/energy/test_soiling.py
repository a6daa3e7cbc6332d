"""Soiling: pvlib's published figures under one sign, and the steady year of the product."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
import pytest

import aftersun_datasets
from aftersun.energy.baseline import baseline
from aftersun.energy.soiling import annual_soiling_loss, distinct_ratios, kimber_ratio
from aftersun.model.weather import WeatherYear

# pvlib 0.16 defaults of soiling.kimber
RATE, THRESHOLD = 0.0015, 6.0


def hourly(values: Any) -> pd.Series:
    return pd.Series(np.asarray(values, float), index=pd.date_range("2019-01-01", periods=len(values), freq="h"))


def kimber_loss(rain: np.ndarray) -> np.ndarray:
    return 1 - kimber_ratio(hourly(rain), RATE, THRESHOLD).to_numpy()


def steady_ratio(
    year: WeatherYear, rate: Any, threshold: Any, default_loss: float = 0.02, washes: Any = 0.0
) -> np.ndarray:
    """The hourly ratio of each array, (A, 8760)."""
    each = np.broadcast_to(washes, np.shape(rate))
    distinct, own = distinct_ratios(year, np.array(rate), np.array(threshold), default_loss, each)
    return distinct[own]


def test_kimber_in_a_dry_year() -> None:
    # Rate times days up to the cap of 0.30, pvlib's test without rain
    loss = kimber_loss(np.zeros(8760))
    assert loss[720] == pytest.approx(0.0450, abs=1e-6)
    assert loss[2400] == pytest.approx(0.1500, abs=1e-6)
    assert loss.max() == pytest.approx(0.30)
    assert loss.mean() == pytest.approx(0.21779, abs=1e-4)


def test_kimber_with_one_wash_on_the_second_of_july() -> None:
    # Computed with pvlib's manual_wash_dates; a wash leaves no damp ground, so it is a new clean start
    spring, autumn = kimber_loss(np.zeros(182 * 24)), kimber_loss(np.zeros(183 * 24))
    loss = np.concatenate([spring, autumn])
    assert loss.mean() == pytest.approx(0.13684, abs=1e-4)
    assert loss.max() == pytest.approx(0.27444, abs=1e-4)


def test_evenly_spread_washes_leave_half_of_what_builds_up(weather: WeatherYear) -> None:
    dry = replace(weather, rain_mm=np.zeros(8760))
    # without rain, by hand: mean of a saw-tooth r T / 2 = 0.0015 x 365 / 2 / n = 0.0228 at 12, 0.0684 at 4, and in
    # proportion for a part of a wash: n = 4.25 -> 0.0684 - (0.0684 - 0.0548) / 4
    loss = 1 - steady_ratio(dry, [RATE] * 3, [THRESHOLD] * 3, washes=[12.0, 4.0, 4.25]).mean(axis=1)
    assert loss == pytest.approx([0.0228, 0.0684, 0.0650], abs=0.0005)
    # without a record the default loss, or less where washes leave less
    unknown = 1 - steady_ratio(replace(weather, rain_mm=None), [RATE] * 2, [THRESHOLD] * 2, washes=[0.0, 26.0])[:, 0]
    assert unknown == pytest.approx([0.02, 0.0105], abs=0.0001)


def test_the_owners_washes_are_in_the_baseline(make_cohort: Any) -> None:
    desert = {"surroundings": "desert"}
    cohort = make_cohort(desert, {**desert, "cleanings_per_year": 12.0})
    cohort = replace(cohort, weather=replace(cohort.weather, rain_mm=np.zeros(8760)))
    plant = baseline(cohort)
    assert plant.washes_per_year.tolist() == [0.0, 12.0]
    loss = annual_soiling_loss(cohort, plant)
    assert loss[1] < 0.5 * loss[0]


def test_kimber_after_one_rain() -> None:
    # 24 h of rain memory and 14 days of damp ground
    rain = np.zeros(8760)
    wet = 99 * 24 + 12
    rain[wet] = 10
    loss = kimber_loss(rain)
    assert loss[wet - 1] > 0.1
    assert loss[wet] == pytest.approx(0, abs=1e-9)
    assert np.flatnonzero(loss[wet:] > 1e-9)[0] == 14 * 24 + 23


def test_exactly_the_threshold_does_not_clean() -> None:
    # Strict ">" in pvlib 0.16
    rain = np.zeros(480)
    rain[240] = 6.0
    assert (np.diff(kimber_loss(rain)) > 0).all()
    rain[240] = 6.01
    assert kimber_loss(rain)[240] == pytest.approx(0, abs=1e-9)


def test_kimber_on_the_sample_rain_of_pvlib(greensboro_hours: pd.DataFrame) -> None:
    # pvlib's own test: the column adds up to 8345 (tenths of a millimetre, taken as millimetres there)
    rain = greensboro_hours["Lprecip depth (mm)"].to_numpy(float)
    assert rain.sum() == 8345
    loss = kimber_loss(rain)
    assert loss.mean() == pytest.approx(0.00092, abs=1e-5)
    assert loss.max() == pytest.approx(0.03137, abs=1e-4)


def test_clean_glass_stays_clean(weather: WeatherYear) -> None:
    for year in (weather, replace(weather, rain_mm=None)):
        assert (steady_ratio(year, [0.0, 0.0], [1.0, 6.0]) == 1).all()


def test_without_rain_data_the_default_loss_holds(weather: WeatherYear) -> None:
    unknown = replace(weather, rain_mm=None)
    assert steady_ratio(unknown, [0.001], [6.0], 0.02) == pytest.approx(0.98, abs=1e-6)
    assert steady_ratio(unknown, [0.001], [6.0], 0.05) == pytest.approx(0.95, abs=1e-6)


def test_the_year_does_not_begin_clean(weather: WeatherYear) -> None:
    rain = np.zeros(8760)
    rain[4000] = 20.0
    year = replace(weather, rain_mm=rain)
    ratio = steady_ratio(year, [0.0005], [6.0])[0]
    assert ratio[0] == pytest.approx(ratio[-1], abs=1e-4)
    assert ratio[0] < 0.95


def test_rain_with_gaps_is_refused(weather: WeatherYear) -> None:
    rain = np.zeros(8760)
    rain[17] = np.nan
    with pytest.raises(ValueError, match="hours without a value"):
        steady_ratio(replace(weather, rain_mm=rain), [0.001], [6.0])


def test_faster_soiling_and_a_higher_threshold_cost_more(weather: WeatherYear) -> None:
    ratio = steady_ratio(weather, [0.0005, 0.001, 0.001], [6.0, 6.0, 20.0])
    assert (np.diff(ratio.mean(axis=1)) < 0).all()


def test_annual_loss_lies_within_the_hourly_losses(make_cohort: Any) -> None:
    cohort = make_cohort({"surroundings": "desert"}, {"surroundings": "rural"}, {})
    plant = baseline(cohort)
    loss = annual_soiling_loss(cohort, plant)
    hourly_loss = 1 - steady_ratio(cohort.weather, plant.soiling_rate_per_day, plant.rain_threshold_mm)
    assert ((loss > 0) & (loss < hourly_loss.max(axis=1))).all()
    assert loss[0] > loss[2] > loss[1]


def test_rates_are_listed_for_all_surroundings() -> None:
    rows = {row["surroundings"]: row for row in aftersun_datasets.rows("soiling_rates.csv")}
    assert set(rows) == {
        "rural",
        "suburban",
        "urban",
        "roadside",
        "farmland",
        "desert",
        "coast",
        "unknown",
    }
    # Kimber et al. 2006: urban, Central Valley; desert; rural, Northern California
    assert float(rows["urban"]["high"]) == 0.0020
    assert float(rows["desert"]["mode"]) == 0.0030
    assert float(rows["rural"]["high"]) == 0.0011
    assert all(float(row["low"]) <= float(row["mode"]) <= float(row["high"]) for row in rows.values())
