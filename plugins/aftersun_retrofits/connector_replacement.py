"""Work on DC plug connectors in four scopes: inspected, an open string repaired, string ends renewed, all renewed.

Model
-----
Each scope is a variant with hours and price of its own, and of each site the one that is worth most counts:

- inspect: string currents and an infrared picture under load, with a report. What is found bad is renewed or repaired,
  so price and gain hold the chance of that. Where no danger is known.
- repair: the open string that is known is searched for, found and repaired. Where no plugs are known to be bad.
- ends: the plugs at both ends of each string are renewed, which is where plugs were mixed or made on site. Factory
  pairs of one family stay.
- all: every pair, both halves, with one family of one manufacturer.

Where an open string is known, ends and all begin with its repair; elsewhere they cure one by chance.

The current sees a tiny resistance less, ``I^2 R`` in the pairs that are renewed of N + 1 a string. An open string takes
one of the strings that the site has (the baseline plant's share of strings that work; a meter has the last word on its
chance). What its repair wins ends when somebody would have noticed it anyway: ``exp(-t / D)``, D the days in which the
loss of a string is noticed in the model of monitoring. From then on a plain repair would have been paid for, which is
spared: one call-out, spread evenly over the life.

Else the reason is risk: bad contacts open a string or start a fire. A string that opens later is lost until that is
noticed, the same D days, and where it is the only one until a standstill is; what fewer faults save of this raises
availability. A fleet's fault rate is spread over sites by what
is known of their plugs (mixed makes, ends made on site, a hot plug), so that a fleet of which nothing is known has the
fleet's rate, and by age (most faults in the first year and in late years). New plugs have a first year too, which is
why replacing sound plugs on a young system avoids nothing. Of the faults of bad plugs a share sits at the ends of
strings. Plugs of before 2012 are old families with a rate of their own. Avoided fires are an expected loss that stands
apart from the energy; where the modules are the roof skin, more of them reach the building.

It may rank as a safety matter though it costs more than it earns: where a hot plug, an open string or plugs of
different makes are known, the owner is told whatever is bought, and no scope is offered that leaves it.

Known limits
------------
Fires count as damage to buildings. Injury by fire, arc or shock is not valued: no money stands for a life, and the
safety notes say what matters. A later fault is taken to open one string, and to be noticed after the mean of days.
How much likelier a fault is at mixed, field-made, hot or old plugs is assumed: no rate is published. Nobody counts roof
faces: arrays that face different ways are taken to need a way up each. A second way to the site after an inspection is
not charged.
"""

from __future__ import annotations

from dataclasses import replace
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import pandas as pd

from aftersun import api
from aftersun_retrofits import _common as common

DANGERS = ("hot_connector", "open_string", "mixed_connectors")  # where known, the owner is told; worst first
ONE_FAMILY = "always both halves of a pair, one family of one manufacturer"
ENDS_OF_A_STRING = 2
READ = "portal somebody reads"
UNREAD = "portal nobody reads"

INSPECT = "inspect with infrared under load, renew or repair what is found"
REPAIR = "find and repair the open string"
ENDS = "renew the plugs at the ends of the strings"
ALL = "renew all plugs"

Part = api.Floats | float  # of something at each site, (S,), or at all of them


def contact_power_w(imp_a: npt.ArrayLike, contact_mohm: npt.ArrayLike) -> api.Floats:
    """Return the heat of one contact of ``contact_mohm`` at the current ``imp_a``, ``I^2 R``, in W."""
    power: api.Floats = np.square(np.asarray(imp_a, dtype=np.float64)) * np.asarray(contact_mohm) / 1000.0
    return power


def contact_loss(
    modules: npt.ArrayLike, contact_mohm: npt.ArrayLike, imp_a: npt.ArrayLike, vmp_v: npt.ArrayLike
) -> api.Floats:
    """Return the share of a string's power lost in its plugs at full sun, ``(N + 1) Imp R / (N Vmp)``.

    ``modules`` N in the string, ``contact_mohm`` of one mated pair, ``imp_a`` and ``vmp_v`` of one module: N + 1 pairs,
    N - 1 between modules and two at the ends. Over a year it is less, since it falls with the current.
    """
    count = np.asarray(modules, dtype=np.float64)
    power = np.multiply(imp_a, vmp_v)
    return (count + 1.0) / count * contact_power_w(imp_a, contact_mohm) / power


def fault_factor(
    poor_chance: npt.ArrayLike, hot_chance: npt.ArrayLike, poor_factor: float, hot_factor: float
) -> api.Floats:
    """Return the expected faults at a site's plugs for each one at sound plugs.

    ``poor_chance`` that pairs are mixed or made on site, ``hot_chance`` that one is hot or melted; linear in both, so
    that a fleet's mean is the factor at its shares.
    """
    return 1.0 + (poor_factor - 1.0) * np.asarray(poor_chance) + (hot_factor - 1.0) * np.asarray(hot_chance)


def mean_age_factor(
    age_years: npt.ArrayLike, years: float, first_factor: float, late_factor: float, late_from_years: float
) -> api.Floats:
    """Return the mean fault factor over the coming ``years`` of plugs that are ``age_years`` old now.

    The factor is ``first_factor`` in the first year, ``late_factor`` from ``late_from_years`` on, else 1.
    """
    start = np.asarray(age_years, dtype=np.float64)
    end = start + years
    first = np.clip(1.0 - start, 0.0, years)
    late = np.clip(end - np.maximum(start, late_from_years), 0.0, years)
    return 1.0 + ((first_factor - 1.0) * first + (late_factor - 1.0) * late) / years


class ConnectorReplacement:
    """Inspection, repair and renewal of plug connectors, with the tests that follow."""

    about, assumptions, facts, claims, notes = common.from_data("connector_replacement")

    def screen(self, cohort: api.Cohort) -> api.Screening:
        """Reject where the plugs are young and sound; ask where reaching or matching them is not plain."""
        sites, arrays = cohort.sites, cohort.arrays
        life = self.assumptions["life_years"].mode
        renewed = cohort.years_since(sites["connectors_renewed_on"]) < life
        hot, is_open, mixed = _told(cohort)
        danger = hot | is_open | mixed
        metered = common.numbers(sites, "meter_open_string_chance")
        module_level = common.equals(sites, "inverter_topology", "module level")
        in_roof = common.at_any_array(cohort, common.equals(arrays, "mounting", common.IN_ROOF))
        return (
            api.Screening.of(cohort)
            .reject(renewed & ~danger, f"the plugs were renewed less than {life:.0f} years ago")
            .survey(hot, "a hot or melted plug was seen: isolate, then find out why")
            .survey(renewed & danger, "the plugs are said to be renewed, yet a danger is known: see which are old")
            .survey(
                is_open & (_counted_strings(cohort) == 1.0),
                "with one string only, an open one stops all: see if it runs",
            )
            .survey(is_open & (metered < 0.5), "the meter shows about full output: see whether a string is open at all")
            .survey(module_level, "each module's electronics have connectors of their own manufacturer; see which")
            .survey(in_roof, "the modules are the roof skin and have to be opened to reach the plugs")
            .survey(common.fragile(cohort), "fragile roof: how to reach the plugs safely")
        )

    def change(self, cohort: api.Cohort, plant: api.Plant, assume: api.Assumed) -> api.Change:
        """Return all four scopes, the renewal of all plugs first."""
        work = _Work(cohort, plant, assume, self._plugs(cohort, assume))
        plugs, finds, cured = work.plugs, assume["inspection_finds"], assume["open_string_repaired"]
        hot, is_open, mixed = _told(cohort)
        searched = is_open.astype(np.float64)
        ends = np.minimum(ENDS_OF_A_STRING * work.strings, work.pairs)
        lifted_for_ends = np.minimum(assume["lifted_per_string"] * work.strings, work.hidden)
        share, at_ends = ends / work.pairs, assume["ends_fault_share"]
        by_plugs = assume["open_string_cured_by_plugs"]
        seen_bad = finds * _either(plugs.mixed, plugs.hot)
        return replace(
            work.scope(ALL, work.pairs, work.hidden, searched, np.where(is_open, cured, by_plugs), 1.0, plugs.excess),
            alternatives=(
                replace(
                    work.scope(
                        INSPECT,
                        ends * seen_bad,
                        lifted_for_ends * seen_bad,
                        plugs.open_string,  # string currents leave no doubt of it
                        cured,
                        share * seen_bad,
                        at_ends * finds * plugs.excess_seen,
                        visited=seen_bad,
                        inspected=1.0,
                    ),
                    available=~(hot | is_open | mixed),
                ),
                replace(
                    work.scope(REPAIR, 0.0, 0.0, searched, cured, 0.0, 0.0, visited=0.0),
                    available=is_open & ~(hot | mixed),
                ),
                work.scope(
                    ENDS,
                    ends,
                    lifted_for_ends,
                    searched,
                    np.where(is_open, cured, at_ends * by_plugs),
                    share,
                    at_ends * plugs.excess,
                ),
            ),
        )

    def safety(self, cohort: api.Cohort) -> api.Notes:
        """Arcs, plugs under load, makes that must not be mated, tests, and the way up."""
        only = {f"known_{name}": told for name, told in zip(DANGERS, _told(cohort), strict=True)}
        topology_unknown = common.unknown(cohort.sites, "inverter_topology")
        only["module_electronics"] = topology_unknown | common.equals(cohort.sites, "inverter_topology", "module level")
        only["open_string_search"] = ~common.equals(cohort.sites, "open_string", False)
        # not known to be newer
        only["old_plug_family"] = ~(_year_of_plugs(cohort) >= self.assumptions["old_plugs_before_year"].mode)
        return common.notes_for(cohort, self.notes, only)

    def _plugs(self, cohort: api.Cohort, assume: api.Assumed) -> _Plugs:
        """Return what is known and taken of the plugs of each site."""
        facts = {name: self.facts[name] for name in ("mixed_connectors", "field_made_connectors", "hot_connector")}
        mixed, field_made, hot = (assume.chance(cohort.sites, fact) for fact in facts.values())
        fleet_mixed, fleet_field_made, fleet_hot = (fact.prior.mode for fact in facts.values())
        factors = assume["poor_pairs_factor"], assume["hot_plug_factor"]
        old = _year_of_plugs(cohort) < assume["old_plugs_before_year"]  # NaN is no
        guessed = old & common.unknown(cohort.sites, "mixed_connectors")
        mixed = np.where(guessed, np.minimum(mixed * assume["old_mixed_factor"], 1.0), mixed)
        life = max(assume["life_years"], 1.0)
        by_age = (assume["first_year_factor"], assume["late_factor"], assume["late_from_years"])
        kept = mean_age_factor(_age_years(cohort, assume), life, *by_age)
        return _Plugs(
            open_string=assume.chance(cohort.sites, self.facts["open_string"]),
            mixed=mixed,
            hot=hot,
            excess=fault_factor(_either(mixed, field_made), hot, *factors) - 1.0,
            excess_seen=fault_factor(mixed, hot, *factors) - 1.0,
            kept=kept * np.where(old, assume["old_family_factor"], 1.0),
            renewed=float(mean_age_factor(0.0, life, *by_age)),
            fleet=float(fault_factor(_either(fleet_mixed, fleet_field_made), fleet_hot, *factors)),
        )


class _Plugs(NamedTuple):
    """Chances (S,) of an open string, of mixed and of hot plugs, and faults for each one at sound plugs."""

    open_string: api.Floats
    mixed: api.Floats
    hot: api.Floats
    excess: api.Floats  # beyond sound plugs, (S,)
    excess_seen: api.Floats  # of it at plugs that an inspection tells from sound ones: mixed or hot
    kept: api.Floats  # by age and family, of the plugs that are there
    renewed: float  # by age, of new ones
    fleet: float  # at plugs of which nothing is known

    def faults_avoided(self, renewed: Part, excess: Part) -> api.Floats:
        """Return faults avoided for each fault that an average system has over its life, (S,).

        ``renewed`` is the part of the pairs that become new, ``excess`` the faults at bad plugs that go with them.
        """
        fewer = renewed * (self.kept - self.renewed) + excess * self.kept
        return np.asarray(np.maximum(fewer, 0.0) / (self.fleet * self.renewed))


class _Work:
    """What is done on the sites of a cohort, whatever the scope."""

    def __init__(self, cohort: api.Cohort, plant: api.Plant, assume: api.Assumed, plugs: _Plugs) -> None:
        self._cohort, self._plant, self._assume, self.plugs = cohort, plant, assume, plugs
        self._modules = common.module_count(cohort, assume["module_rating_kw"])
        strings = common.string_count(cohort, assume["string_rating_kw"], assume["string_modules"])
        self._strings = np.minimum(strings, self._modules)
        self.strings = cohort.sum_by_site(self._strings)
        self.pairs = cohort.sum_by_site(self._modules + self._strings)
        # on the ground plugs are reached from behind
        self.hidden = cohort.sum_by_site(np.where(common.stands_on_ground(cohort), 0.0, self._modules))
        self._way_up = common.access(cohort)
        # The more pairs, the more of them fail; fires are counted over systems of all sizes.
        self._faults = assume["connector_faults_per_year"] * self.pairs / assume["usual_pairs"]
        burns = _building_share(cohort, self._modules, assume)
        self._fires = assume["fires_per_year"] * assume["connector_share_of_fires"] * burns
        self._gain = _contact_gain(self._modules / self._strings, assume)
        years = common.years_of_effect(ConnectorReplacement.about, assume)
        noticed = _days_to_notice(cohort, assume)
        self._noticed = 1.0 - common.mean_decay_by_year(noticed, years)
        # Of a year's output; the loss of the only string is a standstill.
        alone = np.minimum(noticed, assume["days_stop_unnoticed"])
        self._lost_by_fault = np.where(self.strings > 1, noticed, alone) / common.DAYS_PER_YEAR / self.strings
        self._remarks = _remarks(cohort, assume)

    def scope(
        self,
        label: str,
        pairs: Part,
        lifted: Part,
        searched: Part,
        cured: Part,
        renewed: Part,
        excess: Part,
        visited: Part = 1.0,
        inspected: float = 0.0,
    ) -> api.Change:
        """Return the change by one scope; each of these (S,) or the same everywhere.

        ``pairs`` renewed and modules ``lifted`` for them, ``searched`` the chance that an open string is searched for
        and ``cured`` that one works again, ``renewed`` and ``excess`` as in :meth:`_Plugs.faults_avoided`, ``visited``
        the chance of work on all faces of the roof, ``inspected`` the visits with a camera.
        """
        cohort, plant, assume, ones = self._cohort, self._plant, self._assume, np.ones(len(self._cohort))
        lifting_h = lifted * assume["lift_min_per_module"] / 60.0 * ones
        searching_h = searched * assume["fault_finding_hours"] * ones
        test_h = visited * self.strings * assume["string_test_min"] / 60.0
        crimping_h = pairs * assume["pair_min"] / 60.0 * ones
        on_roof = np.maximum(visited * ones, searched)
        roof, ground = self._way_up
        fewer = self.plugs.faults_avoided(renewed, excess)
        spared = self.plugs.open_string * cured / max(assume["life_years"], 1.0)
        contact = self._gain * common.of_site(cohort, renewed * ones)
        left_open = (1.0 - plant.strings_working) * (1.0 - common.of_site(cohort, cured * ones))
        later = self._faults * fewer * self._lost_by_fault
        after = plant.replace(
            connection_loss=np.maximum(plant.connection_loss - contact, 0.0),
            strings_working=1.0 - left_open,
            availability=np.minimum(plant.availability + later, np.maximum(plant.availability, 1.0)),
        )
        return api.Change(
            plant=after,
            costs=(
                api.CostLine(api.INSPECTION, "diagnosis_visit", inspected * ones, "visit", "infrared, string currents"),
                api.CostLine(
                    api.MATERIAL, "connector_pair", (pairs + ENDS_OF_A_STRING * searched) * ones, "pair", ONE_FAMILY
                ),
                api.CostLine(api.LABOUR, "electrician", crimping_h, "h", "to renew plugs"),
                api.CostLine(
                    api.LABOUR, "electrician", lifting_h, "h", "two people lift modules that hide their plugs"
                ),
                api.CostLine(api.LABOUR, "helper", lifting_h, "h", "two people lift modules that hide their plugs"),
                api.CostLine(api.LABOUR, "electrician", searching_h, "h", "to find and repair an open string"),
                api.CostLine(api.LABOUR, "helper", searching_h, "h", "to find and repair an open string"),
                api.CostLine(api.LABOUR, "electrician", test_h, "h", "test of each string"),
                api.CostLine(api.INSPECTION, "insulation_test", on_roof, "visit"),
                replace(roof, quantity=roof.quantity * np.maximum(visited * _roof_faces(cohort), searched)),
                replace(ground, quantity=ground.quantity * on_roof),
            ),
            yearly=(
                api.CostLine(api.AVOIDED_RISK, "building_fire_damage", self._fires * fewer, "fire"),
                api.CostLine(
                    api.AVOIDED_WORK,
                    "repair_visit",
                    self._faults * fewer + spared,
                    "repair",
                    "later faults, and of an open string the repair once it is noticed",
                ),
            ),
            fade=1.0 - _passing(cohort, plant, after)[:, np.newaxis] * self._noticed,
            remarks=self._remarks,
            label=label,
        )


@common.of_facts
def _told(cohort: api.Cohort) -> tuple[api.Bools, ...]:
    """Tell per site (S,) which of :data:`DANGERS` are known: the owner is told of them whatever is bought."""
    return tuple(common.equals(cohort.sites, name, True) for name in DANGERS)


def _either(chance: npt.ArrayLike, other: npt.ArrayLike) -> api.Floats:
    """Return the chance that at least one of two independent facts is true."""
    return 1.0 - np.subtract(1.0, chance) * np.subtract(1.0, other)


def _building_share(cohort: api.Cohort, modules: api.Floats, assume: api.Assumed) -> api.Floats:
    """Return the share of connector fires that damage the building, over all modules of a site, shape (S,)."""
    in_roof = common.equals(cohort.arrays, "mounting", common.IN_ROOF)
    share = np.select(
        [in_roof, common.stands_on_ground(cohort)],
        [assume["building_share_in_roof"], assume["building_share_on_ground"]],
        default=assume["building_share_of_fires"],
    )
    return cohort.sum_by_site(share * modules) / np.maximum(cohort.sum_by_site(modules), 1.0)


def _contact_gain(modules_per_string: api.Floats, assume: api.Assumed) -> api.Floats:
    """Return the share of a year's output that new contacts lose less than aged ones, per array (A,)."""
    electric = (assume["module_imp_a"], assume["module_vmp_v"])
    aged = contact_loss(modules_per_string, assume["aged_contact_mohm"], *electric)
    new = contact_loss(modules_per_string, assume["new_contact_mohm"], *electric)
    return np.maximum(aged - new, 0.0) * assume["current_weight"]


def _age_years(cohort: api.Cohort, assume: api.Assumed) -> api.Floats:
    """Return the age of the plugs in years, since they were renewed or the system began. Shape (S,)."""
    of_system = common.years_since(cohort, "commissioned_on", assume["age_if_unknown_years"])
    return common.years_since(cohort, "connectors_renewed_on", of_system)


def _passing(cohort: api.Cohort, plant: api.Plant, after: api.Plant) -> api.Floats:
    """Return the part of the gain that an open string makes, which ends once it is noticed, (S,)."""
    rating = common.numbers(cohort.arrays, "dc_rating_kw")
    contacts, strings = (
        cohort.sum_by_site(rating * (new / np.maximum(old, 1e-9) - 1.0))
        for old, new in (
            (1.0 - plant.connection_loss, 1.0 - after.connection_loss),
            (plant.strings_working, after.strings_working),
        )
    )
    faults = (after.availability / np.maximum(plant.availability, 1e-9) - 1.0) * cohort.sum_by_site(rating)
    gained = contacts + strings + faults
    return np.divide(strings, gained, out=np.zeros_like(gained), where=gained > 0)


def _days_to_notice(cohort: api.Cohort, assume: api.Assumed) -> api.Floats:
    """Return the mean days until the loss of a string would be noticed anyway, as monitoring has them, (S,)."""
    read, unread = _portal(cohort)
    days = assume["days_part_unnoticed"] * np.where(unread, assume["unread_portal_factor"], 1.0)
    return np.maximum(np.where(read, assume["days_part_alerted"], days), 1.0)


@common.of_facts
def _portal(cohort: api.Cohort) -> tuple[api.Bools, ...]:
    """Tell where a portal is known that somebody reads, and one that nobody reads, (S,) each."""
    return tuple(common.equals(cohort.sites, "monitoring", kind) for kind in (READ, UNREAD))


@common.of_facts
def _roof_faces(cohort: api.Cohort) -> api.Floats:
    """Return the faces of the roof that carry modules: ways that arrays look which neither lie flat nor stand on it."""
    pitched = ~common.stands_on_ground(cohort) & ~common.equals(cohort.arrays, "mounting", common.FLAT_FRAME)
    arrays = cohort.arrays[pitched]
    faces = arrays["azimuth_deg"].round().groupby(arrays["site"]).nunique()
    counted = faces.reindex(range(len(cohort)), fill_value=0).to_numpy(dtype=np.float64)
    return np.maximum(counted, 1.0)


def _counted_strings(cohort: api.Cohort) -> api.Floats:
    """Return the strings of each site where all are counted, else NaN, (S,)."""
    return cohort.sum_by_site(common.numbers(cohort.arrays, "strings"))


@common.of_facts
def _year_of_plugs(cohort: api.Cohort) -> api.Floats:
    """Return the year in which all plugs were renewed, else that of the system; NaN = unknown, (S,)."""
    since = cohort.sites["connectors_renewed_on"].fillna(cohort.sites["commissioned_on"])
    return np.asarray(pd.to_datetime(since).dt.year.astype("Float64").to_numpy(np.float64, na_value=np.nan))


def _remarks(cohort: api.Cohort, assume: api.Assumed) -> npt.NDArray[np.object_]:
    hot, is_open, mixed = _told(cohort)
    texts = np.full(len(cohort), "For safety: the energy gain is next to nothing", dtype=object)
    suspected = common.numbers(cohort.sites, "meter_open_string_chance") >= assume["meter_suspicion"]  # NaN is no
    texts[suspected] = "The meter shows about as much missing as one string makes"
    texts[hot | is_open | mixed] = "A safety matter: the owner is told whether or not anything is bought"
    texts[hot] = "A safety matter: a hot or melted plug is isolated now, by a licensed electrician, whatever is bought"
    return texts


@api.hookimpl
def aftersun_retrofits() -> list[api.Retrofit]:
    """Register the retrofit."""
    return [ConnectorReplacement()]
