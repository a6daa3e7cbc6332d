"""Turns the quantities that retrofits ask for into money: the company's cost and the owner's price."""

from __future__ import annotations

from collections.abc import Collection, Sequence

import numpy as np
import numpy.typing as npt
import pandas as pd

from aftersun.model.change import (
    ACCESS,
    AVOIDED_RISK,
    AVOIDED_WORK,
    COST_KINDS,
    INSPECTION,
    LABOUR,
    YEARLY_KINDS,
    CostLine,
)
from aftersun.model.errors import AftersunError
from aftersun.model.ranges import Floats
from aftersun.money.company import NO_EQUIPMENT, Company
from aftersun.money.template import TRAVEL
from aftersun.money.travel import trip

COLUMNS = ["site", "site_id", "kind", "item", "quantity", "unit"]
COLUMNS += ["unit_cost", "cost", "price_before_tax", "price", "note", "in_year"]
AVOIDED_KINDS = (AVOIDED_WORK, AVOIDED_RISK)

ON_SITE = (LABOUR, ACCESS, INSPECTION)
SHARED = (ACCESS, INSPECTION)


def price_lines(lines: Sequence[CostLine], sites: pd.DataFrame, company: Company) -> pd.DataFrame:
    """Return what the lines cost once, one row per site and line, with the trip there as a line of its own.

    All lines of a year are taken to be done in one visit. What a visit needs once is charged once: where several lines
    of a site ask for the same access or the same inspection, the largest quantity counts and the first note
    is kept. Lines of quantity 0, and access that needs no equipment, are left out.

    Parameters
    ----------
    lines
        One-off cost lines of one retrofit or of a bundle, quantities of shape (S,).
    sites
        S rows indexed by site_id with latitude, longitude, roof_kind and storeys.

    Returns
    -------
    Frame with the columns site (position in ``sites``), site_id, kind, item, quantity, unit, unit_cost (as in
    the company file), cost (the company's own, without tax), price_before_tax (with markup), price (what the
    owner pays), note, in_year (whole years after the first visit); sorted by site, then by visit in the order of its
    lines, the trip last. For access, ``item`` is
    the equipment.

    Raises
    ------
    AftersunError
        If the company file lacks a price that is needed, or a line asks for access of an unknown kind.
    """
    years = sorted({0, *(line.in_year for line in lines)})
    visits = [_visit([line for line in lines if line.in_year == year], sites, company, year) for year in years]
    return pd.concat(visits, ignore_index=True).sort_values("site", kind="stable", ignore_index=True)


def _visit(lines: Sequence[CostLine], sites: pd.DataFrame, company: Company, year: int) -> pd.DataFrame:
    table = _long(lines, sites, COST_KINDS)
    visited = np.unique(table.loc[table["kind"].isin(ON_SITE), "site"].to_numpy())
    table = _shared_once(_with_equipment(table, sites, company))
    table["unit_cost"] = _unit_costs(table, company)
    table = pd.concat([table, _trips(visited, sites, company)], ignore_index=True)
    return _with_prices(table.assign(in_year=year), sites, company)


def price_yearly(lines: Sequence[CostLine], sites: pd.DataFrame, company: Company) -> pd.DataFrame:
    """Return what the yearly lines cost and save the owner in a year; columns as in :func:`price_lines`.

    Standing charges and labour carry markup and tax. Avoided work and risk are what the owner pays others
    today: no markup, tax included, cost to the company 0, and ``price`` is the gain. No trip is added: a
    yearly visit is a standing charge with its travel.

    Raises
    ------
    AftersunError
        If the company file lacks a price that is needed.
    """
    table = _long(lines, sites, YEARLY_KINDS)
    table["unit_cost"] = _unit_costs(table, company)
    table = _with_prices(table.assign(in_year=0), sites, company)
    avoided = table["kind"].isin(AVOIDED_KINDS)
    gain = table["quantity"] * table["unit_cost"]
    return table.assign(
        cost=table["cost"].mask(avoided, 0.0),
        price_before_tax=table["price_before_tax"].mask(avoided, gain),
        price=table["price"].mask(avoided, gain),
    )


def company_cost(priced: pd.DataFrame, size: int) -> Floats:
    """Return the company's own cost per site (S,), without tax."""
    return _sum(priced, "cost", size)


def owner_price(priced: pd.DataFrame, size: int) -> Floats:
    """Return what the owner pays at the start per site (S,), markup and tax included."""
    return _sum(priced[priced["in_year"] == 0], "price", size)


def owner_later_prices(priced: pd.DataFrame, size: int, horizon_years: int) -> Floats:
    """Return what the owner pays in years 0..Y after the first visit, (S, Y+1), markup and tax included; first 0."""
    later = priced[(priced["in_year"] > 0) & (priced["in_year"] <= horizon_years)]
    prices = np.zeros((size, horizon_years + 1))
    np.add.at(prices, (later["site"].to_numpy(), later["in_year"].to_numpy()), later["price"].to_numpy(np.float64))
    return prices


def company_margin(priced: pd.DataFrame, size: int) -> Floats:
    """Return price before tax less cost per site (S,): the company's ledger."""
    return _sum(priced, "price_before_tax", size) - _sum(priced, "cost", size)


def yearly_cost(priced: pd.DataFrame, size: int) -> Floats:
    """Return what the owner newly pays a year per site (S,), from :func:`price_yearly`."""
    return _sum(priced[~priced["kind"].isin(AVOIDED_KINDS)], "price", size)


def yearly_avoided(priced: pd.DataFrame, size: int, kinds: Collection[str] = AVOIDED_KINDS) -> Floats:
    """Return what the owner no longer pays or risks a year per site (S,), from :func:`price_yearly`."""
    return _sum(priced[priced["kind"].isin(kinds)], "price", size)


def _sum(priced: pd.DataFrame, column: str, size: int) -> Floats:
    totals = np.bincount(priced["site"].to_numpy(), priced[column].to_numpy(dtype=np.float64), size)
    return totals.astype(np.float64)


def _long(lines: Sequence[CostLine], sites: pd.DataFrame, kinds: Sequence[str]) -> pd.DataFrame:
    """Return one row per line and site of quantity above 0, in the order of the lines."""
    size = len(sites)
    for line in lines:
        if line.kind not in kinds:
            raise ValueError(f"a line of kind '{line.kind}' stands where only {', '.join(kinds)} may")
        if line.quantity.shape != (size,) or not ((line.quantity >= 0) & (line.quantity < np.inf)).all():
            raise ValueError(f"quantities of '{line.item}' have to be {size} finite numbers, 0 or more")
    quantity = np.array([line.quantity for line in lines], dtype=np.float64).reshape(len(lines), size)
    line_of, site = np.nonzero(quantity > 0)
    asked = [lines[int(row)] for row in line_of]
    return pd.DataFrame(
        {
            "site": site,
            "kind": _texts([line.kind for line in asked]),
            "item": _texts([line.item for line in asked]),
            "quantity": quantity[line_of, site],
            "unit": _texts([line.unit for line in asked]),
            "note": _texts([line.note for line in asked]),
        }
    )


def check_access(item: str) -> None:
    """Raise AftersunError unless this is a place that the company's rules have equipment for."""
    if item not in ("roof", "ground"):
        raise AftersunError(
            f"A retrofit asks for access to '{item}'.",
            "Access is to 'roof' or 'ground'; correct the plugin or switch it off.",
        )


def _with_equipment(table: pd.DataFrame, sites: pd.DataFrame, company: Company) -> pd.DataFrame:
    """Replace "roof" and "ground" by the equipment that the company's rules name; drop access without any."""
    access = (table["kind"] == ACCESS).to_numpy()
    for item in sorted(set(table.loc[access, "item"])):
        check_access(item)
    rules = company.access
    no_storeys = sites["storeys"].isna().tolist()
    storeys = sites["storeys"].fillna(rules.storeys_if_unknown).astype(int).tolist()
    roof_kinds = [None if pd.isna(kind) else str(kind) for kind in sites["roof_kind"]]
    positions, items, notes = table["site"].tolist(), table["item"].tolist(), table["note"].tolist()
    for row in np.flatnonzero(access):
        site = positions[row]
        if items[row] == "roof" and roof_kinds[site] != "ground":
            remarks = [notes[row]]
            remarks += ["roof kind not known"] if roof_kinds[site] is None else []
            remarks += [f"{storeys[site]} storeys assumed"] if no_storeys[site] else []
            notes[row] = "; ".join(filter(None, remarks))
        items[row] = rules.equipment(items[row], roof_kinds[site], storeys[site])
    table = table.assign(item=_texts(items), note=_texts(notes))
    return table[~(access & (table["item"] == NO_EQUIPMENT).to_numpy())].reset_index(drop=True)


def _shared_once(table: pd.DataFrame) -> pd.DataFrame:
    shared = table["kind"].isin(SHARED)
    same = ["site", "kind", "item"]
    largest = table.groupby(same)["quantity"].transform("max")
    table = table.assign(quantity=table["quantity"].mask(shared, largest))
    return table[~(shared & table.duplicated(same))].reset_index(drop=True)


def _unit_costs(table: pd.DataFrame, company: Company) -> Floats:
    pairs = list(zip(table["kind"], table["item"], strict=True))
    price = {pair: company.price_of(*pair) for pair in dict.fromkeys(pairs)}
    return np.array([price[pair] for pair in pairs], dtype=np.float64)


def _trips(visited: npt.NDArray[np.intp], sites: pd.DataFrame, company: Company) -> pd.DataFrame:
    """Return one line of travel for each of the site positions ``visited``."""
    there = sites.iloc[visited]
    way = trip(there["latitude"].to_numpy(np.float64), there["longitude"].to_numpy(np.float64), company)
    notes = [
        f"{2 * distance:.0f} km and {hours:.1f} h there and back" + ("" if near else "; farther than the company goes")
        for distance, hours, near in zip(way.distance_km, way.hours, way.within_reach, strict=True)
    ]
    return pd.DataFrame(
        {
            "site": visited,
            "kind": _texts([TRAVEL] * len(visited)),
            "item": _texts(["trip"] * len(visited)),
            "quantity": np.ones(len(visited)),
            "unit": _texts(["trip"] * len(visited)),
            "note": _texts(notes),
            "unit_cost": way.cost,
        }
    )


def _with_prices(table: pd.DataFrame, sites: pd.DataFrame, company: Company) -> pd.DataFrame:
    """Add cost and prices from quantity and unit cost; put rows and columns in order."""
    table = table.sort_values("site", kind="stable", ignore_index=True)
    tax = 1.0 + company.money.sales_tax_rate
    cost = table["quantity"] * table["unit_cost"] / (tax if company.identity.prices_include_tax else 1.0)
    before_tax = cost * (1.0 + company.money.markup_share)
    return table.assign(
        site_id=sites.index.to_numpy()[table["site"].to_numpy()],
        cost=cost,
        price_before_tax=before_tax,
        price=before_tax * tax,
    )[COLUMNS]


def _texts(values: Sequence[str]) -> pd.api.extensions.ExtensionArray:
    """Return a text column, of the same type when it is empty."""
    return pd.array(list(values), dtype="str")
