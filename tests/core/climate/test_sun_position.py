"""The sun's position and weather years from plain columns."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pvlib
import pytest

from aftersun.climate.sun import hours_table, sun_position, weather_year, year_times
from aftersun.model.errors import AftersunError
from aftersun.model.weather import Station

STATION = Station("S1", "somewhere", 36.1, -79.95, 273.0, -5.0, "made for a test", "0" * 64, "made")


def table(seed: int = 0) -> pd.DataFrame:
    values = np.random.default_rng(seed).random((8760, 7))
    names = ["ghi", "dni", "dhi", "temp_air", "wind_speed", "rain_mm", "albedo"]
    return pd.DataFrame(values, columns=names).assign(hour=range(8760))


def test_worked_example_of_the_algorithm() -> None:
    # Reda & Andreas, NREL/TP-560-34302, appendix: 17 October 2003, 12:30:30, UTC-7, 39.742476 N, 105.1786 W,
    # 1830.14 m: zenith 50.11162, azimuth 194.34024. The example has 820 mbar and 11 degrees C instead of the
    # standard atmosphere and 12; that is worth less than a thousandth of a degree here.
    times = pd.DatetimeIndex([pd.Timestamp("2003-10-17 12:30:30-07:00")])
    sun = sun_position(times, 39.742476, -105.1786, 1830.14).iloc[0]
    assert sun["apparent_zenith"] == pytest.approx(50.11162, abs=1e-3)
    assert sun["azimuth"] == pytest.approx(194.34024, abs=1e-3)


@pytest.mark.parametrize("hour", [12, 2000, 4000, 8000])
def test_position_is_that_of_mid_hour(hour: int) -> None:
    year = weather_year(STATION, table())
    middle = pd.Timestamp("2006-01-01 00:30:00-05:00") + pd.Timedelta(hours=hour)
    single = pvlib.solarposition.get_solarposition(middle, 36.1, -79.95, altitude=273.0).iloc[0]
    assert year.zenith[hour] == pytest.approx(single["apparent_zenith"], abs=1e-6)
    assert year.azimuth[hour] == pytest.approx(single["azimuth"], abs=1e-6)


def test_air_mass_and_extraterrestrial_irradiance() -> None:
    year = weather_year(STATION, table())
    night = year.zenith > 90
    assert np.isnan(year.airmass[night]).all()
    assert np.isfinite(year.airmass[~night]).all()
    # From memory: Kasten & Young (1989), relative air mass 1.994 at 30 degrees of height and 1.154 at 60.
    found = np.interp([60.0, 30.0], *_by_zenith(year.zenith, year.airmass))
    np.testing.assert_allclose(found, [1.994, 1.154], rtol=2e-3)
    # From memory: after Spencer (1971) 1.0350 solar constants early in January, 0.9666 early in July.
    assert year.dni_extra.max() / 1366.1 == pytest.approx(1.0350, abs=5e-4)
    assert year.dni_extra.min() / 1366.1 == pytest.approx(0.9666, abs=5e-4)


def _by_zenith(zenith: np.ndarray, values: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    order = np.argsort(zenith)
    order = order[zenith[order] < 85]
    return zenith[order], values[order]


@pytest.mark.parametrize("offset", [-10.0, 0.0, 5.5, 5.75])
def test_times_keep_the_station_s_offset(offset: float) -> None:
    times = year_times(offset)
    assert len(times) == 8760
    assert times[0].utcoffset().total_seconds() == 3600 * offset
    assert (times.minute == 30).all()


def test_round_trip_through_the_table_is_exact() -> None:
    year = weather_year(STATION, table())
    again = weather_year(STATION, hours_table(year).sample(frac=1.0, random_state=1))
    for name in (
        "ghi",
        "dni",
        "dhi",
        "temp_air",
        "wind_speed",
        "rain_mm",
        "albedo",
        "zenith",
        "azimuth",
        "airmass",
    ):
        np.testing.assert_array_equal(getattr(again, name), getattr(year, name))
    assert again.times.equals(year.times)


@pytest.mark.parametrize("unknown", [np.nan, None, pd.NA])
def test_unknown_rain_survives_the_round_trip(unknown: object) -> None:
    stored = table().assign(rain_mm=pd.Series([unknown] * 8760, dtype=object))
    year = weather_year(STATION, stored)
    assert year.rain_mm is None
    assert hours_table(year)["rain_mm"].isna().all()
    assert weather_year(STATION, hours_table(year)).rain_mm is None


def test_given_frame_is_left_alone() -> None:
    stored = table()
    weather_year(STATION, stored)
    stored.loc[0, "ghi"] = 5.0  # would raise if the year had frozen the frame's memory


def test_missing_albedo_becomes_the_usual_one() -> None:
    assert set(weather_year(STATION, table().assign(albedo=np.nan)).albedo) == {0.2}


@pytest.mark.parametrize(
    ("stored", "words"),
    [
        (table().iloc[:-1], "are not the 8760 hours"),
        (table().drop(columns="dni"), "lack dni"),
        (table().assign(ghi=np.nan), "have holes in ghi"),
        (table().assign(rain_mm=[np.nan, *np.zeros(8759)]), "have holes in rain_mm"),
    ],
)
def test_incomplete_table_is_refused(stored: pd.DataFrame, words: str) -> None:
    with pytest.raises(AftersunError, match=words):
        weather_year(STATION, stored)
