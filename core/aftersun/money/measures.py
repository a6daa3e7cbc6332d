"""Measures of a series of yearly cash flows, and the present-value factors behind them.

Convention everywhere: the first column is year 0 (today, not discounted), column t is paid at the *end* of
year t. Rates and growth are shares a year (0.03 = 3 %). Constant-price (real) amounts go with a real rate,
nominal amounts with a nominal one. NaN = undefined, never a guess.

References
----------
.. [1] 10 CFR 436 subpart A, sections 436.14 to 436.23 (net savings, savings-to-investment ratio,
   payback; matching pairs of real and nominal amounts and rates).
.. [2] ASTM E917 with adjunct ADJE091717 (single and uniform present value, capital recovery), E964
   (savings-to-investment ratio), E1121 (payback).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from aftersun.model.ranges import Floats

_NO_RATE = 1e-12  # a year; below it nothing is discounted within 40 years, and products with it may vanish


def single_present_value(rate: npt.ArrayLike, years: npt.ArrayLike) -> Floats:
    """Return the worth today of 1 paid at the end of year ``years`` (SPV). Any shapes that broadcast. [2]_"""
    rate, years = _floats(rate), _floats(years)
    return np.asarray((1.0 + rate) ** -years)


def capital_recovery(rate: npt.ArrayLike, years: npt.ArrayLike) -> Floats:
    """Return the level yearly payment at the ends of ``years`` years (above 0) that is worth 1 today (UCR). [2]_"""
    rate, years = _floats(rate), _floats(years)
    with _undefined_allowed():
        return np.where(rate == 0.0, 1.0 / years, -rate / np.expm1(-years * np.log1p(rate)))


def even_saving(value: float, rate: float, years: int) -> float:
    """Return the even amount a year that comes to ``value``, today's money, over ``years``; 0 where there are none."""
    return float(value * capital_recovery(rate, years)) if years >= 1 else 0.0


def npv(rate: npt.ArrayLike, cash_flow: npt.ArrayLike) -> Floats:
    """Return the net present value of each row.

    Parameters
    ----------
    rate : scalar or (S,)
        Discount rate, share a year, above -1.
    cash_flow : (Y+1,) or (S, Y+1)
        Year 0 first; gains positive, costs negative.

    Returns
    -------
    Scalar array or (S,), in the money of ``cash_flow``.
    """
    flow = _floats(cash_flow)
    factors = single_present_value(_floats(rate)[..., np.newaxis], np.arange(flow.shape[-1]))
    # C order, so that a row's sum runs the same way however many rows there are
    return np.asarray(np.multiply(flow, factors, order="C").sum(axis=-1))


def savings_to_investment_ratio(savings: npt.ArrayLike, investment: npt.ArrayLike) -> Floats:
    """Return SIR: the present value of the yearly net savings divided by that of the investment. [1]_

    NaN where nothing is invested.
    """
    savings, investment = _floats(savings), _floats(investment)
    with _undefined_allowed():
        return np.where(investment > 0, savings / investment, np.nan)


def simple_payback(first_cost: npt.ArrayLike, savings: npt.ArrayLike) -> Floats:
    """Return the years after which the savings, not discounted, have added up to the first cost; NaN = never.

    Arguments as those of :func:`discounted_payback`, than which it is never longer at a rate of 0 or above. Of level
    savings it is first cost / saving. A rough measure [1]_: it knows no interest, so it must not rank anything.
    """
    return discounted_payback(0.0, first_cost, savings)


def discounted_payback(rate: npt.ArrayLike, first_cost: npt.ArrayLike, savings: npt.ArrayLike) -> Floats:
    """Return the first time at which the present value of the savings reaches the first cost; NaN = never.

    Parameters
    ----------
    rate : scalar or (S,)
    first_cost : scalar or (S,)
        Paid in year 0.
    savings : (Y,) or (S, Y)
        Net saving of years 1..Y, Y at least 1.

    Returns
    -------
    Years. Within the year it is interpolated as if the saving ran evenly, in such a way that level savings A
    give ``-ln(1 - first_cost * rate / A) / ln(1 + rate)`` exactly. [2]_
    """
    savings, rate, cost = _floats(savings), _floats(rate), np.maximum(_floats(first_cost), 0.0)
    shape = np.broadcast_shapes(savings.shape[:-1], cost.shape, rate.shape)
    values = savings * single_present_value(rate[..., np.newaxis], np.arange(1, savings.shape[-1] + 1))
    values = np.broadcast_to(values, (*shape, savings.shape[-1]))
    reached = np.cumsum(values, axis=-1)
    enough = reached >= cost[..., np.newaxis]
    decisive = np.argmax(enough, axis=-1)[..., np.newaxis]  # the year that brings the sum to the cost
    value = np.take_along_axis(values, decisive, axis=-1)[..., 0]
    missing = cost - (np.take_along_axis(reached, decisive, axis=-1)[..., 0] - value)
    paid = enough.any(axis=-1)
    with _undefined_allowed():  # rows that never pay back or cost nothing
        part = missing / value
        part = np.where(np.abs(rate) < _NO_RATE, part, -np.log1p(-part * rate / (1.0 + rate)) / np.log1p(rate))
    return np.where(cost == 0.0, 0.0, np.where(paid, decisive[..., 0] + part, np.nan))


def _undefined_allowed() -> np.errstate:
    """Compute every row; those that have no answer are replaced by NaN afterwards."""
    return np.errstate(divide="ignore", invalid="ignore", over="ignore")


def _floats(values: npt.ArrayLike) -> Floats:
    return np.asarray(values, dtype=np.float64)
