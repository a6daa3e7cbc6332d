"""Planes that turn, against pvlib's own ModelChain with a tracker on the same weather, hour by hour."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
import pytest
from pvlib.irradiance import aoi
from pvlib.location import Location
from pvlib.modelchain import ModelChain
from pvlib.pvsystem import Array, PVSystem, SingleAxisTrackerMount
from pvlib.temperature import TEMPERATURE_MODEL_PARAMETERS

from aftersun.energy.balance import simulate
from aftersun.energy.baseline import baseline
from aftersun.energy.generation import annual_generation
from aftersun.energy.planes import plane_hours, plant_hours
from aftersun.model.cohort import Cohort, Horizon
from aftersun.model.plant import Plant
from aftersun.model.weather import WeatherYear

# ModelChain takes every loss alike from all hours and knows nothing within them.
ALIKE = {
    "within_hour_least": 1e-6,
    "within_hour_slope": 1e-6,
    "within_hour_most": 1e-6,
    "shade_height_deg": 1e6,
    "wiring_loss": 1e-9,
    "connection_loss": 1e-9,
}
RATING_KW, EFFICIENCY, STOPS = 100.0, 0.96, 0.03
GROUND_COVER, LIMIT = 0.35, 55.0
AXES = ((0.0, 180.0), (0.0, 200.0), (20.0, 180.0))  # tilt and azimuth


def field_of(make_cohort: Any, weather: WeatherYear, dc_per_ac: float) -> Cohort:
    field = {"mounting": "ground frame", "dc_rating_kw": RATING_KW, "temp_coefficient_pct_per_k": -0.4}
    given = {
        "inverter_rating_kw": RATING_KW / dc_per_ac,
        "commissioned_on": "2025-01-01",
        "birds_seen": False,
        "open_string": False,
        "measured_excess_loss": 0.0,
        "annual_demand_kwh": 200_000.0,
        "arrays": [{**field, "tilt_deg": 25.0, "azimuth_deg": 180.0}],
    }
    return replace(make_cohort(*[given] * len(AXES), on=replace(weather, rain_mm=None)), overrides=ALIKE)


def turning(plant: Plant, ratio: float = GROUND_COVER, backtracks: float = 1.0) -> Plant:
    tilt, azimuth = np.array(AXES).T
    size = len(AXES)
    return plant.replace(
        turn_limit_deg=np.full(size, LIMIT),
        axis_tilt_deg=tilt,
        axis_azimuth_deg=azimuth,
        backtracks=np.full(size, backtracks),
        ground_cover_ratio=np.full(size, ratio),
    )


def by_pvlib(weather: WeatherYear, dc_per_ac: float, axis: tuple[float, float]) -> np.ndarray:
    """Return what the hours in which it runs bring, kWh (H,)."""
    mount = SingleAxisTrackerMount(*axis, max_angle=LIMIT, backtrack=True, gcr=GROUND_COVER)
    array = Array(
        mount,
        module_parameters={"pdc0": RATING_KW * 1000, "gamma_pdc": -0.004},
        temperature_model_parameters=TEMPERATURE_MODEL_PARAMETERS["sapm"]["open_rack_glass_polymer"],
    )
    rated = RATING_KW / dc_per_ac
    system = PVSystem(
        arrays=[array],
        inverter_parameters={"pdc0": rated * 1000 / EFFICIENCY, "eta_inv_nom": EFFICIENCY},
        losses_parameters={"availability": 0, "wiring": 0, "connections": 0},
    )
    place = Location(weather.station.latitude, weather.station.longitude, altitude=weather.station.elevation_m)
    chain = ModelChain(
        system,
        place,
        transposition_model="perez",
        dc_model="pvwatts",
        ac_model="pvwatts",
        aoi_model="physical",
        spectral_model="no_loss",
        temperature_model="sapm",
        losses_model="pvwatts",
    )
    names = ("ghi", "dni", "dhi", "temp_air", "wind_speed", "albedo")
    chain.run_model(pd.DataFrame({name: getattr(weather, name) for name in names}, index=weather.times))
    return np.nan_to_num(chain.results.ac.to_numpy()) / 1000


# pandas 3.1 deprecates an attribute that pvlib 0.16 still reads.
@pytest.mark.slow
@pytest.mark.filterwarnings("ignore:DatetimeIndex.dayofyear is deprecated")
@pytest.mark.parametrize("dc_per_ac", [1.0, 1.5])
@pytest.mark.parametrize("export", [True, False])
def test_a_tracker_is_that_of_pvlib(weather: WeatherYear, make_cohort: Any, dc_per_ac: float, export: bool) -> None:
    """Within 2 % a year and 3 % an hour; without export what is used at once is what the load takes of it."""
    cohort = field_of(make_cohort, weather, dc_per_ac)
    size = len(cohort)
    plant = turning(baseline(cohort)).replace(
        base_load_kw=np.full(size, 1e3),  # all of the load runs all the hour
        export_limit_kw=np.full(size, np.inf if export else 0.0),
    )
    year = simulate(cohort, plant)
    # ModelChain leaves rows unshaded whose sun stands behind the slope of their axis, at dawn in summer
    above = [aoi(*axis, weather.zenith, weather.azimuth) < 90.0 for axis in AXES]
    load = cohort.load_shapes[cohort.sites["load_shape"].to_numpy(dtype=int)] * plant.demand_kwh[:, None]
    for row, axis in enumerate(AXES):
        generated = by_pvlib(weather, dc_per_ac, axis)
        used = (1.0 - STOPS) * np.minimum(generated, load[row])
        sent = (1.0 - STOPS) * generated - used
        for name, expected in (
            ("generated", (1.0 - STOPS) * generated),
            ("used", used),
            ("exported" if export else "curtailed", sent),
        ):
            found = getattr(year, name)[row]
            assert found.sum() == pytest.approx(expected.sum(), rel=0.02), name
            assert np.abs(found - expected)[above[row]].max() < 0.03 * generated.max(), name
            bright = (expected > 0.05 * RATING_KW) & above[row]
            assert found[bright] == pytest.approx(expected[bright], rel=0.03), name
        none = year.curtailed if export else year.exported
        assert none[row].max() == 0.0


def test_rows_of_a_tracker_that_does_not_turn_back_shade_each_other(weather: WeatherYear, make_cohort: Any) -> None:
    """The beam on a horizontal axis north to south, at the hours where the plane faces the sun as far as it can.

    Seen along the rows, the sun stands at the angle a from the zenith; rows at the ratio g then are lit for
    min(1, cos a / (g cos(a - t))) of their height at the turn t.
    """
    cohort = field_of(make_cohort, weather, 1.0)
    plant = baseline(cohort)
    free, shaded = (plant_hours(cohort, turning(plant, ratio, 0.0)).poa[0] for ratio in (0.0, 0.6))
    back = annual_generation(cohort, turning(plant, 0.6, 1.0))
    straight = annual_generation(cohort, turning(plant, 0.6, 0.0))
    assert (shaded <= free + 1e-3).all()
    assert shaded.sum() < 0.97 * free.sum()
    # where the shaded part of a module still delivers in proportion, turning back costs a little
    assert back[0] == pytest.approx(straight[0], rel=0.05)
    lit = np.flatnonzero((weather.ghi > 0) | (weather.dni > 0) | (weather.dhi > 0))
    zenith, sun = np.radians(weather.zenith[lit]), np.radians(weather.azimuth[lit])
    along = np.degrees(np.arctan2(np.sin(zenith) * np.sin(sun), np.cos(zenith)))  # east positive
    turn = np.clip(along, -LIMIT, LIMIT)
    share = np.clip(np.cos(np.radians(along)) / (0.6 * np.cos(np.radians(along - turn))), 0.0, 1.0)
    clear = (weather.dni[lit] > 600) & (weather.dhi[lit] < 60) & (zenith < np.radians(85))
    assert clear.sum() > 100
    assert (shaded[clear] / free[clear]) == pytest.approx(share[clear], abs=0.12)  # the sky is not shaded so


def test_a_plane_that_hardly_turns_is_the_plane_that_stands(weather: WeatherYear, make_cohort: Any) -> None:
    """About an axis that falls to the south at 20 degrees, without a turn the modules face south at 20 degrees."""
    cohort = field_of(make_cohort, weather, 1.0)
    size = len(cohort)
    plant = baseline(cohort)
    still = plant.replace(tilt_deg=np.full(size, 20.0), azimuth_deg=np.full(size, 180.0))
    hardly = turning(plant, 0.0).replace(
        turn_limit_deg=np.full(size, 1e-4), axis_tilt_deg=np.full(size, 20.0), axis_azimuth_deg=np.full(size, 180.0)
    )
    assert annual_generation(cohort, hardly) == pytest.approx(annual_generation(cohort, still), rel=1e-4)


def test_a_skyline_hides_the_sun_from_a_tracker_too(weather: WeatherYear, make_cohort: Any) -> None:
    cohort = field_of(make_cohort, weather, 1.0)
    walled = replace(cohort, horizons={cohort.sites.index[0]: Horizon.of([0, 90, 180, 270], [20, 20, 20, 20])})
    plant = turning(baseline(cohort))
    open_kwh, walled_kwh = annual_generation(cohort, plant), annual_generation(walled, plant)
    assert walled_kwh[0] < 0.95 * open_kwh[0]
    assert walled_kwh[1:].tolist() == open_kwh[1:].tolist()  # the others see the whole sky, to the bit


def test_other_planes_are_the_same_bits_beside_one_that_turns(weather: WeatherYear, make_cohort: Any) -> None:
    cohort = field_of(make_cohort, weather, 1.0)
    plant = baseline(cohort)
    alone = plane_hours(
        weather, *(getattr(plant, name)[:1] for name in ("tilt_deg", "azimuth_deg", "mounting")), np.zeros(1)
    )
    weather.memo.clear()
    some = turning(plant, 0.0)
    mixed = some.replace(turn_limit_deg=np.array([0.0, LIMIT, LIMIT]))
    assert plant_hours(cohort, mixed).poa[0].tolist() == alone.poa[0].tolist()


def test_a_plane_that_turns_has_no_seasons(weather: WeatherYear, make_cohort: Any) -> None:
    """A retrofit that knows of no turning may set the seasons of a plane that turns: it goes on turning."""
    cohort = field_of(make_cohort, weather, 1.0)
    plant = turning(baseline(cohort))
    seasons = plant.replace(tilt_positions=np.full(len(cohort), 2.0), summer_tilt_deg=np.full(len(cohort), 10.0))
    assert annual_generation(cohort, seasons).tolist() == annual_generation(cohort, plant).tolist()
