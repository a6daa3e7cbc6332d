"""Which weather serves which roof: the nearest station, or the built-in normals where those are less uncertain."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from aftersun.climate.limits import limit
from aftersun.climate.normals import cell_of, ghi_sd_shares
from aftersun.climate.synthesis.year import synthetic_id
from aftersun.model import tables
from aftersun.model.ranges import Floats
from aftersun.model.sphere import great_circle_km
from aftersun.model.weather import Station

STATION = "station"
NORMALS = "normals"


def _share(name: str) -> float:
    return tables.mode("weather_uncertainty.csv", name)


def nearest_station(
    latitude: Floats, longitude: Floats, elevation_m: Floats, stations: Sequence[Station]
) -> pd.DataFrame:
    """Find the nearest weather station of each site; of equally near ones the first by ``station_id``.

    Parameters
    ----------
    latitude, longitude : array (S,)
        Degrees, north and east positive.
    elevation_m : array (S,)
        Height above sea level in m, NaN where unknown.
    stations : sequence of Station

    Returns
    -------
    DataFrame
        S rows: ``station_id``, ``distance_km``, ``height_difference_m`` (station less site, NaN where
        unknown), and whether the station is farther (``station_far``), or higher or lower (``station_steep``), than is
        commonly accepted. Without any station the id is empty and the distance infinite.
    """
    ordered = sorted(stations, key=lambda station: station.station_id)
    best, distance = np.zeros(len(latitude), dtype=int), np.full(len(latitude), np.inf)
    # One station at a time: memory stays at the number of sites however many stations there are.
    for number, station in enumerate(ordered):
        to_this = great_circle_km(latitude, longitude, station.latitude, station.longitude)
        closer = to_this < distance
        best[closer] = number
        distance = np.where(closer, to_this, distance)
    ids = np.array([station.station_id for station in ordered] or [""], dtype=object)
    heights = np.array([station.elevation_m for station in ordered] or [np.nan])
    difference = heights[best] - elevation_m
    return pd.DataFrame(
        {
            "station_id": ids[best],
            "distance_km": distance,
            "height_difference_m": difference,
            "station_far": distance > limit("station_distance"),
            "station_steep": np.abs(difference) > limit("station_height"),
        }
    )


def weather_for(latitude: Floats, longitude: Floats, elevation_m: Floats, stations: Sequence[Station]) -> pd.DataFrame:
    """Choose the weather of each site.

    A station's year is that of another place: its standard deviation grows with distance and height difference.
    The built-in normals are of the place itself, but from a grid with an error of its own. The smaller one is taken.

    Parameters
    ----------
    latitude, longitude : array (S,)
        Degrees, north and east positive.
    elevation_m : array (S,)
        Height above sea level in m, NaN where unknown.
    stations : sequence of Station
        May be empty.

    Returns
    -------
    DataFrame
        One row a site: ``weather_id`` (a station, or the cell of the grid; empty where there is no station and the
        normals have no land), ``basis`` (STATION or NORMALS),
        ``cell_latitude``, ``cell_longitude``, ``distance_km`` and ``height_difference_m`` (of the station; NaN for
        normals), ``weather_sd_share`` (standard deviation of the year's in-plane irradiation, share of it),
        ``station_far``, ``station_steep`` (as `nearest_station` says, false for normals).
    """
    cell_latitude, cell_longitude = cell_of(latitude, longitude)
    grid_sd = ghi_sd_shares(latitude, longitude)
    near = nearest_station(latitude, longitude, elevation_m, stations)
    climb_m = near["height_difference_m"].abs().fillna(0.0)
    station_sd = np.hypot(_share("station_per_km") * near["distance_km"], _share("station_per_m") * climb_m)
    by_grid = grid_sd < station_sd  # NaN compares false: no land, so the station
    cell_ids = np.array([synthetic_id(*cell) for cell in zip(cell_latitude, cell_longitude, strict=True)], dtype=object)
    own_sd = np.where(by_grid, grid_sd, station_sd)
    return pd.DataFrame(
        {
            "weather_id": np.where(by_grid, cell_ids, near["station_id"]),
            "basis": np.where(by_grid, NORMALS, STATION),
            "cell_latitude": cell_latitude,
            "cell_longitude": cell_longitude,
            "distance_km": near["distance_km"].mask(by_grid),
            "height_difference_m": near["height_difference_m"].mask(by_grid),
            "weather_sd_share": np.sqrt(_share("long_term_mean") ** 2 + _share("transposition") ** 2 + own_sd**2),
            "station_far": ~by_grid & near["station_far"],
            "station_steep": ~by_grid & near["station_steep"],
        }
    )
