"""Synthetic years against real ones: each is made from a real year's own monthly means and compared with it.

Measured in the same way on fifteen German test reference years of 2010 (hourly, 47 to 54 N; seven seeds each): share of
energy above 500 W/m2 within 3 points, yield of a 30 degree south array +0.3 to +2.2 %; annual diffuse fraction within
2 points at the six stations with measured diffuse irradiance, 8 to 11 points low at the nine where the year's diffuse
irradiance is itself computed.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, fields, replace
from functools import cache
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pandas as pd
import pvlib
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tests_support import make_cohort

from aftersun.climate.formats.raw import RawWeather
from aftersun.climate.gate.checks import check_hours
from aftersun.climate.normals import Normals, cell_of, normals_at
from aftersun.climate.read import read_weather
from aftersun.climate.sun import hours_table, weather_year
from aftersun.climate.synthesis.year import synthetic_year
from aftersun.energy.balance import simulate
from aftersun.energy.baseline import baseline
from aftersun.model.weather import DAYS_IN_MONTH, FIRST_DAY, HOURS_PER_YEAR, Hours, Station, WeatherYear

PVLIB_DATA = Path(pvlib.__file__).parent / "data"
MONTH_OF_DAY = np.repeat(np.arange(12), DAYS_IN_MONTH)
MONTHLY_RAIN_MM = np.array([75.9, 60, 40, 20, 5, 0, 0, 2, 30, 90, 150, 110])


def monthly_sums(hours: Hours) -> Hours:
    return np.add.reduceat(hours, 24 * FIRST_DAY)


def monthly_means(hours: Hours) -> Hours:
    return monthly_sums(hours) / (24 * DAYS_IN_MONTH)


def clearness_of_days(year: WeatherYear) -> Hours:
    extra = year.dni_extra * np.maximum(np.cos(np.radians(year.zenith)), 0)
    return year.ghi.reshape(-1, 24).sum(axis=1) / extra.reshape(-1, 24).sum(axis=1)


def normals_of(year: WeatherYear) -> Normals:
    """The monthly means and the distribution of daily clearness that one real year has itself."""
    quantiles = np.linspace(0, 1, 11)
    months = np.split(clearness_of_days(year), FIRST_DAY[1:])
    return Normals(
        latitude=year.station.latitude,
        longitude=year.station.longitude,
        elevation_m=year.station.elevation_m,
        ghi_kwh_m2_day=monthly_sums(year.ghi) / DAYS_IN_MONTH / 1000,
        temp_air_c=monthly_means(year.temp_air),
        rain_mm=MONTHLY_RAIN_MM if year.rain_mm is None else monthly_sums(year.rain_mm),
        wind_speed_m_s=monthly_means(year.wind_speed),
        clearness_shape=np.array([np.quantile(month, quantiles) / month.mean() for month in months]),
        sources=("a real year",),
    )


def read_tmy2(path: Path) -> WeatherYear:
    hours, meta = pvlib.iotools.read_tmy2(path)
    station = Station("12839", "Miami", meta["latitude"], meta["longitude"], meta["altitude"], meta["TZ"], "", "", "")
    columns = pd.DataFrame(
        {
            "hour": np.arange(HOURS_PER_YEAR),
            "ghi": hours["GHI"].to_numpy(dtype=float),
            "dni": hours["DNI"].to_numpy(dtype=float),
            "dhi": hours["DHI"].to_numpy(dtype=float),
            "temp_air": hours["DryBulb"].to_numpy(dtype=float) / 10,  # tenths of degrees and of m/s
            "wind_speed": hours["Wspd"].to_numpy(dtype=float) / 10,
            "rain_mm": np.nan,
            "albedo": np.nan,
        }
    )
    return weather_year(station, columns)


@dataclass(frozen=True, eq=False)
class Pair:
    """A real year and the synthetic one of its normals."""

    real: WeatherYear
    synthetic: WeatherYear


@cache
def make_pair(path: Path) -> Pair:
    real = read_tmy2(path) if path.suffix == ".tm2" else read_weather(path).year
    return Pair(real, synthetic_year(normals_of(real), seed=1, utc_offset_h=real.station.utc_offset_h))


YEARS = [
    PVLIB_DATA / "723170TYA.CSV",  # Greensboro, 36 N
    PVLIB_DATA / "703165TY.csv",  # Sand Point, 55 N
    PVLIB_DATA / "12839.tm2",  # Miami, 26 N
    "AZ-Phoenix_Sky_Harbor_Intl_Ap.tmy3",
    "FL-Miami_Intl_Ap.tmy3",
    "WA-Yakima_Air_Terminal.tmy3",
    "WA-Port_Angeles_727885.epw",
]


@pytest.fixture(params=YEARS, ids=lambda year: Path(year).name)
def pair(request: pytest.FixtureRequest) -> Pair:
    path = request.param
    return make_pair(path if isinstance(path, Path) else request.getfixturevalue("samples") / path)


@pytest.mark.slow
def test_keeps_the_monthly_means(pair: Pair) -> None:
    assert monthly_sums(pair.synthetic.ghi) == pytest.approx(monthly_sums(pair.real.ghi), rel=0.01)
    assert monthly_means(pair.synthetic.temp_air) == pytest.approx(monthly_means(pair.real.temp_air), abs=0.3)
    assert monthly_means(pair.synthetic.wind_speed) == pytest.approx(monthly_means(pair.real.wind_speed), rel=0.01)
    rain = MONTHLY_RAIN_MM if pair.real.rain_mm is None else monthly_sums(pair.real.rain_mm)
    assert pair.synthetic.rain_mm is not None
    assert monthly_sums(pair.synthetic.rain_mm) == pytest.approx(rain, rel=0.01, abs=1e-9)


@pytest.mark.slow
def test_days_have_the_distribution_of_clearness(pair: Pair) -> None:
    real, synthetic = np.sort(clearness_of_days(pair.real)), np.sort(clearness_of_days(pair.synthetic))
    assert np.sqrt(np.mean((real - synthetic) ** 2)) < 0.015
    every = np.concatenate([real, synthetic])
    steps = [np.searchsorted(days, every, side="right") / len(days) for days in (real, synthetic)]
    assert np.abs(steps[0] - steps[1]).max() < 0.08  # Kolmogorov-Smirnov; 0.10 is significant at 5 %


def test_days_persist(pair: Pair) -> None:
    def persistence(year: WeatherYear) -> float:
        days = pd.Series(clearness_of_days(year)).groupby(MONTH_OF_DAY).rank().to_numpy()
        same_month = MONTH_OF_DAY[1:] == MONTH_OF_DAY[:-1]
        return float(np.corrcoef(days[1:][same_month], days[:-1][same_month])[0, 1])

    # The standard deviation of one year's value is about 0.05, in each of the two.
    assert persistence(pair.synthetic) == pytest.approx(persistence(pair.real), abs=0.15)


def test_as_much_energy_comes_in_strong_hours(pair: Pair) -> None:
    def share(year: WeatherYear) -> float:
        return 100 * float(year.ghi[year.ghi > 500].sum() / year.ghi.sum())

    assert share(pair.synthetic) == pytest.approx(share(pair.real), abs=5)


def test_hours_change_as_much(pair: Pair) -> None:
    def change(year: WeatherYear) -> float:
        height = np.maximum(np.cos(np.radians(year.zenith)), 0).reshape(-1, 24)
        hours = np.where(
            height > 0.3, year.ghi.reshape(-1, 24) / year.dni_extra.reshape(-1, 24) / height.clip(0.3), np.nan
        )
        return float(np.nanmean(np.abs(np.diff(hours, axis=1))))

    assert change(pair.synthetic) == pytest.approx(change(pair.real), rel=0.4)


def test_diffuse_fraction(pair: Pair) -> None:
    def fraction(year: WeatherYear) -> float:
        return 100 * float(year.dhi.sum() / year.ghi.sum())

    # At Sand Point the split alone, applied to the real hours, is already 6 points too diffuse.
    tolerance = 9 if pair.real.station.latitude > 50 else 5
    assert fraction(pair.synthetic) == pytest.approx(fraction(pair.real), abs=tolerance)


def beam_share(year: WeatherYear) -> float:
    """Percent of the light on the horizontal that is beam."""
    return 100 * float(1 - year.dhi.sum() / year.ghi.sum())


def made_of(normals: Normals, real: WeatherYear) -> float:
    """The share of beam of three years made of normals: one year's differs by half a point."""
    offset = real.station.utc_offset_h
    return float(np.mean([beam_share(synthetic_year(normals, seed=seed, utc_offset_h=offset)) for seed in range(3)]))


# In points, the built-in year's share of beam less that of the station's year: with the station's own months and days,
# with the grid's months, with the grid's days, with both; and the grid's light over the station's. It is the grid's
# light that is left: at Yakima a tenth too little, at Miami 5 % too much.
@pytest.mark.slow
@pytest.mark.parametrize(
    ("name", "own", "grid_months", "grid_days", "grid", "light"),
    [
        ("WA-Port_Angeles_727885.epw", 1.2, -0.1, 1.1, 0.4, 1.00),
        ("AZ-Phoenix_Sky_Harbor_Intl_Ap.tmy3", -0.4, -1.2, -0.8, -1.2, 0.995),
        ("FL-Miami_Intl_Ap.tmy3", -1.2, 3.8, 0.8, 5.9, 1.05),
        ("WA-Yakima_Air_Terminal.tmy3", -2.9, -11.0, -1.8, -9.1, 0.905),
        ("tmy_45.000_8.000_2005_2023.csv", 0.2, -3.4, -3.9, -6.7, 0.97),
    ],
)
def test_what_is_left_of_the_beam_is_the_grid_s(
    samples: Path, name: str, own: float, grid_months: float, grid_days: float, grid: float, light: float
) -> None:
    real = make_pair(samples / name).real
    (row,), (column,) = cell_of(real.station.latitude, real.station.longitude)
    of_grid, of_station = normals_at(row, column), normals_of(real)
    months = replace(of_station, ghi_kwh_m2_day=of_grid.ghi_kwh_m2_day)
    days = replace(of_station, clearness_shape=of_grid.clearness_shape)
    found = [made_of(normals, real) - beam_share(real) for normals in (of_station, months, days, of_grid)]
    assert found == pytest.approx([own, grid_months, grid_days, grid], abs=0.7)
    assert abs(found[0]) < 3
    month_light = (of_grid.ghi_kwh_m2_day * DAYS_IN_MONTH).sum() * 1000 / real.ghi.sum()
    assert month_light == pytest.approx(light, abs=0.01)


@pytest.mark.filterwarnings("ignore:DatetimeIndex.dayofyear")  # pvlib's, in dirint
def test_no_published_split_of_light_is_nearer(samples: Path) -> None:
    """Of the hours of eight years themselves. At Sand Point each is 5 to 10 points low: its beam is itself computed."""
    years = [*YEARS, "tmy_45.000_8.000_2005_2023.csv"]
    off: dict[str, list[float]] = {}
    for path in years:
        real = make_pair(path if isinstance(path, Path) else samples / path).real
        height = np.maximum(np.cos(np.radians(real.zenith)), 0)
        pressure = pvlib.atmosphere.alt2pres(real.station.elevation_m)
        light, zenith = (pd.Series(hours, index=real.times) for hours in (real.ghi, real.zenith))
        beams = {
            name: getattr(pvlib.irradiance, name)(real.ghi, real.zenith, real.times.day_of_year.to_numpy())["dni"]
            for name in ("erbs", "orgill_hollands", "boland")
        } | {"dirint": pvlib.irradiance.dirint(light, zenith, real.times, pressure=pressure).to_numpy()}
        for name, beam in beams.items():
            share = 100 * (np.nan_to_num(beam) * height).sum() / real.ghi.sum()
            off.setdefault(name, []).append(float(share) - beam_share(real))
    rms = {name: float(np.sqrt(np.mean(np.square(points)))) for name, points in off.items()}
    assert min(rms, key=lambda name: rms[name]) == "erbs"  # the one in use
    assert rms["erbs"] == pytest.approx(2.9, abs=0.2)
    assert off["erbs"][1] == pytest.approx(-6, abs=0.5)  # Sand Point


def test_array_yields_as_much(pair: Pair) -> None:
    def output(year: WeatherYear) -> float:
        dry = replace(year, rain_mm=None)  # the same constant soiling in both
        site = {"latitude": 0.0, "longitude": 0.0, "inverter_rating_kw": 5.0, "annual_demand_kwh": 1.0}
        array = {"site": 0, "tilt_deg": 30.0, "azimuth_deg": 180.0, "dc_rating_kw": 5.0, "mounting": "flush roof"}
        cohort = make_cohort(dry, [site], [array])
        return float(simulate(cohort, baseline(cohort)).generated.sum(dtype=np.float64))

    # Seven seeds at Sand Point: -2.7 to -3.1 %, of which the split alone, applied to the real hours, is -3.2 %.
    tolerance = 0.035 if pair.real.station.latitude > 50 else 0.03
    assert output(pair.synthetic) == pytest.approx(output(pair.real), rel=tolerance)


def test_light_meets_air_of_the_right_temperature(pair: Pair) -> None:
    def in_the_light(year: WeatherYear) -> float:
        return float((year.temp_air * year.ghi).sum() / year.ghi.sum())

    assert in_the_light(pair.synthetic) == pytest.approx(in_the_light(pair.real), abs=2.0)


# One year and its details.


@pytest.fixture(scope="module")
def greensboro() -> Pair:
    return make_pair(PVLIB_DATA / "723170TYA.CSV")


def arrays_of(year: WeatherYear) -> dict[str, bytes]:
    return {
        field.name: getattr(year, field.name).tobytes()
        for field in fields(year)
        if isinstance(getattr(year, field.name), np.ndarray)
    }


def test_same_seed_gives_the_same_bytes(greensboro: Pair) -> None:
    normals = normals_of(greensboro.real)
    again = synthetic_year(normals, seed=1, utc_offset_h=-5.0)
    assert arrays_of(again) == arrays_of(greensboro.synthetic)
    assert again.station == greensboro.synthetic.station


def test_another_seed_gives_another_year(greensboro: Pair) -> None:
    other = synthetic_year(normals_of(greensboro.real), seed=2, utc_offset_h=-5.0)
    for name in ("ghi", "dni", "dhi", "temp_air", "wind_speed", "rain_mm"):
        assert not np.array_equal(getattr(other, name), getattr(greensboro.synthetic, name))
    assert other.station.sha256 != greensboro.synthetic.station.sha256


def test_fingerprint_follows_the_inputs(greensboro: Pair) -> None:
    normals = normals_of(greensboro.real)
    warmer = synthetic_year(replace(normals, temp_air_c=normals.temp_air_c + 1), seed=1, utc_offset_h=-5.0)
    assert warmer.station.sha256 != greensboro.synthetic.station.sha256


def test_station_says_what_the_year_is(greensboro: Pair) -> None:
    normals = replace(normals_of(greensboro.real), sources=("Grid A 2020", "Rain B 2021"))
    station = synthetic_year(normals, seed=7).station
    assert station.station_id == "N+36.10-079.95"
    assert station.rain_basis == "synthetic from monthly normals"
    assert station.source == "synthetic from monthly normals, seed 7: Grid A 2020; Rain B 2021"
    assert station.utc_offset_h == -5.0  # 79.95 W is 5.33 h behind the sun of Greenwich


def test_clear_days_swing_more(greensboro: Pair) -> None:
    days = greensboro.synthetic.temp_air.reshape(-1, 24)
    swing = np.ptp(days, axis=1)
    clear = clearness_of_days(greensboro.synthetic) > 0.6
    dull = clearness_of_days(greensboro.synthetic) < 0.3
    # Measured in the real year: 13.6 K on clear days, 7.1 K on dull ones.
    assert swing[clear].mean() > 1.5 * swing[dull].mean()


def test_temperature_and_wind_follow_the_sun_with_a_lag(greensboro: Pair) -> None:
    course = greensboro.synthetic.temp_air.reshape(-1, 24).mean(axis=0)
    real = greensboro.real.temp_air.reshape(-1, 24).mean(axis=0)
    assert course - course.mean() == pytest.approx(real - real.mean(), abs=1.5)
    wind = greensboro.synthetic.wind_speed.reshape(-1, 24).mean(axis=0)
    assert wind[12:16].mean() > 1.2 * wind[0:5].mean()


def test_swing_belongs_to_the_sun_not_to_the_clock(greensboro: Pair) -> None:
    """The same place on a clock three hours ahead has its warmest hour three hours later."""
    ahead = synthetic_year(normals_of(greensboro.real), seed=1, utc_offset_h=-2.0)
    warmest = [year.temp_air.reshape(-1, 24).mean(axis=0).argmax() for year in (greensboro.synthetic, ahead)]
    assert warmest[1] - warmest[0] == 3


def test_wet_days_are_cloudier(greensboro: Pair) -> None:
    assert greensboro.synthetic.rain_mm is not None
    wet = greensboro.synthetic.rain_mm.reshape(-1, 24).sum(axis=1) >= 0.25
    days = clearness_of_days(greensboro.synthetic)
    # Measured in four real typical years, Greensboro among them: 0.67 to 0.77.
    assert days[wet].mean() / days[~wet].mean() == pytest.approx(0.7, abs=0.1)


# Invented climates anywhere.


def extraterrestrial(latitude: float) -> Hours:
    """Daily extraterrestrial irradiation in the middle of each month, kWh/m2 (Duffie & Beckman, eq. 1.10.3)."""
    day = FIRST_DAY + DAYS_IN_MONTH / 2
    declination = pvlib.solarposition.declination_spencer71(day)
    phi = np.radians(latitude)
    sunset = np.arccos(np.clip(-np.tan(phi) * np.tan(declination), -1, 1))
    height = np.cos(phi) * np.cos(declination) * np.sin(sunset) + sunset * np.sin(phi) * np.sin(declination)
    return np.maximum(24 / np.pi * pvlib.irradiance.get_extra_radiation(day) / 1000 * height, 0.0)


# Daily clearness over its mean at 0, 0.1 .. 1 of the days, for a mean of 0.5: K. Hollands, R. Huget, "A probability
# density function for the clearness index, with applications", Solar Energy 30, 195-209, 1983.
ORDINARY_DAYS = np.array([0.1, 0.404, 0.629, 0.807, 0.955, 1.081, 1.191, 1.288, 1.376, 1.455, 1.528])


def invented(latitude: float, longitude: float = 10.0, clearness: npt.ArrayLike = 0.5, **others: object) -> Normals:
    """An invented climate; what is not given is ordinary."""
    season = np.cos(2 * np.pi * (np.arange(12) - 6) / 12) * (1 if latitude >= 0 else -1)
    given = {
        "elevation_m": 0.0,
        "temp_air_c": 27 - 0.4 * abs(latitude) + 0.25 * abs(latitude) * season,
        "rain_mm": MONTHLY_RAIN_MM,
        "wind_speed_m_s": np.full(12, 3.5),
        "clearness_shape": np.tile(ORDINARY_DAYS, (12, 1)),
    } | others
    ghi = extraterrestrial(latitude) * clearness
    return Normals(latitude, longitude, ghi_kwh_m2_day=ghi, sources=("invented",), **given)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("latitude", "longitude", "clearness"),
    [
        (0, 0, 0.5),
        (23, -102, 0.65),
        (-33.9, 18.4, 0.6),
        (48, 11, 0.45),
        (60, 25, 0.42),
        (66, -150, 0.42),
        (-45, 170, 0.45),
    ],
)
@pytest.mark.few_quick
@pytest.mark.slow
def test_passes_the_quality_gate(latitude: float, longitude: float, clearness: float) -> None:
    year = synthetic_year(invented(latitude, longitude, clearness), seed=3)
    table = hours_table(year)
    date = pd.date_range("2006-01-01", periods=HOURS_PER_YEAR, freq="h")
    hours = table.assign(year=2006, month=date.month, day=date.day, hour=date.hour, rain_period_h=1.0, ghi_extra=np.nan)
    station = year.station
    raw = RawWeather(
        station_id=station.station_id,
        name=station.name,
        latitude=station.latitude,
        longitude=station.longitude,
        elevation_m=station.elevation_m,
        utc_offset_h=station.utc_offset_h,
        source=station.source,
        hours=hours,
    )
    assert check_hours(raw, "synthetic").remarks == ()


def test_polar_night_is_dark_and_without_swing() -> None:
    year = synthetic_year(invented(72.0), seed=1)
    december = slice(24 * 340, 24 * 360)
    assert year.ghi[december].max() == 0
    june = slice(24 * 160, 24 * 180)

    def swing(part: slice) -> float:
        course = year.temp_air[part].reshape(-1, 24)
        return float(np.ptp((course - course.mean(axis=1, keepdims=True)).mean(axis=0)))

    assert swing(december) < 1.0 < swing(june)


@st.composite
def climates(draw: Callable[..., object]) -> Normals:
    def months(low: float, high: float) -> Hours:
        level, season = draw(st.floats(0, 1)), draw(st.floats(-1, 1))
        course = np.clip(level + season * np.cos(2 * np.pi * np.arange(12) / 12), 0, 1)  # type: ignore[operator]
        return low + (high - low) * course

    shape = np.sort(np.array(draw(st.lists(st.floats(0.05, 2.0), min_size=11, max_size=11))))
    return invented(
        draw(st.sampled_from([-66.0, -40.0, -5.0, 0.0, 33.0, 51.0, 66.6, 72.0])),  # type: ignore[arg-type]
        draw(st.floats(-180, 180)),  # type: ignore[arg-type]
        months(0.2, 0.75),
        elevation_m=draw(st.sampled_from([0.0, -300.0, 4500.0])),
        temp_air_c=months(-35, 38),
        rain_mm=months(0, 900),
        wind_speed_m_s=months(0, 10),
        clearness_shape=np.tile(shape / np.trapezoid(shape, dx=0.1), (12, 1)),
    )


@settings(max_examples=12)
@given(normals=climates(), seed=st.integers(0, 2**40))
@pytest.mark.slow
def test_any_climate_gives_possible_hours(normals: Normals, seed: int) -> None:
    year = synthetic_year(normals, seed=seed)
    for name in ("ghi", "dni", "dhi", "wind_speed", "rain_mm", "temp_air"):
        assert np.isfinite(getattr(year, name)).all(), name
    for name in ("ghi", "dni", "dhi", "wind_speed", "rain_mm"):
        assert getattr(year, name).min() >= 0, name
    assert year.dni.max() <= 1100
    height = np.maximum(np.cos(np.radians(year.zenith)), 0)
    assert (year.ghi <= year.dni_extra * height * (1 + 1e-9)).all()  # night included
    assert year.dhi + year.dni * height == pytest.approx(year.ghi, abs=1e-6)
    assert year.rain_mm is not None
    assert monthly_sums(year.rain_mm) == pytest.approx(normals.rain_mm, rel=1e-6, abs=1e-9)
    assert monthly_means(year.temp_air) == pytest.approx(normals.temp_air_c, abs=0.3)
    possible = monthly_sums(year.dni_extra * height) / 1000
    wanted = normals.ghi_kwh_m2_day * DAYS_IN_MONTH
    reachable = wanted < 0.85 * possible  # where the sun barely rises, mid-hours may miss it
    assert monthly_sums(year.ghi)[reachable] / 1000 == pytest.approx(wanted[reachable], rel=0.01)
