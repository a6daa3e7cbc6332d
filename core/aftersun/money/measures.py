"""Measures of worth of a series of yearly cash flows, and the present-value factors behind them.

Convention everywhere: the first column is year 0 (today, not discounted), column t is paid at the *end* of
year t. Rates and growth are shares a year (0.03 = 3 %). Constant-price (real) amounts go with a real rate,
nominal amounts with a nominal one; :func:`real_to_nominal` converts a rate. NaN = undefined, never a guess.

References
----------
.. [1] 10 CFR 436 subpart A, sections 436.14 to 436.23 (net savings, savings-to-investment ratio, adjusted
   internal rate of return, payback; matching pairs of real and nominal amounts and rates).
.. [2] ASTM E917 with adjunct ADJE091717 (single and uniform present value, capital recovery, modified
   uniform present value), E964 (savings-to-investment ratio), E1057 (internal rates of return), E1121
   (payback).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from aftersun.model.ranges import Floats

_REAL_ROOT = 1e-7  # a root whose imaginary part is below this share of its size counts as real
_NO_RATE = 1e-12  # a year; below it nothing is discounted within 40 years, and products with it may vanish


def single_present_value(rate: npt.ArrayLike, years: npt.ArrayLike) -> Floats:
    """Return the worth today of 1 paid at the end of year ``years`` (SPV). Any shapes that broadcast. [2]_"""
    rate, years = _floats(rate), _floats(years)
    return np.asarray((1.0 + rate) ** -years)


def uniform_present_value(rate: npt.ArrayLike, years: npt.ArrayLike) -> Floats:
    """Return the worth today of 1 paid at the end of each of ``years`` years (UPV). [2]_"""
    return modified_uniform_present_value(rate, 0.0, years)


def modified_uniform_present_value(rate: npt.ArrayLike, escalation: npt.ArrayLike, years: npt.ArrayLike) -> Floats:
    """Return the worth today of yearly payments that start from 1 and grow by ``escalation`` (UPV*). [2]_

    The payment at the end of year t is ``(1 + escalation)**t``: the price basis is today, so that year 1 is
    already dearer. Any shapes that broadcast.
    """
    rate, escalation, years = np.broadcast_arrays(_floats(rate), _floats(escalation), _floats(years))
    growth = np.log1p(escalation) - np.log1p(rate)  # log of q = (1+e)/(1+r)
    level = growth == 0.0
    safe = np.where(level, 1.0, growth)
    # q(1-q^N)/(1-q) written with expm1, which stays exact when q is close to 1
    series = np.exp(safe) * np.expm1(years * safe) / np.expm1(safe)
    return np.where(level, years, series)


def capital_recovery(rate: npt.ArrayLike, years: npt.ArrayLike) -> Floats:
    """Return the level yearly payment over ``years`` (above 0) that is worth 1 today (UCR = 1 / UPV). [2]_"""
    return np.asarray(1.0 / uniform_present_value(rate, years))


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


def adjusted_irr(rate: npt.ArrayLike, sir: npt.ArrayLike, years: npt.ArrayLike) -> Floats:
    """Return the adjusted internal rate of return ``(1 + rate) * sir**(1 / years) - 1``. [1]_

    Yearly savings are taken to be reinvested at ``rate``. NaN where the savings are negative or ``years``
    is 0.
    """
    rate, sir, years = _floats(rate), _floats(sir), _floats(years)
    with _undefined_allowed():
        return np.where((sir >= 0) & (years > 0), (1.0 + rate) * sir ** (1.0 / years) - 1.0, np.nan)


def irr(cash_flow: npt.ArrayLike) -> Floats:
    """Return the internal rate of return of each row of (S, Y+1), or of one row (Y+1,).

    With x = 1/(1 + rate) the net present value is a polynomial in x; every positive real root is a rate above
    -1 at which it is zero. NaN where there is no such rate or more than one.
    """
    flow = _floats(cash_flow)
    rows = flow.reshape(-1, flow.shape[-1])
    return np.array([_only_rate(row) for row in rows], dtype=np.float64).reshape(flow.shape[:-1])


def _only_rate(row: Floats) -> float:
    if not np.isfinite(row).all():
        return np.nan
    roots = np.roots(row[::-1])
    discounts = roots.real[(np.abs(roots.imag) <= _REAL_ROOT * np.abs(roots)) & (roots.real > 0)]
    # a double root comes back as two that differ by about the square root of the machine precision
    if discounts.size == 0 or np.ptp(discounts) > _REAL_ROOT * discounts.max():
        return np.nan
    return float(1.0 / discounts.mean() - 1.0)


def mirr(
    cash_flow: npt.ArrayLike,
    finance_rate: npt.ArrayLike,
    reinvest_rate: npt.ArrayLike,
    years: npt.ArrayLike | None = None,
) -> Floats:
    """Return the modified internal rate of return of each row of (S, Y+1).

    Costs are discounted to today at ``finance_rate``, gains compounded to the end at ``reinvest_rate``.
    ``years`` (S,) is the study period of each row where rows are filled up with zeros after it; None = all Y
    years. NaN where a row lacks gains or costs.
    """
    flow = _floats(cash_flow)
    last = _floats(flow.shape[-1] - 1 if years is None else years)
    gains = npv(reinvest_rate, np.maximum(flow, 0.0))
    costs = -npv(finance_rate, np.minimum(flow, 0.0))
    with _undefined_allowed():
        rates = (gains / costs) ** (1.0 / last) * (1.0 + _floats(reinvest_rate)) - 1.0
    return np.where((gains > 0) & (costs > 0) & (last > 0), rates, np.nan)


def simple_payback(first_cost: npt.ArrayLike, first_year_saving: npt.ArrayLike) -> Floats:
    """Return years = first cost / net saving of the first year; NaN = never.

    A rough measure [1]_: it knows neither interest nor the life, so it must not rank anything.
    """
    cost, saving = np.maximum(_floats(first_cost), 0.0), _floats(first_year_saving)
    with _undefined_allowed():
        years = np.where(saving > 0, cost / saving, np.nan)
    return np.where(cost == 0.0, 0.0, years)


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


def equivalent_annual_value(net_present_value: npt.ArrayLike, rate: npt.ArrayLike, years: npt.ArrayLike) -> Floats:
    """Return the level yearly amount worth the same: NPV / UPV.

    Only for projects that can be repeated for ever: not for one that the end of the PV system cuts off.
    """
    return np.asarray(_floats(net_present_value) * capital_recovery(rate, years))


def real_to_nominal(real_rate: npt.ArrayLike, inflation: npt.ArrayLike) -> Floats:
    """Return the nominal rate that goes with a real one: (1 + real)(1 + inflation) - 1. [1]_"""
    return np.asarray((1.0 + _floats(real_rate)) * (1.0 + _floats(inflation)) - 1.0)


def combined_escalation(price_growth: npt.ArrayLike, fade: npt.ArrayLike) -> Floats:
    """Return the yearly growth of a saving whose price grows while its energy fades: (1+g)(1-fade)-1."""
    return np.asarray((1.0 + _floats(price_growth)) * (1.0 - _floats(fade)) - 1.0)


def _undefined_allowed() -> np.errstate:
    """Compute every row; those that have no answer are replaced by NaN afterwards."""
    return np.errstate(divide="ignore", invalid="ignore", over="ignore")


def _floats(values: npt.ArrayLike) -> Floats:
    return np.asarray(values, dtype=np.float64)
