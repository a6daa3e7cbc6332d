"""Normals of a point: the right cell everywhere on the globe, plausible seasons, and a clear no on open sea."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from aftersun.climate.normals import Normals, cell_of, ghi_sd_shares, normals_at
from aftersun.model.errors import AftersunError
from aftersun.model.sphere import great_circle_km

KM_PER_DEGREE = 111.2

# One city a continent and hemisphere, by latitude.
CITIES = {
    "Reykjavik": (64.13, -21.90),
    "Berlin": (52.52, 13.40),
    "Denver": (39.74, -104.99),
    "Delhi": (28.61, 77.21),
    "Accra": (5.60, -0.19),
    "Nairobi": (-1.29, 36.82),
    "Brisbane": (-27.47, 153.03),
    "Santiago": (-33.45, -70.67),
    "Ushuaia": (-54.80, -68.30),
}

# Islands that the source of yearly irradiation does not know.
FAR_ISLANDS = {
    "Honolulu": (21.32, -157.93),
    "Saint-Denis, Reunion": (-20.90, 55.50),
    "Ponta Delgada, Azores": (37.74, -25.70),
    "Torshavn": (62.02, -6.77),
}


def yearly(normals: Normals) -> float:
    days = [31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31]
    return float((normals.ghi_kwh_m2_day * days).sum())


@pytest.mark.parametrize("place", [*CITIES.values(), *FAR_ISLANDS.values()], ids=[*CITIES, *FAR_ISLANDS])
def test_record_is_whole_and_states_its_sources(place):
    normals = normals_at(*place)
    assert (normals.latitude, normals.longitude) == place
    for name in ("ghi_kwh_m2_day", "temp_air_c", "rain_mm", "wind_speed_m_s"):
        values = getattr(normals, name)
        assert values.shape == (12,), name
        assert np.isfinite(values).all(), name
    assert normals.clearness_shape.shape == (12, 11)
    assert np.isfinite(normals.elevation_m)
    assert 0.5 < normals.wind_speed_m_s[0] < 12
    assert any("GLDAS" in source for source in normals.sources)
    assert any("MERRA-2" in source for source in normals.sources)
    assert any("ERA5" in source for source in normals.sources)


@pytest.mark.parametrize("place", [*CITIES.values(), *FAR_ISLANDS.values()], ids=[*CITIES, *FAR_ISLANDS])
def test_shape_of_the_days_rises_and_has_the_mean_one(place):
    shape = normals_at(*place).clearness_shape
    assert (np.diff(shape, axis=1) >= 0).all()
    assert (shape[:, 0] >= 0).all()
    assert np.trapezoid(shape, dx=0.1, axis=1) == pytest.approx(1, abs=0.001)
    assert (shape[:, -1] > 1.05).all()


def test_days_vary_more_where_weather_changes_than_in_the_desert():
    spread = {name: normals_at(*place).clearness_shape.std(axis=1).mean() for name, place in CITIES.items()}
    phoenix = normals_at(33.45, -111.98).clearness_shape.std(axis=1).mean()
    assert phoenix < spread["Brisbane"] < spread["Berlin"]


@pytest.mark.parametrize(
    ("city", "summer", "winter"),
    [("Berlin", 5, 11), ("Denver", 5, 11), ("Brisbane", 11, 5), ("Santiago", 11, 5), ("Ushuaia", 11, 5)],
)
def test_sun_and_heat_follow_the_hemisphere(city, summer, winter):
    normals = normals_at(*CITIES[city])
    assert normals.ghi_kwh_m2_day[summer] > 1.5 * normals.ghi_kwh_m2_day[winter]
    assert normals.temp_air_c[summer] > normals.temp_air_c[winter] + 5


def test_polar_night_is_dark():
    svalbard = normals_at(78.22, 15.65)
    assert svalbard.ghi_kwh_m2_day[[0, 11]].max() == 0
    assert svalbard.ghi_kwh_m2_day[5] > 3
    assert np.isfinite(svalbard.clearness_shape).all()


def test_monsoon_brings_the_rain_of_mumbai():
    rain = normals_at(19.08, 72.88).rain_mm
    assert rain[5:9].sum() / rain.sum() > 0.85


@pytest.mark.parametrize("place", FAR_ISLANDS.values(), ids=FAR_ISLANDS)
def test_estimated_islands_say_so_and_are_less_certain(place):
    island, berlin = normals_at(*place), normals_at(*CITIES["Berlin"])
    assert ghi_sd_shares(*place) > 2 * ghi_sd_shares(*CITIES["Berlin"])
    assert "estimated" in island.sources[-1]
    assert not any("estimated" in source for source in berlin.sources)


def test_estimated_island_holds_against_its_measured_year():
    # Honolulu, TMY3 (Wilcox & Marion 2008): 1953 kWh/m2; the normals do not know it
    honolulu = normals_at(*FAR_ISLANDS["Honolulu"])
    assert yearly(honolulu) == pytest.approx(1953, rel=float(ghi_sd_shares(*FAR_ISLANDS["Honolulu"])[0]))


@pytest.mark.parametrize(
    ("latitude", "longitude"),
    [(0.0, -30.0), (45.0, -35.0), (-40.0, 90.0), (90.0, 0.0), (-90.0, 0.0), (-75.0, 0.0)],
    ids=["Atlantic", "North Atlantic", "Indian Ocean", "north pole", "south pole", "Antarctica"],
)
def test_no_normals_off_land(latitude, longitude):
    with pytest.raises(AftersunError, match="open sea") as caught:
        normals_at(latitude, longitude)
    assert "swapped" in caught.value.hint
    assert str(latitude) not in str(caught.value)  # where a customer lives is personal
    assert np.isnan(cell_of(np.array([latitude]), np.array([longitude]))).all()


@pytest.mark.parametrize("place", [(91.0, 0.0), (-90.5, 0.0), (float("nan"), 0.0), (0.0, float("inf")), (0.0, 541.0)])
def test_what_is_no_place_is_refused(place):
    with pytest.raises(AftersunError, match="latitude of -90 to 90"):
        normals_at(*place)


def test_point_just_off_the_coast_takes_the_nearest_land():
    # 60 km west of Ericeira, Portugal: the Berlengas (39.42 N, 9.51 W) are nearer than the mainland's cells
    latitude, longitude = cell_of(np.array([38.97]), np.array([-10.10]))
    assert (latitude[0], longitude[0]) == (39.25, -9.75)
    assert normals_at(38.97, -10.10).temp_air_c.mean() == pytest.approx(16, abs=2)


def test_longitude_goes_round_the_earth():
    # Taveuni, Fiji, lies on the 180th meridian
    east, west = normals_at(-16.85, 179.99), normals_at(-16.85, -180.01)
    assert np.array_equal(east.ghi_kwh_m2_day, west.ghi_kwh_m2_day)
    assert east.clearness_shape == pytest.approx(west.clearness_shape)
    across = normals_at(-16.85, -179.99)
    assert across.clearness_shape == pytest.approx(east.clearness_shape, abs=0.01)
    for longitude in (180.0, -180.0):
        assert normals_at(-16.85, longitude).rain_mm.sum() > 1000


def test_cell_is_the_half_degree_that_holds_the_point():
    latitude, longitude = cell_of(np.array([36.10, 36.49, 36.51]), np.array([-79.95, -79.51, -79.95]))
    assert latitude.tolist() == [36.25, 36.25, 36.75]
    assert longitude.tolist() == [-79.75, -79.75, -79.75]


def test_no_points_have_no_cells():
    assert cell_of([], [])[0].shape == (0,)


@settings(max_examples=40)
@given(st.floats(-60, 84), st.floats(-180, 180))
def test_a_point_and_its_cell_have_the_same_normals(latitude, longitude):
    (cell_latitude,), (cell_longitude,) = cell_of([latitude], [longitude])
    if np.isnan(cell_latitude):
        with pytest.raises(AftersunError):
            normals_at(latitude, longitude)
        return
    apart = great_circle_km(np.array([cell_latitude]), np.array([cell_longitude]), latitude, longitude)[0]
    assert apart < 1.5 * KM_PER_DEGREE
    point, centre = normals_at(latitude, longitude), normals_at(cell_latitude, cell_longitude)
    for name in ("ghi_kwh_m2_day", "temp_air_c", "rain_mm", "wind_speed_m_s"):
        assert np.array_equal(getattr(point, name), getattr(centre, name)), name
    assert np.stack(cell_of([cell_latitude], [cell_longitude])).tolist() == [[cell_latitude], [cell_longitude]]


@settings(max_examples=20)
@given(st.lists(st.tuples(st.floats(-60, 84), st.floats(-180, 180)), min_size=1, max_size=8))
def test_a_batch_gives_each_point_what_it_gets_alone(places):
    latitude, longitude = zip(*places, strict=True)
    together = np.stack(cell_of(latitude, longitude))
    alone = np.concatenate([np.stack(cell_of([north], [east])) for north, east in places], axis=1)
    assert np.array_equal(together, alone, equal_nan=True)


def test_how_sure_many_places_are_is_what_each_says_alone() -> None:
    latitude, longitude = np.array([45.0, -33.5, 21.3, 30.0]), np.array([8.0, 18.9, -157.9, -40.0])
    shares = ghi_sd_shares(latitude, longitude)
    alone = [ghi_sd_shares(*place)[0] for place in zip(latitude[:3], longitude[:3], strict=True)]
    assert shares[:3].tolist() == alone
    assert np.isnan(shares[3])  # the middle of the Atlantic
