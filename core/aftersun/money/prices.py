"""Turns what retrofits ask for, and the way to a site, into money: arrays for both ledgers, rows to show.

All lines of a year are taken to be done in one visit. What a visit needs once is charged once: where several lines of a
site ask for the same access, inspection or shared work, the largest quantity counts. Where the roof is reached, so is
its edge. Whoever works on site needs a trip. Where somebody needs access to the array, the people of the company file
drive; work on boards is done and driven by one person of the skill that works longest there.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, fields, replace
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from aftersun.model import tables
from aftersun.model.change import (
    ACCESS,
    ACCESS_TO,
    AT_END,
    AVOIDED_KINDS,
    CHARGE_KINDS,
    COST_KINDS,
    GAIN_KINDS,
    INSPECTION,
    LABOUR,
    OWN_WORK,
    CostLine,
)
from aftersun.model.ranges import Bools, Floats
from aftersun.model.records import choose
from aftersun.model.sphere import great_circle_km
from aftersun.model.uses import is_home, reclaims_tax
from aftersun.money.company import NO_EQUIPMENT, Company
from aftersun.money.template import TRAVEL

_ON_SITE = (LABOUR, ACCESS, INSPECTION)


@dataclass(frozen=True, eq=False)
class Item:
    """What some lines ask for at S sites: ``quantity`` at ``unit_cost`` as in the company file, both (S,)."""

    kind: str  # of the lines, or TRAVEL
    item: str  # as in the lines; of access the equipment
    unit: str
    quantity: Floats
    unit_cost: Floats
    lines: Sequence[CostLine] = ()
    people: Mapping[str, Floats] = field(default_factory=dict)  # of a trip: who drives, by skill, (S,)

    @property
    def amount(self) -> Floats:
        """Quantity times unit cost, (S,)."""
        return self.quantity * self.unit_cost


@dataclass(frozen=True, eq=False)
class Visit:
    """The company's side of one visit to S sites; money is its own cost, without tax.

    ``cost`` by kind of line, travel among them, ``hours`` on site by skill, those inside inspections too, ``drivers``
    the people on the road by skill, all (S,); ``equipment`` says by name where it is brought (S,).
    """

    cost: Mapping[str, Floats]
    hours: Mapping[str, Floats]
    equipment: Mapping[str, Bools]
    drivers: Mapping[str, Floats]

    @classmethod
    def chosen(cls, choice: npt.NDArray[np.intp], visits: Sequence[Visit]) -> Visit:
        """Return at each site the visit at the position ``choice`` (S,); they need not take the same things."""

        def filled_up(parts: Sequence[Mapping[str, npt.NDArray[Any]]]) -> list[dict[str, npt.NDArray[Any]]]:
            nothing = {name: np.zeros_like(values) for part in parts for name, values in part.items()}
            return [{**nothing, **part} for part in parts]

        parts = (filled_up([getattr(visit, part.name) for visit in visits]) for part in fields(cls))
        return cls(*(choose(choice, *part) for part in parts))


@dataclass(frozen=True, eq=False)
class Trip:
    """The way from the company's base to each site and back, all of shape (S,).

    ``distance_km`` is one way by road, ``hours`` there and back for one person, ``cost`` what the figures of
    the company file give for vehicle and a crew, ``vehicle_cost`` for the vehicle alone. ``within_reach`` is false
    beyond the company's farthest distance: nothing is offered there.
    """

    distance_km: Floats
    hours: Floats
    cost: Floats
    vehicle_cost: Floats
    within_reach: Bools


def trip(sites: pd.DataFrame, company: Company) -> Trip:
    """Return the trip to each of S sites from the base; latitude and longitude in degrees, north and east positive."""
    travel = company.travel
    latitude, longitude = (sites[name].to_numpy(dtype=np.float64) for name in ("latitude", "longitude"))
    straight = great_circle_km(travel.base_latitude, travel.base_longitude, latitude, longitude)
    distance = straight * travel.road_factor
    hours = 2.0 * distance / travel.average_speed_km_h
    hourly = travel.people * company.price_of(LABOUR, travel.skill)
    vehicle = 2.0 * distance * travel.cost_per_km
    return Trip(distance, hours, vehicle + hours * hourly, vehicle, distance <= travel.max_distance_km)


def people_on_the_road(crew: Bools, hours: Mapping[str, Floats], company: Company) -> dict[str, Floats]:
    """Return who drives to each of S sites, people by skill.

    Where a ``crew`` is needed (S,), those of the company file; elsewhere one person, of the skill with most ``hours``.
    """
    travel = company.travel
    drivers = {travel.skill: np.where(crew, travel.people, 0.0)}
    alone = np.where(crew, 0.0, min(1.0, travel.people))
    names = sorted(set(hours) & set(company.work)) or [travel.skill]
    most = np.argmax([hours.get(name, alone) for name in names], axis=0)
    for position, name in enumerate(names):
        drivers[name] = drivers.get(name, 0.0) + np.where(most == position, alone, 0.0)
    return drivers


class Prices:
    """What things cost one company, and what it asks for them, at S sites.

    ``sites`` has latitude, longitude, roof_kind, storeys, use and reclaims_tax, by site_id. Who gets sales tax back
    pays none, and is spared none.
    """

    def __init__(self, sites: pd.DataFrame, company: Company) -> None:
        self._sites, self._company = sites, company
        self._trip = trip(sites, company)
        self._roof_kinds = [None if pd.isna(kind) else str(kind) for kind in sites["roof_kind"]]
        self._equipment = {place: self._rules_for(place) for place in ACCESS_TO}
        taxed = 1.0 + company.money.sales_tax_rate
        reclaimed = reclaims_tax(sites)
        self._tax, self._tax_in_avoided = np.where(reclaimed, 1.0, taxed), np.where(reclaimed, taxed, 1.0)
        self._tax_in_cost = taxed if company.identity.prices_include_tax else 1.0
        self._markup = 1.0 + company.money.markup_share

    def once(self, lines: Sequence[CostLine], horizon_years: int) -> Floats:
        """Return what the owner pays in years 0..Y after fitting, markup and tax included, (S, Y+1).

        Raises
        ------
        AftersunError
            If the company file lacks a price that is needed.
        """
        paid = np.zeros((len(self._sites), horizon_years + 1))
        for year, items in self._visits(lines):
            if year <= horizon_years:
                # in an order that other sites have no part in: sums of a site are the same bits alone and among others
                for item in sorted(items, key=lambda item: (item.kind, item.item)):
                    paid[:, year] += item.amount
        return paid * (self._markup * self._tax / self._tax_in_cost)[:, np.newaxis]

    def yearly(self, lines: Sequence[CostLine]) -> tuple[Floats, Floats]:
        """Return what the owner newly pays a year, and what it gains a year beside energy, both (S,).

        Standing charges and labour carry markup and tax, the owner's own work neither. What is avoided is what the
        owner pays others today, tax included. No trip is added: a yearly visit is a standing charge with its travel.
        """
        cost, gain = np.zeros(len(self._sites)), np.zeros(len(self._sites))
        for item in self._items(lines):
            if item.kind in GAIN_KINDS:
                gain += self._gain(item)
            else:
                cost += item.amount * self._charged(item.kind)
        return cost, gain

    def once_gained(self, lines: Sequence[CostLine], horizon_years: int, years: Floats) -> Floats:
        """Return what the owner gains once in years 0..Y, (S, Y+1), none after the ``years`` (S,) that are counted."""
        gained, last = np.zeros((len(self._sites), horizon_years + 1)), years.astype(np.intp)
        for line, item in zip(gains := _gains(lines), self._items(gains), strict=True):
            year = last if line.in_year == AT_END else np.full_like(last, line.in_year)
            rows = np.flatnonzero((year <= last) & ((line.in_year != AT_END) | (last >= 1)))
            gained[rows, year[rows]] += self._gain(item)[rows]
        return gained

    def yearly_margin(self, lines: Sequence[CostLine]) -> Floats:
        """Return what the company adds a year to its own cost of what it is paid for every year, before tax, (S,)."""
        margin = np.zeros(len(self._sites))
        for item in self._items([line for line in lines if line.kind in CHARGE_KINDS]):
            margin += item.amount * (self._markup - 1.0) / self._tax_in_cost
        return margin

    def first_visit(self, lines: Sequence[CostLine]) -> Visit:
        """Return what the first visit takes of the company."""
        nothing = np.zeros(len(self._sites))
        cost: dict[str, Floats] = dict.fromkeys((*COST_KINDS, TRAVEL), nothing)
        equipment: dict[str, Bools] = {}
        drivers: dict[str, Floats] = {}
        items = dict(self._visits(lines)).get(0, [])
        for item in items:
            cost[item.kind] = cost[item.kind] + item.amount / self._tax_in_cost
            if item.kind == ACCESS:
                equipment[item.item] = item.quantity > 0
            elif item.kind == TRAVEL:
                drivers = {skill: people * item.quantity for skill, people in item.people.items()}
        return Visit(cost, _hours_on_site(items), equipment, drivers)

    def rows(self, lines: Sequence[CostLine]) -> pd.DataFrame:
        """Return what is paid or gained once or again in later years, one row a site and item of a quantity above 0.

        Returns
        -------
        Frame with the columns site (position among the sites), site_id, kind, item, quantity, unit, unit_cost (as in
        the company file), cost (the company's own, without tax), price_before_tax (with markup), price (what the owner
        pays), note (of the line), trip_km and trip_hours (there and back; NaN = no trip), out_of_reach (farther than
        the company goes), roof_kind_unknown and storeys_assumed (to price the access), in_year (whole years after the
        first visit), every_year (no); sorted by site, then by visit in the order of its lines, the trip last.
        """
        gains = [(line.in_year, self._item(line.kind, line.item, line.quantity, [line])) for line in _gains(lines)]
        return self._table([*((year, item) for year, items in self._visits(lines) for item in items), *gains])

    def yearly_rows(self, lines: Sequence[CostLine]) -> pd.DataFrame:
        """Return what is paid and gained every year; columns as in :meth:`rows`."""
        return self._table([(0, item) for item in self._items(lines)]).assign(every_year=True)

    def _visits(self, lines: Sequence[CostLine]) -> list[tuple[int, list[Item]]]:
        """Return what each visit takes, by its year."""
        costs = [line for line in lines if line.kind in COST_KINDS]
        return [
            (year, self._visit([line for line in costs if line.in_year == year]))
            for year in sorted({line.in_year for line in costs})
        ]

    def _visit(self, lines: Sequence[CostLine]) -> list[Item]:
        asked: dict[tuple[str, str, int | str], list[CostLine]] = {}  # what is shared stands under a name
        to_roof = [line.quantity > 0 for line in lines if (line.kind, line.item) == (ACCESS, "roof")]
        for position, line in enumerate(lines):
            if line.kind == ACCESS:
                reached = np.any(to_roof, axis=0) if line.item == "roof edge" and to_roof else False
                for name, where in self._equipment[line.item].items():
                    if (here := np.where(where & ~np.asarray(reached), line.quantity, 0.0)).any():
                        asked.setdefault((ACCESS, name, ""), []).append(replace(line, quantity=here))
            else:
                shared = "" if line.kind == INSPECTION else line.shared_work or position
                asked.setdefault((line.kind, line.item, shared), []).append(line)
        items = [
            self._item(kind, name, np.maximum.reduce([line.quantity for line in same]), same)
            for (kind, name, _), same in asked.items()
        ]
        visited = np.logical_or.reduce([line.quantity > 0 for line in lines if line.kind in _ON_SITE])
        if np.any(visited):
            at_array = [line.quantity > 0 for line in lines if line.kind == ACCESS]
            crew = np.logical_or.reduce(at_array) if at_array else np.zeros(len(self._sites), dtype=bool)
            drivers = people_on_the_road(crew, _hours_on_site(items), self._company)
            hourly = np.sum([drivers[name] * self._company.price_of(LABOUR, name) for name in drivers], axis=0)
            cost = self._trip.vehicle_cost + self._trip.hours * hourly
            items.append(Item(TRAVEL, "trip", "trip", visited.astype(np.float64), cost, people=drivers))
        return items

    def _items(self, lines: Sequence[CostLine]) -> list[Item]:
        return [self._item(line.kind, line.item, line.quantity, [line]) for line in lines]

    def _gain(self, item: Item) -> Floats:
        return item.amount / (self._tax_in_avoided if item.kind in AVOIDED_KINDS else 1.0)

    def _charged(self, kind: str) -> Floats | float:
        """Return what the owner pays for each unit of what stands in the company file."""
        return 1.0 if kind == OWN_WORK else self._markup * self._tax / self._tax_in_cost

    def _item(self, kind: str, name: str, quantity: Floats, lines: Sequence[CostLine]) -> Item:
        price = np.full(len(self._sites), self._company.price_of(kind, name))
        return Item(kind, name, lines[0].unit, quantity, price, lines)

    def _rules_for(self, place: str) -> dict[str, Bools]:
        """Return by name where the company's rules want which equipment; where they want none, no name has it."""
        rules = self._company.access
        storeys = self._sites["storeys"].fillna(rules.storeys_if_unknown).astype(int)
        of_sites = zip(self._roof_kinds, storeys, is_home(self._sites), strict=True)
        equipment = [rules.equipment(place, kind, high, bool(home)) for kind, high, home in of_sites]
        names = np.array(equipment, dtype=object)
        return {name: names == name for name in sorted(set(equipment) - {NO_EQUIPMENT})}

    def _table(self, items: Sequence[tuple[int, Item]]) -> pd.DataFrame:
        """Return one row for each site and item with its money and what was assumed, sorted by site.

        What the owner gains or does itself costs the company nothing; of a gain ``price`` is what is gained.
        """
        rows = [{**_NOTHING_TO_REMARK, **self._item_rows(item), "in_year": year} for year, item in items]
        site = np.concatenate([np.empty(0, dtype=np.intp), *(row["site"] for row in rows)])
        order = np.argsort(site, kind="stable")
        columns = {}
        for name, dtype in _ROW_TYPES.items():  # one frame for all: one for each item would take most of the time
            parts = [np.full(len(row["site"]), row[name], dtype=_ARRAY_TYPES.get(dtype, dtype)) for row in rows]
            column = np.concatenate(parts)[order] if parts else np.empty(0, dtype=_ARRAY_TYPES.get(dtype, dtype))
            columns[name] = pd.Series(column, dtype=dtype)
        table = pd.DataFrame(columns)
        amount = table["quantity"] * table["unit_cost"]
        cost = amount / self._tax_in_cost
        of_owner = table["kind"].isin((*GAIN_KINDS, OWN_WORK))
        as_it_is = amount.mask(table["kind"].isin(AVOIDED_KINDS), amount / self._tax_in_avoided[table["site"]])
        return table.assign(
            site_id=self._sites.index.to_numpy()[table["site"].to_numpy()],
            cost=cost.mask(of_owner, 0.0),
            price_before_tax=(cost * self._markup).mask(of_owner, as_it_is),
            price=(cost * self._markup * self._tax[table["site"]]).mask(of_owner, as_it_is),
            every_year=False,
        )

    def _item_rows(self, item: Item) -> dict[str, Any]:
        """Return the columns of an item: the note of the first line that asks for it, and what the price goes by."""
        site = np.flatnonzero(item.quantity > 0)
        rows: dict[str, Any] = {"site": site, "quantity": item.quantity[site], "unit_cost": item.unit_cost[site]}
        rows |= {"kind": item.kind, "item": item.item, "unit": item.unit}
        if item.kind == TRAVEL:
            km, hours = 2 * self._trip.distance_km[site], self._trip.hours[site]
            return rows | {"trip_km": km, "trip_hours": hours, "out_of_reach": ~self._trip.within_reach[site]}
        first = np.argmax([line.quantity[site] > 0 for line in item.lines], axis=0)
        rows["note"] = np.array([line.note for line in item.lines], dtype=object)[first]
        if item.kind == ACCESS:
            kind = np.array(self._roof_kinds, dtype=object)[site]
            on_roof = np.array([line.item != "ground" for line in item.lines])[first] & (kind != "ground")
            assumed = on_roof & self._sites["storeys"].isna().to_numpy()[site]
            rows["roof_kind_unknown"] = on_roof & pd.isna(kind)
            rows["storeys_assumed"] = np.where(assumed, self._company.access.storeys_if_unknown, np.nan)
        return rows


def _gains(lines: Sequence[CostLine]) -> list[CostLine]:
    return [line for line in lines if line.kind in GAIN_KINDS]


def _hours_on_site(items: Sequence[Item]) -> dict[str, Floats]:
    """Return the hours of a visit by skill, of labour and inside inspections, (S,)."""
    hours: dict[str, Floats] = {}
    inside = tables.inspection_hours()
    for item in items:
        if item.kind == LABOUR:
            skill, of_one = item.item, 1.0
        elif item.kind == INSPECTION and item.item in inside:
            skill, of_one = inside[item.item]
        else:
            continue
        hours[skill] = hours.get(skill, 0.0) + item.quantity * of_one
    return hours


_NOTHING_TO_REMARK: Mapping[str, Any] = {
    "note": "", "trip_km": np.nan, "trip_hours": np.nan, "out_of_reach": False, "roof_kind_unknown": False,
    "storeys_assumed": np.nan,
}  # fmt: skip
_ROW_TYPES: Mapping[str, str] = {
    "site": "int64", "kind": "str", "item": "str", "quantity": "float64", "unit": "str", "unit_cost": "float64",
    "note": "str", "trip_km": "float64", "trip_hours": "float64", "out_of_reach": "bool", "roof_kind_unknown": "bool",
    "storeys_assumed": "Int64", "in_year": "int64",
}  # fmt: skip
_ARRAY_TYPES: Mapping[str, Any] = {"str": object, "Int64": np.float64}  # by the type of the frame, where it is another
