"""What stands in for weather and height that nobody has told: the built-in normals, and the nearest place's height."""

from __future__ import annotations

from dataclasses import replace
from unittest.mock import patch

import numpy as np
import pandas as pd
import pvlib
import pytest
from readings_support import readings

from aftersun.climate.normals import cell_of
from aftersun.climate.sun import hours_table, weather_year
from aftersun.energy.balance import simulate
from aftersun.energy.baseline import baseline
from aftersun.energy.planes import plant_hours
from aftersun.energy.readings.quality import check_readings
from aftersun.energy.soiling import annual_soiling_loss
from aftersun.inventory.places import heights_at
from aftersun.inventory.store import read
from aftersun.inventory.store.file import Inventory
from aftersun.scoring.value.cohorts import GridCell, StationYear, read_portfolio, year_of
from aftersun.testing import sample_cohort


def soiling_loss(year, **site):
    cohort = sample_cohort(site, weather=year)
    return annual_soiling_loss(cohort, baseline(cohort))[0]


@pytest.mark.parametrize(("latitude", "longitude"), [(36.25, -79.75), (33.25, -111.75)])
def test_a_roof_has_the_same_soiling_whether_its_weather_file_has_rain_or_not(latitude, longitude):
    """Greensboro, where it rains every week, and Phoenix, where months pass without."""
    built_in = year_of(GridCell(latitude, longitude))
    rainless = replace(built_in, rain_mm=None)
    of_file = year_of(StationYear(replace(built_in.station, rain_basis="no rain"), hours_table(rainless)))
    np.testing.assert_array_equal(of_file.rain_mm, built_in.rain_mm)
    assert soiling_loss(of_file) == pytest.approx(soiling_loss(built_in), rel=1e-6)


def test_arid_places_keep_their_soiling():
    """Kimber et al. 2006: what builds up from one cleaning rain to the next is lost, a tenth of a percent a dry day."""
    wet, arid = (soiling_loss(year_of(GridCell(*place))) for place in ((36.25, -79.75), (33.25, -111.75)))
    assert wet < 0.01 < 0.02 < arid


def test_out_at_sea_a_station_has_no_rain_but_its_own():
    built_in = year_of(GridCell(36.25, -79.75))
    place = replace(built_in.station, latitude=-40.0, longitude=-120.0, utc_offset_h=-8.0)
    year = weather_year(place, hours_table(replace(built_in, rain_mm=None)))
    assert year_of(StationYear(place, hours_table(year))).rain_mm is None


@pytest.mark.slow
def test_a_site_without_a_height_is_counted_at_that_of_the_nearest_place(demo):
    """The demo lies in Guilford County, 180 to 300 m high (from memory); one height is taken out."""
    with Inventory.open(demo.inventory, read_only=True) as inventory:
        table = read.sites(inventory)
        blank = table.assign(elevation_m=table["elevation_m"].where(table.index != 0))
        with patch.object(read, "sites", lambda _: blank):
            portfolio = read_portfolio(inventory, demo.as_of)
    sites = pd.concat([chunk.sites for chunk in portfolio.chunks])
    assert 180 < sites.loc[table["site_id"][0], "elevation_m"] < 300
    told = table.set_index("site_id")["elevation_m"].iloc[1:].dropna()
    told = told[told.index.isin(sites.index)]
    assert (sites.loc[told.index, "elevation_m"] == told).all()


def test_a_town_below_its_cell_has_the_air_of_its_own_height():
    """Golden, Colorado: its cell lies at 2,282 m and was measured 3.3 K too cold; 6.5 K/km over 550 m are 3.6 K."""
    (height,) = heights_at(np.array([39.742]), np.array([-105.18]))
    year = year_of(GridCell(39.75, -105.25))
    cohort = sample_cohort({"elevation_m": year.station.elevation_m}, {"elevation_m": float(height)}, weather=year)
    cell, town = plant_hours(cohort, baseline(cohort)).cell_temp
    assert year.station.elevation_m == pytest.approx(2282, abs=1)
    assert (town - cell).mean() == pytest.approx(3.3, abs=0.5)
    made = simulate(cohort, baseline(cohort)).generated.sum(axis=1, dtype=np.float64)
    assert made[1] / made[0] - 1 == pytest.approx(-0.004 * 3.6, abs=0.004)  # 0.4 %/K where no coefficient is known


@pytest.mark.slow
@pytest.mark.parametrize(
    ("place", "own_clock_h"),
    [
        ((40.42, -3.70), 1),  # Madrid
        ((48.85, 2.35), 1),  # Paris
        ((51.05, 3.72), 1),  # Ghent
        ((50.94, 6.96), 1),  # Cologne
    ],
)
def test_readings_by_the_clock_of_the_country_are_not_doubted(place, own_clock_h):
    """A clear sky of half hours, by pvlib and not by the program, in the country's standard time, and an hour late."""
    (row,), (column,) = cell_of(*place)
    facts = {"latitude": place[0], "longitude": place[1], "inverter_rating_kw": 4.0, "arrays": [{"azimuth_deg": 180.0}]}
    cohort = sample_cohort(facts, weather=year_of(GridCell(row, column)))
    utc = pd.date_range("2023-01-01", "2024-01-01", freq="30min", tz="UTC", inclusive="left")
    sun = pvlib.solarposition.get_solarposition(utc + pd.Timedelta("15min"), *place, method="nrel_numpy")
    sky = pvlib.clearsky.haurwitz(sun["apparent_zenith"])["ghi"]
    for hours, doubted in ((own_clock_h, False), (own_clock_h + 1, True)):
        starts = pd.Series(utc.tz_localize(None) + pd.Timedelta(hours=hours))
        ends = starts + pd.Timedelta("30min")
        rows = readings(cohort.sites.index[0], "production", starts, ends, 3.0 * sky.to_numpy() / 1000 / 2)
        assert bool(check_readings(cohort, rows).sites_with("clock")) == doubted
