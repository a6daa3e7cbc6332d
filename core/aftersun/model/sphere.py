"""Distances on the earth, taken as a sphere."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from aftersun.model.ranges import Floats

EARTH_RADIUS_KM = 6371.0088  # mean radius of the IUGG (Moritz 2000, Geodetic Reference System 1980)


def great_circle_km(
    from_latitude: npt.ArrayLike, from_longitude: npt.ArrayLike, to_latitude: npt.ArrayLike, to_longitude: npt.ArrayLike
) -> Floats:
    """Return the distance in km by the haversine formula, which keeps its precision at small distances.

    Degrees of any shapes that broadcast.
    """
    lat_1, lat_2 = _radians(from_latitude), _radians(to_latitude)
    half_lat = (lat_2 - lat_1) / 2.0
    half_lon = (_radians(to_longitude) - _radians(from_longitude)) / 2.0
    haversine = np.sin(half_lat) ** 2 + np.cos(lat_1) * np.cos(lat_2) * np.sin(half_lon) ** 2
    return np.asarray(2.0 * EARTH_RADIUS_KM * np.arcsin(np.sqrt(np.minimum(haversine, 1.0))))


def unit_vectors(latitude: npt.ArrayLike, longitude: npt.ArrayLike) -> Floats:
    """Return points in degrees on the unit sphere, (..., 3), where neither poles nor a date line matter."""
    lat, lon = np.broadcast_arrays(_radians(latitude), _radians(longitude))
    return np.stack([np.cos(lat) * np.cos(lon), np.cos(lat) * np.sin(lon), np.sin(lat)], axis=-1)


def _radians(degrees: npt.ArrayLike) -> Floats:
    return np.radians(np.asarray(degrees, dtype=np.float64))
