"""Monthly climate normals of any land point, from the grid that comes with the program."""

from __future__ import annotations

import json
from dataclasses import dataclass
from functools import cache

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

import aftersun_datasets
from aftersun.model import tables
from aftersun.model.errors import AftersunError
from aftersun.model.ranges import Floats, Ints
from aftersun.model.sphere import unit_vectors

FILE = "normals.npz"
CELL_DEG = 0.5
SOUTH_DEG = -60.0
"""The grid's southern edge; it ends at the north pole and goes round the earth."""

BOX_DEG = 3.0
BOXES_SOUTH_DEG, BOXES_WEST_DEG = -57.0, -180.0
"""Centre of the south-western box of the day-to-day distribution."""

BASES = {
    "checked": "",
    "unchecked": "",
    "coast": "yearly irradiation and wind speed are taken over from the nearest cell that has them",
    "island": "yearly irradiation is estimated from climates like this one, the wind speed is an assumption",
}
"""What a cell's yearly irradiation rests on, in the order of the file's numbers (rows of ``normals.csv``)."""


@dataclass(frozen=True, eq=False)
class Normals:
    """Long-term monthly means of one place; arrays of shape (12,), January first.

    ``latitude`` and ``longitude`` in degrees of the place asked for; ``elevation_m`` the mean of the land of its
    cell in m above sea level. ``ghi_kwh_m2_day`` is the mean daily irradiation on the horizontal in kWh/m2,
    ``temp_air_c`` the mean air temperature in degrees C, ``rain_mm`` the precipitation of the month in mm,
    ``wind_speed_m_s`` the mean wind speed at 10 m in m/s (the source has no seasons: twelve times the yearly mean).

    ``clearness_shape`` (12, 11) holds the quantiles 0, 0.1 .. 1 of the daily clearness index divided by its monthly
    mean; a straight line between them has the mean 1. The ends stand for the darkest and the brightest day of a
    month. ``sources`` are citations, and what is not measured there.
    """

    latitude: float
    longitude: float
    elevation_m: float
    ghi_kwh_m2_day: Floats
    temp_air_c: Floats
    rain_mm: Floats
    wind_speed_m_s: Floats
    clearness_shape: Floats
    sources: tuple[str, ...]


@dataclass(frozen=True, eq=False)
class _Grid:
    """The file in memory: C cells with land in row order, and a search tree of their centres."""

    number: Ints  # (300, 720): which cell, -1 without land
    latitude: Floats  # (C,)
    longitude: Floats  # (C,)
    tree: cKDTree
    arrays: dict[str, npt.NDArray[np.generic]]
    sources: tuple[str, ...]


@cache
def _grid() -> _Grid:
    with aftersun_datasets.path(FILE).open("rb") as handle, np.load(handle, allow_pickle=False) as file:
        arrays = {name: file[name] for name in file.files}
    land = arrays.pop("land")
    sources = json.loads(str(arrays.pop("metadata")))["sources"]
    number = np.full(land.shape, -1)
    number[land] = np.arange(land.sum())
    row, column = np.nonzero(land)
    latitude = np.asarray(SOUTH_DEG + CELL_DEG * (row + 0.5), dtype=np.float64)
    longitude = np.asarray(-180 + CELL_DEG * (column + 0.5), dtype=np.float64)
    return _Grid(
        number=number,
        latitude=latitude,
        longitude=longitude,
        tree=cKDTree(unit_vectors(latitude, longitude)),
        arrays=arrays,
        sources=tuple(f"{entry['gives']}: {entry['source']} ({entry['licence']})" for entry in sources),
    )


def _assumed(name: str) -> float:
    return tables.mode("normals.csv", name)


def _cells(latitude: npt.ArrayLike, longitude: npt.ArrayLike) -> Ints:
    """Return the number of the cell that serves each latitude and longitude (S,), -1 where no land is near."""
    lat, lon = (np.atleast_1d(np.asarray(degrees, dtype=np.float64)) for degrees in (latitude, longitude))
    if not (np.isfinite(lon).all() and (np.abs(lat) <= 90).all() and (np.abs(lon) <= 360).all()):
        raise AftersunError(
            "A place on earth needs a latitude of -90 to 90 and a longitude of -180 to 180 degrees.",
            "Give both in decimal degrees, north and east positive.",
        )
    grid = _grid()
    row = np.minimum(np.floor((lat - SOUTH_DEG) / CELL_DEG).astype(int), grid.number.shape[0] - 1)
    column = np.floor((lon + 180) / CELL_DEG).astype(int) % grid.number.shape[1]
    number = np.where(row < 0, -1, grid.number[row, column])
    sea = np.flatnonzero(number < 0)
    if sea.size:
        reach = 2 * np.sin(np.radians(_assumed("nearest_land")) / 2)
        distance, nearest = grid.tree.query(unit_vectors(lat[sea], lon[sea]), distance_upper_bound=reach)
        number[sea] = np.where(np.isfinite(distance), nearest, -1)
    return number


def cell_of(latitude: npt.ArrayLike, longitude: npt.ArrayLike) -> tuple[Floats, Floats]:
    """Return the centres of the cells whose normals serve points: sites with the same centre share a climate.

    Parameters
    ----------
    latitude, longitude : array (S,)
        Degrees, north and east positive.

    Returns
    -------
    latitude, longitude : array (S,)
        Of the centre of the point's cell of 0.5 degrees, or of the nearest cell with land; NaN where none lies
        within 1.5 degrees.

    Raises
    ------
    AftersunError
        If a value is not a place on earth.
    """
    number = _cells(latitude, longitude)
    known = number >= 0
    grid = _grid()
    return np.where(known, grid.latitude[number], np.nan), np.where(known, grid.longitude[number], np.nan)


def ghi_sd_shares(latitude: npt.ArrayLike, longitude: npt.ArrayLike) -> Floats:
    """Return how sure the normals of points (S,) in degrees are of the yearly irradiation, NaN where no land is near.

    It is the standard deviation against measured long-term years, as a share, without the change from year to year.
    Raises AftersunError if a value is not a place on earth.
    """
    number = _cells(latitude, longitude)
    shares = np.array([_assumed(f"ghi_sd_{basis}") for basis in BASES])
    return np.where(number >= 0, shares[_grid().arrays["ghi_basis"][number].astype(int)], np.nan)


def _clearness_shape(shape: npt.NDArray[np.generic], latitude: float, longitude: float) -> Floats:
    """Interpolate the boxes (44, 120, 12, 11) around a point linearly; beyond the outer rows these hold."""
    y = np.clip((latitude - BOXES_SOUTH_DEG) / BOX_DEG, 0, shape.shape[0] - 1)
    x = (longitude - BOXES_WEST_DEG) / BOX_DEG
    low, left = min(int(y), shape.shape[0] - 2), int(np.floor(x))
    up, right = y - low, x - left
    rows = np.array([low, low, low + 1, low + 1])
    columns = np.array([left, left + 1, left, left + 1]) % shape.shape[1]
    weights = np.array([(1 - up) * (1 - right), (1 - up) * right, up * (1 - right), up * right])
    return np.asarray((weights[:, None, None] * shape[rows, columns].astype(np.float64)).sum(axis=0) / 1000)


def normals_at(latitude: float, longitude: float) -> Normals:
    """Return the climate normals of the land cell of a point, or of the nearest one within 1.5 degrees.

    Parameters
    ----------
    latitude, longitude : float
        Degrees, north and east positive.

    Returns
    -------
    Normals

    Raises
    ------
    AftersunError
        On open sea, south of 60 S, or if the values are not a place on earth.
    """
    number = int(_cells(latitude, longitude)[0])
    if number < 0:
        raise AftersunError(
            "There are no climate normals for this place: it lies on open sea or in Antarctica.",
            "Check latitude and longitude: they may be swapped, or a sign may be missing.",
        )
    grid = _grid()
    values = {name: array[..., number].astype(np.float64) for name, array in grid.arrays.items() if array.ndim <= 2}
    remark = list(BASES.values())[int(values["ghi_basis"])]
    return Normals(
        latitude=float(latitude),
        longitude=float(longitude),
        elevation_m=float(values["elevation"]),
        ghi_kwh_m2_day=values["ghi"] / 1000,
        temp_air_c=values["temp_air"] / 10,
        rain_mm=values["rain"],
        wind_speed_m_s=np.full(12, values["wind_speed"] / 100),
        clearness_shape=_clearness_shape(grid.arrays["clearness_shape"], latitude, longitude),
        sources=(*grid.sources, remark) if remark else grid.sources,
    )
