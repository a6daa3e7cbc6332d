"""What stands in for weather and height that nobody has told: the built-in normals, and the nearest place's height."""

from __future__ import annotations

from dataclasses import replace
from unittest.mock import patch

import numpy as np
import pandas as pd
import pytest

from aftersun.climate.sun import hours_table, weather_year
from aftersun.energy.baseline import baseline
from aftersun.energy.soiling import annual_soiling_loss
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
