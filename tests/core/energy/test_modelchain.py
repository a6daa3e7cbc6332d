"""Annual AC energy against pvlib's own ModelChain, set up with the same models on the same weather."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
import pytest
from pvlib.location import Location
from pvlib.modelchain import ModelChain
from pvlib.pvsystem import Array, FixedMount, PVSystem
from pvlib.temperature import TEMPERATURE_MODEL_PARAMETERS

from aftersun.energy.balance import simulate
from aftersun.energy.baseline import baseline
from aftersun.model.weather import WeatherYear

SAPM = TEMPERATURE_MODEL_PARAMETERS["sapm"]
MOUNTS = {
    "flush roof": SAPM["close_mount_glass_glass"],
    "in roof": SAPM["insulated_back_glass_polymer"],
    "flat roof frame": SAPM["open_rack_glass_polymer"],
    "ground frame": SAPM["open_rack_glass_polymer"],
}
# pvlib's default availability loss; taken after the inverter here, so left out of ModelChain's stack
STOPS = 0.03
# ModelChain knows hours without anything within them, and takes every loss alike from all: so here, and no cables.
ALIKE = {
    "within_hour_least": 1e-6,
    "within_hour_slope": 1e-6,
    "within_hour_most": 1e-6,
    "shade_height_deg": 1e6,
    "wiring_loss": 1e-9,
    "connection_loss": 1e-9,
}

# inverter rating in kW; arrays of tilt, azimuth, mounting, rating in kW, temperature coefficient in %/K
SYSTEMS = [
    (3.6, [(0, 180, "flush roof", 4.0, -0.4)]),
    (3.6, [(15, 180, "flush roof", 4.0, -0.4)]),
    (3.6, [(30, 180, "flush roof", 4.0, -0.4)]),
    (3.6, [(45, 180, "in roof", 4.0, -0.4)]),
    (3.6, [(60, 180, "in roof", 4.0, -0.3)]),
    (3.6, [(90, 180, "ground frame", 4.0, -0.3)]),
    (4.0, [(10, 180, "flat roof frame", 4.0, -0.35)]),
    (4.0, [(35, 90, "flush roof", 4.2, -0.45)]),
    (4.0, [(35, 270, "flush roof", 4.2, -0.45)]),
    (4.0, [(35, 0, "flush roof", 4.2, -0.45)]),
    (4.0, [(25, 135, "ground frame", 5.0, -0.4)]),
    (4.0, [(25, 225, "ground frame", 5.0, -0.4)]),
    (2.0, [(30, 180, "flush roof", 4.0, -0.4)]),  # clips much
    (2.5, [(30, 180, "ground frame", 4.0, -0.2)]),
    (3.0, [(20, 200, "in roof", 5.0, -0.5)]),
    (8.0, [(30, 180, "flush roof", 4.0, -0.4)]),  # inverter twice as large
    (60.0, [(10, 170, "flat roof frame", 75.0, -0.38)]),
    (5.0, [(30, 90, "flush roof", 3.0, -0.4), (30, 270, "flush roof", 3.0, -0.4)]),
    (5.0, [(30, 180, "flush roof", 4.0, -0.4), (10, 180, "flat roof frame", 2.0, -0.3)]),
    (3.0, [(40, 120, "in roof", 2.5, -0.45), (40, 300, "in roof", 2.0, -0.45)]),
    (6.0, [(5, 100, "flush roof", 3.0, -0.4), (50, 190, "ground frame", 5.0, -0.26)]),
    (10.0, [(12, 85, "flush roof", 6.0, -0.34), (12, 265, "flush roof", 4.0, -0.34)]),
]


@pytest.fixture(scope="module")
def dry_memory(weather: WeatherYear) -> WeatherYear:
    """The same weather with rain unknown: soiling is then the 2 % of pvlib's default stack."""
    return replace(weather, rain_mm=None)


def _chain_kwh(weather: WeatherYear, rating_kw: float, arrays: list[tuple[Any, ...]]) -> float:
    efficiency = 0.96
    system = PVSystem(
        arrays=[
            Array(
                FixedMount(tilt, azimuth),
                module_parameters={"pdc0": rating * 1000, "gamma_pdc": coefficient / 100},
                temperature_model_parameters=MOUNTS[mounting],
            )
            for tilt, azimuth, mounting, rating, coefficient in arrays
        ],
        inverter_parameters={"pdc0": rating_kw * 1000 / efficiency, "eta_inv_nom": efficiency},
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
    return float(chain.results.ac.sum()) / 1000 * (1 - STOPS)


# pandas 3.1 deprecates an attribute that pvlib 0.16 still reads.
@pytest.mark.slow
@pytest.mark.filterwarnings("ignore:DatetimeIndex.dayofyear is deprecated")
def test_annual_energy_is_within_a_fifth_of_a_percent_of_modelchain(dry_memory: WeatherYear, make_cohort: Any) -> None:
    names = ("tilt_deg", "azimuth_deg", "mounting", "dc_rating_kw", "temp_coefficient_pct_per_k")
    cohort = make_cohort(
        *(
            {
                "inverter_rating_kw": rating,
                "commissioned_on": "2025-01-01",
                "birds_seen": False,
                "open_string": False,
                "measured_excess_loss": 0.0,
                "arrays": [dict(zip(names, array, strict=True)) for array in arrays],
            }
            for rating, arrays in SYSTEMS
        ),
        on=dry_memory,
    )
    cohort = replace(cohort, overrides=ALIKE)
    generated = simulate(cohort, baseline(cohort)).annual("generated")
    expected = [_chain_kwh(dry_memory, rating, arrays) for rating, arrays in SYSTEMS]
    assert generated == pytest.approx(expected, rel=0.002)
    assert np.min(expected) > 500
