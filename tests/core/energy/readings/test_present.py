"""What is wrong now: steps with day and size, outages at lone sites, no alarm at sound ones."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

import meter_years
import numpy as np
import pandas as pd
import pytest
from readings_support import from_hours

from aftersun.energy.balance import simulate
from aftersun.energy.baseline import baseline
from aftersun.energy.readings.calibration import OPEN_STRING_COLUMN, calibrate, fitted_baseline
from aftersun.energy.readings.causes import ranked_causes
from aftersun.energy.readings.quality import check_readings
from aftersun.wording import changed_text

UNTIL = date(2025, 7, 1)


@pytest.fixture(scope="module")
def spots(samples: Path) -> list[meter_years.Place]:
    """Roofs at four places, three of each, whose weather and facts are a little other than the program's."""
    rng = np.random.default_rng(1)
    return [meter_years.place(samples, name, rng, UNTIL) for name in meter_years.FILES for _ in range(3)]


@pytest.fixture(scope="module")
def spot(samples: Path) -> meter_years.Place:
    """One roof in the semi-arid north-west."""
    return meter_years.place(samples, "WA-Yakima_Air_Terminal.tmy3", np.random.default_rng(3), UNTIL)


def told_of(spot: meter_years.Place, kwh: pd.Series, freq: str = "D", as_of: date = UNTIL) -> pd.Series:
    cohort = replace(spot.cohort, as_of=as_of)
    return calibrate(cohort, baseline(cohort), check_readings(cohort, meter_years.table_of(kwh, freq))).evidence.loc[
        "S0"
    ]


def sound(spot: meter_years.Place, years: int = 3, seed: int = 2) -> pd.Series:
    return meter_years.daily_output(spot, years, UNTIL, np.random.default_rng(seed))


@pytest.mark.parametrize("freq", ["D", "MS"])
def test_half_the_output_gone_for_half_a_year_is_the_present_state(spot: meter_years.Place, freq: str) -> None:
    before = told_of(spot, sound(spot), freq)
    row = told_of(spot, meter_years.step("2025-01-01", 0.5)(sound(spot)), freq)
    assert row["change"] == pytest.approx(-0.5, abs=0.1)
    assert abs(row["changed_on"] - pd.Timestamp("2025-01-01")) <= pd.Timedelta(days=45)  # found in dull winter days
    assert row["factor"] == pytest.approx(0.5 * before["factor"], abs=0.06)
    assert row["shortfall"] > 0.3
    assert not meter_years.raises(before)


def test_a_step_is_told_with_its_day_and_is_no_slope(spot: meter_years.Place) -> None:
    row = told_of(spot, meter_years.step("2024-06-13", 0.38)(sound(spot)))
    assert row["changed_on"] == pytest.approx(pd.Timestamp("2024-06-13"), abs=pd.Timedelta(days=4))
    assert row["change"] == pytest.approx(-0.62, abs=2 * row["change_se"])
    assert not row["trend_high"] < 0
    text = changed_text({"outages": 0, **row})
    assert text.startswith(f"Since about {row['changed_on']:%Y-%m-%d} it has made 6")
    assert "Suspected, not known: " in text


@pytest.mark.slow
def test_what_was_repaired_is_well_now(spot: meter_years.Place) -> None:
    kwh = sound(spot, 4)
    bad = (kwh.index >= "2023-03-01") & (kwh.index < "2024-01-15")
    row, well = told_of(spot, kwh.mask(bad, 0.4 * kwh)), told_of(spot, kwh)
    assert row["change"] > 1.0
    assert row["factor"] == pytest.approx(well["factor"], abs=0.06)
    assert row["shortfall"] == 0
    assert row["change_causes"] == ()


@pytest.mark.parametrize("freq", ["D", "h"])
def test_thirty_days_of_nothing_in_may_and_june_are_found_at_a_lone_site(make_cohort: Any, freq: str) -> None:
    cohort = make_cohort({"annual_demand_kwh": 4000.0, "inverter_rating_kw": 6.0, "export_rule": "net billing"})
    plant = baseline(cohort)
    hourly = simulate(cohort, plant).generated[0].astype(np.float64)
    rows = from_hours("S0", "production", hourly, freq, "2023-01-01", "2025-01-01")
    rows["kwh"] = rows["kwh"].mask(rows["starts_at"].between("2024-05-17", "2024-06-15 23:59"), 0.0)
    row = calibrate(cohort, plant, check_readings(cohort, rows)).evidence.loc["S0"]
    assert row["outages"] == 1
    assert row["outage_since"] == pd.Timestamp("2024-05-17")
    assert row["outage_days"] == pytest.approx(30)
    assert row["outage_kwh"] == pytest.approx(hourly[136 * 24 : 166 * 24].sum())
    assert row["zero_day_share"] == pytest.approx(
        30 / 731, rel=2e-3
    )  # the copy of 28 February in a leap year is set aside
    assert row["factor"] == pytest.approx(1.0, abs=0.01)  # what it makes when it runs: the outage counts once
    assert np.isnan(row["change"])
    said = changed_text({"changed_on": None, **row[["outages", "outage_since", "outage_days", "outage_kwh"]]})
    assert said.startswith("It gave nothing from 2024-05-17 on for 30 days, which no weather explains: about ")


@pytest.mark.slow
def test_snow_and_fog_are_no_outage(spot: meter_years.Place) -> None:
    for first, days in (("2024-12-10", 20), ("2024-06-10", 3)):
        assert told_of(spot, meter_years.outage(first, days)(sound(spot)))["outages"] == 0


def test_causes_by_hand() -> None:
    # half gone, no string open: inverter 0.3 / 0.7, meter 0.2 / 0.9, shade half its density at its end 0.25 / 0.48 / 2,
    # modules none; unknown 0.1
    weights = np.array([0.3 / 0.7, 0.25 / 0.48 / 2, 0.2 / 0.9])
    causes, chances = ranked_causes(-0.5, 0.01, 0.0)
    assert causes == ("inverter", "shade", "meter")
    assert chances == pytest.approx(weights / (weights.sum() + 0.1), abs=1e-3)
    assert ranked_causes(-0.5, 0.01, 0.9)[0][0] == "open_string"
    assert ranked_causes(0.4, 0.01, 0.9) == ((), ())


def test_a_step_of_one_string_makes_it_suspected_and_never_known(make_cohort: Any) -> None:
    facts = {"annual_demand_kwh": 4000.0, "arrays": [{"strings": 2}], "export_rule": "net billing"}
    cohort = make_cohort({**facts, "inverter_rating_kw": 6.0})
    hourly = simulate(cohort, baseline(cohort)).generated[0].astype(np.float64)
    rows = from_hours("S0", "production", hourly, "MS", "2022-01-01", "2025-01-01")
    rows["kwh"] = rows["kwh"].where(rows["starts_at"] < "2024-03-01", 0.5 * rows["kwh"])
    fitted = fitted_baseline(cohort, rows)
    chance = float(fitted.cohort.sites[OPEN_STRING_COLUMN].iloc[0])
    row = fitted.calibration.evidence.loc["S0"]
    assert 0.5 < chance < 0.99
    assert row["change_causes"][0] == "open_string"
    assert row["change_chances"][0] == pytest.approx(chance, abs=1e-3)
    assert fitted.cohort.sites["open_string"].isna().all()
    # the baseline of retrofits is what it makes now
    year = simulate(fitted.cohort, fitted.plant).annual("generated")[0]
    assert year == pytest.approx(0.5 * hourly.sum(), rel=0.01)


@pytest.mark.slow
@pytest.mark.parametrize("years", [2, 3, 5])
def test_of_a_hundred_sound_series_95_raise_nothing(spots: list[meter_years.Place], years: int) -> None:
    rng = np.random.default_rng(20 + years)
    places = [spots[number % len(spots)] for number in range(100)]
    rows = [meter_years.evidence(spot, meter_years.daily_output(spot, years, UNTIL, rng), "MS") for spot in places]
    assert sum(meter_years.raises(row) for row in rows) <= 5


@pytest.mark.slow
def test_a_true_fall_of_two_percent_a_year_is_found_in_eight_years(spots: list[meter_years.Place]) -> None:
    rng = np.random.default_rng(8)
    falls = meter_years.slope(-0.02 + meter_years.AGEING)  # 2 % a year, ageing included
    rows = [
        meter_years.evidence(spot, falls(meter_years.daily_output(spot, 8, UNTIL, rng)), "MS") for spot in spots * 3
    ]
    assert np.mean([row["trend_high"] < 0 or row["change"] < 0 for row in rows]) >= 0.8
    assert np.mean([row["change"] < 0 for row in rows]) <= 0.15  # and seldom taken for a step
    assert np.median([row["trend_per_year"] for row in rows]) == pytest.approx(-0.021, abs=0.004)  # of the mean level


@pytest.mark.slow
@pytest.mark.parametrize(
    ("fault", "figure", "least"),
    [
        (meter_years.step("2025-01-01", 0.5), lambda row: -row["change"], 0.4),
        (meter_years.step("2024-11-13", 0.38), lambda row: -row["change"], 0.5),
        (meter_years.outage("2024-05-20", 30), lambda row: row["outage_days"], 29.9),
    ],
)
def test_faults_are_found_at_every_place(spots: list[meter_years.Place], fault: Any, figure: Any, least: float) -> None:
    rng = np.random.default_rng(4)
    rows = [meter_years.evidence(spot, fault(meter_years.daily_output(spot, 3, UNTIL, rng)), "D") for spot in spots]
    assert np.mean([figure(row) >= least for row in rows]) >= 0.9


@pytest.mark.parametrize("gap_days", [40, 55, 70, 100])
def test_two_steps_close_to_each_other_are_no_trouble(spot: meter_years.Place, gap_days: int) -> None:
    kwh = sound(spot)
    first = pd.Timestamp("2024-03-20")
    worse = kwh.where(kwh.index < first, 0.6 * kwh)
    worst = worse.where(kwh.index < first + pd.Timedelta(days=gap_days), 0.15 * kwh)
    row = meter_years.evidence(spot, worst, "D")
    assert row["factor"] == pytest.approx(0.15, abs=0.05)
    assert row["changed_on"] >= first - pd.Timedelta(days=10)
