"""The way from the company's base to a site and back: distance, time, cost."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from aftersun.model.change import LABOUR
from aftersun.model.ranges import Bools, Floats
from aftersun.money.company import Company

EARTH_RADIUS_KM = 6371.0088  # mean radius of the IUGG (Moritz 2000, Geodetic Reference System 1980)


@dataclass(frozen=True, eq=False)
class Trip:
    """One visit to each site, all of shape (S,).

    ``distance_km`` is one way by road, ``hours`` there and back for one person, ``cost`` what the figures of
    the company file give for vehicle and people. ``within_reach`` is false beyond the company's farthest
    distance: nothing is offered there.
    """

    distance_km: Floats
    hours: Floats
    cost: Floats
    within_reach: Bools


def trip(latitude: npt.ArrayLike, longitude: npt.ArrayLike, company: Company) -> Trip:
    """Return the trip to each site from the base. Degrees of shape (S,), north and east positive."""
    travel = company.travel
    straight = great_circle_km(travel.base_latitude, travel.base_longitude, latitude, longitude)
    distance = straight * travel.road_factor
    hours = 2.0 * distance / travel.average_speed_km_h
    hourly = travel.people * company.price_of(LABOUR, travel.skill)
    cost = 2.0 * distance * travel.cost_per_km + hours * hourly
    return Trip(distance, hours, cost, distance <= travel.max_distance_km)


def great_circle_km(
    from_latitude: npt.ArrayLike,
    from_longitude: npt.ArrayLike,
    to_latitude: npt.ArrayLike,
    to_longitude: npt.ArrayLike,
) -> Floats:
    """Return the distance on a sphere by the haversine formula, which keeps its precision at small distances.

    Degrees of any shapes that broadcast; result in km.
    """
    lat_1, lat_2 = _radians(from_latitude), _radians(to_latitude)
    half_lat = (lat_2 - lat_1) / 2.0
    half_lon = (_radians(to_longitude) - _radians(from_longitude)) / 2.0
    haversine = np.sin(half_lat) ** 2 + np.cos(lat_1) * np.cos(lat_2) * np.sin(half_lon) ** 2
    return np.asarray(2.0 * EARTH_RADIUS_KM * np.arcsin(np.sqrt(np.minimum(haversine, 1.0))))


def _radians(degrees: npt.ArrayLike) -> Floats:
    return np.radians(np.asarray(degrees, dtype=np.float64))
