"""A cohort: a chunk of sites that share one weather year. What plugins see; no customer's data is in it."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date

import numpy as np
import numpy.typing as npt
import pandas as pd

from aftersun.model.price_times import PriceCalendar
from aftersun.model.ranges import Floats
from aftersun.model.records import Kept, Result
from aftersun.model.weather import WeatherYear

DAYS_PER_YEAR = 365.25


@dataclass(frozen=True)
class Horizon:
    """The skyline around a site: ``azimuth_deg`` clockwise from north, rising, and ``height_deg`` above the horizontal.

    Between two points the height runs straight, the last and the first point included. Directions are 0 to below 360
    degrees and heights 0 to 90, as the column dictionary has them checked when they are loaded. Hashable, so that what
    depends on it can be kept by it.
    """

    azimuth_deg: tuple[float, ...]
    height_deg: tuple[float, ...]

    @classmethod
    def of(cls, azimuth_deg: Sequence[float], height_deg: Sequence[float]) -> Horizon:
        """Build from points in any order; 360 degrees is north again. Of equal directions the highest counts."""
        highest: dict[float, float] = {}
        for azimuth, height in zip(azimuth_deg, height_deg, strict=True):
            direction = float(azimuth) % 360.0
            highest[direction] = max(highest.get(direction, 0.0), float(height))
        points = sorted(highest.items())
        return cls(tuple(azimuth for azimuth, _ in points), tuple(height for _, height in points))


@dataclass(frozen=True, eq=False)
class Cohort:
    """S sites with A arrays, one weather year, and the day that ages are counted to.

    ``sites`` is indexed by site_id and has the dictionary's columns of tables site and tariff (the tariff in force
    on ``as_of``); ``arrays`` is indexed by array_id, has the columns of table array plus ``site``, the position
    (0..S-1) of its site, and is sorted by it. Unknown is NA and means unknown, not no.
    ``load_shapes`` has shape (K, H): hourly shares of a year's demand, each row sums to 1; the sites' column
    ``load_shape`` says which row a site uses. ``overrides`` holds the company's own values of what is assumed of
    every system, ``priors`` its own chances of unknown facts, both by name. ``horizons`` holds the skylines that are
    known, by site_id; a site without one sees the whole sky. ``choices`` holds, by column, the chance of each choice of
    a fact that is unknown. ``calendars`` holds the prices by time of the tariffs that have such: the sites' column
    ``price_calendar`` says which one a site pays by, -1 = none; a bill takes them from there.
    """

    sites: pd.DataFrame  # by site_id; columns of tables site and tariff, readings' evidence, load_shape
    arrays: pd.DataFrame  # by array_id; columns of table array, and site, the position of its site
    weather: WeatherYear  # the year that all sites share
    load_shapes: Floats  # (K, H): hourly shares of a year's demand
    as_of: date  # day that ages and tariffs are taken at
    overrides: Mapping[str, float] = field(default_factory=dict)  # the company's values of system assumptions
    priors: Mapping[str, float] = field(default_factory=dict)  # the company's chances of facts that are unknown
    horizons: Mapping[str, Horizon] = field(default_factory=dict)  # skylines that are known, by site_id
    choices: Mapping[str, Mapping[str, float]] = field(default_factory=dict)  # chance of each choice, by unknown fact
    calendars: Sequence[PriceCalendar] = ()  # of tariffs with prices by time; the sites' price_calendar says which
    past_light: pd.DataFrame | None = None  # of months of real years, as table past_weather has them
    memo: Kept = field(default_factory=Kept, init=False, repr=False)  # what the facts alone decide: use `once`
    of_plants: Kept = field(default_factory=Kept, init=False, repr=False)  # results; plugins leave it alone

    def __len__(self) -> int:
        return len(self.sites)

    @property
    def whole(self) -> Cohort:
        """The cohort that the public physics works on: this one, unless a test shows a plugin fewer columns."""
        return self

    def once(self, name: Hashable, compute: Callable[[], Result]) -> Result:
        """Return what ``compute`` gives, worked out once for these facts; ``name`` is a tuple that begins
        with the id of your plugin.

        A retrofit is asked hundreds of times about the same cohort, each time with one other number assumed. An array
        comes back read-only.
        """
        return self.memo.once(name, compute)

    def answering(self, sites: pd.DataFrame, overrides: Mapping[str, float] | None = None) -> Cohort:
        """Return the same systems with other answers, or other values of what no roof's output depends on.

        What a plant generates here stays known.
        """
        others = self.overrides if overrides is None else overrides
        return _sharing(self, replace(self, sites=sites, overrides=others), "of_plants")

    def take(self, rows: npt.NDArray[np.intp]) -> Cohort:
        """Return the cohort of the sites at these positions, in this order, with their arrays."""
        kept = self.array_rows(rows)
        order = np.empty(len(self), dtype=np.intp)
        order[rows] = np.arange(len(rows))
        arrays = self.arrays.iloc[kept]
        arrays = arrays.assign(site=order[arrays["site"].to_numpy(dtype=np.intp)])
        return replace(self, sites=self.sites.iloc[rows], arrays=arrays)

    def array_rows(self, rows: npt.NDArray[np.intp]) -> npt.NDArray[np.intp]:
        """Return the positions of the arrays of the sites at ``rows``, in the order that :meth:`take` gives them."""
        order = np.full(len(self), -1, dtype=np.intp)
        order[rows] = np.arange(len(rows))
        site = order[self.arrays["site"].to_numpy(dtype=np.intp)]
        kept = np.flatnonzero(site >= 0)
        return kept[np.argsort(site[kept], kind="stable")]

    def array_horizons(self) -> list[Horizon | None]:
        """Return the skyline that each of the A arrays sees, None where it is not known."""
        of_site = [self.horizons.get(site_id) for site_id in self.sites.index]
        return [of_site[site] for site in self.arrays["site"].to_numpy(dtype=np.intp)]

    def years_since(self, dates: pd.Series) -> Floats:
        """Return years from each date to ``as_of``, never below 0; NaN where the date is unknown. Shape (S,)."""
        passed = np.datetime64(self.as_of) - pd.to_datetime(dates).to_numpy()
        return np.maximum(np.floor(passed / np.timedelta64(1, "D")) / DAYS_PER_YEAR, 0.0)

    def age_years(self, unknown: float) -> Floats:
        """Return the age of each system in years (S,): since the day it was commissioned.

        Where that day is unknown it is what other facts tell, the column ``reckoned_age_years`` if there is one, else
        ``unknown``.
        """
        age = self.years_since(self.sites["commissioned_on"])
        if "reckoned_age_years" in self.sites:
            age = np.where(np.isnan(age), self.sites["reckoned_age_years"].to_numpy(np.float64, na_value=np.nan), age)
        return np.where(np.isnan(age), unknown, age)

    def sum_by_site(self, per_array: npt.ArrayLike) -> Floats:
        """Add up a value per array (A,) to a value per site (S,)."""
        weights = np.asarray(per_array, dtype=np.float64)
        total = np.bincount(self.arrays["site"].to_numpy(dtype=np.intp), weights, len(self))
        return np.asarray(total, dtype=np.float64)


def lent(cohort: Cohort) -> Cohort:
    """Return a cohort with the same results kept and frames of its own: what is written into these stays there."""
    own = replace(cohort, sites=cohort.sites.copy(deep=False), arrays=cohort.arrays.copy(deep=False))  # copy on write
    return _sharing(cohort, own, "memo", "of_plants")


def _sharing(cohort: Cohort, other: Cohort, *names: str) -> Cohort:
    """Let another record of the same systems keep its results under ``names`` together with ``cohort``."""
    for name in names:
        object.__setattr__(other, name, getattr(cohort, name))
    return other
