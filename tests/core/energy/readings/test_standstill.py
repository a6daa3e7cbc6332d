"""A system that stands still is told by its meter; snow, dark months, nights and old or dead meters are none."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from readings_support import from_hours, grid, readings, typical

from aftersun.climate.read import read_weather
from aftersun.energy.balance import simulate
from aftersun.energy.baseline import baseline
from aftersun.energy.readings.calibration import Calibration, calibrate
from aftersun.energy.readings.quality import check_readings
from aftersun.energy.readings.standstill import chance_of_standstill


@pytest.mark.parametrize(
    ("warm", "cold", "chance"),
    [
        (0, 0, 0.01),  # by hand: 0.01 / (0.01 + 0.003 + 0.987)
        (10, 0, 0.01 / (0.013 + 0.987 * 0.006737947)),  # e^-5: 0.509
        (0, 30, 0.01 / (0.013 + 0.987 * 0.082084999)),  # e^-2.5, December to February under snow: 0.106
        (90, 0, 0.769231),  # 10 / 13: the meter may be dead
    ],
)
def test_chance_by_hand(warm: float, cold: float, chance: float) -> None:
    assert chance_of_standstill(warm, cold) == pytest.approx(chance, rel=1e-5)


FACTS = {"annual_demand_kwh": 4000.0, "inverter_rating_kw": 6.0, "export_rule": "net billing"}  # 4 kW of modules


def judged(
    make_cohort: Any,
    freq: str,
    stops: str,
    until: str = "2025-01-01",
    as_of: str = "2025-01-01",
    on: Any = None,
    **facts: Any,
) -> tuple[pd.Series, Calibration, np.ndarray]:
    """Evidence of a sound meter from 2023 on that shows nothing from the day of ``stops`` on, and the year's hours."""
    cohort = replace(make_cohort({**FACTS, **facts}, **({"on": on} if on else {})), as_of=pd.Timestamp(as_of).date())
    plant = baseline(cohort)
    hourly = simulate(cohort, plant).generated[0].astype(np.float64)
    rows = from_hours("S0", "production", hourly, freq, "2023-01-01", until)
    rows["kwh"] = rows["kwh"].mask(rows["starts_at"] >= pd.Timestamp(stops), 0.0)
    found = calibrate(cohort, plant, check_readings(cohort, rows))
    return found.evidence.loc["S0"], found, hourly


@pytest.mark.parametrize("freq", ["h", "D", "MS"])
def test_a_summer_without_output_is_a_standstill_and_says_nothing_of_the_sound_system(
    make_cohort: Any, freq: str
) -> None:
    told, found, hourly = judged(make_cohort, freq, "2024-06-01", "2024-09-01", "2024-09-10")
    assert told["idle_since"] == pd.Timestamp("2024-06-01")
    assert told["idle_days"] == 92  # June, July, August
    assert told["idle_kwh"] == 0
    assert told["idle_expected_kwh"] == pytest.approx(hourly[3624:5832].sum())  # hours of 1 June to 31 August
    assert told["standstill_chance"] == pytest.approx(10 / 13, abs=1e-3)
    # what it made before is what it makes: no shortfall, no days without output that would sell alerts
    assert told["factor"] == pytest.approx(1.0, abs=0.02)
    assert told["shortfall"] == 0
    assert found.dc_factor[0] == pytest.approx(1.0, abs=0.02)


def test_all_zeros_from_the_first_reading_on_are_a_standstill_too(make_cohort: Any) -> None:
    told, _, _ = judged(make_cohort, "MS", "2023-01-01")
    assert told["idle_days"] == 731
    assert np.isnan(told["factor"])


@pytest.mark.parametrize(
    ("freq", "stops", "until", "as_of"),
    [
        ("D", "2024-12-01", "2025-01-01", "2025-01-01"),  # a December under snow
        ("MS", "2024-12-01", "2025-01-01", "2025-01-01"),
        ("h", "2024-06-27 20:00", "2024-06-28", "2024-06-28"),  # a night
        ("D", "2024-06-26", "2024-06-28", "2024-06-28"),  # work on the roof, or the grid, for two days
        ("MS", "2024-06-01", "2024-09-01", "2025-01-01"),  # read four months ago: nobody knows how it stands now
        ("MS", "2030-01-01", "2025-01-01", "2025-01-01"),  # sound
    ],
)
def test_snow_night_and_old_readings_are_no_standstill(
    make_cohort: Any, freq: str, stops: str, until: str, as_of: str
) -> None:
    told, _, _ = judged(make_cohort, freq, stops, until, as_of)
    assert pd.isna(told["idle_since"])
    assert not told["standstill_chance"] >= 0.5


@pytest.mark.slow
def test_real_weather_of_another_year_never_looks_like_a_standstill(make_cohort: Any, samples: Path) -> None:
    # hours of real months at 47 and 48 degrees north, the one east of the mountains with snow, the other by the sea
    year, other = (
        read_weather(samples / name).year for name in ("WA-Yakima_Air_Terminal.tmy3", "WA-Port_Angeles_727885.epw")
    )
    facts = {**FACTS, "latitude": 46.6, "longitude": -120.5}
    cohort = make_cohort(facts, on=year)
    plant, real = baseline(cohort), make_cohort(facts, on=other)
    hourly = simulate(real, baseline(real)).generated[0].astype(np.float64)
    for freq in ("D", "MS"):
        starts, ends = grid(freq, "2024-01-01", "2025-01-01")
        kwh = typical(hourly, starts, ends)
        for last in pd.date_range("2024-02-01", "2025-01-01", freq="MS"):
            there = (ends <= last).to_numpy()
            rows = readings("S0", "production", starts[there], ends[there], kwh[there])
            of_day = replace(cohort, as_of=last.date())
            assert pd.isna(calibrate(of_day, plant, check_readings(of_day, rows)).evidence["idle_since"]).all()


@pytest.mark.slow
def test_months_of_snow_are_no_standstill_and_the_same_months_where_none_falls_are(
    make_cohort: Any, samples: Path
) -> None:
    cold = read_weather(samples / "WA-Yakima_Air_Terminal.tmy3").year
    facts = {"latitude": 46.6, "longitude": -120.5, "on": cold}
    told, _, hourly = judged(make_cohort, "D", "2024-12-08", "2025-02-20", "2025-02-21", **facts)
    assert pd.isna(told["idle_since"])
    missed = hourly[8184:].sum() + hourly[:1200].sum()  # from hour 0 of 8 December, to 19 February
    assert told["standstill_chance"] == pytest.approx(chance_of_standstill(0, missed / hourly.sum() * 365), rel=1e-6)
    facts["on"] = replace(cold, temp_air=cold.temp_air + 10)
    assert judged(make_cohort, "D", "2024-12-08", "2025-02-20", "2025-02-21", **facts)[0]["idle_days"] == 74
