"""How much faster a site's year is here than with pvlib's ModelChain on the same machine, in the same run.

    python tests/benchmarks/bench_modelchain.py [--sites 2000] [--chains 20]

One side is ``baseline`` and ``simulate``: the whole hourly balance of each site, household load, export and import
included, for a portfolio at once. The other is a loop over pvlib's ModelChain objects with the same models, made
anew for each site, which ends at AC power. The two agree on AC energy (tests/core/energy/test_modelchain.py).
"""

from __future__ import annotations

import argparse
import time
import warnings
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd
import pvlib
from pvlib.location import Location
from pvlib.modelchain import ModelChain
from pvlib.pvsystem import Array, FixedMount, PVSystem
from pvlib.temperature import TEMPERATURE_MODEL_PARAMETERS

from aftersun.climate.read import read_weather
from aftersun.energy.balance import simulate
from aftersun.energy.baseline import baseline
from aftersun.energy.demand import standard_load_shapes
from aftersun.inventory.store.dictionary import columns
from aftersun.model.cohort import Cohort
from aftersun.model.weather import WeatherYear

WEATHER_FILE = Path(pvlib.__file__).parent / "data" / "723170TYA.CSV"
CHUNK = 250


def planes(count: int, distinct: bool, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Tilts and azimuths in degrees: all different, or as records say them, to 5 and 15 degrees."""
    tilt, azimuth = rng.uniform(5, 45, count), rng.uniform(90, 270, count)
    return (tilt, azimuth) if distinct else (5 * np.round(tilt / 5), 15 * np.round(azimuth / 15))


def cohort_of(year: WeatherYear, tilt: np.ndarray, azimuth: np.ndarray) -> Cohort:
    """One array a site, all that is not given unknown."""

    def table(name: str, known: dict[str, object]) -> pd.DataFrame:
        unknown = {c.name: pd.array([pd.NA] * len(tilt), dtype=c.dtype) for c in columns(name)}
        frame = pd.DataFrame(unknown | known)
        return frame.astype({c.name: c.dtype for c in columns(name)})

    ids = [f"S{place}" for place in range(len(tilt))]
    sites = table("site", {"site_id": ids, "customer_id": ids, "latitude": 36.1, "longitude": -79.9})
    arrays = table("array", {"array_id": ids, "site_id": ids, "tilt_deg": tilt, "azimuth_deg": azimuth})
    arrays["dc_rating_kw"] = 4.0
    return Cohort(
        sites.set_index("site_id").assign(load_shape=0),
        arrays.set_index("array_id").assign(site=np.arange(len(tilt))),
        year,
        standard_load_shapes(year.times),
        date(2026, 6, 1),
    )


def ours(year: WeatherYear, tilt: np.ndarray, azimuth: np.ndarray) -> float:
    """Processor seconds a site; the frames are made before the clock starts."""
    parts = [slice(start, start + CHUNK) for start in range(0, len(tilt), CHUNK)]
    cohorts = [cohort_of(year, tilt[part], azimuth[part]) for part in parts]
    year.memo.clear()
    started = time.process_time()
    for cohort in cohorts:
        simulate(cohort, baseline(cohort)).annual("generated")
    return (time.process_time() - started) / len(tilt)


def model_chains(year: WeatherYear, tilt: np.ndarray, azimuth: np.ndarray) -> float:
    """Processor seconds a site."""
    hours = pd.DataFrame(
        {name: getattr(year, name) for name in ("ghi", "dni", "dhi", "temp_air", "wind_speed", "albedo")},
        index=year.times,
    )
    station = year.station
    started = time.process_time()
    for one_tilt, one_azimuth in zip(tilt, azimuth, strict=True):
        array = Array(
            FixedMount(one_tilt, one_azimuth),
            module_parameters={"pdc0": 4000, "gamma_pdc": -0.004},
            temperature_model_parameters=TEMPERATURE_MODEL_PARAMETERS["sapm"]["close_mount_glass_glass"],
        )
        chain = ModelChain(
            PVSystem([array], inverter_parameters={"pdc0": 3600, "eta_inv_nom": 0.96}),
            Location(station.latitude, station.longitude, altitude=station.elevation_m),
            transposition_model="perez",
            dc_model="pvwatts",
            ac_model="pvwatts",
            aoi_model="physical",
            spectral_model="no_loss",
            temperature_model="sapm",
            losses_model="pvwatts",
        )
        chain.run_model(hours)
        chain.results.ac.sum()
    return (time.process_time() - started) / len(tilt)


def main() -> None:
    """Print the ratios."""
    arguments = argparse.ArgumentParser(description="Cost of a site's year against pvlib's ModelChain.")
    arguments.add_argument("--sites", type=int, default=2000)
    arguments.add_argument("--chains", type=int, default=20)
    given = arguments.parse_args()
    warnings.filterwarnings("ignore", message="DatetimeIndex.dayofyear")
    year = read_weather(WEATHER_FILE).year
    rng = np.random.default_rng(1)
    chain = model_chains(year, *planes(given.chains, True, rng))
    print(f"ModelChain: 1 ({chain * 1000:.1f} ms a site and year, mean of {given.chains})")
    for distinct, name in ((False, "angles to 5 and 15 degrees"), (True, "every plane different")):
        for count in (1, 100, given.sites):
            cost = min(ours(year, *planes(count, distinct, rng)) for _ in range(3))
            print(f"here, {count} sites, {name}: {chain / cost:.0f} times as fast ({cost * 1000:.2f} ms)")


if __name__ == "__main__":
    main()
