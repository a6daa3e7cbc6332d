"""Monitoring add-on: alerts shorten the time that a fault goes unnoticed. They make no energy.

Four kinds of fault, each with its rate, the share of output lost, and days to notice without and with alerts:

- a total stop by the inverter; begins in any hour of operation, since it is operation that wears (assumption)
- the loss of one of n strings; begins on any day
- the loss of one of N module-level devices, instead of the strings where there are such; begins on any day
- a trip by earth fault or residual current that stays until somebody resets it; begins on wet days of the weather
  year, on any day where there is no rain record

What a fault costs follows from the site's own generation day by day: the energy of the D days after it begins,
averaged over the days on which that kind of fault begins. With even days and even beginnings it is D/365 of a year,
the formula of the textbooks; beyond a year it is more than a year's energy. What is gained is the difference between
the days with and without alerts, times the share that alerts can see and the chance that somebody acts. A day without
output needs no comparison, so nearly all stops are seen; a part missing has to be told from weather and dirt. Repair
takes as long either way and cancels. Rates are expected values, so faults never queue.

A loss builds up: in the first year after fitting only faults since then can have been found sooner. ``fade`` holds
that, so a string that stays unseen for 1500 days never counts beyond the life of the device. Where readings show how
much is missing at most (shortfall plus two standard errors), all faults together cost no more than that.

Four ways to have alerts, of each site the one worth most: those of a portal that is there and unread, switched on from
the office; a logger plugged into an inverter young enough to have a port for one; a meter with sensors at the board,
bought; the same by contract, where a yearly charge stands for device and data and the company itself reads the alerts.

The life is that of the radio network and the cloud service rather than of the hardware. A data plan is counted where
there is no internet. Of blind visits avoided nobody has published a number: none is usual, and the mean of an assumed
range counts (``avoided_visits_per_year``), each as what the owner pays for a call-out now.

Known limits: no published distribution of days to notice exists; one inverter a home; strings of a site are equal; a
loss too small for a meter of the whole system is never seen, a larger one as well as any; false alarms cost nothing.
Trips that reset themselves do not count, nor does a string that is open already: that is a defect to repair, whoever
finds it.
"""

from __future__ import annotations

from dataclasses import replace
from typing import NamedTuple, TypeAlias

import numpy as np
import numpy.typing as npt

from aftersun import api
from aftersun_retrofits import _common as common

DAYS = 365
HOURS_PER_DAY = 24
KWH_PER_YEAR_AND_W = 8.760
EVEN_STARTS = np.full(DAYS, 1.0 / DAYS)

Number: TypeAlias = api.Floats | float

UNREAD = "portal nobody reads"
READ = "portal somebody reads"
MODULE_LEVEL = "module level"

BOUGHT, CONTRACT = "meter with alerts, bought", "meter with alerts, by contract"
PORTAL, LOGGER = "alerts of the portal that is there", "logger plugged into the inverter"
STOPS_SEEN = "The readings show days without output that neither neighbours nor the weather explain"


class Faults(NamedTuple):
    """One kind of fault at S sites, each a number or (S,): energy as a share of a year's, per fault, while it lasts."""

    per_year: Number
    share_lost: Number
    days_without: Number
    days_with: Number
    lost_without: Number  # by a total stop of so many days
    lost_with: Number
    seen_share: Number = 1.0  # of such faults, that alerts see

    @property
    def cost(self) -> api.Floats:
        """Share of output that these faults cost today."""
        return np.asarray(self.per_year * np.multiply(self.share_lost, self.lost_without), dtype=np.float64)

    @property
    def saved(self) -> api.Floats:
        """Share of output that notice after ``days_with`` would save, never negative."""
        sooner = np.maximum(np.subtract(self.lost_without, self.lost_with), 0.0)
        return np.asarray(self._lost_per_year_seen * sooner, dtype=np.float64)

    def saved_by_year(self, years: int) -> api.Floats:
        """Return :attr:`saved` in year 1, 2, ... after fitting, while it builds up, (S, years)."""
        without = _column(self.lost_without) * built_up(self.days_without, years)
        sooner = without - _column(self.lost_with) * built_up(self.days_with, years)
        return _column(self._lost_per_year_seen) * np.maximum(sooner, 0.0)

    @property
    def _lost_per_year_seen(self) -> Number:
        """Return the share of output that goes by faults of a year that alerts see, while they last."""
        return self.per_year * np.multiply(self.share_lost, self.seen_share)


def energy_lost(daily: api.Floats, days: Number, starts: api.Floats) -> api.Floats:
    """Return what a total stop of ``days`` costs on average, as a share of a year's energy, (S,).

    Parameters
    ----------
    daily : (S, 365)
        Energy of each day of the year, in any unit; the year repeats itself. Without any, all days count the same.
    days : scalar or (S,)
        From fault to notice, parts of days too; longer than a year is more than a year's energy.
    starts : (365,) or (S, 365)
        Chance that the fault begins at the beginning of each day; sums to 1.

    With C(t) the energy until day t it is the mean of C(d + days) - C(d) over the days d on which faults begin. Even
    starts give days/365 whatever the seasons.
    """
    total = daily.sum(axis=1, keepdims=True)
    share = np.where(total > 0, daily / np.where(total > 0, total, 1.0), 1.0 / DAYS)
    until = np.concatenate([np.zeros((len(daily), 1)), np.cumsum(share, axis=1)], axis=1)
    years, rest = np.divmod(np.broadcast_to(np.asarray(days, dtype=np.float64), len(daily)), DAYS)
    whole = rest.astype(np.intp)
    part = _column(rest - whole)
    # Each fault ends as many days after its beginning: the curve of energy until a day, moved by them, over two years.
    twice = np.concatenate([until, 1.0 + until[:, 1:]], axis=1)
    moved = np.lib.stride_tricks.sliding_window_view(twice, DAYS + 1, axis=1)[np.arange(len(daily)), whole]
    reached = _column(years) + (1.0 - part) * moved[:, :-1] + part * moved[:, 1:]
    lost: api.Floats = ((reached - until[:, :DAYS]) * starts).sum(axis=1)
    return lost


def operating_starts(generated: npt.NDArray[np.float32]) -> api.Floats:
    """Return the chance of each day that a fault begins that comes with hours of operation, (S, 365).

    ``generated`` is kWh an hour, (S, 8760); an hour of operation is one with output.
    """
    hours = np.count_nonzero(generated.reshape(len(generated), DAYS, HOURS_PER_DAY) > 0, axis=2)
    total = hours.sum(axis=1, keepdims=True)
    return np.where(total > 0, hours / np.maximum(total, 1), 1.0 / DAYS)


def wet_day_starts(rain_mm: api.Floats | None, wet_day_mm: float, wet_share: float = 1.0) -> api.Floats:
    """Return the chance of each day that a fault begins of which ``wet_share`` begin on wet days, (365,).

    ``rain_mm`` (8760,) in mm an hour, a wet day has ``wet_day_mm`` or more. Without a record, or without a wet day, any
    day is as likely.
    """
    if rain_mm is None:
        return EVEN_STARTS
    wet = rain_mm.reshape(DAYS, HOURS_PER_DAY).sum(axis=1) >= wet_day_mm
    if not wet.any():
        return EVEN_STARTS
    starts: api.Floats = wet_share * wet / wet.sum() + (1.0 - wet_share) * EVEN_STARTS
    return starts


def built_up(days: Number, years: int) -> api.Floats:
    """Return the part of a steady loss that is reached in year 1, 2, ..., (years,) or (S, years).

    Faults that stay for ``days`` cost ``min(t, days) / days`` of their steady loss at time t after the first of them;
    this is the mean over each year. 1 for a fault that is seen at once.
    """
    until = np.arange(years + 1, dtype=np.float64) * DAYS
    stay = np.maximum(_column(days), 1e-9)
    area = np.where(until < stay, until**2 / 2 / stay, until - stay / 2)  # of min(t, stay) / stay
    return np.diff(area, axis=-1) / DAYS


def stops_until(
    age_years: Number, rate: float, observed_years: float, late_age_years: float, late_factor: float
) -> api.Floats:
    """Return the stops that are expected of an inverter from new until ``age_years``.

    From ``late_age_years`` on, stops come ``late_factor`` times as often. The hazard before that age is
    set so that the mean over ``observed_years`` stays at the observed ``rate`` (1/a).
    """

    def weighted(age: Number) -> api.Floats:
        late = np.maximum(np.subtract(age, late_age_years), 0.0)
        return np.asarray(age + (late_factor - 1.0) * late, dtype=np.float64)

    return rate * observed_years / weighted(observed_years) * weighted(age_years)


def bounded_part(cost: api.Floats, shortfall: api.Floats, error: api.Floats, errors: float) -> api.Floats:
    """Return the part (0..1) of the faults' ``cost`` that readings leave room for, (S,).

    Together they may not cost more than the ``shortfall`` seen plus ``errors`` times its standard ``error``, all shares
    of a year's output; NaN = no readings, no bound.
    """
    room = shortfall + errors * error
    room = np.where(np.isnan(room), np.inf, np.maximum(room, 0.0))
    return np.divide(room, cost, out=np.ones_like(cost), where=cost > room)


class MonitoringAddOn:
    """Alerts, in the cheapest way that the site allows: portal, logger, or a meter on the AC side of the inverter."""

    about, assumptions, facts, claims, notes = common.from_data("monitoring_add_on")

    def screen(self, cohort: api.Cohort) -> api.Screening:
        """Reject where a portal is read already; ask where it is not known."""
        sites = cohort.sites
        read = common.equals(sites, "monitoring", READ)
        return (
            api.Screening.of(cohort)
            .reject(read, "somebody reads a portal already, so alerts add next to nothing")
            .survey(common.unknown(sites, "monitoring"), "what watches the system now is not known")
        )

    def change(self, cohort: api.Cohort, plant: api.Plant, assume: api.Assumed) -> api.Change:
        """Raise availability by the share of output that earlier notice brings back, at most to 1."""
        ones, none = np.ones(len(cohort)), np.zeros(len(cohort))
        online = assume.chance(cohort.sites, self.facts["internet_at_inverter"])
        unwatched = _not_yet_watched(cohort)
        kinds = self._faults(cohort, plant, assume)
        cost = sum((kind.cost for kind in kinds), none)
        saved = sum((kind.saved for kind in kinds), none)
        shortfall, error = (common.numbers(cohort.sites, name) for name in ("meter_shortfall", "meter_factor_se"))
        room = unwatched * bounded_part(cost, shortfall, error, assume["shortfall_errors"])
        visits = assume["avoided_visits_per_year"] * unwatched
        spared = api.CostLine(api.AVOIDED_WORK, "repair_visit", visits, "repair", "blind visits")
        data = api.CostLine(api.STANDING, "data_plan", 1.0 - online, "year", "chance that there is no internet")
        fade = _fade(kinds, saved, common.years_of_effect(self.about, assume))
        remarks = _remarks(cohort, assume)

        def way(label: str, acted_on: float, standby_w: float, *lines: api.CostLine) -> api.Change:
            gained = np.minimum(saved * room * acted_on, 1.0 - plant.availability)
            standby = plant.standby_kwh + standby_w * KWH_PER_YEAR_AND_W
            after = plant.replace(availability=plant.availability + gained, standby_kwh=standby)
            yearly = tuple(line for line in lines if line.kind == api.STANDING)
            once = tuple(line for line in lines if line not in yearly)
            return api.Change(after, once, (*yearly, spared), fade, remarks, label)

        def piece(item: str) -> api.CostLine:
            return api.CostLine(api.MATERIAL, item, ones, "piece")

        def hours(name: str) -> api.CostLine:
            return api.CostLine(api.LABOUR, "electrician", assume[name] * ones, "h")

        own, at_board = assume["acted_on_chance"], hours("installation_hours")
        fee = api.CostLine(api.STANDING, "monitoring_contract", ones, "year", "device, data and somebody who reads")
        unread = common.equals(cohort.sites, "monitoring", UNREAD)
        portal = way(PORTAL, own, 0.0, piece("portal_alerts"))
        logger = way(LOGGER, own, assume["logger_standby_w"], piece("plug_in_logger"), hours("logger_hours"), data)
        contract = way(CONTRACT, assume["contract_acted_on_chance"], assume["standby_w"], at_board, fee)
        bought = way(BOUGHT, own, assume["standby_w"], piece("monitoring_device"), at_board, data)
        others = (
            replace(portal, available=unread),
            replace(logger, available=_takes_a_logger(cohort, assume) & ~unread),
            contract,
        )
        return replace(bought, alternatives=others)

    def safety(self, cohort: api.Cohort) -> api.Notes:
        """Work at the board, and data that shows when people are at home."""
        return common.notes_for(cohort, self.notes)

    def _faults(self, cohort: api.Cohort, plant: api.Plant, assume: api.Assumed) -> tuple[Faults, ...]:
        """Return the kinds of fault: stop, one string, one module-level device, trip."""
        key = ("monitoring_add_on", plant.digest())
        daily, of_operation = cohort.once(key, lambda: _by_day(api.hourly_generation(cohort, plant)))
        wet = wet_day_starts(cohort.weather.rain_mm, assume["wet_day_mm"], assume["wet_trip_share"])
        module_level = common.equals(cohort.sites, "inverter_topology", MODULE_LEVEL)
        portal = np.where(common.equals(cohort.sites, "monitoring", UNREAD), assume["unread_portal_factor"], 1.0)
        absent = 1.0 - assume.chance(cohort.sites, self.facts["owner_present"])
        notices = assume["owner_notices_factor"] * portal
        stop_days = assume["days_stop_unnoticed"] * notices * (1.0 + absent * (assume["absent_owner_factor"] - 1.0))
        part_days = assume["days_part_unnoticed"] * notices
        stop_alerted, part_alerted = assume["days_stop_alerted"], assume["days_part_alerted"]

        def faults(
            per_year: Number,
            share: Number,
            without: api.Floats,
            alerted: api.Floats,
            starts: api.Floats,
            visible: Number = assume["detectable_share_of_stops"],
        ) -> Faults:
            # Even starts cost their days whatever the seasons: most calls need no walk through the year.
            lost = (
                np.asarray(days / DAYS) if starts is EVEN_STARTS else energy_lost(daily, days, starts)
                for days in (without, alerted)
            )
            return Faults(per_year, share, without, alerted, *lost)._replace(seen_share=visible)

        def part_faults(per_year: Number, parts: api.Floats) -> Faults:
            # The loss of the only one is a total stop; that of one of very many is never told from weather.
            share = 1.0 / parts
            without = np.where(parts > 1, part_days, stop_days)
            alerted = np.where(parts > 1, part_alerted, stop_alerted)
            seen = share >= assume["smallest_visible_share"]
            visible = np.where(parts > 1, assume["detectable_share"], assume["detectable_share_of_stops"])
            return faults(per_year, share, without, np.where(seen, alerted, without), EVEN_STARTS, visible)

        central = np.where(module_level, assume["module_level_central_chance"], 1.0)
        stopped = assume["inverter_share_of_output"] * central
        everywhere = np.full(len(cohort), stop_alerted)
        strings, modules = _parts(cohort, assume)
        return (
            faults(_stop_rate(cohort, assume), stopped, stop_days, everywhere, of_operation),
            part_faults(
                np.where(module_level, 0.0, assume["string_fault_rate"] * strings / assume["usual_strings"]), strings
            ),
            part_faults(np.where(module_level, modules * assume["module_device_fault_rate"], 0.0), modules),
            faults(assume["earth_trip_rate"], 1.0, stop_days, everywhere, wet),
        )


def _by_day(generated: npt.NDArray[np.float32]) -> tuple[api.Floats, api.Floats]:
    """Return the energy of each day, and the chance that a fault of operation begins on it, (S, 365) each."""
    daily = generated.reshape(len(generated), DAYS, HOURS_PER_DAY).sum(axis=2, dtype=np.float64)
    return daily, operating_starts(generated)


def _column(values: Number) -> api.Floats:
    return np.asarray(values, dtype=np.float64)[..., np.newaxis]


def _fade(kinds: tuple[Faults, ...], saved: api.Floats, years: int) -> api.Floats:
    """Return the share of the steady saving of all kinds that is reached in each year, (S, years)."""
    by_year = np.zeros((len(saved), years))
    for kind in kinds:
        by_year += kind.saved_by_year(years)
    steady = _column(saved)
    return np.minimum(np.divide(by_year, steady, out=np.ones_like(by_year), where=steady > 0), 1.0)


def _inverter_age(cohort: api.Cohort, if_unknown: float) -> api.Floats:
    """Return the inverter's age in years (S,), else that of the system."""
    age = np.maximum(cohort.as_of.year - common.numbers(cohort.sites, "inverter_year"), 0.0)
    return np.where(np.isnan(age), common.years_since(cohort, "commissioned_on", if_unknown), age)


def _takes_a_logger(cohort: api.Cohort, assume: api.Assumed) -> api.Bools:
    """Tell per site (S,) whether a logger can be plugged in: an inverter known to be young enough, and internet."""
    young: api.Bools = _inverter_age(cohort, np.inf) <= assume["logger_inverter_age_years"]
    return young & ~common.equals(cohort.sites, "internet_at_inverter", False)


def _stop_rate(cohort: api.Cohort, assume: api.Assumed) -> api.Floats:
    """Return inverter stops a year, averaged over the years that the device will watch, shape (S,)."""
    age = _inverter_age(cohort, assume["inverter_age_years"])
    names = ("inverter_stop_rate", "inverter_stop_observed_years", "late_inverter_age_years", "late_stop_factor")
    hazard = [assume[name] for name in names]
    life = assume["life_years"]
    return assume["inverter_make_factor"] * (stops_until(age + life, *hazard) - stops_until(age, *hazard)) / life


def _parts(cohort: api.Cohort, assume: api.Assumed) -> tuple[api.Floats, api.Floats]:
    """Return the strings and the modules of each site, counted or reckoned from the rating; both (S,), 1 or more."""
    strings = common.string_count(cohort, assume["string_rating_kw"])
    modules = common.module_count(cohort, assume["module_rating_kw"])
    return np.maximum(cohort.sum_by_site(strings), 1.0), np.maximum(cohort.sum_by_site(modules), 1.0)


def _not_yet_watched(cohort: api.Cohort) -> api.Floats:
    """Return 1 where nobody is known to see a fault in a portal already, else 0, shape (S,)."""
    return np.where(common.equals(cohort.sites, "monitoring", READ), 0.0, 1.0)


def _remarks(cohort: api.Cohort, assume: api.Assumed) -> npt.NDArray[np.object_]:
    stood = common.numbers(cohort.sites, "meter_zero_day_share") >= assume["zero_days_told"]  # NaN is no
    return np.where(stood, STOPS_SEEN, "").astype(object)


@api.hookimpl
def aftersun_retrofits() -> list[api.Retrofit]:
    """Register the retrofit."""
    return [MonitoringAddOn()]
