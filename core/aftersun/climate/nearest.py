"""Which weather station serves which roof."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from aftersun.climate.limits import limit
from aftersun.model.ranges import Floats
from aftersun.model.sphere import great_circle_km
from aftersun.model.weather import Station


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
