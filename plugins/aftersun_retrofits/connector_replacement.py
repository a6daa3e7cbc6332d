"""Connector replacement: every DC plug pair is renewed, both halves, with one family of one maker.

Model
-----
The current sees a tiny resistance less, ``I^2 R`` in N + 1 pairs a string, and a string that is open comes back with a
chance. The reason to do it is risk: bad contacts open a string or start a fire. A fleet's fault rate is spread over
sites by what is known of their plugs (mixed makes, ends made on site, a hot plug), so that a fleet of which nothing is
known has the fleet's rate, and by age (most faults in the first year and in late years). New plugs have a first year
too, which is why replacing sound plugs on a young system avoids nothing. Avoided fires are an expected loss that
stands apart from the energy; where the modules are the roof skin, more of them reach the building.

It may rank as a safety matter though it costs more than it earns: where a hot plug, an open string or plugs of
different makes are known, the owner is told whatever is bought.

Known limits
------------
Fires count as damage to buildings. Injury by fire, arc or shock is not valued: no money stands for a life, and the
safety notes say what matters. What a string loses between a later fault and its repair is left out. How much likelier
a fault is at mixed, field-made or hot plugs is assumed: no rate is published.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from aftersun import api
from aftersun_retrofits import _common as common

DANGERS = ("hot_connector", "open_string", "mixed_connectors")  # where known, the owner is told; worst first
ONE_FAMILY = "always both halves of a pair, one family of one maker"


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
    """New plug connectors on all strings, with the tests that follow."""

    about, assumptions, facts, claims, notes = common.from_data("connector_replacement")

    def screen(self, cohort: api.Cohort) -> api.Screening:
        """Reject where the plugs are young and sound; ask where reaching or matching them is not plain."""
        sites, arrays = cohort.sites, cohort.arrays
        life = self.assumptions["life_years"].mode
        renewed = cohort.years_since(sites["connectors_renewed_on"]) < life
        danger = _known_danger(cohort)
        hot = common.equals(sites, "hot_connector", True)
        module_level = common.equals(sites, "inverter_topology", "module level")
        in_roof = common.at_any_array(cohort, common.equals(arrays, "mounting", common.IN_ROOF))
        return (
            api.Screening.of(cohort)
            .reject(renewed & ~danger, f"the plugs were renewed less than {life:.0f} years ago")
            .survey(hot, "a hot or melted plug was seen: isolate, then find out why")
            .survey(renewed & danger, "the plugs are said to be renewed, yet a danger is known: see which are old")
            .survey(module_level, "each module's electronics have plugs of their own maker; see which")
            .survey(in_roof, "the modules are the roof skin and have to be opened to reach the plugs")
            .survey(common.fragile(cohort), "fragile roof: how to reach the plugs safely")
        )

    def change(self, cohort: api.Cohort, plant: api.Plant, assume: api.Assumed) -> api.Change:
        """Renew all pairs: less resistance, an open string repaired, fewer fires and repair calls."""
        modules = common.module_count(cohort, assume["module_rating_kw"])
        strings = np.minimum(common.string_count(cohort, assume["string_rating_kw"]), modules)
        pairs = cohort.sum_by_site(modules + strings)
        # on the ground plugs are reached from behind
        hidden = np.where(common.stands_on_ground(cohort), 0.0, modules)
        lifting_h = cohort.sum_by_site(hidden) * assume["lift_min_per_module"] / 60.0
        fewer = self._faults_avoided(cohort, assume)
        fires = assume["fires_per_year"] * assume["connector_share_of_fires"] * _building_share(cohort, modules, assume)
        return api.Change(
            plant=plant.replace(
                connection_loss=np.maximum(plant.connection_loss - _contact_gain(modules / strings, assume), 0.0),
                strings_working=1.0 - (1.0 - plant.strings_working) * (1.0 - assume["open_string_repaired"]),
            ),
            costs=(
                api.CostLine(api.MATERIAL, "connector_pair", pairs, "pair", ONE_FAMILY),
                api.CostLine(api.LABOUR, "electrician", pairs * assume["pair_min"] / 60.0, "h"),
                api.CostLine(api.LABOUR, "helper", lifting_h, "h", "modules that hide their plugs"),
                api.CostLine(api.INSPECTION, "insulation_test", np.ones(len(cohort)), "visit"),
                *common.access(cohort),
            ),
            yearly=(
                api.CostLine(api.AVOIDED_RISK, "building_fire_damage", fires * fewer, "fire"),
                api.CostLine(api.AVOIDED_WORK, "repair_visit", assume["connector_faults_per_year"] * fewer, "repair"),
            ),
            remarks=_remarks(cohort),
        )

    def safety(self, cohort: api.Cohort) -> api.Notes:
        """Arcs, plugs under load, makes that must not be mated, tests, and the way up."""
        only = {f"known_{name}": common.equals(cohort.sites, name, True) for name in DANGERS}
        topology_unknown = common.unknown(cohort.sites, "inverter_topology")
        only["module_electronics"] = topology_unknown | common.equals(cohort.sites, "inverter_topology", "module level")
        return common.notes_for(cohort, self.notes, only)

    def _faults_avoided(self, cohort: api.Cohort, assume: api.Assumed) -> api.Floats:
        """Return faults avoided for each fault that an average system has over its life, shape (S,)."""
        mixed, field_made, hot = (
            self.facts[name] for name in ("mixed_connectors", "field_made_connectors", "hot_connector")
        )
        factors = (assume["poor_pairs_factor"], assume["hot_plug_factor"])
        poor = _either(assume.chance(cohort.sites, mixed), assume.chance(cohort.sites, field_made))
        now = fault_factor(poor, assume.chance(cohort.sites, hot), *factors)
        fleet = fault_factor(_either(mixed.prior.mode, field_made.prior.mode), hot.prior.mode, *factors)
        life = max(assume["life_years"], 1.0)
        by_age = (assume["first_year_factor"], assume["late_factor"], assume["late_from_years"])
        kept = now * mean_age_factor(_age_years(cohort, assume), life, *by_age)
        renewed = mean_age_factor(0.0, life, *by_age)
        return np.maximum(kept - renewed, 0.0) / (fleet * renewed)


def _known_danger(cohort: api.Cohort) -> api.Bools:
    """Tell per site (S,) whether something is known of its plugs that the owner is told whatever is bought."""
    known: api.Bools = np.any([common.equals(cohort.sites, name, True) for name in DANGERS], axis=0)
    return known


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


def _remarks(cohort: api.Cohort) -> npt.NDArray[np.object_]:
    hot = common.equals(cohort.sites, "hot_connector", True)
    texts = np.full(len(cohort), "For safety: the energy gain is next to nothing", dtype=object)
    texts[_known_danger(cohort)] = "A safety matter: the owner is told whether or not anything is bought"
    texts[hot] = "A safety matter: a hot or melted plug is isolated now, by a licensed electrician, whatever is bought"
    return texts


@api.hookimpl
def aftersun_retrofits() -> list[api.Retrofit]:
    """Register the retrofit."""
    return [ConnectorReplacement()]
