"""What can be offered at each site, alone or together, in both ledgers: the owner's and the company's."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace

import numpy as np
import pandas as pd
import pyarrow as pa

from aftersun.model.change import MATERIAL
from aftersun.model.cohort import Cohort
from aftersun.model.ranges import Floats
from aftersun.model.records import take
from aftersun.money.cash_flow import CashFlow
from aftersun.money.company import Company
from aftersun.money.measures import npv
from aftersun.money.prices import Prices, Visit
from aftersun.money.template import TRAVEL
from aftersun.scoring.offers.bundles import Bundle
from aftersun.scoring.offers.singles import Single, Tables, rows_of
from aftersun.scoring.ranges.draws import Draws, measured
from aftersun.scoring.value.simulations import MONTHLY, Months
from aftersun.scoring.value.valuation import cash_rows, item_rows

OFFER_TABLES = ("offer", "offer_member", "offer_hours", "offer_month", "cost_item", "cash_flow")


def offers(singles: Sequence[Single], bundles: Iterable[Bundle], cohort: Cohort, company: Company) -> Tables:
    """Return the tables offer, offer_member, offer_hours, offer_month of a chunk: all that may be offered on value.

    Beside them stand the cost_item and cash_flow of offers of several; those of one have theirs by their retrofit.

    What ends a danger known to stand is there too, whatever it is worth, as ``must_call``: to be told, not sold. A set
    of retrofits is an offer where no other set is worth more and its chance of a gain is not below the company's least.
    The owner's ledger is ``npv`` and ``upfront`` (tax included); ``contribution`` is the company's: price before tax
    of the work less its own cost, the trip of a callback by its chance, and the reserve for warranty, and the present
    value of the margin on yearly charges as long as a customer stays. The way is a
    cost that the owner pays, and no source of margin: what is added to it stands for the company's risk of the road.
    """
    parts = [_of_single(single, company) for single in singles]
    parts += [_of_bundle(bundle, singles, cohort, company) for bundle in bundles]
    return {name: rows_of(name, parts) for name in OFFER_TABLES}


def _of_single(single: Single, company: Company) -> Tables:
    """Return the rows of a retrofit by itself, where it is worth it or ends a danger known to stand."""
    valuation, kept = single.valuation, single.offered | single.danger | single.ask
    ids = valuation.site_ids[kept]
    if not len(ids):
        return {}
    ended = (single.chance_allowed * valuation.ended)[kept]
    offer = _owner_ledger(ids, single.npv[kept], ended, take(kept, valuation.flow), single.draws[:, kept])
    offer = offer.assign(
        offer=single.loaded.id,
        must_call=single.danger[kept],
        years=valuation.years[kept],
        chance_allowed=single.chance_allowed[kept],
    )
    members = offer[["site_id", "npv"]].rename(columns={"npv": "npv_alone"})
    members = members.assign(retrofit=single.loaded.id, npv_added=members["npv_alone"])
    offer = offer.assign(contribution=valuation.yearly_margin[kept])
    return _tables(offer, members, take(kept, valuation.visit), valuation.months[kept], company)


def _of_bundle(bundle: Bundle, singles: Sequence[Single], cohort: Cohort, company: Company) -> Tables:
    """Return the rows of several retrofits in one visit, where the chance of a gain is large enough to sell them."""
    ids = cohort.sites.index[bundle.rows]
    ended = npv(company.money.real_discount_rate, bundle.flow.ended)
    offer = _owner_ledger(ids, bundle.npv, ended, bundle.flow, bundle.draws)
    sure = ~(offer["chance_npv_positive"] < company.calls.least_chance).to_numpy()  # not known counts as sure
    sold = ids[sure]
    if not len(sold):
        return {}
    name = "+".join(bundle.members)  # an id like any other: table offer_member has what it consists of
    members, dangers = [], []
    for single in (single for single in singles if single.loaded.id in bundle.members):
        dangers.append(np.isin(sold, single.valuation.site_ids[single.danger]))
        alone = pd.Series(single.npv, single.valuation.site_ids).reindex(sold).to_numpy()
        added = bundle.marginal[single.loaded.id][sure]
        columns = {"site_id": sold, "retrofit": single.loaded.id, "npv_alone": alone, "npv_added": added}
        members.append(pd.DataFrame(columns))
    offer = offer[sure].reset_index(drop=True)
    offer = offer.assign(offer=name, must_call=np.any(dangers, axis=0), years=bundle.years[sure], chance_allowed=1.0)
    offer = offer.assign(contribution=bundle.yearly_margin[sure])
    prices = Prices(cohort.sites.loc[sold], company)
    lines = [replace(line, quantity=line.quantity[sure]) for line in bundle.lines]
    flow = cash_rows(sold, take(sure, bundle.flow), bundle.years[sure], company.money.real_discount_rate)
    tables = _tables(offer, pd.concat(members), prices.first_visit(lines), bundle.months[sure], company)
    yearly = [replace(line, quantity=line.quantity[sure]) for line in bundle.yearly]
    tables["cost_item"] = item_rows(lines, yearly, prices, bundle.years[sure]).assign(retrofit=name)
    tables["cash_flow"] = flow.assign(retrofit=name)
    return tables


def _tables(offer: pd.DataFrame, members: pd.DataFrame, visit: Visit, months: Months, company: Company) -> Tables:
    """Put the company's ledger beside the owner's, and members, hours and months beside the offer."""
    name = str(offer["offer"].iloc[0])
    offer, hours = _with_company_ledger(offer, visit, company)
    return {
        "offer": offer,
        "offer_member": members.assign(offer=name),
        "offer_hours": hours.assign(offer=name),
        "offer_month": month_rows(offer["site_id"], name, months),
    }


def month_rows(site_ids: Iterable[str], offer: str, months: Months) -> pd.DataFrame:
    """Return the rows of table offer_month for the months (S, 12, names of MONTHLY) of some sites."""
    names = [f"{name}_kwh" for name in MONTHLY]
    table = pd.DataFrame(months.reshape(-1, len(names)).round(2), columns=names)
    table.insert(0, "month", np.tile(np.arange(1, 13), len(months)))
    table.insert(0, "offer", offer)
    table.insert(0, "site_id", np.repeat(np.asarray(site_ids, dtype=object), 12))
    return table


def _owner_ledger(ids: pd.Index, worth: Floats, ended: Floats, flow: CashFlow, draws: Draws) -> pd.DataFrame:
    """Return the owner's columns; ``ended`` (S,) is the present value of what the end of an export rule takes away."""
    ranges = measured(draws)
    return pd.DataFrame(
        {
            "site_id": ids,
            "npv": worth,
            "npv_if_rule_stays": np.where((flow.ended != 0).any(axis=1), worth + ended, np.nan),
            **{name: ranges[name] for name in ("npv_p90", "npv_p50", "npv_p10", "chance_npv_positive")},
            "upfront": flow.upfront[:, 0],
            "first_year_saving": flow.operating[:, 1],
            "npv_percentiles": _percentiles(draws),
        }
    )


# Parquet then knows the type even where all are missing or empty.
_NUMBERS, _NAMES = pd.ArrowDtype(pa.list_(pa.float64())), pd.ArrowDtype(pa.list_(pa.string()))


def _percentiles(draws: Draws) -> pd.Series:
    """Return P0, P5 .. P100 of each site's draws (D, S); missing where nothing was drawn."""
    if draws.shape[0] == 1:
        return pd.Series([None] * draws.shape[1], dtype=_NUMBERS)
    values = np.quantile(np.ascontiguousarray(draws.T), np.linspace(0.0, 1.0, 21), axis=1).T
    return pd.Series(list(values.round(2)), dtype=_NUMBERS)


def _with_company_ledger(table: pd.DataFrame, visit: Visit, company: Company) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Add the first visit to the contribution, cash for materials, equipment; return the hours by skill beside it."""
    trip = visit.cost[TRAVEL]
    cost = np.sum(list(visit.cost.values()), axis=0) - trip
    before_tax = cost * (1.0 + company.money.markup_share)
    reserve = company.calls.callback_chance * trip + company.calls.warranty_reserve_share * before_tax
    brought = [sorted(name for name, where in visit.equipment.items() if where[row]) for row in range(len(table))]
    on_site, on_road = (_by_skill(table["site_id"], of_skill) for of_skill in (visit.hours, visit.drivers))
    hours = pd.DataFrame({"hours": on_site, "drivers": on_road}).fillna(0.0).reset_index()
    return (
        table.assign(
            contribution=table["contribution"] + before_tax - cost - reserve,
            materials_cost=visit.cost[MATERIAL],
            trip_cost=trip,
            equipment=pd.Series(brought, dtype=_NAMES),
        ),
        hours[(hours["hours"] > 0) | (hours["drivers"] > 0)],
    )


def _by_skill(site_ids: pd.Series, of_skill: Mapping[str, Floats]) -> pd.Series:
    """Return values (S,) of each skill by site_id and skill."""
    table = pd.DataFrame(dict(of_skill), index=pd.Index(site_ids.to_numpy(), name="site_id"), dtype=np.float64)
    return pd.Series(table.rename_axis(columns="skill").stack())
