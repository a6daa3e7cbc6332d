"""Which offers to call about this month: a 0-1 programme, solved by HiGHS, with a greedy list beside it.

For offers i with expected value v, chance of a yes p, expected fare f and expected use u of the capacities, rounds r
with cost t and use s of a trip::

    maximise    sum v_i x_i - sum z_r                            x_i = 1: call about offer i
    so that     t_r w_r - sum f_i x_i <= z_r                     what owners do not pay of the way, never below 0
                sum over a site of x_i <= 1                      = 1 where there is a safety matter
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
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import sparse
from scipy.optimize import Bounds, LinearConstraint, milp

from aftersun.model.codes import HourMethod, NotCalled, PlanStatus
from aftersun.model.ranges import Bools, Floats, Ints
from aftersun.money.company import Month
from aftersun.scoring.calls.booking import Bookings, Candidates

_SAFETY_S = 60.0  # at most for the safety matters alone; they are few
_EPOCH = pd.Timestamp(1970, 1, 1)
_PROVEN = 1e-6  # relative gap below which nothing is left to find; the solver's own tolerance


@dataclass(frozen=True)
class Limits:
    """How long and how closely to search: seconds, and the relative gap at which the search may end.

    ``hours_s`` is for all that the value of one more hour takes; 0 = leave it out. A list that was found before time
    ran out is always the same; one that time cut short need not be.
    """

    seconds: float = 30.0
    gap: float = 1e-4
    hours_s: float = 15.0


@dataclass(frozen=True, eq=False)
class Selection:
    """What to call about.

    ``offers`` has one row a candidate: offer_id, site_id, must_call, chance_of_yes, value (expected, before the
    way, money), chosen, reason (why not, a code, "" where chosen) and short_of (the capacities that are not
    enough for it, where that is the reason), crew_hours (expected, on site and on the road, 0 where not chosen) and
    per_crew_hour (what it brings for each of them, money, NaN where there are none); chosen ones first in the order to
    call them: dangers by urgency, then by their age, whatever they bring; then the round that brings most for each crew
    hour, neighbours together.

    ``capacities`` has one row a limited capacity: name, bookable (after slack), used (expected), short (what safety
    matters need beyond ``bookable``), binding (an offer that would add value is left out for want of it),
    value_of_one_more (money for one hour more in the month, of which slack stays unbooked; NaN where it was not asked,
    and for what is no skill).

    ``gap`` is how much better than ``value`` a list could be at most, as a share of it.
    """

    offers: pd.DataFrame
    capacities: pd.DataFrame
    value: float  # expected, what owners do not pay of the way taken off, money
    travel_cost: float  # expected, money
    travel_paid: float  # of it by owners, money
    greedy_value: float  # of the list by value for each share of capacity, money
    status: PlanStatus
    gap: float
    hour_method: HourMethod


@dataclass(frozen=True, eq=False)
class _Solution:
    chosen: Bools | None  # wholly chosen, (N,); None = nothing in time
    bound: float  # no list is worth more; infinite if not known
    in_time: bool


@dataclass(frozen=True, eq=False)
class _Search:
    """The best list that was found, and the one by value for each share of capacity."""

    best: Bookings
    greedy: Bookings
    gap: float
    status: PlanStatus
    contenders: Candidates  # what could be chosen at all
    seconds: float


def choose_offers(candidates: pd.DataFrame, month: Month, rounds: pd.DataFrame, limits: Limits = Limits()) -> Selection:
    """Choose the offers to call about. The order of rows does not matter.

    Parameters
    ----------
    candidates
        One row an offer (of one retrofit or a bundle) to somebody who may be called. Columns: offer_id, site_id; value
        (money: chance_of_yes x contribution - cost of the call, the way not in it); chance_of_yes (0..1);
        ``hours_<skill>`` for each skill of the company (hours on site if it is a yes); equipment ("" = none);
        materials (money, if it is a yes); must_call (true: a safety matter, called whatever it is worth); and round.
        May be left out: fare (money that the owner pays for the way if it is a yes; 0), urgency (1 = tell first) and
        found_on (day) of a known danger.
    month
        What can be done in it.
    rounds
        Columns round, cost (money) and hours_<skill> of one trip, as :func:`aftersun.scoring.calls.visits.round_trips`
        gives them. A skill without a column is not on the road.
    """
    offers = Candidates.of(candidates, month, rounds)
    safety = _safety_matters(offers)
    needed = Bookings(offers, offers.bookable, safety).used
    search = _search(offers, np.maximum(offers.bookable, needed), safety, limits)
    worth, method = _worth_of_hours(offers, needed, month, search, limits)
    # a shortage of less than the solver's tolerance is none
    short = np.where(needed > offers.bookable + 1e-6 * np.maximum(1.0, offers.bookable), needed - offers.bookable, 0.0)
    book = search.best
    return Selection(
        offers=_offer_table(candidates, book),
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
        travel_paid=float(book.trips() @ offers.trip_cost - book.unpaid().sum()),
        greedy_value=search.greedy.value,
        status=search.status,
        gap=search.gap,
        hour_method=method,
    )


def _safety_matters(offers: Candidates) -> Ints:
    """Return the rows of one safety matter a site that together are as little short of capacity as can be."""
    must = np.flatnonzero(offers.must)
    if not len(must):
        return must
    solution = _solve(offers.take(offers.must), offers.bookable, _SAFETY_S, _PROVEN, least_shortage=True)
    if solution.chosen is None:  # none in time: the first of each site
        return must[np.unique(offers.site[must], return_index=True)[1]]
    return must[solution.chosen]


def _search(offers: Candidates, limit: Floats, safety: Ints, limits: Limits) -> _Search:
    """Search for the best list: the greedy one, or what is wholly chosen of the programme, parts allowed or not."""
    greedy = Bookings(offers, limit, safety)
    greedy.fill()
    # what is worth nothing, or stands beside a safety matter of the same site, is never chosen
    at_safety = np.isin(offers.site, offers.site[offers.must])
    may_be_chosen = np.where(at_safety, offers.must, offers.value > 0)
    contenders, rows = offers.take(may_be_chosen), np.flatnonzero(may_be_chosen)
    started = time.monotonic()
    relaxed = _solve(contenders, limit, limits.seconds, limits.gap, whole=False)
    left = max(limits.seconds - (time.monotonic() - started), 1.0)
    exact = _solve(contenders, limit, left, limits.gap)
    seconds = time.monotonic() - started
    best = greedy
    for solution in (relaxed, exact):
        book = None if solution.chosen is None else _booked(offers, limit, safety, rows[solution.chosen])
        if book is not None and book.value > best.value + _PROVEN * abs(best.value):
            best = book
    gap = max(0.0, min(relaxed.bound, exact.bound) - best.value) / max(abs(best.value), 1e-9)
    status = (
        PlanStatus.PROVEN_BEST if gap <= _PROVEN else PlanStatus.WITHIN_GAP if exact.in_time else PlanStatus.OUT_OF_TIME
    )
    return _Search(best, greedy, gap, status, contenders, seconds)


def _booked(offers: Candidates, limit: Floats, safety: Ints, rows: Ints) -> Bookings | None:
    """Bookings these offers, the safety matters they leave out and what else fits; None if it is more than there is."""
    served = offers.site[rows]
    book = Bookings(offers, limit, [*rows, *(row for row in safety if offers.site[row] not in served)])
    book.fill()
    return None if (book.used > limit + 2e-6 * np.maximum(1.0, limit)).any() else book


def _solve(
    offers: Candidates, limit: Floats, seconds: float, gap: float, *, whole: bool = True, least_shortage: bool = False
) -> _Solution:
    """Solve the programme; ``whole`` False allows parts of offers, ``least_shortage`` ignores value."""
    n, r, c = len(offers), len(offers.trip_cost), len(limit)
    if not n:
        return _Solution(np.zeros(0, dtype=bool), 0.0, True)
    # the columns are x, a, y, w, z, and the share that is short of each capacity
    if least_shortage:
        cost, most_short = np.repeat([0.0, 1.0], [2 * n + 3 * r, c]), np.inf
    else:
        cost, most_short = np.concatenate([-offers.value, np.zeros(n + 2 * r), np.ones(r), np.zeros(c)]), 0.0
    with _solver_unheard():
        result = milp(
            cost,
            integrality=np.repeat([float(whole), 0.0], [n, n + 3 * r + c]),
            bounds=Bounds(np.zeros(len(cost)), np.repeat([1.0, np.inf, most_short], [2 * n + r, 2 * r, c])),
            constraints=_constraints(offers, limit),
            options={"time_limit": seconds, "mip_rel_gap": gap},
        )
    bound = result.fun if not whole and result.status == 0 else result.mip_dual_bound
    chosen = None if result.x is None else np.asarray(result.x[:n] > 1.0 - 1e-5)
    return _Solution(chosen, np.inf if bound is None else -float(bound), result.status == 0)


@contextmanager
def _solver_unheard() -> Iterator[None]:
    """Keep what the compiled solver prints now and then, whatever it is told, off the program's standard output."""
    sys.stdout.flush()
    try:
        kept = os.dup(1)
    except OSError:  # it is closed
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


def _constraints(offers: Candidates, limit: Floats) -> LinearConstraint:
    """Return the rows of the programme; columns as in :func:`_solve`."""
    n, r, c = len(offers), len(offers.trip_cost), len(limit)
    each, ones = np.arange(n), np.ones(n)
    sites, site = np.unique(offers.site, return_inverse=True)
    scale = np.maximum(1.0, limit)  # the solver's tolerance is one of scaled rows
    # below a whole trip altogether every offer pays its own way, and the round needs no y
    full = np.bincount(offers.round, offers.chance, r) > 1.0
    riding = np.flatnonzero(full[offers.round])
    ride = _matrix(np.ones(len(riding)), np.arange(len(riding)), riding, (len(riding), n))
    opened = _matrix(np.ones(len(riding)), np.arange(len(riding)), offers.round[riding], (len(riding), r))
    chances, days, fares = (
        _matrix(values, offers.round, each, (r, n)) for values in (offers.chance, offers.days, offers.fare)
    )
    own_way = full[offers.round]
    none, trip = -np.inf, -sparse.eye_array(r)
    way_use = offers.trip_use / scale[:, None]
    blocks = [  # the least, the most, and the coefficients of x, a, y, w, z, short
        (np.isin(sites, offers.site[offers.must]), 1.0, _matrix(ones, site, each, (len(sites), n)), *[None] * 5),
        (none, limit / scale, offers.use / scale[:, None], None, None, way_use, None, -np.eye(c)),
        (none, 0.0, ride, -ride, -opened, None, None, None),
        (none, 0.0, -ride, ride, None, None, None, None),  # only what is chosen pays its way
        (none, 0.0, chances * ~own_way, chances * own_way, sparse.diags_array(full * 1.0), trip, None, None),
        (none, 0.0, days, None, None, trip, None, None),
        (none, 0.0, -fares, None, None, sparse.diags_array(offers.trip_cost), trip, None),
    ]
    lower, upper = (
        np.concatenate([np.broadcast_to(block[side], block[2].shape[0]) for block in blocks]) for side in (0, 1)
    )
    return LinearConstraint(sparse.block_array([block[2:] for block in blocks], format="csr"), lower, upper)


def _matrix(values: Floats, rows: Ints, columns: Ints, shape: tuple[int, int]) -> sparse.csr_array:
    return sparse.csr_array((values, (rows, columns)), shape=shape)


def _worth_of_hours(
    offers: Candidates, needed: Floats, month: Month, search: _Search, limits: Limits
) -> tuple[Floats, HourMethod]:
    """Return what one hour more of each skill in the month adds, NaN for other capacities, and how it was found.

    ``needed`` is what safety matters take.
    """
    skills = len(month.hours)  # they stand first among the capacities
    worth = np.full(len(offers.names), np.nan)
    if not skills or not limits.hours_s:
        return worth, HourMethod.NOT_ASKED
    limit, end = search.best.limit, time.monotonic() + limits.hours_s
    # a list within a gap differs from another one by more than an hour is worth
    whole = search.status == PlanStatus.PROVEN_BEST and search.seconds * (skills + 1) < limits.hours_s
    base = _solve(search.contenders, limit, limits.hours_s, 0.0, whole=whole)
    for skill in range(skills):
        more = limit.copy()
        more[skill] = max(offers.bookable[skill] + 1.0 - month.slack_share, needed[skill])
        left = end - time.monotonic()
        solution = _solve(search.contenders, more, left, 0.0, whole=whole) if left > 0 and base.in_time else base
        if not (solution.in_time and base.in_time) or left <= 0:
            return np.full(len(offers.names), np.nan), HourMethod.NO_TIME
        gained = solution.bound - base.bound
        worth[skill] = gained if gained > 1e-9 * abs(base.bound) else 0.0  # less is the solver's own error
    return worth, HourMethod.RESOLVED if whole else HourMethod.RELAXED


def _binding(book: Bookings) -> Bools:
    """Return which capacities keep out an offer that would add value where nothing is chosen."""
    binding = np.zeros(len(book.limit), dtype=bool)
    for row in range(len(book.offers)):
        if int(book.offers.site[row]) not in book.at_site and book.gain(row) > 0:
            binding |= book.lacking(row)
    return binding


def _offer_table(candidates: pd.DataFrame, book: Bookings) -> pd.DataFrame:
    table = candidates.sort_values("offer_id", ignore_index=True)
    reasons = book.reasons()
    short_of = [
        book.short_of(row) if reason == NotCalled.SHORT_OF_CAPACITY else "" for row, reason in enumerate(reasons)
    ]
    hours, money = book.hours_and_money()
    shown = table[["offer_id", "site_id", "must_call", "chance_of_yes", "value"]].assign(
        chosen=book.chosen, reason=reasons, short_of=short_of, crew_hours=hours, per_crew_hour=_rate(money, hours)
    )
    order = _order_to_call(table, book, hours, money)
    return shown.take(order).reset_index(drop=True)


def _order_to_call(table: pd.DataFrame, book: Bookings, hours: Floats, money: Floats) -> Ints:
    """Return the rows in the order to call; those that are not chosen last, by value."""
    # who has to be warned is called first, whether or not it is about the remedy
    urgency = _column(table, "urgency", np.inf)
    must, rounds = book.offers.must | np.isfinite(urgency), book.offers.round
    sold, size = book.chosen & ~must, len(book.offers.trip_cost)
    money_of_round, hours_of_round = (np.bincount(rounds[sold], values[sold], size) for values in (money, hours))
    of_round = _rate(money_of_round.astype(np.float64), hours_of_round.astype(np.float64))
    found_on = pd.to_datetime(table["found_on"]) if "found_on" in table else pd.Series(pd.NaT, table.index)
    keys = pd.DataFrame(
        {
            "left": ~book.chosen,
            "sold": ~must,
            # an urgency that is not known comes after all others, a day of finding that is not known before
            "urgency": np.where(must, urgency, 0.0),
            "found_on": np.where(must, ((found_on - _EPOCH) / pd.Timedelta(days=1)).fillna(-np.inf), 0.0),
            "of_round": np.where(sold, -np.nan_to_num(of_round[rounds], nan=np.inf), 0.0),
            "round": np.where(sold, rounds, 0),
            "rate": np.where(sold, -np.nan_to_num(_rate(money, hours), nan=np.inf), 0.0),
            "value": np.where(book.chosen, 0.0, -book.offers.value),
        }
    )
    order = keys.sort_values(keys.columns.to_list(), kind="stable")
    return order.index.to_numpy(dtype=np.int64)


def _column(table: pd.DataFrame, name: str, if_unknown: float) -> Floats:
    values = table[name].to_numpy(dtype=np.float64, na_value=np.nan) if name in table else np.full(len(table), np.nan)
    return np.asarray(np.where(np.isnan(values), if_unknown, values))


def _rate(money: Floats, hours: Floats) -> Floats:
    """Return the money for each hour, NaN where there are no hours."""
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(np.where(hours > 0, money / hours, np.nan))
