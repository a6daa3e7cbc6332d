"""A new inverter before the old one fails: the failure that is to come, the efficiency, and years for an old system.

How long inverters last is taken as a Weibull distribution: the chance that the present one, alive at its age, fails in
each coming year times what a renewal in a hurry costs is what the owner is spared; the new one's own failures after its
warranty are counted against it. Left out: output lost until a failed one is renewed, which a service contract is for;
later failures of the one that would have been fitted then; inverters made ready for a battery.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import numpy.typing as npt

from aftersun import api
from aftersun_upgrades import _common as common

LIFE = api.Range(12, 8, 18, "years", "common practice, no source")


def failures_by_year(age_years: npt.ArrayLike, years: int, scale_years: float, shape: float) -> api.Floats:
    """Return the chance that inverters alive at their age (S,) fail in year 1, 2, ... from now, shape (S, ``years``).

    Weibull: ``exp(-(t / scale) ** shape)`` of all are alive after t years.
    """
    edges = np.asarray(age_years, dtype=np.float64)[..., np.newaxis] + np.arange(years + 1)
    exponent = (edges / scale_years) ** shape
    return np.asarray(-np.diff(np.exp(exponent[..., :1] - exponent), axis=-1))


class InverterRenewal:
    """Inverters renewed as a planned job."""

    about = api.About(
        id="inverter_renewal",
        title="New inverter",
        summary="The inverters are renewed before they fail, with ten years of warranty",
        version="0.1",
        life=LIFE,
        reads=("inverter_year", "commissioned_on", "remaining_life_years", "inverter_topology"),
        sources=("Weibull distribution of lives", "common practice, no source: renewed after 10 to 15 years"),
        prices=(
            api.PriceItem(
                "inverter",
                api.MATERIAL,
                api.Range(110, 70, 200, "per kW", "common practice, no source; EUR of 2026", "inverter, AC rating"),
            ),
            api.PriceItem(
                "inverter_in_a_hurry",
                api.AVOIDED_WORK,
                api.Range(
                    240, 150, 400, "per kW", "assumption: with call-out and work, tax included; EUR of 2026",
                    "renewal of a failed inverter, which the owner would pay for",
                ),
            ),
        ),
    )  # fmt: skip
    assumptions: Mapping[str, api.Range] = {
        "life_years": LIFE,
        "scale_years": api.Range(
            14, 10, 20, "years", "common practice, no source", "age by which 63 of 100 inverters have failed"
        ),
        "weibull_shape": api.Range(
            3.0, 2.0, 4.0, "1", "assumption: wear, not chance alone", "how steeply failures rise"
        ),
        "unknown_age_years": api.Range(8, 3, 14, "years", "assumption"),
        "warranty_years": api.Range(10, 5, 12, "years", "common practice, no source", "of the new inverter"),
        "new_efficiency": api.Range(0.975, 0.965, 0.985, "share", "common practice, no source"),
        "module_life_years": api.Range(
            30, 25, 40, "years", "common practice, no source", "how long a system is kept if its inverter is sound"
        ),
        "fixed_h": api.Range(4, 3, 8, "h", "assumption", "electrician, whatever the size"),
        "h_per_kw": api.Range(0.25, 0.1, 0.5, "h/kW", "assumption", "electrician besides"),
    }
    facts: Mapping[str, api.Fact] = {}
    claims = (api.Claim("A new inverter gives 5 to 10 % more.", "common practice, no source"),)

    def screen(self, cohort: api.Cohort, assume: api.Assumed) -> api.Screening:
        """Not behind each module; not while the present one is under warranty."""
        age = self._age(cohort, assume)
        return (
            api.Screening.of(cohort)
            .reject(common.equals(cohort.sites, "inverter_topology", "module level"), "one inverter behind each module")
            .reject(age < assume["warranty_years"], "the inverter is young: its warranty is the way")
            .survey(cohort.sites["inverter_year"].isna().to_numpy(), "how old the inverter is, and of which kind")
        )

    def change(self, cohort: api.Cohort, plant: api.Plant, assume: api.Assumed) -> api.Change:
        """The new one's efficiency, the old one's failures spared, and a system that is kept as long as its modules."""
        kw, years = plant.inverter_rating_kw, int(np.ceil(self.about.life.high))
        scale, shape = assume["scale_years"], assume["weibull_shape"]
        old = failures_by_year(self._age(cohort, assume), years, scale, shape)
        new = failures_by_year(0.0, years, scale, shape) * (np.arange(1, years + 1) > assume["warranty_years"])
        spared = (old - new) * kw[:, np.newaxis]
        later = [
            line
            for year, here in enumerate(spared.T, start=1)
            for line in (
                api.CostLine(api.AVOIDED_WORK, "inverter_in_a_hurry", np.maximum(here, 0.0), "kW", in_year=year),
                api.CostLine(api.MATERIAL, "inverter", np.maximum(-here, 0.0), "kW", "by its chance", in_year=year),
            )
        ]
        left = np.maximum(assume["module_life_years"] - cohort.age_years(assume["unknown_age_years"]), 0.0)
        said = cohort.sites["remaining_life_years"].notna().to_numpy()
        return api.Change(
            plant=plant.replace(inverter_efficiency=np.maximum(plant.inverter_efficiency, assume["new_efficiency"])),
            costs=(
                api.CostLine(api.MATERIAL, "inverter", kw, "kW"),
                api.CostLine(api.LABOUR, "electrician", assume["fixed_h"] + assume["h_per_kw"] * kw, "h"),
                *later,
            ),
            plant_life_years=np.where(said, 0.0, np.minimum(left, 60.0)),
        )

    def safety(self, cohort: api.Cohort) -> api.Notes:
        """Live DC, stored charge, weight."""
        stored = api.Note(
            "inverter_charge",
            api.DANGER,
            "Capacitors stay charged after switching off: wait as long as the maker says, and measure.",
            "a licensed electrician",
            "EN 62109-1; the maker's manual",
        )
        return api.Notes.of(cohort).add(common.LIVE).add(stored)

    def _age(self, cohort: api.Cohort, assume: api.Assumed) -> api.Floats:
        """Return the age of the inverters in years: told, else that of the system."""
        fitted = common.numbers(cohort.sites, "inverter_year")
        told = np.maximum(cohort.as_of.year - fitted, 0.0)
        return np.where(np.isnan(fitted), cohort.age_years(assume["unknown_age_years"]), told)


@api.hookimpl
def aftersun_retrofits() -> list[api.Retrofit]:
    """Register the retrofit."""
    return [InverterRenewal()]
