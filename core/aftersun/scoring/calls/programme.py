"""Which offers to call about this month: a 0-1 programme, solved by HiGHS, with a greedy list beside it.

For offers i with expected value v, chance of a yes p and expected use u of the capacities, rounds r with cost t and use
s of a trip::

    maximise    sum v_i x_i - sum t_r w_r                        x_i = 1: call about offer i
    so that     sum over a site of x_i <= 1                      = 1 where there is a safety matter
                sum over a group of x_i <= 1                     offers that exclude each other
                sum u_ci x_i + sum s_cr w_r <= bookable_c        capacity less slack
                x_i <= y_r + a_i                                 the round is opened, or the offer pays its own way
                y_r + sum p_i a_i <= w_r                         so w_r >= min(1, sum of p_i x_i)
                sum p_i d_i x_i <= w_r                           d_i = days on site

Only x is whole: at the best y and a are 0 or 1 by themselves. Safety matters come first. Where they need more than
there is, the shortage is as small as it can be, they are called all the same, and nothing else gets of what is short.
"""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Collection, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import sparse
from scipy.optimize import Bounds, LinearConstraint, milp

from aftersun.model.errors import AftersunError
from aftersun.model.ranges import Bools, Floats, Ints
from aftersun.scoring.calls.booking import Book, Capacity, Portfolio

__all__ = ["Capacity", "Limits", "Selection", "choose_offers"]

BEST = "proven best"
WITHIN_GAP = "proven best within the gap that was asked for"
OUT_OF_TIME = "best found in the time that was given"

RESOLVED = "solved again with one hour more"
RELAXED = "solved again with one hour more, both times with parts of offers allowed"
NOT_ASKED = "left out"
NO_TIME = "left out: it would have taken too long"

_SAFETY_S = 60.0  # at most for the safety matters alone; they are few
_PROVEN = 1e-6  # relative gap below which nothing is left to find; the solver's own tolerance


@dataclass(frozen=True)
class Limits:
    """How long and how closely to search: seconds, and the relative gap at which the search may end.

    ``hours_s`` is for all that the value of one more hour takes; 0 = leave it out. A list that was found before time
    ran out is always the same; one that time cut short need not be.
    """

    seconds: float = 40.0
    gap: float = 1e-4
    hours_s: float = 15.0

    def __post_init__(self) -> None:
        if not (self.seconds > 0 and self.gap >= 0 and self.hours_s >= 0):
            raise AftersunError(
                "The search needs a time limit above 0 seconds and a gap of 0 or more.", "Set both accordingly."
            )


@dataclass(frozen=True, eq=False)
class Selection:
    """What to call about.

    ``offers`` has one row a candidate: offer_id, site_id, must_call, chance_of_yes, value (expected, before the
    way, money), chosen, reason (why not, "" where chosen); chosen ones first in the order to call them: safety matters,
    then by value.

    ``capacities`` has one row a limited capacity: name, bookable (after slack), used (expected), short (what safety
    matters need beyond ``bookable``), binding (an offer that would add value is left out for want of it),
    value_of_one_more (money for one hour more in the month, of which slack stays unbooked; NaN where it was not asked,
    and for what is no skill).

    ``gap`` is how much better than ``value`` a list could be at most, as a share of it.
    """

    offers: pd.DataFrame
    capacities: pd.DataFrame
    value: float  # expected, the way taken off, money
    travel_cost: float  # expected, money
    greedy_value: float  # of the list by value for each share of capacity, money
    status: str
    gap: float
    hour_method: str

    @property
    def chosen(self) -> list[str]:
        """Return the offer_id of what to call about, in the order to call."""
        return list(self.offers.loc[self.offers["chosen"], "offer_id"])

    @property
    def shortage(self) -> str:
        """Say which capacity is short of what the safety matters need; "" if none is."""
        short = self.capacities[self.capacities["short"] > 0]
        if short.empty:
            return ""
        parts = ", ".join(f"{row['short']:.4g} of {row['name']}" for _, row in short.iterrows())
        return f"The safety matters alone need more than can be booked: {parts} are missing. All are on the list."


@dataclass(frozen=True, eq=False)
class _Found:
    chosen: Bools | None  # wholly chosen, (N,); None = nothing in time
    bound: float  # no list is worth more; infinite if not known
    in_time: bool
    impossible: bool = False


def choose_offers(
    candidates: pd.DataFrame,
    capacity: Capacity,
    rounds: pd.DataFrame | None = None,
    *,
    groups: Sequence[Collection[str]] = (),
    limits: Limits = Limits(),
) -> Selection:
    """Choose the offers to call about. The order of rows does not matter.

    Parameters
    ----------
    candidates
        One row an offer (of one retrofit or a bundle) to somebody who may be called. Columns: offer_id, site_id; value
        (money: chance_of_yes x contribution - cost of the call, the way not in it); chance_of_yes (0..1);
        ``hours_<skill>`` for each skill of the company (hours on site if it is a yes); equipment ("" = none);
        materials (money, if it is a yes); must_call (true: a safety matter, called whatever it is worth); and round
        if ``rounds`` are given.
    capacity
        What can be done in the month.
    rounds
        Columns round, cost (money) and hours_<skill> of one trip, as :func:`aftersun.scoring.calls.visits.round_trips`
        gives them; None = the way costs nothing. A skill without a column is not on the road.
    groups
        Sets of offer_id of which one at most is chosen, beyond the one offer a site.

    Raises
    ------
    AftersunError
        If there is no candidate, an amount cannot be, a capacity is of an unknown skill, or rules contradict.
    """
    offers = Portfolio.of(candidates, capacity, rounds, groups)
    safety = _safety_matters(offers)
    needed = Book(offers, offers.bookable, safety).used
    limit = np.maximum(offers.bookable, needed)
    greedy = Book(offers, limit, safety)
    greedy.fill()
    # what is worth nothing, or stands beside a safety matter of the same site, is never chosen
    at_safety = np.isin(offers.site, offers.site[offers.must])
    open_ = np.where(at_safety, offers.must, offers.value > 0)
    part, rows = offers.take(open_), np.flatnonzero(open_)
    started = time.monotonic()
    relaxed = _solve(part, limit, limits.seconds, limits.gap, whole=False)
    left = max(limits.seconds - (time.monotonic() - started), 1.0)
    found = _solve(part, limit, left, limits.gap)
    seconds = time.monotonic() - started
    book = greedy
    # what is wholly chosen where parts are allowed is a good list too, should time run out
    for one in (relaxed, found):
        if one.chosen is not None:
            other = _booked(offers, limit, safety, _lowest_ids(offers, rows[one.chosen]))
            book = other if other is not None and other.value > book.value + _PROVEN * abs(book.value) else book
    bound = min(relaxed.bound, found.bound)
    gap = max(0.0, bound - book.value) / max(abs(book.value), 1e-9)
    status = BEST if gap <= _PROVEN else WITHIN_GAP if found.in_time else OUT_OF_TIME
    worth, method = _worth_of_hours(offers, capacity, (open_, limit, needed), limits, status == BEST, seconds)
    reasons = book.reasons()
    # a shortage of less than the solver's tolerance is none
    short = np.where(needed > offers.bookable + 1e-6 * np.maximum(1.0, offers.bookable), needed - offers.bookable, 0.0)
    return Selection(
        offers=_offer_table(candidates, book, reasons),
        capacities=pd.DataFrame(
            {
                "name": offers.names,
                "bookable": offers.bookable,
                "used": book.used,
                "short": short,
                "binding": _binding(book),
                "value_of_one_more": worth,
            }
        ),
        value=book.value,
        travel_cost=float(book.trips() @ offers.trip_cost),
        greedy_value=greedy.value,
        status=status,
        gap=gap,
        hour_method=method,
    )


def _safety_matters(offers: Portfolio) -> Ints:
    """Return the rows of one safety matter a site that together are as little short of capacity as can be."""
    must = np.flatnonzero(offers.must)
    if not len(must):
        return must
    found = _solve(offers.take(offers.must), offers.bookable, _SAFETY_S, _PROVEN, least_shortage=True)
    if found.impossible:
        raise AftersunError(
            "Two rules contradict: every site with a safety matter is called, and offers that exclude each other are "
            "not called together.",
            "Take safety matters of different sites out of the groups that exclude each other.",
        )
    if found.chosen is None:  # none in time: the first of each site
        return must[np.unique(offers.site[must], return_index=True)[1]]
    return must[found.chosen]


def _booked(offers: Portfolio, limit: Floats, safety: Ints, rows: Ints) -> Book | None:
    """Book these offers, the safety matters they leave out and what else fits; None if it is more than there is."""
    served = offers.site[rows]
    book = Book(offers, limit, [*rows, *(row for row in safety if offers.site[row] not in served)])
    book.fill()
    too_many = any(book.chosen[group].sum() > 1 for group in offers.groups)
    return None if too_many or (book.used > limit + 2e-6 * np.maximum(1.0, limit)).any() else book


def _solve(
    offers: Portfolio, limit: Floats, seconds: float, gap: float, *, whole: bool = True, least_shortage: bool = False
) -> _Found:
    """Solve the programme; ``whole`` False allows parts of offers, ``least_shortage`` ignores value."""
    n, r, c = len(offers), len(offers.trip_cost), len(limit)
    if not n:
        return _Found(np.zeros(0, dtype=bool), 0.0, True)
    own, opened, trips, short = n, 2 * n, 2 * n + r, 2 * n + 2 * r  # where the columns of a, y, w and shortages begin
    blocks, lower, upper = [], [], []

    def rows(at_least: Floats, at_most: Floats, *parts: tuple[Ints | Floats, Ints, Ints]) -> None:
        value, row, column = (np.concatenate([part[k] for part in parts]) for k in range(3))
        blocks.append(sparse.csr_array((value, (row, column)), shape=(len(at_most), short + c)))
        lower.append(at_least)
        upper.append(at_most)

    each, one = np.arange(n), np.ones(n)
    site_ids, site = np.unique(offers.site, return_inverse=True)
    called = np.isin(site_ids, offers.site[offers.must]).astype(np.float64)
    rows(called, np.ones(len(site_ids)), (one, site, each))
    for group in offers.groups:
        rows(np.zeros(1), np.ones(1), (np.ones(len(group)), np.zeros(len(group), dtype=np.int64), group))
    free = np.full(c, -np.inf)
    k, column = np.divmod(np.arange(c * n), n)
    kr, trip = np.divmod(np.arange(c * r), max(r, 1))
    scale = np.maximum(1.0, limit)  # the solver's tolerance is one of scaled rows
    rows(
        free,
        limit / scale,
        ((offers.use / scale[:, None]).ravel(), k, column),
        ((offers.trip_use / scale[:, None]).ravel(), kr, trips + trip),
        (-np.ones(c), np.arange(c), short + np.arange(c)),
    )
    # below a whole trip altogether every offer pays its own way, and the round needs no y
    full = np.bincount(offers.round, offers.chance, r) > 1.0
    riding = np.flatnonzero(full[offers.round])
    m = np.arange(len(riding))
    ones, minus = np.ones(len(m)), -np.ones(len(m))
    below = np.full(len(m), -np.inf), np.zeros(len(m))
    rows(*below, (ones, m, riding), (minus, m, own + riding), (minus, m, opened + offers.round[riding]))
    rows(*below, (ones, m, own + riding), (minus, m, riding))  # only what is chosen pays its way
    way = np.where(full[offers.round], own, 0) + each
    of_round, minus_r = np.arange(r), -np.ones(r)
    trips_r = (minus_r, of_round, trips + of_round)
    below = np.full(r, -np.inf), np.zeros(r)
    rows(*below, (offers.chance, offers.round, way), (full.astype(np.float64), of_round, opened + of_round), trips_r)
    if offers.days.any():
        rows(*below, (offers.days, offers.round, each), trips_r)
    cost = np.zeros(short + c)
    if least_shortage:
        cost[short:] = 1.0  # shares of what can be booked
    else:
        cost[:n], cost[trips:short] = -offers.value, offers.trip_cost
    top = np.ones(short + c)
    top[trips:short], top[short:] = np.inf, np.inf if least_shortage else 0.0
    integral = np.zeros(short + c)
    integral[:n] = whole
    with _nothing_printed():
        result = milp(
            cost,
            integrality=integral,
            bounds=Bounds(np.zeros(short + c), top),
            constraints=LinearConstraint(sparse.vstack(blocks), np.concatenate(lower), np.concatenate(upper)),
            options={"time_limit": seconds, "mip_rel_gap": gap},
        )
    bound = result.fun if not whole and result.status == 0 else result.mip_dual_bound
    chosen = None if result.x is None else np.asarray(result.x[:n] > 1.0 - 1e-5)
    return _Found(chosen, np.inf if bound is None else -float(bound), result.status == 0, result.status == 2)


@contextmanager
def _nothing_printed() -> Iterator[None]:
    """Keep the solver's own words out of standard output: HiGHS prints some past its switch for output."""
    try:
        sys.stdout.flush()
        kept = os.dup(1)
    except (OSError, ValueError):  # there is no standard output
        yield
        return
    nowhere = os.open(os.devnull, os.O_WRONLY)
    try:
        os.dup2(nowhere, 1)
        yield
    finally:
        os.dup2(kept, 1)
        os.close(kept)
        os.close(nowhere)


def _lowest_ids(offers: Portfolio, chosen: Ints) -> Ints:
    """Exchange chosen offers for equal ones with a lower id, so that ties do not hang on how they were solved."""
    alike = np.vstack([offers.value, offers.chance, offers.days, offers.round, offers.must, offers.use])
    _, kind = np.unique(alike, axis=1, return_inverse=True)
    kept, taken = set(chosen.tolist()), set(offers.site[chosen].tolist())
    bound = {int(row) for group in offers.groups for row in group}
    in_kind: dict[int, list[int]] = {}
    for row, number in enumerate(kind.ravel()):
        if row not in bound:
            in_kind.setdefault(int(number), []).append(row)
    for row in sorted(kept - bound):
        for lower in in_kind[int(kind.ravel()[row])]:
            if lower >= row:
                break
            if lower not in kept and (offers.site[lower] == offers.site[row] or int(offers.site[lower]) not in taken):
                kept ^= {row, lower}
                taken = taken - {int(offers.site[row])} | {int(offers.site[lower])}
                break
    return np.array(sorted(kept), dtype=np.int64)


def _worth_of_hours(
    offers: Portfolio,
    capacity: Capacity,
    solved: tuple[Bools, Floats, Floats],
    limits: Limits,
    proven: bool,
    seconds: float,
) -> tuple[Floats, str]:
    """Return what one hour more of each skill in the month adds, NaN for other capacities, and how it was found."""
    worth = np.full(len(offers.names), np.nan)
    if not capacity.hours or not limits.hours_s:
        return worth, NOT_ASKED
    open_, limit, needed = solved
    part, end = offers.take(open_), time.monotonic() + limits.hours_s
    # a list within a gap differs from another one by more than an hour is worth
    whole = proven and seconds * (len(capacity.hours) + 1) < limits.hours_s
    base = _solve(part, limit, limits.hours_s, 0.0, whole=whole)
    skills = range(len(capacity.hours))  # they stand first
    for k in skills:
        more = limit.copy()
        more[k] = max(offers.bookable[k] + 1.0 - capacity.slack_share, needed[k])
        left = end - time.monotonic()
        found = _solve(part, more, left, 0.0, whole=whole) if left > 0 and base.in_time else base
        if not (found.in_time and base.in_time) or left <= 0:
            return np.full(len(offers.names), np.nan), NO_TIME
        gained = found.bound - base.bound
        worth[k] = gained if gained > 1e-9 * abs(base.bound) else 0.0  # less is the solver's own error
    return worth, RESOLVED if whole else RELAXED


def _binding(book: Book) -> Bools:
    """Return which capacities keep out an offer that would add value where nothing is chosen."""
    binding = np.zeros(len(book.limit), dtype=bool)
    for row in range(len(book.offers)):
        if int(book.offers.site[row]) not in book.at_site and not book.rivalled(row) and book.gain(row) > 0:
            binding |= book.lacking(row)
    return binding


def _offer_table(candidates: pd.DataFrame, book: Book, reasons: npt.NDArray[np.object_]) -> pd.DataFrame:
    table = candidates.sort_values("offer_id", ignore_index=True)
    table = table[["offer_id", "site_id", "must_call", "chance_of_yes", "value"]].assign(
        chosen=book.chosen, reason=reasons
    )
    by = ["chosen", "must_call", "value", "offer_id"]
    return table.sort_values(by, ascending=[False, False, False, True], kind="stable", ignore_index=True)
