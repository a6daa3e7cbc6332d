"""What can be offered at each site, alone or together, in both ledgers: the owner's and the company's."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa

from aftersun.model.arrays import take
from aftersun.model.change import MATERIAL
from aftersun.model.cohort import Cohort
from aftersun.model.ranges import Floats
from aftersun.money.company import Company
from aftersun.money.prices import Prices, Visit
from aftersun.money.template import TRAVEL
from aftersun.scoring.offers.bundles import Bundle
from aftersun.scoring.offers.singles import Single
from aftersun.scoring.ranges.draws import measured
from aftersun.scoring.value.simulations import MONTHLY, Months
from aftersun.scoring.value.valuation import ITEM_COLUMNS, cash_rows

OFFER_COLUMNS = (
    "site_id",
    "offer",
    "npv",
    "npv_p90",
    "npv_p50",
    "npv_p10",
    "chance_npv_positive",
    "upfront",
    "first_year_saving",
    "contribution",
    "materials_cost",
    "equipment",
    "must_call",
    "trip_cost",
    "years",
    "npv_percentiles",
)
MEMBER_COLUMNS = ("site_id", "offer", "retrofit", "npv_alone", "npv_added")
HOUR_COLUMNS = ("site_id", "offer", "skill", "hours")
_COLUMNS_OF: Mapping[str, Sequence[str]] = {
    "offer": OFFER_COLUMNS,
    "offer_member": MEMBER_COLUMNS,
    "offer_hours": HOUR_COLUMNS,
    "offer_month": ("site_id", "offer", "month"),
    "cost_item": ("site_id", "retrofit"),
    "cash_flow": ("site_id", "retrofit"),
}


def offers(
    singles: Sequence[Single], bundles: Iterable[Bundle], cohort: Cohort, company: Company
) -> dict[str, pd.DataFrame]:
    """Return the tables offer, offer_member, offer_hours, offer_month of a chunk: all that may be offered on value.

    Beside them stand the cost_item and cash_flow of offers of several; those of one have theirs by their retrofit.

    What ends a danger known to stand is there too, whatever it is worth, as ``must_call``: to be told, not sold. A set
    of retrofits is an offer where no other set is worth more and its chance of a gain is not below the company's least.
    The owner's ledger is ``npv`` and ``upfront`` (tax included); ``contribution`` is the company's: price before tax
    less its own cost, the trip of a callback by its chance, and the reserve for warranty.
    """
    tables: dict[str, list[pd.DataFrame]] = {name: [] for name in _COLUMNS_OF}

    def add(name: str, table: pd.DataFrame, members: pd.DataFrame, visit: Visit, months: Months) -> None:
        table, hours = _with_company_ledger(table.assign(offer=name), visit, company)
        tables["offer"].append(table[list(OFFER_COLUMNS)])
        tables["offer_member"].append(members.assign(offer=name)[list(MEMBER_COLUMNS)])
        tables["offer_hours"].append(hours.assign(offer=name)[list(HOUR_COLUMNS)])
        tables["offer_month"].append(month_rows(table["site_id"], name, months))

    alone: dict[str, pd.Series] = {}
    for one in singles:
        worth = one.valuation
        alone[one.loaded.id] = pd.Series(worth.npv, worth.site_ids)
        kept = one.offered | one.danger
        ids = worth.site_ids[kept]
        if not len(ids):
            continue
        table = _owner_ledger(
            ids, worth.npv[kept], worth.flow.upfront[kept, 0], worth.flow.operating[kept, 1], one.draws[:, kept]
        ).assign(must_call=one.danger[kept], years=worth.years[kept])
        members = pd.DataFrame({"site_id": ids, "retrofit": one.loaded.id})
        members = members.assign(npv_alone=table["npv"], npv_added=table["npv"])
        add(one.loaded.id, table, members, take(kept, worth.visit), worth.months[kept])
    for bundle in bundles:
        ids = cohort.sites.index[bundle.rows]
        table = _owner_ledger(ids, bundle.npv, bundle.upfront, bundle.first_year, bundle.draws)
        dangers = [one.valuation.site_ids[one.danger] for one in singles if one.loaded.id in bundle.members]
        table["must_call"] = np.any([np.isin(ids, found) for found in dangers], axis=0)
        table["years"] = bundle.years
        sure = ~(table["chance_npv_positive"] < company.calls.least_chance).to_numpy()  # not known counts as sure
        members = pd.concat(
            [
                pd.DataFrame({"site_id": ids, "retrofit": name, "npv_added": added}).assign(
                    npv_alone=alone[name].reindex(ids).to_numpy()
                )
                for name, added in bundle.marginal.items()
            ],
            ignore_index=True,
        )
        sold = ids[sure]
        if len(sold):
            name = "+".join(bundle.members)  # an id like any other: table offer_member has what it consists of
            prices = Prices(cohort.sites.loc[sold], company)
            lines = [replace(line, quantity=line.quantity[sure]) for line in bundle.lines]
            members = members[members["site_id"].isin(sold)]
            add(name, table[sure].reset_index(drop=True), members, prices.first_visit(lines), bundle.months[sure])
            flow = cash_rows(sold, take(sure, bundle.flow), bundle.years[sure], bundle.discount_rate)
            tables["cost_item"].append(prices.rows(lines)[ITEM_COLUMNS].assign(retrofit=name))
            tables["cash_flow"].append(flow.assign(retrofit=name))
    return {
        name: pd.concat(found, ignore_index=True) if found else pd.DataFrame(columns=list(_COLUMNS_OF[name]))
        for name, found in tables.items()
    }


def month_rows(site_ids: Iterable[str], offer: str, months: Months) -> pd.DataFrame:
    """Return the rows of table offer_month for the months (S, 12, names of MONTHLY) of some sites."""
    names = [f"{name}_kwh" for name in MONTHLY]
    table = pd.DataFrame(months.reshape(-1, len(names)).round(2), columns=names)
    table.insert(0, "month", np.tile(np.arange(1, 13), len(months)))
    table.insert(0, "offer", offer)
    table.insert(0, "site_id", np.repeat(np.asarray(site_ids, dtype=object), 12))
    return table


def _owner_ledger(
    ids: pd.Index, npv: Floats, upfront: Floats, first_year: Floats, draws: npt.NDArray[np.float64]
) -> pd.DataFrame:
    sure = measured(draws)
    return pd.DataFrame(
        {
            "site_id": ids,
            "npv": npv,
            "npv_p90": sure.p90,
            "npv_p50": sure.p50,
            "npv_p10": sure.p10,
            "chance_npv_positive": sure.chance_positive,
            "upfront": upfront,
            "first_year_saving": first_year,
            "npv_percentiles": _percentiles(draws),
        }
    )


# Parquet then knows the type even where all are missing or empty.
_NUMBERS, _NAMES = pd.ArrowDtype(pa.list_(pa.float64())), pd.ArrowDtype(pa.list_(pa.string()))


def _percentiles(draws: npt.NDArray[np.float64]) -> pd.Series:
    """Return P0, P5 .. P100 of each site's draws (D, S); missing where nothing was drawn."""
    if draws.shape[0] == 1:
        return pd.Series([None] * draws.shape[1], dtype=_NUMBERS)
    found = np.quantile(np.ascontiguousarray(draws.T), np.linspace(0.0, 1.0, 21), axis=1).T
    return pd.Series(list(found.round(2)), dtype=_NUMBERS)


def _with_company_ledger(table: pd.DataFrame, visit: Visit, company: Company) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Add contribution, cash for materials and equipment; return the hours by skill beside it."""
    cost = np.sum(list(visit.cost.values()), axis=0)
    before_tax = cost * (1.0 + company.money.markup_share)
    trip = visit.cost[TRAVEL]
    reserve = company.calls.callback_chance * trip + company.calls.warranty_reserve_share * before_tax
    brought = [sorted(name for name, where in visit.equipment.items() if where[row]) for row in range(len(table))]
    hours = pd.DataFrame({"site_id": table["site_id"].to_numpy(), **visit.hours})
    hours = hours.melt(id_vars="site_id", var_name="skill", value_name="hours")
    return (
        table.assign(
            contribution=before_tax - cost - reserve,
            materials_cost=visit.cost[MATERIAL],
            trip_cost=trip,
            equipment=pd.Series(brought, dtype=_NAMES),
        ),
        hours[hours["hours"] > 0],
    )
