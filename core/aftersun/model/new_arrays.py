"""Arrays that a change adds, takes away or moves: the cohort and the plant that have them.

A cohort has A arrays, and a change may add some: its simulation and the next retrofit of a set then have a wider
cohort. Rows of added arrays come after those that the site has.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import pandas as pd

from aftersun.model.change import Change, NewArray
from aftersun.model.cohort import Cohort
from aftersun.model.plant import PER_ARRAY, Plant
from aftersun.model.ranges import Bools

_AS_NEW = {"ageing": 1.0, "strings_working": 1.0, "excess_loss": 0.0, "droppings_loss": 0.0, "extra_temp_k": 0.0,
           "transmittance": 1.0, "tilt_positions": 1.0, "turn_limit_deg": 0.0, "ground_cover_ratio": 0.0}  # fmt: skip
# Facts of an array as it stands that a changed plant says anew, by the name that both have.
_SAID_BY_PLANT = ("tilt_deg", "azimuth_deg", "dc_rating_kw", "mounting", "ground_cover_ratio")
_OF_ONE_BLOCK = ("module_count", "module_rows", "module_columns", "strings", "open_outline_m")


@dataclass(frozen=True, eq=False)
class Places:
    """Where there is room for added arrays: for each that a change may add, the sites (S,) that get a row for it."""

    at: tuple[Bools, ...]

    @classmethod
    def of(cls, options: Sequence[Sequence[NewArray]], size: int) -> Places:
        """Return a place wherever any of the options adds something to one of ``size`` sites."""
        most = max((len(added) for added in options), default=0)
        at = [np.zeros(size, dtype=bool) for _ in range(most)]
        for added in options:
            for place, one in zip(at, added, strict=False):
                place |= one.columns["dc_rating_kw"] > 0
        return cls(tuple(at))

    def __bool__(self) -> bool:
        return any(bool(place.any()) for place in self.at)

    @property
    def key(self) -> bytes:
        """What tells different places apart."""
        return b"".join(place.tobytes() for place in self.at)

    def sites(self) -> npt.NDArray[np.intp]:
        """Return the site of each added row, place by place."""
        return np.concatenate([np.flatnonzero(place) for place in self.at])

    def order(self, cohort: Cohort) -> npt.NDArray[np.intp]:
        """Return where each row of the wider cohort stands among the old rows followed by the added ones."""
        site = cohort.arrays["site"].to_numpy(dtype=np.intp)
        return np.argsort(np.concatenate([site, self.sites()]), kind="stable")


def widened_cohort(cohort: Cohort, places: Places) -> Cohort:
    """Return the cohort with a row for each place; of an added array only what its site decides is known."""
    sites = places.sites()
    like = cohort.arrays.iloc[_first_rows(cohort)[sites]].copy()
    there = np.bincount(cohort.arrays["site"].to_numpy(dtype=np.intp), minlength=len(cohort))
    earlier = pd.Series(sites).groupby(sites).cumcount()
    ids = [
        f"{cohort.sites.index[site]} +{there[site] + before + 1}" for site, before in zip(sites, earlier, strict=True)
    ]
    like.index = pd.Index(ids, name=cohort.arrays.index.name)
    for column in like.columns.intersection(list(_OF_ONE_BLOCK)):
        like[column] = pd.NA
    arrays = pd.concat([cohort.arrays, like.astype(cohort.arrays.dtypes.to_dict())])
    return replace(cohort, arrays=arrays.iloc[places.order(cohort)])


def widened_plant(cohort: Cohort, plant: Plant, places: Places, added: Sequence[NewArray] = ()) -> Plant:
    """Return the plant of ``cohort`` with a row for each place: what is added there, or an array of no power.

    What a new array does not say is as at the first array of its site, without wear.
    """
    if not places:
        return plant
    first, order = _first_rows(cohort), places.order(cohort)
    columns = {}
    for name in PER_ARRAY:
        of_arrays = getattr(plant, name)
        parts = [of_arrays]
        for position, place in enumerate(places.at):
            given = added[position].columns if position < len(added) else {}
            if name == "dc_rating_kw" and not given:
                value = np.zeros(len(cohort))
            elif name in given:
                value = given[name]
            elif name in _AS_NEW:
                value = np.full(len(cohort), _AS_NEW[name])
            else:
                value = of_arrays[first]
            parts.append(value[place])
        columns[name] = np.concatenate(parts)[order]
    return plant.replace(**columns)


def _first_rows(cohort: Cohort) -> npt.NDArray[np.intp]:
    site = cohort.arrays["site"].to_numpy(dtype=np.intp)
    return np.searchsorted(site, np.arange(len(cohort)))


def widened_change(cohort: Cohort, change: Change, places: Places) -> Change:
    """Return a change and its alternatives with plants of the wider cohort."""
    if not places:
        return change
    first = widened_plant(cohort, change.plant, places, change.added)

    def of(one: Change) -> Change:
        same = one.plant is change.plant and not one.added and not change.added
        plant = first if same else widened_plant(cohort, one.plant, places, one.added)
        return replace(one, plant=plant, added=())

    today = None if change.today is None else widened_plant(cohort, change.today, places)
    return replace(change, plant=first, added=(), today=today, alternatives=[of(one) for one in change.alternatives])


def places_of(change: Change, size: int) -> Places:
    """Return the places that a change and its alternatives ask for."""
    return Places.of([change.added, *(one.added for one in change.alternatives)], size)


def as_changed(cohort: Cohort, before: Plant, after: Plant) -> tuple[Cohort, npt.NDArray[np.intp]]:
    """Return the cohort as its arrays stand after a change, and which of its rows are left.

    What the change has set of an array stands in its facts; one without power is gone, unless its site has no other.
    """
    changed = {name: getattr(before, name) != getattr(after, name) for name in _SAID_BY_PLANT}
    arrays = cohort.arrays
    for name, where in changed.items():
        if where.any():
            said = arrays[name].copy()
            said[where] = getattr(after, name)[where]
            arrays = arrays.assign(**{name: said})
    gone = after.dc_rating_kw <= 0
    rows = np.arange(len(arrays))
    if gone.any():
        keeps = cohort.sum_by_site(~gone) > 0
        rows = np.flatnonzero(~gone | ~keeps[arrays["site"].to_numpy(dtype=np.intp)])
        arrays = arrays.iloc[rows]
    return (cohort if arrays is cohort.arrays else replace(cohort, arrays=arrays)), rows
