"""Electricity used by the hour, and how much of it the sun meets at once.

The shape is the German standard load profile of the site's use [1]_, that of homes, H0, with its day-of-year factor
[2]_. It is a mean over many sites and over the hour, much smoother than one home; :func:`direct_use` corrects for that.

References
----------
.. [1] VDEW, "Repraesentative VDEW-Lastprofile", 1999 (table: load_shapes.csv).
.. [2] VDEW, "Anwendung der repraesentativen VDEW-Lastprofile", 2000 (day-of-year factor).
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache, lru_cache

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import special

import aftersun_datasets
from aftersun.energy.assumptions import Float32s, between_nodes
from aftersun.model import tables
from aftersun.model.ranges import Floats, Ints
from aftersun.model.uses import is_home, use_number

_DYNAMIC = "H0"  # the one profile with a day-of-year factor
_HALF_YEAR_DAYS = 182
_PHI_STEPS = 4096
OWN_SPREAD = ("own_base_share", "own_evenness")
"""Columns of the sites with what their meters tell of the load within the hour, where they do."""
_SUMMER, _WINTER, _TRANSITION = range(3)  # in the order of the table
# First day (month, day) of each season's part of the year, as [1]_ sets them.
_SEASON_STARTS = (
    *(((1, 1), _WINTER), ((3, 21), _TRANSITION), ((5, 15), _SUMMER)),
    *(((9, 15), _TRANSITION), ((11, 1), _WINTER)),
)


def day_of_year_factor(day: npt.ArrayLike) -> Floats:
    """Return the factor on the profile of a day of the year, 1 to 365 [2]_."""
    t = np.asarray(day, dtype=np.float64)
    return -3.92e-10 * t**4 + 3.2e-7 * t**3 - 7.02e-5 * t**2 + 2.1e-3 * t + 1.24


def standard_load_shapes(times: pd.DatetimeIndex, ahead_h: npt.ArrayLike = 0.0) -> Floats:
    """Return the shapes of the U uses of a site for the hours of a year: (2 U, H), each row sums to 1.

    Of each use, homes first, one row north and one south of the equator. ``times`` are the middles of the hours in
    standard time, ``ahead_h`` (H,) the hours by which clocks are ahead of it: people live by the clock. Public holidays
    are left out. South of the equator the seasons and the day-of-year factor are shifted by half a year.
    """
    by_hemisphere = []
    civil = times + pd.to_timedelta(np.broadcast_to(ahead_h, len(times)), unit="h")
    kinds, hours = day_type(civil), civil.hour
    for season_day in (civil, civil + pd.Timedelta(days=_HALF_YEAR_DAYS)):
        season = _season(season_day)
        shapes = {name: power[season, kinds, hours] for name, power in _profiles().items()}
        shapes[_DYNAMIC] = shapes[_DYNAMIC] * day_of_year_factor(np.minimum(season_day.day_of_year, 365))
        by_hemisphere.append({name: shape / shape.sum() for name, shape in shapes.items()})
    return np.stack([shapes[use.profile] for use in tables.uses().values() for shapes in by_hemisphere])


def yearly_demand(sites: pd.DataFrame, values: Mapping[str, float]) -> Floats:
    """Return the electricity of a year, kWh (S,): known, else what is usual at a home and elsewhere."""
    known = sites["annual_demand_kwh"].to_numpy(dtype=np.float64, na_value=np.nan)
    usual = np.where(is_home(sites), values["unknown_demand_kwh"], values["unknown_business_demand_kwh"])
    return np.where(np.isnan(known), usual, known)


def shape_rows(sites: pd.DataFrame) -> Ints:
    """Return which row of :func:`standard_load_shapes` each site has in its time zone, (S,)."""
    return 2 * use_number(sites) + (sites["latitude"].to_numpy(dtype=np.float64) < 0)


@cache
def _profiles() -> dict[str, Floats]:
    """Return mean power by season, day type and hour, shape (3, 3, 24), by name of the profile."""
    power: dict[str, list[float]] = {}
    for row in aftersun_datasets.rows("load_shapes.csv"):
        power.setdefault(row["shape"], []).append(float(row["value"]))
    return {name: np.array(values).reshape(3, 3, 24) for name, values in power.items()}


def _season(days: pd.DatetimeIndex) -> npt.NDArray[np.intp]:
    starts = [100 * month + day for (month, day), _ in _SEASON_STARTS]
    part = np.searchsorted(starts, 100 * days.month + days.day, side="right") - 1
    return np.array([season for _, season in _SEASON_STARTS], dtype=np.intp)[part]


def day_type(days: pd.DatetimeIndex) -> npt.NDArray[np.intp]:
    """Return 0 on workdays, 1 on Saturdays and on 24 and 31 December, 2 on Sundays."""
    weekday = np.asarray(days.day_of_week)
    eve = np.asarray((days.month == 12) & days.day.isin([24, 31]))
    return np.where(weekday == 6, 2, np.where((weekday == 5) | eve, 1, 0)).astype(np.intp)


def direct_use(load: Float32s, generation: Float32s, evenness: npt.ArrayLike, base_kw: npt.ArrayLike = 0.0) -> Float32s:
    """Return what sites use of their generation at once, kWh in the hour, (S, H) as both are.

    A part of the load, ``base_kw``, runs all the hour. The rest of a site is taken as gamma-distributed within the hour
    about its mean m with shape k = ``evenness``, both one for all or one a site (S,), so that for generation g = x m
    above the base

        E[min(load, g)] = m P(k + 1, k x) + g (1 - P(k, k x)) = m phi_k(x),

    P the regularised lower incomplete gamma function. Never more than the load or the generation.
    """
    base: Float32s = np.asarray(base_kw, dtype=np.float32)
    steady: Float32s = np.minimum(load, base.reshape(-1, 1) if base.ndim else base)
    rest = load - steady
    above: Float32s = np.maximum(generation - steady, np.float32(0))
    position: Float32s = above / np.maximum(rest + above, np.float32(1e-12))
    position *= np.float32(_PHI_STEPS)
    distinct, which = np.unique(np.asarray(evenness, dtype=np.float64), return_inverse=True)
    first = which.reshape(-1, 1) * (_PHI_STEPS + 1) if len(distinct) > 1 else 0
    used = between_nodes(np.concatenate([_phi_table(float(k)) for k in distinct]), position, first)
    used *= rest
    used += np.minimum(steady, generation)
    return np.minimum(np.minimum(used, generation, out=used), load, out=used)


def mean_of_lesser(x: npt.ArrayLike, evenness: float) -> Floats:
    """Return phi_k(x), the mean of min(L, x) for gamma-distributed L of mean 1 and shape ``evenness``."""
    k, x = evenness, np.asarray(x, dtype=np.float64)
    phi: Floats = special.gammainc(k + 1, k * x) + x * special.gammaincc(k, k * x)
    return phi


@lru_cache(maxsize=256)  # 16 kB each
def _phi_table(evenness: float) -> Float32s:
    """Return phi at evenly spaced x / (1 + x) from 0 to 1."""
    share = np.linspace(0, 1, _PHI_STEPS + 1)[:-1]
    phi = np.append(mean_of_lesser(share / (1 - share), evenness), 1.0).astype(np.float32)
    return np.minimum(np.maximum.accumulate(phi), np.float32(1))
