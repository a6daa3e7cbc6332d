"""Degradation mitigation: a device that biases the array at night drives potential-induced shunting back.

Normal ageing cannot be undone; only the excess beyond it can, and only the part of it that is potential-
induced shunting of p-type crystalline cells. An excess ``x`` becomes ``x [(1 - R) + R exp(-t / tau)]``: the
plant gets the end state ``x (1 - R)`` and ``fade`` the way there. Growth of the excess without the device
is not counted, so a gain that is found is rather too small than too large. A measured excess may have other
causes and counts with a chance; where nothing is measured, today's plant holds the small expected loss of
systems of the kind, and the offer is a diagnosis.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from aftersun import api
from aftersun_retrofits import _common as common

DAYS_PER_YEAR = 365.0
NIGHT_KWH_PER_YEAR_AND_W = 4.380  # half of the hours of a year are night, at every latitude

THIN_FILM = "thin film"
N_TYPE = "n-type crystalline"
ISOLATED = "isolated"
MODULE_LEVEL = "module level"


def recovered_by_year(time_constant_days: float, years: int) -> api.Floats:
    """Return the mean of ``1 - exp(-t / tau)`` over year 1, 2, ... after fitting, shape (years,)."""
    edges = np.exp(-np.arange(years + 1) * DAYS_PER_YEAR / time_constant_days)
    mean: api.Floats = 1.0 - time_constant_days / DAYS_PER_YEAR * (edges[:-1] - edges[1:])
    return mean


class DegradationMitigation:
    """A night-bias device on the DC side, offered after a diagnosis."""

    assumptions = api.read_ranges(common.DATA, "assumptions/degradation_mitigation.csv")
    facts = api.read_facts(common.DATA, "facts.csv", ())
    claims = api.read_claims(common.DATA, "claims.csv", "degradation_mitigation")
    notes = api.read_notes(
        common.DATA,
        "safety_notes.csv",
        (
            "night_voltage",
            "dc_stays_live",
            "dc_safe_order",
            "functional_earthing",
            "mains_licensed",
            "polarity_of_bias",
            "earth_fault_alarm",
            "test_after_dc_work",
            "module_electronics",
            "inverter_consent",
            "warranty_claim_first",
            "ground_array",
            "local_rules",
        ),
    )
    about = api.About(
        id="degradation_mitigation",
        title="Recovery from potential-induced degradation",
        summary="A diagnosis and a device that biases the array at night to win back excess degradation",
        version="1.0",
        life=assumptions["life_years"],
        reads=(
            "cell_type",
            "inverter_topology",
            "humid_or_coastal",
            "measured_excess_loss",
            "warranty_until",
            "mounting",
            "roof_kind",
            "dc_rating_kw",
        ),
        sources=(
            "Carolus and Daenen, Hasselt University",
            "NREL, PVSC 2023",
            "Jordan and Kurtz, Prog. Photovolt. 21, 2013, 12-29",
        ),
        price_items=("night_bias_device", "diagnosis_visit"),
    )

    def screen(self, cohort: api.Cohort) -> api.Screening:
        """Fit only where cells and inverter can suffer it and a loss is measured; ask for what is unknown."""
        sites = cohort.sites
        loss = common.numbers(sites, "measured_excess_loss")
        unmeasured = np.isnan(loss)
        warranty_ended = cohort.years_since(sites["warranty_until"])  # years ago; 0 = it runs, NaN = unknown
        smallest = self.assumptions["smallest_excess_loss"].mode
        return (
            api.Screening.of(cohort)
            .reject(
                common.equals(sites, "inverter_topology", MODULE_LEVEL),
                "module-level electronics keep the voltage to earth low",
            )
            .reject(
                common.equals(sites, "inverter_topology", ISOLATED),
                "galvanically isolated: ask a qualified electrician and the inverter's maker for another remedy",
            )
            .reject(common.equals(sites, "cell_type", THIN_FILM), "thin film degrades in other ways")
            .reject(common.equals(sites, "cell_type", N_TYPE), "on n-type cells night bias can make it worse")
            .reject(loss < smallest, f"less than {smallest:.0%} excess loss is measured: within the scatter")
            .reject(
                unmeasured & common.equals(sites, "humid_or_coastal", False),
                "dry air, and no excess loss is measured",
            )
            .survey(unmeasured, "measure first: no excess loss is recorded")
            .survey(common.unknown(sites, "cell_type"), "the cell type is not known")
            .survey(common.unknown(sites, "inverter_topology"), "the kind of inverter is not known")
            .survey(warranty_ended == 0.0, "the performance warranty still runs: claim first")
            .survey(np.isnan(warranty_ended), "whether the performance warranty still runs is not known")
        )

    def change(self, cohort: api.Cohort, plant: api.Plant, assume: api.Assumed) -> api.Change:
        """Take the recoverable part off the excess loss; the fade gives the time that recovery takes."""
        ones = np.ones(len(cohort))
        measured = ~common.unknown(cohort.sites, "measured_excess_loss")
        # An expected loss is of the reversible kind by definition; a measured one only perhaps.
        reversible = np.where(measured, assume["reversible_chance"], 1.0) * ~_ruled_out(cohort)
        site = cohort.arrays["site"].to_numpy(dtype=np.intp)
        left = 1.0 - assume["recoverable_share"] * reversible
        rating = cohort.sum_by_site(common.numbers(cohort.arrays, "dc_rating_kw"))
        devices = np.maximum(np.ceil(rating / assume["dc_kw_per_device"]), 1.0)
        years = int(np.ceil(max(self.about.life.high, assume["life_years"])))
        return api.Change(
            plant=plant.replace(
                excess_loss=plant.excess_loss * left[site],
                standby_kwh=plant.standby_kwh + assume["standby_w"] * NIGHT_KWH_PER_YEAR_AND_W * devices,
            ),
            costs=(
                api.CostLine(api.INSPECTION, "diagnosis_visit", ones, "visit", "a loss has many causes"),
                api.CostLine(api.MATERIAL, "night_bias_device", devices, "piece"),
                api.CostLine(api.LABOUR, "electrician", assume["device_hours"] * devices, "h"),
            ),
            fade=recovered_by_year(assume["recovery_days"], years),
            remarks=_remarks(cohort),
        )

    def safety(self, cohort: api.Cohort) -> api.Notes:
        """Voltage at night, earthing and polarity; the warranty claim before the sale."""
        warranty_ended = cohort.years_since(cohort.sites["warranty_until"]) > 0.0  # False where unknown
        only = {
            "module_electronics": common.equals(cohort.sites, "inverter_topology", MODULE_LEVEL),
            "warranty_claim_first": ~warranty_ended,
        }
        return common.notes_for(cohort, self.notes, only)


def _ruled_out(cohort: api.Cohort) -> api.Bools:
    """Tell where cells or inverter are known to rule potential-induced shunting out, shape (S,)."""
    cells = common.equals(cohort.sites, "cell_type", THIN_FILM, N_TYPE)
    return cells | common.equals(cohort.sites, "inverter_topology", ISOLATED, MODULE_LEVEL)


def _remarks(cohort: api.Cohort) -> npt.NDArray[np.object_]:
    warranty_runs = cohort.years_since(cohort.sites["warranty_until"]) == 0.0
    rest = np.where(
        common.unknown(cohort.sites, "measured_excess_loss"),
        "Nothing is measured: it counts with the small chance that there is such a loss",
        "",
    )
    return np.where(warranty_runs, "The performance warranty still runs: claim first", rest).astype(object)


@api.hookimpl
def aftersun_retrofits() -> list[api.Retrofit]:
    """Register the retrofit."""
    return [DegradationMitigation()]
