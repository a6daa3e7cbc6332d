"""The owner's cash flow of a retrofit, year by year, cut off when the PV system or the retrofit ends."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from aftersun.model.ranges import Bools, Floats
from aftersun.money.company import Company


@dataclass(frozen=True, eq=False)
class CashFlow:
    """Amounts of shape (S, Y+1), year 0 first, each paid at the end of its year, at today's prices.

    ``yearly_cost`` and ``upfront``, the price of the first and of later visits, are costs, given as positive
    numbers. ``avoided`` is what is gained beside energy, kept apart from that: work and risk that the owner no longer
    pays for, and what it is paid once or every year.
    ``ended`` is what would be saved besides if today's export rule and support never ended, and no part of ``net``;
    negative where more is saved afterwards.
    """

    saving: Floats
    yearly_cost: Floats
    avoided: Floats
    upfront: Floats
    ended: Floats

    @property
    def operating(self) -> Floats:
        """What the retrofit brings in years 1..Y, before the price paid for it."""
        return self.saving + self.avoided - self.yearly_cost

    @property
    def net(self) -> Floats:
        """What the owner gains less what he pays; take the NPV of this."""
        return self.operating - self.upfront


def owner_cash_flow(
    first_year_energy_saving: Floats,
    *,
    fade: Floats | None,
    ageing_per_year: npt.ArrayLike,
    price_growth: npt.ArrayLike,
    yearly_cost: npt.ArrayLike,
    avoided: npt.ArrayLike,
    gained_once: npt.ArrayLike = 0.0,
    beyond: npt.ArrayLike = 0.0,
    upfront: npt.ArrayLike,
    years: npt.ArrayLike,
    horizon_years: int,
    later: npt.ArrayLike = 0.0,
    ended: npt.ArrayLike = 0.0,
    first_year_fuel_saving: npt.ArrayLike = 0.0,
    fuel_price_growth: npt.ArrayLike = 0.0,
) -> CashFlow:
    """Return the yearly amounts of the owner's ledger.

    The saving of year t is ``(first - ended[t]) x fade[t-1] x (1 - ageing)^(t-1) x (1 + growth)^(t-1)``. After
    ``years`` all is zero and nothing is left over: a part past its life, or of a PV system that is gone, is
    worth nothing. So these amounts must not be turned into an equivalent annual value: that takes the project as
    repeated for ever.

    Parameters
    ----------
    first_year_energy_saving : (S,)
        Fall of the electricity bill in the first year as simulated, at today's prices; may be negative.
    fade : None, (F,) or (S, F)
        Share of the simulated effect left in years 1..F, F at least the greatest of ``years``; None = all.
    ageing_per_year : scalar or (S,)
        Normal ageing of the PV system, share a year: the effect shrinks with the output.
    price_growth, fuel_price_growth : scalar or (S,)
        Real growth a year of electricity and of fuel prices.
    yearly_cost, avoided : scalar or (S,)
        Per year, at today's prices, the same in every year.
    gained_once : scalar or (S, Y+1)
        What is gained beside energy in single years, such as a grant in year 0, at today's prices.
    beyond : scalar or (S, Y)
        What is saved besides in years 1..Y, at today's prices, since there would be no PV system any more without the
        retrofit. It ages, and does not fade.
    upfront : scalar or (S,)
        Price paid in year 0.
    later : scalar or (S, Y+1)
        Prices paid again in later years, as for a film that is renewed; counted while a year of benefit follows.
    ended : scalar or (S, Y)
        What of the first year's saving is no longer saved in years 1..Y, since an export rule or a support has
        ended, at today's prices; may be negative.
    years : scalar or (S,)
        Whole years that benefit is counted for, from :func:`study_years`.
    horizon_years
        Y, the number of columns after year 0. One figure for a whole run, so that a site's sums do not depend
        on the sites it is computed with.
    first_year_fuel_saving : scalar or (S,)
        The same for fuel; may be negative.

    Raises
    ------
    ValueError
        If ``years`` exceed the horizon or the years that ``fade`` covers.
    """
    first = np.asarray(first_year_energy_saving, dtype=np.float64)
    last = np.broadcast_to(np.asarray(years, dtype=np.float64), first.shape)
    year = np.arange(horizon_years + 1, dtype=np.float64)
    if (last > horizon_years).any():
        raise ValueError(f"years up to {last.max():g} exceed the horizon of {horizon_years}")
    counted = (year >= 1) & (year <= last[:, np.newaxis])
    elapsed = np.maximum(year - 1.0, 0.0)
    lost = np.zeros((len(first), horizon_years + 1))
    lost[:, 1:] = ended
    growth = (1.0 + _per_site(price_growth)) ** elapsed
    energy = (_per_site(first) - lost) * growth
    fuel = _per_site(first_year_fuel_saving) * (1.0 + _per_site(fuel_price_growth)) ** elapsed
    aged = (1.0 - _per_site(ageing_per_year)) ** elapsed
    left = aged * _left(fade, horizon_years, int(last.max(initial=0.0)))
    more = np.zeros_like(lost)
    more[:, 1:] = beyond
    return CashFlow(
        saving=np.where(counted, (energy + fuel) * left + more * growth * aged, 0.0),
        yearly_cost=np.where(counted, _per_site(yearly_cost), 0.0),
        avoided=np.where(counted, _per_site(avoided), 0.0) + np.asarray(gained_once, dtype=np.float64),
        upfront=np.where((year == 0) & np.ones_like(counted), _per_site(upfront), 0.0)
        + np.where(counted & (year < last[:, np.newaxis]), later, 0.0),
        ended=np.where(counted, lost * growth * left, 0.0),
    )


def _per_site(values: npt.ArrayLike) -> Floats:
    """Return a scalar or (S,) as a column that runs over the years."""
    return np.asarray(values, dtype=np.float64)[..., np.newaxis]


def _left(fade: Floats | None, horizon_years: int, needed: int) -> Floats:
    """Return fade over years 0..Y; what lies beyond its own length is never counted."""
    if fade is None:
        return np.ones(horizon_years + 1)
    given = np.asarray(fade, dtype=np.float64)
    if given.shape[-1] < needed:
        raise ValueError(f"fade covers {given.shape[-1]} years, {needed} are counted")
    kept = min(given.shape[-1], horizon_years)
    left = np.zeros((*given.shape[:-1], horizon_years + 1))
    left[..., 1 : kept + 1] = given[..., :kept]
    return left


def study_years(horizon_years: int, *lives: npt.ArrayLike) -> Floats:
    """Return the whole years that benefit is counted for: the shortest of the horizon and all ``lives``.

    Give the life of the retrofit, the remaining life of the PV system, and that of any part it hangs on;
    scalars or (S,), in years. A part of a year is not counted.

    Raises
    ------
    ValueError
        If a life is NaN: an unknown life is to be assumed and said, see :func:`remaining_life`.
    """
    shortest = np.asarray(horizon_years, dtype=np.float64)
    for life in lives:
        shortest = np.minimum(shortest, np.asarray(life, dtype=np.float64))
    if np.isnan(shortest).any():
        raise ValueError("a life is not known; assume one before counting years")
    return np.floor(np.maximum(shortest, 0.0))


def remaining_life(planned: Floats, age_years: Floats, company: Company) -> tuple[Floats, Bools]:
    """Return the years the PV system will still be kept, and where they are assumed. Both (S,).

    Parameters
    ----------
    planned : (S,)
        What the owner says, NaN = not known. Then it is the company's ``life_years`` less the age, but at
        least its ``least_remaining_years``.
    age_years : (S,)
    """
    assumed = np.isnan(planned)
    expected = np.maximum(company.pv_system.life_years - age_years, company.pv_system.least_remaining_years)
    return np.where(assumed, expected, planned), assumed
