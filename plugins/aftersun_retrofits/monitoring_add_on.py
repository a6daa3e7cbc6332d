"""Monitoring add-on: alerts shorten the time that a fault goes unnoticed. They make no energy.

Three kinds of fault: a total stop by the inverter, the loss of one string (or one module-level device), and
a protection device that trips and stays off. Repair takes as long with alerts as without and cancels. Every
day of the year counts the same, though a midsummer day is worth several in midwinter. A string that is
already open is not counted here: that is a defect to repair, whoever finds it.
"""

from __future__ import annotations

import numpy as np

from aftersun import api
from aftersun_retrofits import _common as common

DAYS_PER_YEAR = 365.0
KWH_PER_YEAR_AND_W = 8.760

UNREAD = "portal nobody reads"
READ = "portal somebody reads"
MODULE_LEVEL = "module level"

PORTAL_FIRST = "Alerts from the portal that nobody reads may do the same for less"


def recovered_share(
    faults_per_year: api.Floats | float,
    share_lost: api.Floats | float,
    days_without: api.Floats | float,
    days_with: api.Floats | float,
    chance_fixed: api.Floats | float,
) -> api.Floats:
    """Return the share of a year's output (0..1) that earlier notice of one kind of fault brings back.

    ``share_lost`` of output while the fault lasts, days from fault to notice ``days_without`` and
    ``days_with`` alerts, ``chance_fixed`` that an alert comes and is acted on. Never negative.
    """
    days_saved = np.maximum(np.subtract(days_without, days_with), 0.0)
    return np.asarray(faults_per_year * share_lost * days_saved / DAYS_PER_YEAR * chance_fixed, dtype=np.float64)


def stops_until(
    age_years: api.Floats | float,
    rate: float,
    observed_years: float,
    late_age_years: float,
    late_factor: float,
) -> api.Floats:
    """Return the stops that are expected of an inverter from new until ``age_years``.

    From ``late_age_years`` on, stops come ``late_factor`` times as often. The hazard before that age is
    set so that the mean over ``observed_years`` stays at the observed ``rate`` (1/a).
    """

    def weighted(age: api.Floats | float) -> api.Floats:
        late = np.maximum(np.subtract(age, late_age_years), 0.0)
        return np.asarray(age + (late_factor - 1.0) * late, dtype=np.float64)

    return rate * observed_years / weighted(observed_years) * weighted(age_years)


class MonitoringAddOn:
    """A meter with alerts on the AC side of the inverter."""

    assumptions = api.read_ranges(common.DATA, "assumptions/monitoring_add_on.csv")
    facts = api.read_facts(common.DATA, "facts.csv", ("owner_present", "internet_at_inverter"))
    claims = api.read_claims(common.DATA, "claims.csv", "monitoring_add_on")
    notes = api.read_notes(
        common.DATA,
        "safety_notes.csv",
        ("mains_licensed", "current_sensor", "data_notice", "alerts_need_a_reader", "local_rules"),
    )
    about = api.About(
        id="monitoring_add_on",
        title="Monitoring with alerts",
        summary="A meter and alerts, so that a fault is noticed within days instead of months",
        version="1.0",
        life=assumptions["life_years"],
        reads=(
            "monitoring",
            "owner_present",
            "internet_at_inverter",
            "inverter_year",
            "commissioned_on",
            "inverter_topology",
            "dc_rating_kw",
            "strings",
            "module_count",
            "module_rows",
            "module_columns",
        ),
        sources=(
            "Bucher, Wandel, Joss, Bern University of Applied Sciences, WCPEC-8 2022",
            "arXiv 2203.01103, 2022",
            "NREL, US grant-programme fleet 2009-12",
            "Jordan, Marion, Deline, Barnes, Bolinger, Prog. Photovolt. 2020",
        ),
        price_items=("monitoring_device", "data_plan"),
    )

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
        ones = np.ones(len(cohort))
        online = assume.chance(cohort.sites, self.facts["internet_at_inverter"])
        gained = np.minimum(self._recovered(cohort, assume), 1.0 - plant.availability)
        unread = common.equals(cohort.sites, "monitoring", UNREAD)
        return api.Change(
            plant=plant.replace(
                availability=plant.availability + gained,
                standby_kwh=plant.standby_kwh + assume["standby_w"] * KWH_PER_YEAR_AND_W,
            ),
            costs=(
                api.CostLine(api.MATERIAL, "monitoring_device", ones, "piece"),
                api.CostLine(api.LABOUR, "electrician", assume["installation_hours"] * ones, "h"),
            ),
            yearly=(api.CostLine(api.STANDING, "data_plan", 1.0 - online, "year", "chance that there is no internet"),),
            remarks=np.where(unread, PORTAL_FIRST, "").astype(object),
        )

    def safety(self, cohort: api.Cohort) -> api.Notes:
        """Work at the board, and data that shows when people are at home."""
        return common.notes_for(cohort, self.notes)

    def _recovered(self, cohort: api.Cohort, assume: api.Assumed) -> api.Floats:
        """Return the share of output brought back, all kinds of fault together, shape (S,)."""
        module_level = common.equals(cohort.sites, "inverter_topology", MODULE_LEVEL)
        parts = _parts(cohort, assume, module_level)
        unread = common.equals(cohort.sites, "monitoring", UNREAD)
        portal = np.where(unread, assume["unread_portal_factor"], 1.0)
        absent = 1.0 - assume.chance(cohort.sites, self.facts["owner_present"])
        longer = 1.0 + absent * (assume["absent_owner_factor"] - 1.0)
        stop_days = assume["days_stop_unnoticed"] * portal * longer
        # With a single string its loss is a total stop.
        part_days = np.where(parts > 1, assume["days_part_unnoticed"] * portal, stop_days)
        part_alerted = np.where(parts > 1, assume["days_part_alerted"], assume["days_stop_alerted"])
        chance = assume["detectable_share"] * assume["acted_on_chance"] * _not_yet_watched(cohort, assume)
        stopped = assume["inverter_share_of_output"] * np.where(
            module_level, assume["module_level_central_chance"], 1.0
        )
        alerted = assume["days_stop_alerted"]
        return (
            recovered_share(_stop_rate(cohort, assume), stopped, stop_days, alerted, chance)
            + recovered_share(assume["protection_trip_rate"], 1.0, stop_days, alerted, chance)
            + recovered_share(assume["string_fault_rate"], 1.0 / parts, part_days, part_alerted, chance)
        )


def _stop_rate(cohort: api.Cohort, assume: api.Assumed) -> api.Floats:
    """Return inverter stops a year, averaged over the years that the device will watch, shape (S,)."""
    age = np.maximum(cohort.as_of.year - common.numbers(cohort.sites, "inverter_year"), 0.0)
    age = np.where(np.isnan(age), cohort.years_since(cohort.sites["commissioned_on"]), age)
    age = np.where(np.isnan(age), assume["inverter_age_years"], age)
    hazard = (
        assume["inverter_stop_rate"],
        assume["inverter_stop_observed_years"],
        assume["late_inverter_age_years"],
        assume["late_stop_factor"],
    )
    life = assume["life_years"]
    rate: api.Floats = (stops_until(age + life, *hazard) - stops_until(age, *hazard)) / life
    return rate


def _parts(cohort: api.Cohort, assume: api.Assumed, module_level: api.Bools) -> api.Floats:
    """Return the parts of a site that can fail alone: strings, or modules at module level. Shape (S,)."""
    strings = common.numbers(cohort.arrays, "strings")
    rating = common.numbers(cohort.arrays, "dc_rating_kw")
    strings = np.where(np.isnan(strings), np.ceil(rating / assume["string_rating_kw"]), strings)
    modules = common.module_count(cohort, assume["module_rating_kw"])
    parts = cohort.sum_by_site(np.where(common.of_site(cohort, module_level), modules, strings))
    return np.maximum(parts, 1.0)


def _not_yet_watched(cohort: api.Cohort, assume: api.Assumed) -> api.Floats:
    """Return the chance that nobody would see a fault in a portal already, shape (S,)."""
    known = 1.0 - common.equals(cohort.sites, "monitoring", READ)
    return np.where(common.unknown(cohort.sites, "monitoring"), 1.0 - assume["portal_read_if_unknown"], known)


@api.hookimpl
def aftersun_retrofits() -> list[api.Retrofit]:
    """Register the retrofit."""
    return [MonitoringAddOn()]
