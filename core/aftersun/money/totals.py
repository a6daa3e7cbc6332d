"""What lines of quantities come to per site, without a row for each: for the many trials that ranges take."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
import pandas as pd

from aftersun.model.change import ACCESS, CostLine
from aftersun.model.ranges import Floats
from aftersun.money.company import Company
from aftersun.money.prices import AVOIDED_KINDS, ON_SITE, SHARED, check_access
from aftersun.money.travel import trip


class Totals:
    """Prices for the owner at S sites of one company, equal to the sums of :mod:`aftersun.money.prices`.

    ``sites`` has latitude, longitude, roof_kind and storeys.
    """

    def __init__(self, sites: pd.DataFrame, company: Company) -> None:
        self._company = company
        self._size = len(sites)
        way = trip(sites["latitude"].to_numpy(np.float64), sites["longitude"].to_numpy(np.float64), company)
        self._trip = way.cost
        self._equipment = {item: _equipment(item, sites, company) for item in ("roof", "ground")}
        tax = 1.0 + company.money.sales_tax_rate
        marked_up = (1.0 + company.money.markup_share) * tax
        self._factor = marked_up / (tax if company.identity.prices_include_tax else 1.0)

    def take(self, rows: npt.NDArray[np.intp]) -> Totals:
        """Return the same of the sites at these positions."""
        part = object.__new__(Totals)
        part._company, part._factor, part._size = self._company, self._factor, len(rows)
        part._trip = self._trip[rows]
        part._equipment = {item: names[rows] for item, names in self._equipment.items()}
        return part

    def once(self, lines: Sequence[CostLine], horizon_years: int) -> Floats:
        """Return what the owner pays in years 0..Y after fitting, (S, Y+1), as ``price_lines`` would."""
        paid = np.zeros((self._size, horizon_years + 1))
        for year in sorted({line.in_year for line in lines}):
            visit = [line for line in lines if line.in_year == year]
            if year <= horizon_years:
                paid[:, year] = self._visit(visit) * self._factor
        return paid

    def yearly(self, lines: Sequence[CostLine]) -> tuple[Floats, Floats]:
        """Return what the owner newly pays a year and what is avoided, both (S,), as ``price_yearly`` would."""
        cost, avoided = np.zeros(self._size), np.zeros(self._size)
        for line in lines:
            amount = line.quantity * self._company.price_of(line.kind, line.item)
            if line.kind in AVOIDED_KINDS:
                avoided += amount
            else:
                cost += amount * self._factor
        return cost, avoided

    def _visit(self, lines: Sequence[CostLine]) -> Floats:
        """Return the company's cost of one visit, before markup and tax, (S,)."""
        total, visited = np.zeros(self._size), np.zeros(self._size, dtype=bool)
        shared: dict[tuple[str, str], Floats] = {}
        for line in lines:
            if line.kind in ON_SITE:
                visited |= line.quantity > 0
            if line.kind == ACCESS:
                check_access(line.item)
                names = self._equipment[line.item]
                for name in set(names[line.quantity > 0].tolist()):
                    _largest(shared, (ACCESS, name), np.where(names == name, line.quantity, 0.0))
            elif line.kind in SHARED:
                _largest(shared, (line.kind, line.item), line.quantity)
            else:
                total += line.quantity * self._company.price_of(line.kind, line.item)
        for (kind, item), quantity in shared.items():
            total += quantity * self._company.price_of(kind, item)
        return total + np.where(visited, self._trip, 0.0)


def _largest(shared: dict[tuple[str, str], Floats], key: tuple[str, str], quantity: Floats) -> None:
    shared[key] = np.maximum(shared[key], quantity) if key in shared else quantity


def _equipment(item: str, sites: pd.DataFrame, company: Company) -> npt.NDArray[np.object_]:
    rules = company.access
    storeys = sites["storeys"].fillna(rules.storeys_if_unknown).astype(int).tolist()
    kinds = [None if pd.isna(kind) else str(kind) for kind in sites["roof_kind"]]
    names = [rules.equipment(item, kind, height) for kind, height in zip(kinds, storeys, strict=True)]
    return np.array(names, dtype=object)
