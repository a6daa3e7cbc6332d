"""Several retrofits on one roof in one visit: simulated together, access and travel shared, the best set of each site.

Sets are counted out exactly over the candidates of a site: what may be offered alone, and what would be worth it if
access and the trip were paid for already. More than ``MOST_CANDIDATES`` are cut to those worth most alone; doing
nothing is always a candidate. Changes are applied one after another in the order of the registry, and each member's
saving, with its own fade and life, is what it adds to those before it.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import chain, combinations

import numpy as np

from aftersun.host.guard import Guard
from aftersun.host.registry import Loaded
from aftersun.model.change import ACCESS, GAIN_KINDS, Change, CostLine
from aftersun.model.new_arrays import Places, as_changed, places_of, widened_change, widened_cohort, widened_plant
from aftersun.model.ranges import Bools, Floats
from aftersun.model.records import each_array, take
from aftersun.money.cash_flow import CashFlow, study_years
from aftersun.money.company import Company
from aftersun.money.measures import npv
from aftersun.money.template import TRAVEL
from aftersun.scoring.offers.singles import Single
from aftersun.scoring.ranges.draws import Draws
from aftersun.scoring.value.simulations import Baseline, Months, Rows, Simulated, Simulations
from aftersun.scoring.value.valuation import (
    as_chosen,
    bills_to_flow,
    coming_to,
    margin_of_charges,
    remaining_with,
    values_of,
)

MOST_CANDIDATES = 5

Members = tuple[str, ...]  # ids in the order of the registry


@dataclass(frozen=True, eq=False)
class Bundle:
    """A set of retrofits on the sites at ``rows`` of the chunk; arrays over these sites.

    ``npv`` is the expected net present value: that of the set with all values as used, and what each member is expected
    to be worth beyond its own.
    ``marginal`` is what each member adds to the net present value given all others. ``lines`` are all cost lines,
    ``yearly`` those of every year, ``yearly_margin`` the company's on these as in a valuation.
    ``years`` are those of the member that lasts longest, ``months`` the year's energy with all members.
    """

    members: Members
    rows: Rows
    npv: Floats
    flow: CashFlow
    years: Floats
    months: Months
    marginal: Mapping[str, Floats]
    lines: tuple[CostLine, ...]
    yearly: tuple[CostLine, ...]
    yearly_margin: Floats
    draws: Draws


def candidates(singles: Sequence[Single], size: int, company: Company) -> Bools:
    """Return which retrofit is a candidate for bundles at which site, shape (retrofits, ``size`` of the chunk)."""
    npv = np.full((len(singles), size), -np.inf)
    for position, single in enumerate(singles):
        # What is worth something alone and yet not offered is too uncertain: no company makes it surer.
        worth_it = single.offered | ((single.npv <= 0) & (single.npv + _shared_price(single, company) > 0))
        npv[position, single.rows] = np.where(worth_it, single.npv, -np.inf)
    rank = np.argsort(np.argsort(-npv, axis=0, kind="stable"), axis=0)
    return np.asarray(np.isfinite(npv) & (rank < MOST_CANDIDATES))


def _shared_price(single: Single, company: Company) -> Floats:
    """Return what the owner pays of the retrofit alone for access and the trip: a bundle can save no more."""
    cost = single.valuation.visit.cost
    return (cost[ACCESS] + cost[TRAVEL]) * (1.0 + company.money.markup_share) * (1.0 + company.money.sales_tax_rate)


def best_bundles(singles: Sequence[Single], baseline: Baseline, company: Company, guard: Guard) -> Iterator[Bundle]:
    """Yield the sets of two and more that are the best of their sites: no other set is worth more, nor is nothing."""
    allowed = candidates(singles, len(baseline.cohort), company)
    several = allowed.sum(axis=0) >= 2
    if not several.any():
        return
    sets: dict[Members, _Set] = {}
    size = len(baseline.cohort)
    nothing = CashFlow(*[np.zeros((size, 1))] * 5)
    year = Simulated(baseline.plant, {}, baseline.bill)
    alone = _Set((), np.arange(size), baseline, year, (), (), nothing, np.zeros(size), np.zeros(size))
    for count in range(1, min(MOST_CANDIDATES, len(singles)) + 1):
        for positions in combinations(range(len(singles)), count):
            rows = np.flatnonzero(allowed[list(positions)].all(axis=0) & several)
            members = [singles[position] for position in positions]
            if not len(rows) or _exclude_each_other([member.loaded for member in members]):
                continue
            before = sets.get(tuple(member.loaded.id for member in members[:-1]), alone)
            valued = _set(members, rows, before, company, guard)
            if valued is None:
                return
            sets[valued.members] = valued
    whole = {names: of_names for names, of_names in sets.items() if _complete(names, singles)}
    yield from _best(whole, singles, len(baseline.cohort))


@dataclass(frozen=True, eq=False)
class _Set:
    members: Members
    rows: Rows
    baseline: Baseline
    year: Simulated  # with all members
    changes: tuple[Change, ...]
    flows: tuple[CashFlow, ...]  # of each member, without what is paid
    flow: CashFlow
    years: Floats
    yearly_margin: Floats


def _set(members: Sequence[Single], rows: Rows, before: _Set, company: Company, guard: Guard) -> _Set | None:
    """Value a set from the one without its last member; None if a plugin failed."""
    last = members[-1]
    kept = np.searchsorted(before.rows, rows)
    part = before.baseline.take(kept)
    plant = before.year.plant.take(kept, before.baseline.cohort.array_rows(kept))
    answer = _change(last, replace(part, plant=plant), company, guard, rows)
    if answer is None:
        return None
    change, places = answer
    if places:
        plant = widened_plant(part.cohort, plant, places)
        part = part.wider(places)
    simulations = Simulations(part)
    year = simulations.anew(change.plant)
    prices = simulations.prices(company)
    horizon = company.money.horizon_years
    values = values_of(last.loaded, company)
    kept_years = remaining_with(change, part)
    years = study_years(horizon, values.get("life_years", last.loaded.retrofit.about.life.mode), kept_years)
    without = simulations.without_plant() if (kept_years > part.remaining_years).any() else None
    bill = take(kept, before.year.bill) if change.today is None else simulations.anew(change.today, False).bill
    own = bills_to_flow(part, change, (bill, year.bill), years, company, prices, without=without)
    earlier = (_of_rows(change, kept) for change in before.changes)
    changes, flows = (*earlier, _paid_while(change, years)), (*take(kept, before.flows), own)
    paid = prices.once([line for one in changes for line in one.costs], horizon)
    flow = replace(each_array(lambda *of_members: np.sum(of_members, axis=0), *flows), upfront=paid)
    names = tuple(one.loaded.id for one in members)
    longest = np.maximum(years, before.years[kept])
    margin = before.yearly_margin[kept] + margin_of_charges(change, years, company, prices)
    # without the hours of every site that its simulation has kept, and with the arrays as they stand now
    cohort, left = as_changed(replace(part.cohort), plant, change.plant)
    of_all = slice(None)
    part = replace(part, remaining_years=kept_years, cohort=cohort, plant=part.plant.take(of_all, left))
    year = replace(year, plant=year.plant.take(of_all, left))
    return _Set(names, rows, part, year, changes, flows, flow, longest, margin)


def _best(sets: Mapping[Members, _Set], singles: Sequence[Single], size: int) -> Iterator[Bundle]:
    """Choose the best set of each site and tell what each member adds."""
    worth = {members: np.full(size, np.nan) for members in sets}
    rate = singles[0].valuation.discount_rate
    for members, of_members in sets.items():
        beyond = [_beyond_usual(single, of_members.rows) for single in singles if single.loaded.id in members]
        worth[members][of_members.rows] = npv(rate, of_members.flow.net) + np.sum(beyond, axis=0)
    table = np.nan_to_num(np.array(list(worth.values())), nan=-np.inf)
    first = np.argmax(table, axis=0)
    for position, (members, of_members) in enumerate(sets.items()):
        rows = np.flatnonzero((first == position) & (table[position] > 0))
        if len(members) < 2 or not len(rows):
            continue
        kept = np.searchsorted(of_members.rows, rows)
        marginal = {}
        for name in members:
            rest = tuple(other for other in members if other != name)
            marginal[name] = worth[members][rows] - (worth[rest][rows] if rest in worth else np.nan)
        around = [_around(single, rows) for single in singles if single.loaded.id in members]
        costs, yearly = (
            tuple(replace(line, quantity=line.quantity[kept]) for line in chain.from_iterable(lines))
            for lines in zip(*((change.costs, change.yearly) for change in of_members.changes), strict=True)
        )
        yield Bundle(
            members=members,
            rows=rows,
            npv=worth[members][rows],
            flow=coming_to(worth[members][rows], take(kept, of_members.flow), of_members.years[kept], rate),
            years=of_members.years[kept],
            months=of_members.year.months[kept],
            marginal=marginal,
            lines=costs,
            yearly=yearly,
            yearly_margin=of_members.yearly_margin[kept],
            draws=np.asarray(worth[members][rows] + np.sum(around, axis=0), dtype=np.float64),
        )


def _beyond_usual(single: Single, rows: Rows) -> Floats:
    """Return what a retrofit alone is expected to be worth beyond its worth with all values as used, (S,)."""
    kept = np.searchsorted(single.rows, rows)
    return np.asarray(single.npv[kept] - single.npv_usual[kept])


def _around(single: Single, rows: Rows) -> Draws:
    """Return how far each draw of a retrofit alone lies from its mean, (D, S): the same numbers move it in the set."""
    kept = np.searchsorted(single.rows, rows)
    return np.asarray(single.draws[:, kept] - single.npv[kept], dtype=np.float64)


def _exclude_each_other(members: Sequence[Loaded]) -> bool:
    names = {one.id for one in members}
    return any(names & set(one.retrofit.about.excludes) for one in members)


def _complete(names: Members, singles: Sequence[Single]) -> bool:
    """Tell whether each member has beside it what it needs."""
    needs = (set(one.loaded.retrofit.about.needs) for one in singles if one.loaded.id in names)
    return all(needed <= set(names) for needed in needs)


def _change(one: Single, part: Baseline, company: Company, guard: Guard, rows: Rows) -> tuple[Change, Places] | None:
    """Ask a retrofit for its change to a plant, of each site the variant that is the best of it alone.

    Where it adds arrays, the plant is that of the cohort with these places.
    """
    values = values_of(one.loaded, company)
    change = guard.change(one.loaded, part.cohort, part.plant, values)
    if change is None:
        return None
    places = places_of(change, len(part.cohort))
    change = widened_change(part.cohort, change, places)
    if not change.alternatives:
        return change, places
    cohort = widened_cohort(part.cohort, places) if places else part.cohort
    return as_chosen(change, one.valuation.variant[np.searchsorted(one.rows, rows)], cohort, company), places


def _paid_while(change: Change, years: Floats) -> Change:
    """Return the change without the later visits of which no year of benefit would be left."""
    costs = [
        line
        if line.in_year <= 0 or line.kind in GAIN_KINDS
        else replace(line, quantity=np.where(line.in_year < years, line.quantity, 0.0))
        for line in change.costs
    ]
    return replace(change, costs=costs)


def _of_rows(change: Change, rows: Rows) -> Change:
    """Return what a change takes at some sites; its plant, which others have changed since, stays as it is."""
    costs, yearly = (
        [replace(line, quantity=line.quantity[rows]) for line in lines] for lines in (change.costs, change.yearly)
    )
    return Change(change.plant, costs, yearly)
