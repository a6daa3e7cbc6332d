"""Numbers with a range and a source, yes/no facts with a prior, and claims of the trade."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

Floats = npt.NDArray[np.float64]  # array of numbers
Bools = npt.NDArray[np.bool_]  # array of yes and no
Ints = npt.NDArray[np.int64]  # array of whole numbers


@dataclass(frozen=True)
class Range:
    """One assumption: the value used (``mode``) and an honest low and high (triangular), in ``unit``.

    ``source`` is a citation, or one of "common practice, no source", "from memory: ...", "assumption: ...".
    """

    mode: float  # the value used
    low: float  # honest lower end
    high: float  # honest upper end
    unit: str  # of all three; "1" for a bare number
    source: str  # a citation, or what it rests on instead
    meaning: str = ""  # what it is, in plain words
    of_each_site: bool = False  # differs from site to site, its mean is the mode; else it is the same at all of them

    def __post_init__(self) -> None:
        if not (np.isfinite([self.low, self.mode, self.high]).all() and self.low <= self.mode <= self.high):
            raise ValueError(f"a range needs finite low <= mode <= high, got {self.low}, {self.mode}, {self.high}")
        if not self.unit or not self.source:
            raise ValueError("a range needs a unit and a source")

    @classmethod
    def from_row(cls, row: Mapping[str, str]) -> Range:
        """Build from a CSV row with the columns low, mode, high, unit, source, meaning, of_each_site (yes or empty)."""
        mode, low, high = (float(row[name]) for name in ("mode", "low", "high"))
        of_each_site = row.get("of_each_site") == "yes"
        return cls(mode, low, high, row["unit"], row["source"], row.get("meaning", ""), of_each_site)


@dataclass(frozen=True)
class Fact:
    """A yes/no fact of a site that is often unknown.

    ``id`` is the name of a yes/no column of the site table, ``prior`` the chance (0..1) that it is true where it
    is unknown, ``question`` what to ask the customer, in plain words.
    """

    id: str  # name of a yes/no column of the site table
    prior: Range  # chance that it is true where it is unknown, 0..1
    question: str  # what to ask the customer

    def chance(self, sites: pd.DataFrame, prior: float | None = None) -> Floats:
        """Return per site 1.0 where the fact is known true, 0.0 where known false, else the prior. Shape (S,).

        Where meters tell of it, the chance is the one that they leave, in the column ``meter_<id>_chance``.
        """
        value = self.prior.mode if prior is None else prior
        chance = np.asarray(sites[self.id].to_numpy(dtype=np.float64, na_value=value))
        if self.by_meter not in sites:
            return chance
        metered = sites[self.by_meter].to_numpy(dtype=np.float64, na_value=np.nan)
        return np.where(np.isnan(metered), chance, metered)

    @property
    def by_meter(self) -> str:
        """The column of a cohort's sites that has its chance by the meters, if there is one."""
        return f"meter_{self.id}_chance"


@dataclass(frozen=True)
class Claim:
    """What the trade commonly promises of a retrofit. Printed beside what was computed, never an input."""

    text: str  # in the trade's own terms
    source: str = "common practice, no source"  # who says so


class Assumed(Mapping[str, float]):
    """The assumptions of one retrofit as numbers: the mode of each range, or what the company's book says instead.

    ``assume["name"]`` is the value; ``assume.chance(cohort_sites, fact)`` the chance that a fact is true. Either
    raises KeyError for what the retrofit has not declared: nobody could override it or see where it comes from.
    """

    def __init__(
        self,
        values: Mapping[str, float],
        priors: Mapping[str, float] | None = None,
        prices: Mapping[str, float] | None = None,
    ) -> None:
        self._values = dict(values)
        self._priors = dict(priors or {})
        self._prices = dict(prices or {})

    def __getitem__(self, name: str) -> float:
        if name not in self._values:
            raise KeyError(f"'{name}' is not among the assumptions of this retrofit: declare it there")
        return self._values[name]

    def __iter__(self) -> Iterator[str]:
        return iter(self._values)

    def __len__(self) -> int:
        return len(self._values)

    def with_value(self, name: str, value: float) -> Assumed:
        """Return the same with one value exchanged; raises KeyError for what is not assumed."""
        if name not in self._values:
            raise KeyError(f"'{name}' is not among the assumptions of this retrofit")
        return Assumed({**self._values, name: value}, self._priors, self._prices)

    def price(self, item: str) -> float:
        """Return what the company's book says of a unit of an item, NaN where it says nothing.

        For choosing a quantity, such as how often a wash pays; what a quantity costs is never the retrofit's to say.
        """
        return self._prices.get(item, np.nan)

    def chance(self, sites: pd.DataFrame, fact: Fact) -> Floats:
        """Return the chance per site that ``fact`` is true: 1, 0 or the prior in force. Shape (S,)."""
        if fact.id not in self._priors:
            raise KeyError(f"'{fact.id}' is not among the facts of this retrofit: declare it there")
        return fact.chance(sites, self._priors[fact.id])
