"""Planes: pvlib's published figures, row shading, and what is shared between arrays."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pvlib import iam, irradiance, shading

from aftersun.energy import planes
from aftersun.energy.planes import cell_temperature, lit_hours, passed_by_glass, plane_hours, shaded_height
from aftersun.model.weather import WeatherYear


def columns(*rows: tuple[float, float, str, float]) -> tuple[np.ndarray, ...]:
    tilt, azimuth, mounting, ratio = zip(*rows, strict=True)
    return np.array(tilt, float), np.array(azimuth, float), np.array(mounting, object), np.array(ratio, float)


@pytest.mark.parametrize(
    ("mounting", "celsius"),
    [("ground frame", 49.38), ("flat roof frame", 49.38), ("flush roof", 69.46), ("in roof", 77.53)],
)
def test_cell_temperature_by_mounting(mounting: str, celsius: float) -> None:
    # pvlib's Sandia parameter sets at 1000 W/m2, 20 degC, 1 m/s
    cells = cell_temperature(np.array([[1000.0]]), np.array([20.0]), np.array([1.0]), [mounting])
    assert cells[0, 0] == pytest.approx(celsius, abs=0.05)


def shade(zenith: np.ndarray, sun_azimuth: np.ndarray, tilt: float, azimuth: float, ratio: float) -> np.ndarray:
    facing = irradiance.aoi_projection(tilt, azimuth, zenith, sun_azimuth)
    return shaded_height(np.cos(np.radians(zenith)), facing, np.array(ratio))


@pytest.mark.parametrize(("tilt", "limit"), [(30.0, 23.794), (10.0, 9.706)])
def test_shade_begins_below_the_masking_angle(tilt: float, limit: float) -> None:
    # Limit angle atan(sin b / (1/GCR - cos b)) at GCR 0.5, pvlib.shading.masking_angle(slant_height=0)
    above, below = (shade(np.array(90 - limit - by), np.array(180.0), tilt, 180.0, 0.5) for by in (0.01, -0.01))
    assert above == 0
    assert 0 < below < 0.01


def test_sun_from_behind_shades_nothing() -> None:
    zenith = np.linspace(40, 79, 20)  # the sun in the north, above the plane of modules tilted 10 degrees south
    assert shade(zenith, np.array(0.0), 10.0, 180.0, 0.7).max() == 0


@given(st.floats(0, 89), st.floats(0, 360), st.floats(1, 89), st.floats(0, 360), st.floats(0.05, 0.95))
def test_shade_is_that_of_anderson_and_jensen(
    zenith: float, sun_azimuth: float, tilt: float, azimuth: float, ratio: float
) -> None:
    # Eq. 32 of J. Renewable Sustainable Energy 16 (2), 023504, 2024, as pvlib has it, wherever there is beam
    if irradiance.aoi_projection(tilt, azimuth, zenith, sun_azimuth) < 1e-3:
        return
    expected = shading.shaded_fraction1d(zenith, sun_azimuth, azimuth - 90, tilt, collector_width=ratio, pitch=1.0)
    assert shade(np.array(zenith), np.array(sun_azimuth), tilt, azimuth, ratio) == pytest.approx(expected, abs=1e-9)


def test_glass_is_that_of_de_soto() -> None:
    # pvlib's physical model with its own constants; nothing comes through from behind
    angle = np.linspace(0, 90, 1801)
    passed = passed_by_glass(np.cos(np.radians(angle)))
    np.testing.assert_allclose(passed, iam.physical(angle), atol=2e-5)
    assert passed[0] == pytest.approx(1, abs=1e-6)
    assert passed_by_glass(np.array([-0.5, -1e-9])) == pytest.approx([0, 0], abs=1e-9)


def test_rows_take_light_and_more_so_the_closer_they_are(weather: WeatherYear) -> None:
    rows = [(30.0, 180.0, "flat roof frame", ratio) for ratio in (0.0, 0.3, 0.5, 0.7)]
    yearly = plane_hours(weather, *columns(*rows)).poa.sum(axis=1, dtype=np.float64)
    assert (np.diff(yearly) < 0).all()
    assert yearly[-1] > 0.6 * yearly[0]


def test_a_single_row_and_flat_rows_are_not_shaded(weather: WeatherYear) -> None:
    hours = plane_hours(weather, *columns((0.0, 180.0, "ground frame", 0.0), (0.0, 180.0, "ground frame", 0.6)))
    np.testing.assert_allclose(hours.poa[0], hours.poa[1], rtol=1e-6)


def test_yearly_irradiation_by_tilt_has_its_best_near_thirty_degrees(weather: WeatherYear) -> None:
    # TMY3 Greensboro: best fixed tilt 30 degrees +- 2 (computed with another diffuse model)
    tilts = np.arange(20.0, 41.0, 1.0)
    poa = plane_hours(weather, *columns(*((tilt, 180.0, "flush roof", 0.0) for tilt in tilts))).poa
    assert abs(tilts[poa.sum(axis=1, dtype=np.float64).argmax()] - 30) <= 3


def test_glass_takes_light_and_dark_hours_have_none(weather: WeatherYear) -> None:
    hours = plane_hours(weather, *columns((25.0, 200.0, "flush roof", 0.0)))
    assert (hours.effective <= hours.poa).all()
    assert hours.effective.sum() > 0.95 * hours.poa.sum()
    dark = np.setdiff1d(np.arange(8760), lit_hours(weather))
    assert max(column[dark].max() for column in (weather.ghi, weather.dni, weather.dhi)) == 0


def test_an_hour_with_global_light_only_has_a_value(weather: WeatherYear) -> None:
    noon = 172 * 24 + 12
    dni, dhi = weather.dni.copy(), weather.dhi.copy()
    dni[noon] = dhi[noon] = 0
    odd = replace(weather, dni=dni, dhi=dhi)
    assert np.isfinite(plane_hours(odd, *columns((25.0, 180.0, "flush roof", 0.0))).effective).all()


def test_results_do_not_depend_on_the_batch(weather: WeatherYear) -> None:
    rng = np.random.default_rng(1)
    rows = [
        (tilt, azimuth, mounting, ratio)
        for tilt, azimuth, mounting, ratio in zip(
            rng.uniform(0, 90, 37),
            rng.uniform(0, 360, 37),
            rng.choice(list(planes.CELL_TEMPERATURE_SETS), 37),
            rng.choice([0.0, 0.4], 37),
            strict=True,
        )
    ]
    together = plane_hours(replace(weather), *columns(*rows))
    for place in (0, 15, 16, 36):
        alone = plane_hours(replace(weather), *columns(rows[place]))
        for one, many in zip(alone, together, strict=True):
            assert np.array_equal(one[0], many[place])


def test_equal_planes_are_computed_once_and_the_memo_is_bounded(
    weather: WeatherYear, monkeypatch: pytest.MonkeyPatch
) -> None:
    fresh, seen = replace(weather), []
    compute = planes._compute
    monkeypatch.setattr(planes, "_compute", lambda year, keys: (seen.extend(keys), compute(year, keys))[1])
    monkeypatch.setattr(planes, "PLANES_KEPT", 2)
    rows = [(tilt, 180.0, "flush roof", 0.0) for tilt in (10.0, 20.0, 10.0, 30.0, 10.0)]
    plane_hours(fresh, *columns(*rows))
    assert [key[0] for key in seen] == [10.0, 20.0, 30.0]
    plane_hours(fresh, *columns((30.0, 180.0, "flush roof", 0.0)))
    assert len(seen) == 3
    assert len(fresh.memo["planes"]) == 2
