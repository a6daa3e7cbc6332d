"""From the inventory to cohorts: chunks of sites that share a weather year, small enough to compute in one go."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from datetime import date
from types import MappingProxyType

import numpy as np
import pandas as pd

from aftersun.climate.choice import NORMALS, weather_for
from aftersun.climate.normals import normals_at
from aftersun.climate.sun import weather_year
from aftersun.climate.synthesis.year import seed_of, synthetic_year, with_rain
from aftersun.energy.demand import shape_rows, standard_load_shapes
from aftersun.energy.geometry import with_assumed_geometry, with_reckoned_age
from aftersun.inventory.log import call_log
from aftersun.inventory.log.learnt_facts import dangers_found
from aftersun.inventory.places import countries_at, heights_at, standard_offset_h, zones_at
from aftersun.inventory.store import read, weather_store
from aftersun.inventory.store.file import Inventory
from aftersun.model import tables
from aftersun.model.codes import NotCalled
from aftersun.model.cohort import Cohort, Horizon
from aftersun.model.price_times import PriceTables
from aftersun.model.ranges import Floats, Ints
from aftersun.model.weather import Station, WeatherYear, calendar
from aftersun.money.company import Company
from aftersun.money.export_rules import in_force, with_national_ends
from aftersun.money.price_calendar import summer_time_h, with_calendars
from aftersun.money.tariffs import as_paid

PRIOR_SITES = 20.0  # assumption: what the table believes of a fact counts as much as so many sites where it is known
CHUNK_SITES = 2000  # fewer cost more a site, since each chunk is asked the same hundreds of questions; more only memory


@dataclass(frozen=True)
class StationYear:
    """A weather year as the inventory holds it; the station's record, with the hash of its file, tells it apart."""

    station: Station
    hours: pd.DataFrame = field(compare=False)

    @property
    def sha256(self) -> str:
        """Hash of the file it was read from."""
        return self.station.sha256


@dataclass(frozen=True)
class GridCell:
    """A cell of the built-in normals, degrees; its hours are made anew wherever they are needed, always the same."""

    latitude: float
    longitude: float

    @property
    def sha256(self) -> str:
        """Hash of the normals and seed that its year is made from."""
        return year_of(self).station.sha256


Weather = StationYear | GridCell


@dataclass(frozen=True, eq=False)
class Chunk:
    """Sites of one weather year with their arrays, as plain frames that can be sent to another process."""

    sites: pd.DataFrame
    arrays: pd.DataFrame
    fitted: pd.DataFrame
    readings: pd.DataFrame
    horizons: Mapping[str, Horizon]
    weather_id: str
    choices: Mapping[str, Mapping[str, float]] = field(default_factory=dict)  # as :func:`fleet_choices` gives them
    fleet_age_years: float | None = None  # as :func:`fleet_age` gives it
    prices: PriceTables = field(default_factory=PriceTables)  # by time, of the tariffs of its sites
    past_light: pd.DataFrame | None = None  # of months of real years, as :func:`_past_light` reads it


@dataclass(frozen=True, eq=False)
class Portfolio:
    """All that a run needs from the inventory, read in one go so that the file is held only for a moment.

    ``left_out`` has the reason and the facts of each site that cannot be valued, by site_id; ``places`` is indexed by
    site_id and says which weather each site has, as :func:`aftersun.climate.choice.weather_for` does.
    """

    chunks: tuple[Chunk, ...]
    weather: Mapping[str, Weather]
    places: pd.DataFrame
    left_out: pd.DataFrame
    arrays_left_out: pd.DataFrame  # of these, as a chunk has them
    customers: pd.DataFrame  # as the contact rules take them
    log: pd.DataFrame  # of calls, without remarks
    dangers_found: pd.DataFrame  # since when: site_id, fact, found_on
    owners: pd.Series  # customer_id by site_id, of every site
    sites: int
    as_of: date


def read_portfolio(
    inventory: Inventory, as_of: date, chunk_sites: int = CHUNK_SITES, site_id: str | None = None
) -> Portfolio:
    """Read the sites that can be valued, each with the tariff in force on ``as_of`` and its weather, and the others."""
    sites = read.sites(inventory)
    choices, age = fleet_choices(sites), fleet_age(sites, as_of)
    if site_id is not None:
        sites = sites[sites["site_id"] == site_id]
    owners = sites.set_index("site_id")["customer_id"].sort_index()
    arrays = read.arrays(inventory)
    tariffs = read.tariffs_in_force(inventory, as_of)
    sites = sites.merge(tariffs, on="tariff_id", how="left").set_index("site_id").sort_index()
    position = sites["latitude"].notna() & sites["longitude"].notna()
    reason = np.select(
        [~sites.index.isin(arrays["site_id"]), sites["import_price"].isna(), ~position],
        [NotCalled.NO_ARRAY, NotCalled.NO_TARIFF, NotCalled.NO_POSITION],
        "",
    )
    valued = sites[reason == ""]
    latitude, longitude, height = (
        valued[name].to_numpy(float, na_value=np.nan) for name in ("latitude", "longitude", "elevation_m")
    )
    height, unknown = height.copy(), np.isnan(height)
    height[unknown] = heights_at(latitude[unknown], longitude[unknown])
    stations = weather_store.stations(inventory)
    past_light = _past_light(inventory, stations)
    places = weather_for(latitude, longitude, height, stations).set_index(valued.index)
    valued = valued.assign(
        country=pd.array(countries_at(latitude, longitude), dtype="string"),
        time_zone=pd.array(zones_at(latitude, longitude), dtype="string"),
        elevation_m=pd.array(height, dtype="Float64"),
    )
    served = places["weather_id"] != ""
    reason[reason == ""] = np.where(served, "", NotCalled.NO_WEATHER)
    places, valued = places[served], valued[served]
    prices = read.prices_in_force(inventory, as_of)
    return Portfolio(
        chunks=tuple(
            replace(
                chunk,
                choices=choices,
                fleet_age_years=age,
                prices=prices.of(chunk.sites["tariff_id"]),
                past_light=past_light,
            )
            for chunk in _chunks(inventory, valued, arrays, places, chunk_sites)
        ),
        weather=_weather(inventory, stations, places),
        places=places,
        left_out=sites.assign(reason=reason)[reason != ""],
        arrays_left_out=_of_chunk(arrays, sites.index[reason != ""]),
        customers=call_log.customers(inventory),
        log=call_log.entries(inventory),
        dangers_found=dangers_found(inventory),
        owners=owners,
        sites=len(valued),
        as_of=as_of,
    )


def fleet_choices(sites: pd.DataFrame) -> Mapping[str, Mapping[str, float]]:
    """Return the chance of each choice of a fact where it is unknown, by column: that of the sites where it is known.

    ``choices.csv`` counts as PRIOR_SITES more of them: the mean of a Dirichlet distribution after what is known.
    """
    by_fact = {}
    for fact, believed in tables.choices().items():
        known = sites[fact].value_counts()
        total = float(known.sum()) + PRIOR_SITES
        by_fact[fact] = {
            name: (float(known.get(name, 0)) + PRIOR_SITES * belief.chance) / total for name, belief in believed.items()
        }
    return by_fact


def fleet_age(sites: pd.DataFrame, as_of: date) -> float:
    """Return the age in years of a system of which nothing tells it: the mean of the sites where it is known.

    What is assumed of every system counts as PRIOR_SITES more of them.
    """
    known = (pd.Timestamp(as_of) - pd.to_datetime(sites["commissioned_on"].dropna())).dt.days / 365.25
    assumed = tables.mode("system.csv", "unknown_age_years")
    return float((known.clip(lower=0.0).sum() + PRIOR_SITES * assumed) / (len(known) + PRIOR_SITES))


def _chunks(
    inventory: Inventory, sites: pd.DataFrame, arrays: pd.DataFrame, places: pd.DataFrame, most: int
) -> Iterator[Chunk]:
    """Yield the sites of each weather year in chunks of one size, ``most`` sites or fewer."""
    fitted, skylines = _by_site(read.fitted(inventory)), read.horizons(inventory)
    arrays = _by_site(arrays)
    for weather_id, members in places.groupby("weather_id", sort=True):
        for ids in _even(members.index, most):
            yield Chunk(
                sites=sites.loc[ids],
                arrays=_of_chunk(arrays.loc[ids].reset_index(), ids),
                fitted=fitted.loc[fitted.index.intersection(ids)].reset_index(),
                readings=read.readings(inventory, list(ids)),
                horizons={site: skylines[site] for site in ids if site in skylines},
                weather_id=str(weather_id),
            )


def _of_chunk(arrays: pd.DataFrame, ids: pd.Index) -> pd.DataFrame:
    """Return the arrays of sites as a chunk has them: with the position of their site, in its order."""
    arrays = arrays[arrays["site_id"].isin(ids)]
    arrays = arrays.assign(site=ids.get_indexer(pd.Index(arrays["site_id"])))
    return arrays.sort_values(["site", "array_id"]).set_index("array_id")


def _even(ids: pd.Index, most: int) -> list[pd.Index]:
    """Cut into parts of one size, ``most`` or fewer; of several an even number, so that two workers end together."""
    parts = -(-len(ids) // most)
    parts += parts % 2 if parts > 1 else 0
    return [ids[rows] for rows in np.array_split(np.arange(len(ids)), min(parts, len(ids)))]


def _by_site(rows: pd.DataFrame) -> pd.DataFrame:
    """Return the rows indexed by their site in order, where those of one chunk are found without a look at the rest."""
    return rows.set_index("site_id").sort_index(kind="stable")


def _weather(inventory: Inventory, stations: list[Station], places: pd.DataFrame) -> dict[str, Weather]:
    by_id = {station.station_id: station for station in stations}
    weather: dict[str, Weather] = {}
    for row in places.drop_duplicates("weather_id").to_dict("records"):
        name = str(row["weather_id"])
        if row["basis"] == NORMALS:
            weather[name] = GridCell(row["cell_latitude"], row["cell_longitude"])
        else:
            weather[name] = StationYear(by_id[name], weather_store.weather_hours(inventory, name))
    return weather


def _past_light(inventory: Inventory, stations: list[Station]) -> pd.DataFrame:
    """Return the light of months of real years: what is loaded as such, and of stations whose hours are of one year."""
    loaded = read.past_weather(inventory)
    frames = [loaded[loaded["irradiation_kwh_m2"].notna()]]
    for station in stations:
        if station.year is None:
            continue
        hours = weather_store.weather_hours(inventory, station.station_id)
        month, _, _ = calendar(hours["hour"].to_numpy())
        light = np.bincount(month - 1, hours["ghi"].to_numpy(), 12) / 1000
        of_year = pd.date_range(f"{station.year}-01-01", periods=12, freq="MS")
        row = {"place": station.station_id, "latitude": station.latitude, "longitude": station.longitude}
        frames.append(pd.DataFrame({"month": of_year, "irradiation_kwh_m2": light, **row}))
    columns = ["month", "latitude", "longitude", "irradiation_kwh_m2"]
    return pd.concat([frame[columns].astype({"month": "datetime64[s]"}) for frame in frames], ignore_index=True)


def left_out_chunk(portfolio: Portfolio, company: Company) -> Chunk:
    """Return the sites that cannot be valued as a chunk to ask safety notes of, on the weather of any other.

    A site without a position is taken to be at the company's base: no note rests on it.
    """
    base = {name: getattr(company.travel, f"base_{name}") for name in ("latitude", "longitude")}
    sites, like = portfolio.left_out.drop(columns="reason").fillna(base), portfolio.chunks[0]
    arrays = portfolio.arrays_left_out.reset_index()
    country = pd.array(countries_at(*(sites[name].to_numpy(float) for name in base)), dtype="string")
    return replace(
        like,
        sites=sites.assign(country=country, time_zone=pd.array([None] * len(sites), dtype="string")),
        prices=PriceTables(),
        arrays=_of_chunk(arrays, sites.index),
        fitted=like.fitted.head(0),
        readings=like.readings.head(0),
        horizons={},
    )


def cohort_of(chunk: Chunk, year: WeatherYear, as_of: date, company: Company) -> Cohort:
    """Return the cohort of a chunk on its weather year, with the company's own values in force."""
    shapes, rows = _load_shapes(chunk.sites, year)
    sites = in_force(chunk.sites, as_of).assign(load_shape=rows)
    sites = with_national_ends(sites, company.system_overrides)
    sites, calendars = with_calendars(sites, chunk.prices, year.times, company.money.sales_tax_rate)
    of_fleet = {} if chunk.fleet_age_years is None else {"unknown_age_years": chunk.fleet_age_years}
    cohort = Cohort(
        as_paid(sites, company.money.sales_tax_rate),
        chunk.arrays,
        year,
        shapes,
        as_of,
        overrides=MappingProxyType(of_fleet | company.system_overrides),
        priors=MappingProxyType(company.priors),
        horizons=MappingProxyType(dict(chunk.horizons)),
        choices=chunk.choices,
        calendars=calendars,
        past_light=chunk.past_light,
    )
    return with_assumed_geometry(with_reckoned_age(cohort))


def _load_shapes(sites: pd.DataFrame, year: WeatherYear) -> tuple[Floats, Ints]:
    """Return the usual load shapes by the clocks of the sites' time zones, one after another, and each site's row."""
    zone, zones = pd.factorize(sites["time_zone"].fillna(""))
    shapes = [standard_load_shapes(year.times, summer_time_h(year.times, name)) for name in zones]
    stacked = np.concatenate(shapes)
    stacked.flags.writeable = False  # shared by all who see the cohort
    return stacked, np.asarray(zone * len(shapes[0]) + shape_rows(sites), dtype=np.int64)


def year_of(weather: Weather) -> WeatherYear:
    """Return the weather year: rebuilt from what the inventory holds, or made from the normals of its cell.

    A station without rain has that of its cell: what a roof loses to dirt does not depend on a column of a file.
    """
    if isinstance(weather, StationYear):
        return with_rain(weather_year(weather.station, weather.hours))
    normals = normals_at(weather.latitude, weather.longitude)
    return synthetic_year(
        normals, seed=seed_of(normals), utc_offset_h=standard_offset_h(weather.latitude, weather.longitude)
    )
