"""A planted factor is recovered within the stated error; garbage stays within bounds; unknown stays unknown."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from readings_support import from_hours, grid, readings, typical

from aftersun.energy.balance import simulate
from aftersun.energy.baseline import baseline
from aftersun.energy.losses import loss_chain
from aftersun.energy.readings.calibration import (
    EVIDENCE_COLUMNS,
    SITE_COLUMNS,
    Calibration,
    apply_calibration,
    calibrate,
    fitted_baseline,
    with_evidence,
)
from aftersun.energy.readings.quality import check_readings
from aftersun.model.codes import Untold
from aftersun.model.cohort import Cohort
from aftersun.model.energy import Energy
from aftersun.model.plant import Plant
from aftersun.wording import untold_text

YEAR_SD = 0.039  # Thevenard & Pelland 2013, Toronto: weather from year to year
NO_AGEING = {"ageing_per_year": 1e-9}

Case = tuple[Cohort, Plant, Energy]


@pytest.fixture(scope="module")
def case(make_cohort: Any) -> Case:
    """Three sites of 4 kW: an ample inverter, one that clips a lot, modules to the east. The run is of 2025-01-01."""
    cohort = make_cohort(
        {"inverter_rating_kw": 6.0, "annual_demand_kwh": 4000.0},
        {"inverter_rating_kw": 2.2, "annual_demand_kwh": 4000.0},
        {"inverter_rating_kw": 6.0, "annual_demand_kwh": 4000.0, "arrays": [{"azimuth_deg": 90.0}]},
    )
    cohort = replace(cohort, overrides=NO_AGEING)
    plant = baseline(cohort)
    return cohort, plant, simulate(cohort, plant)


def fit(case: Case, rows: pd.DataFrame) -> Calibration:
    cohort, plant, _ = case
    return calibrate(cohort, plant, check_readings(cohort, rows))


def output(case: Case, site: int = 0) -> np.ndarray:
    return case[2].generated[site].astype(np.float64)


def with_weather(rng: np.random.Generator, hourly: np.ndarray, starts: pd.Series, ends: pd.Series) -> np.ndarray:
    """Monthly output of real years: independent months, together 3.9 % from year to year."""
    expected = typical(hourly, starts, ends)
    sd = YEAR_SD * np.sqrt(hourly.sum() / expected)
    return expected * np.maximum(1 + sd * rng.standard_normal(len(expected)), 0)


def of_a_system(rng: np.random.Generator, hourly: np.ndarray, starts: pd.Series, ends: pd.Series) -> np.ndarray:
    """Likewise, with the model's error of the season and drift up to now, as the limits have them."""
    month = starts.dt.month.to_numpy() - 1
    turn = 2 * np.pi * np.arange(12) / 12
    one, other = 0.08 * rng.standard_normal(2)
    season = one * np.cos(turn) + other * np.sin(turn) + 0.04 * rng.standard_normal(12)
    expected = typical(hourly, starts, ends)
    season -= np.bincount(month, expected * season[month]).sum() / expected.sum()
    drift = np.cumsum(0.02 / np.sqrt(12) * rng.standard_normal(len(month)))[::-1]
    return with_weather(rng, hourly, starts, ends) * (1 + season[month]) * (1 + drift)


@pytest.mark.parametrize("years", [1, 3])
@pytest.mark.slow
def test_planted_factors_come_back_within_the_stated_error(make_cohort: Any, years: int) -> None:
    rng = np.random.default_rng(11)
    planted = np.linspace(0.6, 1.1, 60)
    # each of its own weather, so each too far from the others to be their neighbour
    sites = [{"annual_demand_kwh": 4000.0, "latitude": 10.0 + n} for n in range(len(planted))]
    cohort = replace(make_cohort(*sites), overrides=NO_AGEING)
    plant = baseline(cohort)
    case = cohort, plant, simulate(cohort, plant)
    starts, ends = grid("MS", f"{2025 - years}-01-01", "2025-01-01")
    parts = [
        readings(f"S{n}", "production", starts, ends, factor * of_a_system(rng, output(case), starts, ends))
        for n, factor in enumerate(planted)
    ]
    evidence = fit(case, pd.concat(parts)).evidence
    found, error = (evidence[name].to_numpy() for name in ("factor", "factor_se"))
    assert (error / found).max() < {1: 0.065, 3: 0.055}[years]  # drift is the same however long the series
    deviation = (found - planted) / np.sqrt(error**2 - (0.02 * found) ** 2)  # these meters are exact
    assert np.abs(deviation).max() < 4
    assert np.sqrt(np.mean(deviation**2)) == pytest.approx(1, abs=0.25)  # 60 normal deviates: 1 +- 0.09
    assert np.mean(deviation) == pytest.approx(0, abs=0.4)  # +- 0.13


@pytest.mark.slow
def test_a_year_of_the_typical_weather(case: Case) -> None:
    rows = from_hours("S0", "production", 0.6 * output(case), "D", "2023-01-01", "2024-01-01")
    evidence = fit(case, rows).evidence.loc["S0"]
    assert evidence["factor"] == pytest.approx(0.6)
    # by hand: 3.9 % of weather in a year (at 95 % efficiency), 2 % of the meter, and drift of 2 % a year
    # in 1 to 2 years until the run, of which the mean of the lesser of two is 4/3; a whole year holds next to no season
    error = 0.6 * np.sqrt((0.039**2 + 0.02**2 * 4 / 3) / 0.95 + 0.02**2)
    assert evidence["factor_se"] == pytest.approx(error, rel=0.01)
    # 7.9 % of the model (Thevenard & Pelland 2013); 1.28 = 90 % one-sided
    assert evidence["shortfall"] == pytest.approx(0.4 - 1.28 * np.hypot(evidence["factor_se"], 0.079), rel=1e-6)
    assert evidence["years_of_data"] == pytest.approx(1)
    assert evidence["periods"] == 12
    assert list(evidence.index) == list(EVIDENCE_COLUMNS)


@pytest.mark.slow
def test_a_part_of_a_year_carries_the_error_of_its_season_and_old_readings_that_of_drift(case: Case) -> None:
    def error(first: str, last: str) -> float:
        rows = from_hours("S0", "production", output(case), "MS", first, last)
        return float(fit(case, rows).evidence.loc["S0", "factor_se"])

    whole, half, old = (
        error(*span)
        for span in (("2024-01-01", "2025-01-01"), ("2024-01-01", "2024-07-01"), ("2014-01-01", "2015-01-01"))
    )
    # half a year: weather 3.9 % x sqrt(2) and a season of 8 % amplitude, of which the worst half holds 2 / pi
    assert 0.075 < half < 0.10
    assert whole < 0.055
    # ten years more: 2 % x sqrt(10) of drift
    assert old == pytest.approx(np.hypot(whole, 0.02 * np.sqrt(10)), rel=0.1)


def test_no_shortfall_within_the_errors(case: Case) -> None:
    rows = from_hours("S0", "production", 0.9 * output(case), "D", "2023-01-01", "2024-01-01")
    assert fit(case, rows).evidence.loc["S0", "shortfall"] == 0


@pytest.mark.parametrize("freq", ["30min", "h", "D", "MS", "QS"])
@pytest.mark.slow
def test_every_step_gives_the_same_factor(case: Case, freq: str) -> None:
    rows = from_hours("S2", "production", 0.8 * output(case, 2), freq, "2023-01-01", "2025-01-01")
    evidence = fit(case, rows).evidence.loc["S2"]
    assert evidence["factor"] == pytest.approx(0.8, rel=1e-3)
    assert evidence["years_of_data"] == pytest.approx(2, abs=0.02)
    assert evidence["trend_per_year"] == pytest.approx(0, abs=1e-3)


def test_outages_resets_and_gaps_do_not_carry_the_factor_away(case: Case) -> None:
    rng = np.random.default_rng(5)
    starts, ends = grid("MS", "2023-01-01", "2025-01-01")
    kwh = 0.85 * with_weather(rng, output(case), starts, ends)
    kwh[[6, 7]] = 0.0  # two summer months without any output
    count = np.concatenate([[500.0], 500 + np.cumsum(kwh)])
    count[15:] -= count[15] - 3.0  # another meter
    rows = readings("S0", "production", pd.concat([starts, ends.iloc[[-1]]], ignore_index=True), register=count)
    cohort = case[0]
    checked = check_readings(cohort, rows.drop(index=10))
    assert len(checked.set_aside) == 1
    evidence = calibrate(*case[:2], checked).evidence.loc["S0"]
    assert abs(evidence["factor"] - 0.85) < 2 * evidence["factor_se"]
    plain = np.delete(kwh, [9, 10, 14]).sum() / np.delete(typical(output(case), starts, ends), [9, 10, 14]).sum()
    assert plain < 0.85 - 2 * evidence["factor_se"]  # what a mere ratio of sums would say


@pytest.mark.slow
def test_scatter_beyond_the_weather_widens_the_error(case: Case) -> None:
    starts, ends = grid("MS", "2023-01-01", "2025-01-01")
    expected = typical(output(case), starts, ends)
    calm = fit(case, readings("S0", "production", starts, ends, expected * 0.8)).evidence.loc["S0", "factor_se"]
    swing = np.tile([0.45, 1.15], 12)
    wild = fit(case, readings("S0", "production", starts, ends, expected * swing)).evidence.loc["S0", "factor_se"]
    assert wild > 1.5 * calm


def test_readings_of_years_ago_are_of_a_younger_system(make_cohort: Any) -> None:
    cohort = make_cohort({"annual_demand_kwh": 4000.0, "commissioned_on": pd.Timestamp("2010-01-01")})
    plant = baseline(cohort)
    energy = simulate(cohort, plant)
    younger = energy.generated[0] / 0.995 ** (2025.0 - 2015.5)  # normal ageing of 0.5 % a year
    rows = from_hours("S0", "production", younger, "MS", "2015-01-01", "2016-01-01")
    evidence = fit((cohort, plant, energy), rows).evidence.loc["S0"]
    assert evidence["factor"] == pytest.approx(1, abs=2e-3)


@pytest.mark.parametrize(("share", "told"), [(0.4, "0.40"), (1.4, "1.40")])
def test_a_factor_outside_its_band_is_a_finding_about_facts_and_corrects_nothing(
    case: Case, share: float, told: str
) -> None:
    rows = from_hours("S0", "production", share * output(case), "MS", "2022-01-01", "2025-01-01")
    calibration = fit(case, rows)
    evidence = calibration.evidence.loc["S0"]
    assert evidence["factor"] == evidence["factor_read"] == pytest.approx(share)  # as read, not cut
    assert calibration.dc_factor[0] == 1
    assert np.isnan(evidence["shortfall"])
    assert f"the readings give {told} times what the facts let expect" in untold_text(evidence.to_dict())
    assert "nothing is corrected" in untold_text(evidence.to_dict())
    sites = with_evidence(case[0], calibration).sites
    assert sites.loc["S0", ["meter_factor", "meter_factor_se", "meter_shortfall"]].isna().all()


def test_a_step_out_of_the_band_is_the_system_and_not_its_facts(case: Case) -> None:
    rows = from_hours("S0", "production", output(case), "MS", "2022-01-01", "2025-01-01")
    rows["kwh"] = rows["kwh"].where(rows["starts_at"] < pd.Timestamp("2024-05-01"), 0.3 * rows["kwh"])
    calibration = fit(case, rows)
    evidence = calibration.evidence.loc["S0"]
    assert evidence["factor"] == pytest.approx(0.3, abs=1e-3)
    assert np.isnan(evidence["factor_read"])
    assert calibration.dc_factor[0] == pytest.approx(0.3, abs=0.02)


@settings(max_examples=10)
@given(
    kwh=st.lists(st.floats(0, 3000), min_size=1, max_size=30),
    freq=st.sampled_from(["D", "MS"]),
    site=st.sampled_from(["S0", "S1", "S2"]),
)
@pytest.mark.slow
def test_whatever_is_read_the_evidence_is_sound(case: Case, kwh: list[float], freq: str, site: str) -> None:
    edges = pd.Series(pd.date_range("2022-04-01", periods=len(kwh) + 1, freq=freq))
    rows = readings(site, "production", edges[:-1].to_numpy(), edges[1:].to_numpy(), kwh)
    calibration = fit(case, rows)
    evidence = calibration.evidence.loc[site]
    assert ((calibration.dc_factor > 0) & (calibration.dc_factor <= 2.5)).all()
    if not np.isnan(evidence["factor"]):
        assert evidence["factor_se"] > 0
        if not np.isnan(evidence["factor_read"]):
            assert calibration.dc_factor[case[0].sites.index.get_loc(site)] == 1
        else:
            assert 0 <= evidence["shortfall"] <= 1
    else:
        assert evidence["remarks"]


def test_a_month_alone_changes_nothing(case: Case) -> None:
    rows = from_hours("S0", "production", 0.7 * output(case), "D", "2024-02-01", "2024-03-01")
    calibration = fit(case, rows)
    assert calibration.evidence.loc["S0", "factor"] == pytest.approx(0.7)
    assert calibration.evidence.loc["S0", "factor_se"] > 0.08
    assert Untold.TOO_FEW in calibration.evidence.loc["S0", "remarks"]
    assert calibration.dc_factor[0] == 1


def test_curtailed_output_tells_nothing(make_cohort: Any) -> None:
    cohort = make_cohort({"export_rule": "no export", "annual_demand_kwh": 1500.0})
    plant = baseline(cohort)
    energy = simulate(cohort, plant)
    rows = from_hours("S0", "production", energy.generated[0] - energy.curtailed[0], "D", "2023-01-01", "2024-01-01")
    evidence = fit((cohort, plant, energy), rows).evidence.loc["S0"]
    assert np.isnan(evidence["factor"])
    assert evidence["remarks"] == (Untold.CURTAILED,)


def test_without_readings_nothing_is_known_and_nothing_changes(case: Case) -> None:
    cohort, plant, _ = case
    calibration = fit(case, from_hours("S0", "import", np.ones(8760), "D", "2023-01-01", "2024-01-01"))
    assert set(calibration.evidence["remarks"]) == {(Untold.NO_READINGS,)}
    assert calibration.evidence[list(SITE_COLUMNS.values())].isna().all(axis=None)
    assert (apply_calibration(plant, calibration).calibration == 1).all()
    sites = with_evidence(cohort, calibration).sites
    assert sites[list(SITE_COLUMNS)].isna().all(axis=None)
    assert set(sites[list(SITE_COLUMNS)].dtypes.astype(str)) == {"Float64"}


@pytest.mark.parametrize(("site", "factor"), [(0, 0.7), (1, 0.7), (1, 0.95), (2, 1.1)])
@pytest.mark.slow
def test_the_calibrated_plant_gives_what_the_meter_says(case: Case, site: int, factor: float) -> None:
    cohort, plant, energy = case
    rows = from_hours(f"S{site}", "production", factor * output(case, site), "D", "2022-01-01", "2025-01-01")
    calibration = fit(case, rows)
    after = apply_calibration(plant, calibration)
    ratio = simulate(cohort, after).annual("generated") / energy.annual("generated")
    assert ratio[site] == pytest.approx(factor, abs=2e-3)
    assert np.delete(ratio, site) == pytest.approx(1)
    if (site, factor) == (1, 0.7):
        assert after.calibration[1] < 0.67  # clipping hides part of what the DC side lacks
    chain = loss_chain(cohort, after)
    steps = chain.drop(columns=["in_plane_kwh", "generated_kwh"])
    left = (chain["in_plane_kwh"] - steps.sum(axis=1)).to_numpy()
    assert left == pytest.approx(simulate(cohort, after).annual("generated"), rel=1e-5)
    assert np.sign(chain["calibration_kwh"].iloc[site]) == np.sign(1 - factor)
    assert np.delete(chain["calibration_kwh"].to_numpy(), site) == pytest.approx(0)


@pytest.mark.slow
def test_a_site_alone_gives_the_same(case: Case) -> None:
    cohort, plant, energy = case
    rng = np.random.default_rng(3)
    starts, ends = grid("MS", "2022-01-01", "2025-01-01")
    parts = [
        readings(f"S{n}", "production", starts, ends, 0.8 * with_weather(rng, output(case, n), starts, ends))
        for n in range(3)
    ]
    together = fit(case, pd.concat(parts))
    for site in range(3):
        rows = np.array([site])
        alone = (cohort.take(rows), plant.take(rows, cohort.array_rows(rows)), energy.take(rows))
        single = fit(alone, pd.concat(parts))
        pd.testing.assert_frame_equal(single.evidence, together.evidence.iloc[[site]])
        assert single.dc_factor == together.dc_factor[[site]]


def test_fitted_baseline_is_calibrated_and_carries_the_evidence(case: Case) -> None:
    cohort, _, energy = case
    rows = from_hours("S0", "production", 0.7 * output(case), "MS", "2022-01-01", "2025-01-01")
    fitted = fitted_baseline(cohort, rows)
    year = simulate(fitted.cohort, fitted.plant).annual("generated")
    assert year[0] == pytest.approx(0.7 * energy.annual("generated")[0], rel=3e-3)
    assert year[1:] == pytest.approx(energy.annual("generated")[1:])
    assert fitted.cohort.sites["meter_factor"].to_numpy(dtype=float, na_value=np.nan)[0] == pytest.approx(0.7)
    assert fitted.cohort.sites["meter_factor"].isna().tolist() == [False, True, True]
    nothing = fitted_baseline(cohort, rows.iloc[:0])
    assert (simulate(nothing.cohort, nothing.plant).generated == energy.generated).all()
