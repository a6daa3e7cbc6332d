"""What offers would take of a month's capacity, and booking them one after another as long as they fit.

Everything is expected: an offer takes its hours, equipment and cash times its chance of a yes. A round is driven with
the chance that somebody says yes, at most the sum of their chances, or as often as the work on site fills days:
``trips = max(min(1, sum of chances), sum of chance x hours on site / day_hours)``. With chances of 1 and little
work that is one trip for each round that is opened.

The way is a cost and earns nothing: what owners pay for it covers what is driven in their round, and no more.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import pandas as pd

from aftersun.model.codes import NotCalled
from aftersun.model.ranges import Bools, Floats, Ints
from aftersun.money.company import Month

HOURS = "hours_"  # a column of candidates and of rounds is this and the skill
VISITS = "visits_"  # the name of a capacity is this and the equipment, HOURS and the skill, or CASH
CASH = "materials_cash"


@dataclass(frozen=True, eq=False)
class Candidates:
    """What may be called about, in the order of offer_id, as arrays: N offers, R rounds, C capacities."""

    offer: npt.NDArray[np.object_]  # (N,)
    site: Ints  # number of the site, (N,)
    round: Ints  # number of the round, (N,)
    value: Floats  # expected, before the way, money, (N,)
    chance: Floats  # of a yes, (N,)
    must: Bools  # (N,)
    days: Floats  # expected days on site, (N,)
    fare: Floats  # expected, what the owner pays for the way, money, (N,)
    crew: Floats  # expected hours on site of everybody, (N,)
    use: Floats  # expected use of each capacity, (C, N)
    trip_cost: Floats  # money a trip, (R,)
    trip_use: Floats  # (C, R)
    trip_crew: Floats  # hours of everybody on the road a trip, (R,)
    names: tuple[str, ...]  # (C,)
    bookable: Floats  # after slack, (C,)

    def __len__(self) -> int:
        return len(self.offer)

    def take(self, which: Bools) -> Candidates:
        """Return some of the offers; rounds and capacities stay."""
        of_offers = ("offer", "site", "round", "value", "chance", "must", "days", "fare", "crew")
        return replace(self, **{name: getattr(self, name)[which] for name in of_offers}, use=self.use[:, which])

    @classmethod
    def of(cls, candidates: pd.DataFrame, month: Month, rounds: pd.DataFrame) -> Candidates:
        """Bring the frames of :func:`aftersun.scoring.calls.programme.choose_offers` in order."""
        table = candidates.sort_values("offer_id", ignore_index=True)
        trips = rounds.sort_values("round", ignore_index=True)
        chance = _column(table, "chance_of_yes")
        limits = _limits(table, trips, month)
        # skills work side by side: the day ends with the one that takes longest
        on_site = table.filter(regex=f"^{HOURS}").fillna(0.0)
        longest = on_site.max(axis=1).fillna(0.0).to_numpy(dtype=np.float64)
        return cls(
            offer=table["offer_id"].to_numpy(dtype=object),
            site=pd.factorize(table["site_id"])[0].astype(np.int64),
            round=pd.Index(trips["round"]).get_indexer(pd.Index(table["round"])).astype(np.int64),
            value=_column(table, "value"),
            chance=chance,
            must=table["must_call"].to_numpy(dtype=bool),
            days=chance * longest / month.day_hours,
            fare=chance * _column(table, "fare"),
            crew=chance * on_site.sum(axis=1).to_numpy(dtype=np.float64),
            use=np.array([chance * use for _, _, use, _ in limits]).reshape(len(limits), len(table)),
            trip_cost=_column(trips, "cost"),
            trip_use=np.array([trip_use for *_, trip_use in limits]).reshape(len(limits), len(trips)),
            trip_crew=trips.filter(regex=f"^{HOURS}").sum(axis=1).to_numpy(dtype=np.float64),
            names=tuple(name for name, *_ in limits),
            bookable=np.array([most for _, most, *_ in limits], dtype=np.float64) * (1.0 - month.slack_share),
        )


def _limits(table: pd.DataFrame, trips: pd.DataFrame, month: Month) -> list[tuple[str, float, Floats, Floats]]:
    """Return name and amount of each capacity, what each offer takes of it if it is a yes, and what each trip takes."""
    none = np.zeros(len(trips))
    limits = [
        (f"{HOURS}{skill}", hours, _column(table, HOURS + skill), _column(trips, HOURS + skill))
        for skill, hours in sorted(month.hours.items())
    ]
    for item, visits in sorted(month.equipment_visits.items()):
        needs_it = np.asarray(table["equipment"].fillna("") == item, dtype=np.float64)
        limits.append((f"{VISITS}{item}", visits, needs_it, none))
    if month.materials_cash is not None:
        limits.append((CASH, month.materials_cash, _column(table, "materials"), none))
    return limits


class Bookings:
    """Offers booked so far and what they take. ``limit`` of shape (C,)."""

    def __init__(self, offers: Candidates, limit: Floats, first: Sequence[int] | Ints = ()) -> None:
        self.offers, self.limit = offers, limit
        self.used = np.zeros(len(limit))
        self.chosen = np.zeros(len(offers), dtype=bool)
        self.at_site: dict[int, int] = {}  # offer chosen by number of the site
        self._chances, self._days, self._fares = (np.zeros(len(offers.trip_cost)) for _ in range(3))
        self._tolerance = 1e-6 * np.maximum(1.0, limit)  # that of the solver
        for row in first:
            self.add(int(row))

    def trips(self) -> Floats:
        """Return the expected trips of each round, (R,)."""
        return np.asarray(np.maximum(np.minimum(1.0, self._chances), self._days))

    def unpaid(self) -> Floats:
        """Return what owners do not pay of the expected way of each round, money (R,)."""
        return np.asarray(np.maximum(self.trips() * self.offers.trip_cost - self._fares, 0.0))

    @property
    def value(self) -> float:
        """Expected value of what is booked, what owners do not pay of the way taken off."""
        return float(self.offers.value[self.chosen].sum() - self.unpaid().sum())

    def add(self, row: int) -> None:
        """Bookings an offer, whether it fits or not."""
        offers, number = self.offers, self.offers.round[row]
        self.used += self.need(row)
        self._chances[number] += offers.chance[row]
        self._days[number] += offers.days[row]
        self._fares[number] += offers.fare[row]
        self.chosen[row] = True
        self.at_site[int(offers.site[row])] = row

    def more_trips(self, row: int) -> float:
        """Return the trips that this offer adds to its round."""
        before, after = self._trips_of_round(row)
        return after - before

    def gain(self, row: int) -> float:
        """Return what this offer would add to the value."""
        offers, number = self.offers, self.offers.round[row]
        trip_cost, fares = offers.trip_cost[number], self._fares[number]
        before, after = self._trips_of_round(row)
        unpaid = max(after * trip_cost - fares - offers.fare[row], 0.0) - max(before * trip_cost - fares, 0.0)
        return float(offers.value[row] - unpaid)

    def _trips_of_round(self, row: int) -> tuple[float, float]:
        """Return the expected trips of an offer's round without and with it."""
        number = self.offers.round[row]
        chances, days = self._chances[number], self._days[number]
        before = max(min(1.0, chances), days)
        return float(before), float(max(min(1.0, chances + self.offers.chance[row]), days + self.offers.days[row]))

    def hours_and_money(self) -> tuple[Floats, Floats]:
        """Return of each booked offer its crew hours and what it brings, both expected, (N,); 0 of others.

        The way of a round, its hours and what owners do not pay of it, is shared by chance of a yes.
        """
        offers, trips = self.offers, self.trips()
        share = np.where(self.chosen, offers.chance, 0.0) / np.maximum(self._chances[offers.round], 1e-12)
        hours = np.where(self.chosen, offers.crew, 0.0) + share * (trips * offers.trip_crew)[offers.round]
        return hours, np.where(self.chosen, offers.value, 0.0) - share * self.unpaid()[offers.round]

    def need(self, row: int) -> Floats:
        """Return what this offer would take of each capacity, its share of the way included, (C,)."""
        way = self.more_trips(row) * self.offers.trip_use[:, self.offers.round[row]]
        return np.asarray(self.offers.use[:, row] + way)

    def lacking(self, row: int) -> Bools:
        """Return which capacities are not enough for this offer beside what is booked, (C,)."""
        need = self.need(row)
        return np.asarray((need > 0) & (self.used + need > self.limit + self._tolerance))

    def fill(self) -> None:
        """Bookings what adds value and fits, best first by :func:`greedy_order`, until nothing more does."""
        order, before = greedy_order(self.offers, self.limit), -1
        while before != int(self.chosen.sum()):  # a round that is opened makes its other sites cheaper
            before = int(self.chosen.sum())
            for row in order:
                free = int(self.offers.site[row]) not in self.at_site
                if free and self.gain(row) > 0 and not self.lacking(row).any():
                    self.add(row)

    def reasons(self) -> npt.NDArray[np.object_]:
        """Return the :class:`NotCalled` of each offer that is not booked, "" where it is, (N,)."""
        return np.array([self._reason(row) for row in range(len(self.offers))], dtype=object)

    def short_of(self, row: int) -> str:
        """Return the names of the capacities that are not enough for this offer, with commas between."""
        return ", ".join(np.array(self.offers.names)[self.lacking(row)])

    def _reason(self, row: int) -> str:
        offers, booked = self.offers, self.at_site.get(int(self.offers.site[row]))
        if booked == row:
            return ""
        if booked is not None:
            safety = offers.must[booked] and not offers.must[row]
            return NotCalled.SAFETY_FIRST if safety else NotCalled.OTHER_OFFER
        if offers.value[row] <= 0:
            return NotCalled.CALL_COSTS_MORE
        return NotCalled.TRIP_COSTS_MORE if self.gain(row) <= 0 else NotCalled.SHORT_OF_CAPACITY


def greedy_order(offers: Candidates, limit: Floats) -> list[int]:
    """Return the offers by value for each share of the capacities they take, highest first, ties by offer_id.

    The share is the sum over the capacities; with one capacity the order is that of value for each unit. Each offer
    pays its own way here.
    """
    value = offers.value - np.maximum(offers.chance * offers.trip_cost[offers.round] - offers.fare, 0.0)
    use = offers.use + offers.chance * offers.trip_use[:, offers.round]
    with np.errstate(divide="ignore", invalid="ignore"):
        share = np.where(use > 0, use / limit[:, None], 0.0).sum(axis=0)
        ratio = np.where(share > 0, value / share, np.where(value > 0, np.inf, value))
    return [int(row) for row in np.lexsort((np.arange(len(offers)), -value, -ratio))]


def _column(table: pd.DataFrame, name: str) -> Floats:
    return table[name].to_numpy(dtype=np.float64) if name in table else np.zeros(len(table))
