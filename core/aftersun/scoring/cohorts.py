"""From the inventory to cohorts: chunks of sites that share a weather year, small enough to compute in one go."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date

import numpy as np
import pandas as pd

from aftersun.climate.nearest import nearest_station
from aftersun.climate.sun import weather_year
from aftersun.energy.demand import standard_load_shapes
from aftersun.inventory import read, weather_store
from aftersun.inventory.store import Inventory
from aftersun.model.cohort import Cohort
from aftersun.model.weather import Station, WeatherYear
from aftersun.money.company import Company

CHUNK_SITES = 250

NO_ARRAY = "no array is loaded for it"
NO_TARIFF = "no tariff in force: without an import price nothing can be valued"


@dataclass(frozen=True, eq=False)
class Chunk:
    """Sites of one station with their arrays, as plain frames that can be sent to another process."""

    sites: pd.DataFrame
    arrays: pd.DataFrame
    fitted: pd.DataFrame
    station_id: str


@dataclass(frozen=True, eq=False)
class Portfolio:
    """All that a run needs from the inventory, read in one go so that the file is held only for a moment.

    ``left_out`` has the columns site_id and reason; ``places`` is indexed by site_id with station_id, distance_km,
    height_difference_m and remark.
    """

    chunks: tuple[Chunk, ...]
    weather: Mapping[str, tuple[Station, pd.DataFrame]]
    places: pd.DataFrame
    left_out: pd.DataFrame
    customers: pd.DataFrame
    owners: pd.Series  # customer_id by site_id, of every site
    sites: int


def read_portfolio(
    inventory: Inventory, as_of: date, chunk_sites: int = CHUNK_SITES, site_id: str | None = None
) -> Portfolio:
    """Read the sites that can be valued, each with the tariff in force on ``as_of`` and its nearest station.

    Raises
    ------
    AftersunError
        If the inventory holds no weather.
    """
    sites = read.sites(inventory)
    if site_id is not None:
        sites = sites[sites["site_id"] == site_id]
    owners = sites.set_index("site_id")["customer_id"].sort_index()
    arrays = read.arrays(inventory)
    tariffs = read.tariffs_in_force(inventory, as_of)
    sites = sites.merge(tariffs, on="tariff_id", how="left").set_index("site_id").sort_index()
    without_array = ~sites.index.isin(arrays["site_id"])
    without_tariff = sites["import_price"].isna().to_numpy()
    left_out = pd.DataFrame(
        {
            "site_id": sites.index[without_array | without_tariff],
            "reason": np.where(without_array, NO_ARRAY, NO_TARIFF)[without_array | without_tariff],
        }
    )
    sites = sites[~(without_array | without_tariff)]
    sites = sites.assign(load_shape=(sites["latitude"] < 0).astype(int))  # row 1 is the southern year
    stations = weather_store.stations(inventory)
    places = _places(sites, stations)
    fitted = read.fitted(inventory)
    chunks = []
    for station_id, members in places.groupby("station_id", sort=True):
        for start in range(0, len(members), chunk_sites):
            ids = members.index[start : start + chunk_sites]
            part = sites.loc[ids]
            mine = arrays[arrays["site_id"].isin(ids)]
            position = part.index.get_indexer(pd.Index(mine["site_id"]))
            mine = mine.assign(site=position).sort_values(["site", "array_id"]).set_index("array_id")
            chunks.append(Chunk(part, mine, fitted[fitted["site_id"].isin(ids)], str(station_id)))
    used = sorted({chunk.station_id for chunk in chunks})
    by_id = {station.station_id: station for station in stations}
    weather = {name: (by_id[name], weather_store.weather_hours(inventory, name)) for name in used}
    return Portfolio(tuple(chunks), weather, places, left_out, read.customers(inventory), owners, len(sites))


def _places(sites: pd.DataFrame, stations: list[Station]) -> pd.DataFrame:
    places = nearest_station(
        sites["latitude"].to_numpy(dtype=float),
        sites["longitude"].to_numpy(dtype=float),
        sites["elevation_m"].to_numpy(dtype=float, na_value=np.nan),
        stations,
    )
    return places.set_index(sites.index)


def cohort_of(chunk: Chunk, year: WeatherYear, as_of: date, company: Company) -> Cohort:
    """Return the cohort of a chunk on its weather year, with the company's own values in force."""
    shapes = standard_load_shapes(year.times)
    return Cohort(chunk.sites, chunk.arrays, year, shapes, as_of, company.system_overrides, company.priors)


def year_of(weather: tuple[Station, pd.DataFrame]) -> WeatherYear:
    """Rebuild a weather year from what the inventory holds."""
    return weather_year(*weather)
