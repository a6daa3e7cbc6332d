"""Bring the sources of ``build_normals.py`` onto one grid, and fill the land that one of them leaves out.

Grids have the shape (rows, columns), south and west first, months and quantiles behind. "Cells" are 0.5 degrees wide,
from 60 S to 90 N; "boxes" are the 3 degrees of the daily histograms.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pvlib
from scipy.spatial import cKDTree

from aftersun.model.ranges import Bools, Floats
from aftersun.model.sphere import unit_vectors
from aftersun.model.weather import DAYS_IN_MONTH

SOUTH = -60.0
CELL = 0.5
BOX = 3.0
MONTH_OF_DAY = np.repeat(np.arange(12), DAYS_IN_MONTH)

QUANTILES = np.linspace(0, 1, 11)
# The ends stand for the darkest and the brightest day of a month: the tails beyond are made by smoothing.
PROBABILITIES = np.clip(QUANTILES, 1 / 60, 59 / 60)

DARK = 0.2  # kWh/m2 a day of extraterrestrial irradiation below which a month says nothing about its clearness
ALIKE = 6  # boxes averaged for a box without histogram
MOSTLY_SEA = 0.3  # share of land up to which a box resembles an island
CHECKED = ((24, 72, -170, -52), (35, 72, -25, 40))  # south, north, west, east of North America and Europe
CLEAREST = 0.82  # monthly clearness reached in the clearest deserts; more is an error of the season, not of the year
ENOUGH = 9  # cells of the 36 of a box
NEAR_DEG = 1.5  # how far the ratio of the nearest land cell is carried


def extraterrestrial(latitude: Floats) -> Floats:
    """Return the daily extraterrestrial irradiation in kWh/m2, shape (rows, 365)."""
    day = np.arange(1, 366)
    declination = pvlib.solarposition.declination_spencer71(day)
    normal = pvlib.irradiance.get_extra_radiation(day, method="spencer") / 1000
    phi = np.radians(latitude)[:, None]
    sunset = np.arccos(np.clip(-np.tan(phi) * np.tan(declination), -1, 1))
    height = np.cos(phi) * np.cos(declination) * np.sin(sunset) + sunset * np.sin(phi) * np.sin(declination)
    return np.asarray(24 / np.pi * normal * height)


def monthly(daily: Floats) -> Floats:
    """Average days (..., 365) to months (..., 12)."""
    return np.stack([daily[..., month == MONTH_OF_DAY].mean(axis=-1) for month in range(12)], axis=-1)


def yearly(per_day: Floats) -> Floats:
    """Sum monthly means a day (..., 12) to a year."""
    return np.asarray((per_day * DAYS_IN_MONTH).sum(axis=-1))


def chord(degrees: float) -> float:
    """Return the straight distance on the unit sphere of an angle."""
    return float(2 * np.sin(np.radians(degrees) / 2))


def blocks(grid: Floats, size: int) -> Floats:
    """Return square blocks of ``size`` boxes side by side, (rows, columns, size, size)."""
    rows, columns = grid.shape[0] // size, grid.shape[1] // size
    return grid.reshape(rows, size, columns, size).swapaxes(1, 2)


@dataclass(frozen=True, eq=False)
class Boxes:
    """Daily histograms made into numbers: clearness by month (rows, 120, 12) and its shape (rows, 120, 12, 11)."""

    latitude: Floats
    longitude: Floats
    clearness: Floats
    shape: Floats
    extra: Floats  # extraterrestrial irradiation, (rows, 12)

    @property
    def known(self) -> Bools:
        """Boxes with a histogram."""
        return np.isfinite(self.clearness).all(axis=-1)

    def mean_clearness(self) -> Floats:
        """Yearly irradiation over yearly extraterrestrial irradiation, (rows, 120)."""
        return yearly(self.clearness * self.extra[:, None]) / yearly(self.extra)[:, None]


def _without_season(shape: Floats, extra_daily: Floats) -> Floats:
    """Take the change of the sun's course within the month out of the spread of the days, keeping at least half."""
    spread = ((shape - 1) ** 2).mean(axis=-1)
    mean = monthly(extra_daily)[..., MONTH_OF_DAY]
    course = monthly((extra_daily / mean - 1) ** 2)[:, None]
    kept = np.sqrt(np.clip(1 - course / spread, 0.25, 1))
    return np.asarray(1 + (shape - 1) * kept[..., None])


def boxes_of(histograms: dict[str, Floats]) -> Boxes:
    """Make monthly clearness and its daily quantiles of the histograms of daily irradiation."""
    extra_daily = extraterrestrial(histograms["latitude"])
    extra = monthly(extra_daily)
    bins, share = np.maximum(histograms["bins"], 0), histograms["share"]
    mean = (bins * share).sum(axis=-1)
    light = (extra > DARK)[:, None, :] & np.isfinite(mean)
    shape = np.full((*mean.shape, len(QUANTILES)), np.nan)
    middle = share.cumsum(axis=-1) - share / 2
    for place in np.argwhere(light):
        index = tuple(place)
        values = np.interp(PROBABILITIES, middle[index], bins[index])
        shape[index] = values / np.trapezoid(values, QUANTILES)
    with np.errstate(invalid="ignore", divide="ignore"):
        shape = _without_season(shape, extra_daily)
        clearness = np.where(light, mean / extra[:, None], np.nan)
    for row, column in np.argwhere(light.any(axis=-1)):
        lit = np.flatnonzero(light[row, column])
        # A dark month takes after the nearest one with light, going round the year.
        apart = np.abs(lit[None, :] - np.arange(12)[:, None])
        nearest = lit[np.minimum(apart, 12 - apart).argmin(axis=1)]
        clearness[row, column] = clearness[row, column, nearest]
        shape[row, column] = shape[row, column, nearest]
    return Boxes(histograms["latitude"], histograms["longitude"], clearness, shape, extra)


def _alike(features: Floats, candidates: Bools, wanted: Bools) -> npt.NDArray[np.intp]:
    """Return the flat numbers of the ``ALIKE`` candidates most alike to each wanted box."""
    numbers = np.flatnonzero(candidates)
    near = cKDTree(features[candidates]).query(features[wanted], ALIKE)[1]
    return numbers[near]


def _climate_features(boxes: Boxes, temp_air: Floats, rain: Floats) -> Floats:
    """Latitude, rain and temperature of each box by months after the winter solstice, (rows, 120, 25).

    10 degrees of latitude, 5 K throughout the year and rain by a factor of 1.65 count alike.
    """
    south = boxes.latitude < 0
    temp_air, rain = (np.where(south[:, None, None], np.roll(field, 6, axis=-1), field) for field in (temp_air, rain))
    latitude = np.broadcast_to(np.abs(boxes.latitude)[:, None, None] / 10, (*rain.shape[:2], 1))
    return np.concatenate([latitude, 2 * np.log1p(rain / 30) / np.sqrt(12), temp_air / 5 / np.sqrt(12)], axis=-1)


def _turned(values: Floats, turn: Bools) -> Floats:
    """Shift the months (third axis) by half a year where ``turn`` (N, ALIKE) says so."""
    extra_axes = (...,) + (None,) * (values.ndim - 2)
    return np.where(turn[extra_axes], np.roll(values, 6, axis=2), values)


def filled(boxes: Boxes, temp_air: Floats, rain: Floats, land_share: Floats, apart_deg: float = 0) -> Boxes:
    """Give boxes without a histogram the mean of the boxes most alike in latitude, rain and temperature.

    With ``apart_deg`` the mostly-sea boxes *with* a histogram are estimated instead, from boxes outside their own
    square of that many degrees: what this returns can then be held against what is known.
    """
    features = _climate_features(boxes, temp_air, rain)
    like_islands = boxes.known & (land_share < MOSTLY_SEA)
    clearness, shape = boxes.clearness.copy(), boxes.shape.copy()
    if apart_deg:
        square = (boxes.latitude // apart_deg)[:, None] * 1000 + (boxes.longitude // apart_deg)[None, :]
        tasks = [(like_islands & (square == one), like_islands & (square != one)) for one in np.unique(square)]
    else:
        tasks = [(~boxes.known, like_islands)]
    rows = np.broadcast_to(boxes.latitude[:, None], boxes.known.shape)
    for wanted, candidates in tasks:
        if not wanted.any():
            continue
        chosen = _alike(features, candidates, wanted)
        turn = np.sign(rows.ravel()[chosen]) * np.sign(rows[wanted])[:, None] < 0
        for target, known in ((clearness, boxes.clearness), (shape, boxes.shape)):
            values = known.reshape(-1, *known.shape[2:])[chosen]
            target[wanted] = _turned(values, turn).mean(axis=1)
    return Boxes(boxes.latitude, boxes.longitude, clearness, shape, boxes.extra)


def corrected(boxes: Boxes, gldas_cells: Floats) -> Boxes:
    """Scale the clearness of the boxes with a histogram so that their years equal those of ``gldas_cells``.

    A box with little land in ``gldas_cells`` (cells, kWh/m2 a day) takes the ratio of the nearest box that has more.
    """
    latitude, longitude = cell_centres(gldas_cells.shape[0])
    extra = extraterrestrial(latitude).mean(axis=1)[:, None]
    row, column = box_of(boxes, latitude[:, None], longitude[None, :])
    row, column = (np.broadcast_to(part, gldas_cells.shape) for part in (row, column))
    land = np.isfinite(gldas_cells) & (np.abs(latitude[:, None] - boxes.latitude[row]) <= BOX)
    total, count = np.zeros(boxes.known.shape), np.zeros(boxes.known.shape)
    np.add.at(total, (row[land], column[land]), (gldas_cells / extra)[land])
    np.add.at(count, (row[land], column[land]), 1)
    both = (count >= ENOUGH) & boxes.known
    points = unit_vectors(boxes.latitude[:, None], boxes.longitude[None, :])
    ratio = np.full(boxes.known.shape, np.nan)
    ratio[both] = (total[both] / count[both]) / boxes.mean_clearness()[both]
    rest = boxes.known & ~both
    ratio[rest] = ratio[both][cKDTree(points[both]).query(points[rest])[1]]
    return Boxes(boxes.latitude, boxes.longitude, boxes.clearness * ratio[..., None], boxes.shape, boxes.extra)


def cell_centres(rows: int) -> tuple[Floats, Floats]:
    """Return latitudes (rows,) and longitudes (720,) of the cells' centres."""
    return SOUTH + CELL * (np.arange(rows) + 0.5), -180 + CELL * (np.arange(720) + 0.5)


def box_of(boxes: Boxes, latitude: Floats, longitude: Floats) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.intp]]:
    """Return row and column of the nearest box; beyond the northern and southern rows, those rows."""
    row = np.clip(np.rint((latitude - boxes.latitude[0]) / BOX), 0, len(boxes.latitude) - 1).astype(np.intp)
    column = (np.rint((longitude - boxes.longitude[0]) / BOX) % len(boxes.longitude)).astype(np.intp)
    return row, column


def between_boxes(values: Floats, boxes: Boxes, latitude: Floats, longitude: Floats) -> Floats:
    """Interpolate box values (rows, 120, ...) linearly to the grid of ``latitude`` and ``longitude``."""
    y = np.clip((latitude - boxes.latitude[0]) / BOX, 0, len(boxes.latitude) - 1)
    low = np.minimum(y.astype(np.intp), len(boxes.latitude) - 2)
    x = (longitude - boxes.longitude[0]) / BOX
    left = np.floor(x).astype(np.intp)
    tail = (None,) * (values.ndim - 2)
    up, right = (y - low)[(slice(None), None, *tail)], (x - left)[(None, slice(None), *tail)]
    count = len(boxes.longitude)
    west, east = values[:, left % count], values[:, (left + 1) % count]
    along = west * (1 - right) + east * right
    return np.asarray(along[low] * (1 - up) + along[low + 1] * up)


def node_means(nodes: Floats, land_boxes: Floats, rows: int) -> Floats:
    """Average nodes every 0.25 degrees (12, 721, 1440) over the land of each cell; over all of it where none is land.

    ``land_boxes`` (1440, 2880) are shares of land in boxes of 0.125 degrees. Returns (rows, 720, 12).
    """
    around = np.pad(land_boxes, ((1, 1), (0, 0)), mode="edge")
    around = np.concatenate([around[:, -1:], around], axis=1)
    share = sum(around[i : i + 1441 : 2, j : j + 2879 : 2] for i in (0, 1) for j in (0, 1)) / 4
    share = np.maximum(share, 1e-6)

    def gathered(field: Floats) -> Floats:
        ring = np.concatenate([field, field[..., :1]], axis=-1)  # the node of 180 E is that of 180 W
        weights = (0.25, 0.5, 0.25)
        parts = (
            weights[i] * weights[j] * ring[..., i : i + 719 : 2, j : j + 1439 : 2] for i in range(3) for j in range(3)
        )
        return np.asarray(sum(parts))

    means = gathered(nodes * share) / gathered(share)
    return np.moveaxis(means[:, 360 - rows :], 0, -1)


def capped(per_day: Floats, most: Floats) -> Floats:
    """Hold monthly means a day (..., 12) below ``most`` by moving the excess to the other months of the same year."""
    year = yearly(per_day)
    for _ in range(20):
        per_day = np.minimum(per_day, most)
        free = per_day < most
        rest = yearly(np.where(free, per_day, 0))
        lift = np.where(rest > 0, 1 + (year - yearly(per_day)) / np.maximum(rest, 1e-9), 1)
        per_day = np.where(free, per_day * lift[..., None], per_day)
    return np.minimum(per_day, most)


def to_cells(season: Floats, gldas_cells: Floats, land: Bools) -> tuple[Floats, npt.NDArray[np.uint8]]:
    """Make monthly irradiation a day (rows, 720, 12) from monthly clearness ``season`` and yearly means.

    Where ``gldas_cells`` has a value the year equals it (basis 0 in North America and Europe, where it was checked,
    1 elsewhere). Other land takes over the ratio of the nearest cell that has a value, up to ``NEAR_DEG`` away
    (basis 2), or the season as it is (basis 3).
    """
    latitude, longitude = cell_centres(season.shape[0])
    extra = monthly(extraterrestrial(latitude))[:, None]
    estimate = season * extra
    points = unit_vectors(latitude[:, None], longitude[None, :])
    known = np.isfinite(gldas_cells)
    ratio = np.where(known, gldas_cells * 365 / yearly(estimate), 1.0)
    basis = np.where(known, 1, 3).astype(np.uint8)
    for south, north, west, east in CHECKED:
        inside = ((south < latitude) & (latitude < north))[:, None] & ((west < longitude) & (longitude < east))
        basis[known & inside] = 0
    rest = land & ~known
    distance, nearest = cKDTree(points[known]).query(points[rest], distance_upper_bound=chord(NEAR_DEG))
    near = np.isfinite(distance)
    row, column = np.nonzero(rest)
    ratio[row[near], column[near]] = ratio[known][nearest[near]]
    basis[row[near], column[near]] = 2
    return capped(estimate * ratio[..., None], CLEAREST * np.broadcast_to(extra, estimate.shape)), basis
