"""How sure a net present value is: draws from all that is assumed, each site's from the same common numbers.

What a retrofit saves in bills is ``saving x product of ratios + sum of differences``, what it avoids likewise, and what
it costs ``cost + sum of differences``: each number that was drawn moves a gain in proportion where it scales it (both
its ends leave a gain of the same sign) and by an amount where it does not. A second stage that is not worth what it
costs in a draw is left. Between its low, the value used and its high
every number acts on straight lines. Nothing is simulated for a draw; the tests hold the result against brute force.

Numbers that are wrong everywhere if they are wrong (prices, effects, weather of the region) have the same draws for all
customers; those of one roof have their own. Draws depend on the seed, on names and on site numbers alone, never on
which sites are computed together.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any
from zlib import crc32

import numpy as np
import numpy.typing as npt
import pandas as pd

from aftersun.model import tables
from aftersun.model.ranges import Floats
from aftersun.scoring.ranges.choices import Choice
from aftersun.scoring.ranges.drivers import (
    CHANCES_OF_ROOFS,
    COLUMNS_OF_NUMBERS,
    DECIDE_ON_GAINS,
    LIFE,
    MONEY,
    OF_EACH_HOME,
    SITE_HOURS,
    UNKNOWN_ENDS,
    YIELD,
    YIELD_OF_ALL,
    of_facts_and_yield,
    of_numbers,
    of_systems,
)
from aftersun.scoring.ranges.information import Drawn, told_by_phone
from aftersun.scoring.value.valuation import Case, Parts, Valuation, left_undone

DRAWS = 400
WORST_SHARE = 0.1

Draws = npt.NDArray[np.float64]  # (D, S): net present value in each draw
RowsOfDraws = tuple[npt.NDArray[np.intp], Draws]  # positions of the sites in the chunk, and their draws

# Of one roof, beside its yes/no facts. Hot water where nobody lives has the numbers of the people who live elsewhere.
_IN_PLACE_OF = {"hot_water_litres_per_day": "occupants"}
_OF_COLUMNS = tuple(name for name in COLUMNS_OF_NUMBERS if name not in _IN_PLACE_OF)
_OF_ROOFS = tuple(name for name, (_, of_all) in DECIDE_ON_GAINS.items() if not of_all and name not in CHANCES_OF_ROOFS)
_OWN_NUMBERS = (LIFE, YIELD, SITE_HOURS, *_OF_COLUMNS, *OF_EACH_HOME, *_OF_ROOFS, *tables.choices())
_ACTS_ON_ALL = (*MONEY, *tables.ranges("price_levels.csv"), *UNKNOWN_ENDS, YIELD_OF_ALL)


RANGE_COLUMNS = ("npv_p90", "npv_p50", "npv_p10", "chance_npv_positive", "npv_worst_tenth")


class CommonNumbers:
    """Evenly spread numbers 0..1 for every draw, the same whenever the same name is asked for."""

    def __init__(self, site_ids: pd.Index, fact_ids: Sequence[str], seed: int = 0, draws: int = DRAWS) -> None:
        self._seed, self._draws, self._site_ids = seed, draws, site_ids
        self._own = {name: position for position, name in enumerate((*_OWN_NUMBERS, *sorted(fact_ids)))}
        shape = (draws, len(self._own))
        drawn = [np.random.default_rng([seed, crc32(str(site).encode())]).random(shape) for site in site_ids]
        self._of_sites = np.stack(drawn, axis=2) if drawn else np.empty((*shape, 0))

    def shared(self, retrofit: str, name: str) -> Floats:
        """Return the numbers of what is the same for all customers, (D, 1)."""
        key = name if name in _ACTS_ON_ALL else f"{retrofit} {name}"
        stratified = (np.arange(self._draws) + 0.5) / self._draws
        rng = np.random.default_rng([self._seed, crc32(key.encode())])
        return rng.permutation(stratified)[:, np.newaxis]

    def own(self, name: str, rows: npt.NDArray[np.intp]) -> Floats:
        """Return the numbers of each site for one of its own unknowns, (D, S).

        What few sites have, or one retrofit assumes, is drawn for itself.
        """
        place = self._own.get(_IN_PLACE_OF.get(name, name))
        if place is None:
            keys = ([self._seed, crc32(name.encode()), crc32(str(self._site_ids[row]).encode())] for row in rows)
            drawn = [np.random.default_rng(key).random(self._draws) for key in keys]
            return np.stack(drawn, axis=1) if drawn else np.empty((self._draws, 0))
        return self._of_sites[:, place, :][:, rows]


def npv_draws(
    retrofit: str, parts: Parts, drivers: Sequence[Drawn], numbers: CommonNumbers, rows: npt.NDArray[np.intp]
) -> Draws:
    """Return the net present value of a retrofit in each draw, (D, S); 0 where it does not fit by what was drawn.

    ``parts`` is what it is worth with all values as used; ``rows`` are the positions of its sites in ``numbers``.
    """
    weights: list[Sequence[Any]] = []
    fits = np.ones((1, len(rows)), dtype=bool)
    for driver in drivers:
        drawn = numbers.shared(retrofit, driver.name) if driver.shared else numbers.own(driver.name, rows)
        weights.append(driver.weights(drawn))
        if isinstance(driver, Choice):
            fits = fits & driver.fitting(drawn)
    costs, if_found = np.zeros((1, len(rows))), parts.if_found[np.newaxis]
    for driver, of_ends in zip(drivers, weights, strict=True):
        for end, weight in zip(driver.ends, of_ends, strict=True):
            if not np.array_equal(parts.cost, end.cost):
                costs = costs + weight * (end.cost - parts.cost)
            if not np.array_equal(parts.if_found, end.if_found):
                if_found = if_found + weight * (end.if_found - parts.if_found)
    saving = _gain(parts.saving, [[end.saving for end in driver.ends] for driver in drivers], weights)
    avoided = _gain(parts.avoided, [[end.avoided for end in driver.ends] for driver in drivers], weights)
    gain = saving + avoided
    npv = np.where(fits, gain - parts.cost - costs + left_undone(gain, if_found), 0.0)
    shape = np.broadcast_shapes(npv.shape, *(weight.shape for of_ends in weights for weight in of_ends))
    return npv if npv.shape == shape else np.broadcast_to(npv, shape).copy()  # where nothing moves in any draw


def _gain(base: Floats, ends: Sequence[Sequence[Floats]], weights: Sequence[Sequence[Any]]) -> Draws:
    """Return a gain in each draw (D, S): a product over the numbers that scale it, a sum over the others."""
    product, extra = np.ones((1, len(base))), np.zeros((1, len(base)))
    divisor = np.where(base > 0, base, 1.0)
    for of_number, of_ends in zip(ends, weights, strict=True):
        moved = [pair for pair in zip(of_number, of_ends, strict=True) if not np.array_equal(base, pair[0])]
        if not moved:
            continue
        scales = (base > 0) & np.all([end >= 0 for end, _ in moved], axis=0)
        ratio, added = np.ones((1, len(base))), np.zeros((1, len(base)))
        for end, weight in moved:  # one after the other: sums of a site are the same bits alone and among others
            ratio = ratio + weight * (end / divisor - 1.0)
            added = added + weight * (end - base)
        product = product * np.where(scales, ratio, 1.0)
        extra = extra + np.where(scales, 0.0, added)
    return np.asarray(base * product + extra, dtype=np.float64)


@dataclass(frozen=True, eq=False)
class Outlook:
    """What a retrofit comes to in each draw (D, S), and what that is drawn from.

    ``allowed`` tells the draws in which it is worth it by what the customer can tell on the phone, all else as used:
    who asks first does it in these alone.
    """

    draws: Draws
    allowed: npt.NDArray[np.bool_]
    drivers: list[Drawn]

    @property
    def asked_first(self) -> Draws:
        """What it comes to where it is done only if the answers allow it, (D, S)."""
        return np.where(self.allowed, self.draws, 0.0)

    @property
    def chance_allowed(self) -> Floats:
        """The chance that the answers allow it, (S,)."""
        return expected(self.allowed.astype(np.float64))


def outlook(
    case: Case, rows: npt.NDArray[np.intp], valuation: Valuation, numbers: CommonNumbers, choices: Sequence[Choice]
) -> Outlook | None:
    """Return the draws of a retrofit's net present value, and what they are drawn from.

    ``rows`` are the positions of the sites of the case in ``numbers``, ``choices`` those that are unknown there. None
    if the retrofit failed at some value.
    """
    parts = valuation.parts
    heats_water = bool(valuation.heats_water.any())
    drivers: list[Drawn] = [
        *choices,
        *of_facts_and_yield(case, parts),
        *of_numbers(case),
        *of_systems(case, parts, heats_water),
    ]
    if case.guard.failed(case.loaded):
        return None
    draws = npv_draws(case.loaded.id, parts, drivers, numbers, rows)
    asked = npv_draws(case.loaded.id, parts, [one for one in drivers if told_by_phone(one)], numbers, rows)
    return Outlook(draws, np.broadcast_to(asked > 0, draws.shape).copy(), drivers)


def measured(draws: Draws) -> dict[str, Floats]:
    """Return the measures of each site over its draws by RANGE_COLUMNS, each (S,); of one draw alone NaN.

    ``npv_p90`` is exceeded with 90 % at least, ``npv_p10`` with 10 % at most: between them lie 80 % of the draws or
    more, and the expected value. A rare find can carry it beyond a tenth of the draws; then the range reaches to it.
    ``npv_worst_tenth`` is the mean of the worst 10 %.
    """
    if draws.shape[0] == 1:
        return dict.fromkeys(RANGE_COLUMNS, np.full(draws.shape[1], np.nan))
    ordered = np.sort(np.ascontiguousarray(draws.T), axis=1)  # a site's draws in a row: sums do not depend on others
    worst = max(round(WORST_SHARE * ordered.shape[1]), 1)
    p90, p50, p10 = np.quantile(ordered, (0.1, 0.5, 0.9), axis=1)
    chance = (ordered > 0).mean(axis=1)
    mean = expected(draws)
    measures = np.minimum(p90, mean), p50, np.maximum(p10, mean), chance, ordered[:, :worst].mean(axis=1)
    return dict(zip(RANGE_COLUMNS, measures, strict=True))


def expected(draws: Draws) -> Floats:
    """Return the mean over the draws, the figure that ranks, advises and is printed, (S,); of one draw alone itself."""
    in_rows = np.ascontiguousarray(draws.T)  # a site's draws in a row: sums do not depend on others
    return np.asarray(in_rows.mean(axis=1), dtype=np.float64)


def total_by_retrofit(offers: pd.DataFrame, site_ids: pd.Index, kept: Mapping[str, RowsOfDraws]) -> pd.DataFrame:
    """Return what the best offer of each site comes to in each draw, added up by retrofit: retrofit, draw, npv, offers.

    ``offers`` has site_id, retrofit and npv of all that may be offered. Shared numbers move the customers together, so
    only sums within a draw tell the range of a portfolio.
    """
    best = (
        offers.reindex(columns=["site_id", "retrofit", "npv"])
        .sort_values(["npv", "retrofit"], ascending=[False, True], kind="stable")
        .drop_duplicates("site_id")
    )
    parts = []
    for retrofit, (rows, draws) in kept.items():
        mine = np.isin(site_ids[rows], best.loc[best["retrofit"] == retrofit, "site_id"])
        if mine.any():
            npv = np.ascontiguousarray(draws[:, mine]).sum(axis=1)
            columns = {"retrofit": retrofit, "draw": np.arange(len(npv)), "npv": npv, "offers": mine.sum()}
            parts.append(pd.DataFrame(columns))
    empty = {"retrofit": "str", "draw": "int64", "npv": "float64", "offers": "int64"}
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=list(empty)).astype(empty)


def portfolio_range(totals: pd.DataFrame) -> pd.DataFrame:
    """Return the range of each retrofit's sum, and of all together as retrofit "".

    The columns are retrofit, offers, npv (the mean), npv_p90, npv_p50, npv_p10. ``totals`` has the rows of
    :func:`total_by_retrofit` of any number of chunks.
    """
    by_draw = totals.groupby(["retrofit", "draw"], as_index=False)[["npv", "offers"]].sum()
    everything = by_draw.groupby("draw", as_index=False)[["npv", "offers"]].sum().assign(retrofit="")
    rows = []
    for retrofit, sums in pd.concat([everything, by_draw]).groupby("retrofit", sort=True):
        p90, p50, p10 = np.quantile(sums["npv"], (0.1, 0.5, 0.9))
        rows.append((retrofit, int(sums["offers"].iloc[0]), sums["npv"].mean(), p90, p50, p10))
    names = ["retrofit", "offers", "npv", "npv_p90", "npv_p50", "npv_p10"]
    return pd.DataFrame(rows, columns=names).round(2)  # sums of chunks of another size differ in their last digits
