"""Trend, zero days and low light: what else production readings show."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest
from readings_support import from_hours, grid, readings, typical

from aftersun.energy.balance import simulate
from aftersun.energy.baseline import baseline
from aftersun.energy.readings.calibration import calibrate
from aftersun.energy.readings.clock import TypicalTime
from aftersun.energy.readings.fit import low_light_ratio, zero_day_shares
from aftersun.energy.readings.quality import check_readings
from aftersun.model.cohort import Cohort
from aftersun.model.energy import Energy
from aftersun.model.plant import Plant
from aftersun.wording import untold_text

Case = tuple[Cohort, Plant, Energy]


@pytest.fixture(scope="module")
def case(make_cohort: Any) -> Case:
    """Four alike sites of 4 kW; the run is of 2025-01-01."""
    cohort = make_cohort(*[{"inverter_rating_kw": 5.0, "annual_demand_kwh": 4000.0}] * 4)
    plant = baseline(cohort)
    return cohort, plant, simulate(cohort, plant)


def evidence(case: Case, rows: pd.DataFrame, site: str = "S0") -> pd.Series:
    cohort, plant, _ = case
    return calibrate(cohort, plant, check_readings(cohort, rows)).evidence.loc[site]


@pytest.mark.parametrize(("first", "last"), [("2023-07-01", "2025-01-01"), ("2024-12-01", "2025-01-01")])
def test_trend_takes_two_years(case: Case, first: str, last: str) -> None:
    row = evidence(case, from_hours("S0", "production", case[2].generated[0], "MS", first, last))
    assert np.isnan(row["trend_per_year"])
    assert "2 full years" in untold_text(row)


def test_two_years_with_a_long_gap_give_no_trend(case: Case) -> None:
    rows = from_hours("S0", "production", case[2].generated[0], "MS", "2023-01-01", "2025-01-01")
    assert not np.isnan(evidence(case, rows)["trend_per_year"])
    assert np.isnan(evidence(case, rows.drop(index=range(8, 14)))["trend_per_year"])


@pytest.mark.slow
def test_zero_days_count_only_where_neighbours_produce(case: Case) -> None:
    rng = np.random.default_rng(4)
    starts, ends = grid("D", "2023-01-01", "2024-01-01")
    weather = rng.uniform(0.5, 1.2, 365)  # of the place, the same for all
    expected = typical(case[2].generated[0], starts, ends) * weather
    snow = np.isin(np.arange(365), range(20, 27))
    kwh = {f"S{n}": np.where(snow, 0.0, expected) for n in range(3)}
    stopped = np.isin(np.arange(365), range(150, 180))
    kwh["S1"] = np.where(stopped, 0.0, kwh["S1"])
    rows = pd.concat([readings(site, "production", starts, ends, values) for site, values in kwh.items()])
    judged = (case[2].annual("generated")[0] > 0) * 365 - 7
    dull = int((expected[~snow] < 0.2 * 4).sum())  # too little to blame the system
    assert evidence(case, rows, "S1")["zero_day_share"] == pytest.approx(30 / (judged - dull), abs=0.002)
    assert evidence(case, rows, "S0")["zero_day_share"] == 0
    alone = rows[rows["site_id"] == "S1"]
    # without neighbours: 30 of 365 days that no weather explains; a week of it may
    assert evidence(case, alone, "S1")["zero_day_share"] == pytest.approx(30 / 365)
    assert np.isnan(evidence(case, rows[rows["site_id"] == "S0"])["zero_day_share"])
    halves = from_hours("S1", "production", case[2].generated[0], "30min", "2023-01-01", "2024-01-01")
    halves["kwh"] = halves["kwh"].mask(halves["starts_at"].dt.floor("D").isin(starts[stopped]), 0.0)
    mixed = pd.concat([rows[rows["site_id"] != "S1"], halves])
    assert evidence(case, mixed, "S1")["zero_day_share"] == pytest.approx(30 / (judged - dull), abs=0.002)


def test_zero_day_shares_by_hand() -> None:
    days = pd.DataFrame(
        {
            "A": [0.0, 0.0, 3.0, np.nan, 0.0],
            "B": [2.0, 0.0, 3.0, 4.0, 2.0],
            "C": [2.0, 0.0, 3.0, 4.0, 0.0],
        }
    )
    shares = zero_day_shares(days, zero=0.01, produces=0.2, least_days=2)
    # A: its days 1 and 3 are judged (on the second nobody produced, on the last only half of the others)
    assert shares["A"] == pytest.approx(1 / 2)
    # B: on day 1 half of the others, on the last none; judged are days 3 and 4, never zero
    assert shares["B"] == 0
    assert zero_day_shares(days, 0.01, 0.2, least_days=4).isna().all()


def test_low_light_shows_a_shunt_and_not_a_dirty_pane(case: Case) -> None:
    hourly = case[2].generated[0].astype(np.float64)
    starts, ends = grid("30min", "2023-01-01", "2024-01-01")
    rng = np.random.default_rng(8)
    cloud = rng.uniform(0.3, 1.0, 366)
    cloud[::4] = 1.0
    of_day = cloud[(starts - starts.iloc[0]).dt.days.to_numpy()]
    clear = np.array([hourly.reshape(365, 24)[max(d - 15, 0) : d + 16].max(axis=0) for d in range(365)]).ravel()
    even = 0.8 * typical(clear, starts, ends) * of_day
    # A shunt takes a constant current: a constant power, a tenth of it in full sun
    shunted = np.maximum(typical(clear, starts, ends) * of_day - 0.1 * clear.max() / 2, 0)

    def ratio(kwh: np.ndarray) -> float:
        fine = pd.DataFrame({"starts_at": starts, "hours": 0.5, "kwh": kwh})
        months = case[0].weather.times.month.to_numpy()
        return low_light_ratio(fine, clear, months)

    assert ratio(even) == pytest.approx(1, abs=0.05)
    assert ratio(shunted) < 0.75
    assert np.isnan(ratio(np.zeros(len(starts))))


@pytest.mark.slow
def test_low_light_is_told_only_by_fine_readings_with_a_right_clock(case: Case) -> None:
    rows = from_hours("S0", "production", case[2].generated[0], "h", "2023-01-01", "2024-01-01")
    assert evidence(case, rows)["low_light_ratio"] == pytest.approx(1, abs=0.01)
    late = rows.assign(**{name: rows[name] + pd.Timedelta(hours=2) for name in ("starts_at", "ends_at")})
    assert np.isnan(evidence(case, late)["low_light_ratio"])
    days = from_hours("S0", "production", case[2].generated[0], "D", "2023-01-01", "2024-01-01")
    assert np.isnan(evidence(case, days)["low_light_ratio"])
    weak = rows.assign(kwh=np.maximum(rows["kwh"].to_numpy(dtype=float) - 0.3, 0))
    assert "low light" in untold_text(evidence(case, weak))


def test_expected_energy_is_that_of_the_typical_year(case: Case) -> None:
    starts, ends = grid("YS", "2022-01-01", "2024-01-01")
    sums = TypicalTime.spanning(starts, ends).add_up(case[2].generated[0], starts, ends)
    assert sums == pytest.approx(case[2].annual("generated")[0])
