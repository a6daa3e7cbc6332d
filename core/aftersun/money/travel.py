"""The way from the company's base to a site and back: distance, time, cost."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from aftersun.model.change import LABOUR
from aftersun.model.ranges import Bools, Floats
from aftersun.model.sphere import great_circle_km
from aftersun.money.company import Company


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


def trip(sites: pd.DataFrame, company: Company) -> Trip:
    """Return the trip to each of S sites from the base; latitude and longitude in degrees, north and east positive."""
    travel = company.travel
    latitude, longitude = (sites[name].to_numpy(dtype=np.float64) for name in ("latitude", "longitude"))
    straight = great_circle_km(travel.base_latitude, travel.base_longitude, latitude, longitude)
    distance = straight * travel.road_factor
    hours = 2.0 * distance / travel.average_speed_km_h
    hourly = travel.people * company.price_of(LABOUR, travel.skill)
    cost = 2.0 * distance * travel.cost_per_km + hours * hourly
    return Trip(distance, hours, cost, distance <= travel.max_distance_km)
