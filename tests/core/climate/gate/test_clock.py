"""The clock check against skies that are made, where the shift is known."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from aftersun.climate.formats.known import parse
from aftersun.climate.gate.clock import STEPS_PER_HOUR, ClockFit, check_clock, fit_clock, likely_causes, sun_height
from aftersun.climate.gate.findings import Findings
from aftersun.climate.gate.order import in_order
from aftersun.climate.sun import sun_position, year_times


def sky(latitude: float, longitude: float, zone: float, late_quarters: int = 0) -> np.ndarray:
    """A cloudless year of hourly GHI, late by some quarter hours."""
    height = np.roll(sun_height(latitude, longitude, zone), late_quarters)
    return 1000 * height.reshape(-1, STEPS_PER_HOUR).mean(axis=1)


def judged(fit: ClockFit, longitude: float, utc_offset_h: float) -> bool | None:
    """Whether the clock stops a file, None where there is nothing to remark either."""
    findings = Findings("made")
    check_clock(fit, longitude, utc_offset_h, findings)
    assert len(findings.refusals) + len(findings.remarks) <= 1
    return bool(findings.refusals) if findings.refusals or findings.remarks else None


def test_sun_height_agrees_with_the_solar_position_algorithm() -> None:
    # Spencer's series are good to a few tenths of a degree, which is 0.02 in the cosine; the mean of an hour
    # is as near to mid-hour except at sunrise and sunset.
    mean = sun_height(45.0, 8.0, 1.0).reshape(-1, STEPS_PER_HOUR).mean(axis=1)
    zenith = sun_position(year_times(1.0), 45.0, 8.0, 0.0)["zenith"].to_numpy()
    day = zenith < 80
    np.testing.assert_allclose(mean[day], np.cos(np.radians(zenith[day])), atol=0.02)


@settings(max_examples=8)
@given(latitude=st.floats(-60, 60), longitude=st.floats(-180, 180), late_quarters=st.integers(-44, 44))
@pytest.mark.slow
def test_shift_of_a_cloudless_sky_is_found_anywhere(latitude: float, longitude: float, late_quarters: int) -> None:
    zone = float(round(longitude / 15))
    fit = fit_clock(sky(latitude, longitude, zone, late_quarters), latitude, longitude, zone)
    assert fit.shift_h == pytest.approx(late_quarters / STEPS_PER_HOUR, abs=0.1)
    np.testing.assert_allclose(fit.month_shift_h, late_quarters / STEPS_PER_HOUR, atol=0.15)


def test_cloudy_afternoons_are_no_shift() -> None:
    # Every afternoon hour is cloudy with a chance of up to 60 %, then at 35 % of the clear sky.
    clear = sky(0.0, 0.0, 0.0)
    chance = 0.6 * np.clip((np.arange(8760) % 24 - 9) / 8, 0, 1)
    cloudy = np.random.default_rng(1).random(8760) < chance
    fit = fit_clock(np.where(cloudy, 0.35 * clear, clear), 0.0, 0.0, 0.0)
    assert judged(fit, 0.0, 0.0) is None


@pytest.mark.parametrize(("quarters", "stops"), [(0, None), (1, False), (2, True), (-2, True), (4, True)])
def test_small_shift_is_remarked_and_large_one_refused(quarters: int, stops: bool | None) -> None:
    assert judged(fit_clock(sky(40.0, 0.0, 0.0, quarters), 40.0, 0.0, 0.0), 0.0, 0.0) is stops


def test_half_an_hour_has_its_own_cause() -> None:
    assert "an instant or the middle of the hour" in likely_causes(0.5, 8.0, 1.0)[0]


def test_two_mistakes_that_look_alike_are_both_named() -> None:
    # One hour early at UTC+1: hours labelled at their beginning, or UTC given as local.
    causes = likely_causes(-1.0, 15.0, 1.0)
    assert len(causes) == 2
    assert any("beginning" in cause for cause in causes)
    assert any("UTC" in cause for cause in causes)


SOUND = [
    "AZ-Phoenix_Sky_Harbor_Intl_Ap.tmy3",
    "FL-Miami_Intl_Ap.tmy3",
    "WA-Yakima_Air_Terminal.tmy3",
    "WA-Port_Angeles_727885.epw",
]


@pytest.mark.parametrize("name", SOUND)
@pytest.mark.slow
def test_shift_of_real_years_is_found_to_a_tenth_of_an_hour(samples: Path, name: str) -> None:
    raw = parse((samples / name).read_text(encoding="utf-8"), name)
    ghi = in_order(raw.hours, Findings(name))["ghi"].to_numpy()
    for late in (-8, -1, 0, 1, 5):
        fit = fit_clock(np.roll(ghi, late), raw.latitude, raw.longitude, raw.utc_offset_h)
        assert fit.shift_h == pytest.approx(late, abs=0.1)
        assert judged(fit, raw.longitude, raw.utc_offset_h) is (None if late == 0 else True)


def test_polar_night_is_not_judged() -> None:
    fit = fit_clock(sky(78.0, 15.0, 1.0), 78.0, 15.0, 1.0)
    assert np.isnan(fit.month_shift_h[[0, 11]]).all()
    assert judged(fit, 15.0, 1.0) is None
