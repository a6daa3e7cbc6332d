"""Degradation mitigation: a device that biases the array at night drives potential-induced shunting back.

Normal ageing cannot be undone. Only the excess beyond it can, and of it only the part that is a fallen shunt
resistance: an excess ``x`` with the shunt share ``s`` is ``s x`` of shunts and ``(1 - s) x`` of the rest. If ``R`` of
the shunts comes back, ``(1 - R s) x`` is left, and its shunt share is ``s (1 - R) / (1 - R s)``. Both go into the
plant, so the hourly model, which has what shunts take in low light from pvlib's single-diode equation, gives back more
in low light than in full sun, as night bias does.

``R`` is smaller where the loss is large: a module recovers in proportion only while it has lost less than 85 % [1]_.
Behind a transformerless inverter the voltage to earth runs evenly from -V/2 to V/2 along the string, and only the
negative half suffers, so a loss of 10 % is one of up to 40 % of its last module.

Recovery takes a time constant of about a month, longer where the loss is old. Without the device the excess grows to a
limit, and never beyond the negative half of the string; with it, it does not. ``fade`` of year t is therefore
``1 - e^(-t / tau) + g (G(t) - 1) / R``, means over the year, with ``G`` the growth and ``g`` the part of the loss in
modules that are not lost yet: the simulated effect is that of ``R x``, and energy is taken to be linear in the loss.
Where readings show no trend beyond normal ageing there is no growth. Readings are told as evidence and never stand for
a measured excess.

A measured excess may have other causes: as likely as not it is a shunt's, which is the plant's wide shunt share, and
some shunts are not potential-induced. Where nothing is measured, the plant holds the small expected loss of systems of
the kind. So the work has two stages: the diagnosis is paid always, and one device for each inverter, its labour and its
standby only where the diagnosis proves potential-induced shunting, and that curing it is worth more than they cost. Of
a measured excess its chance is the shunts' part in the loss of the year, ``w s / (1 + (w - 1) s)`` since a shunt takes
``w`` times its share of full sun from the year, times the chance that they are potential-induced; elsewhere it is that
of the baseline plant. So the expected gain is the chance times that of a proven case. A claim on the warranty comes
before any device.

Known limits: no trial of unselected homes exists, nor a published recovery curve that could be read; the profile along
the string is the plain one; light-induced losses, cracks, corrosion and surface polarisation stay; the inverter's own
night function, where it has one, does the same for less; the effect ends with the device, and its standby runs
through ``fade`` with the rest; a second way to the site for the device is not charged; a diagnosis is taken to be
right.

References
----------
.. [1] J. Carolus, M. Daenen, Hasselt University: recovery of potential-induced degradation.
.. [2] University of Cyprus, IEEE PVSC: loss rates of affected and unaffected systems.
.. [3] D. Jordan, S. Kurtz, Prog. Photovolt. 21, 12-29, 2013: normal ageing.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import numpy.typing as npt
import pandas as pd

from aftersun import api
from aftersun_retrofits import _common as common

NIGHT_KWH_PER_YEAR_AND_W = 4.380  # half of the hours of a year are night, at every latitude

THIN_FILM = "thin film"
N_TYPE = "n-type crystalline"
ISOLATED = "isolated"
MODULE_LEVEL = "module level"

EXCESS_LOSS_CHANCE = api.read_ranges(common.DATA, "system.csv")["excess_loss_chance"].mode  # unless the company's own

LEAST_RECOVERABLE = 0.1  # below it the growth that is prevented counts in part only: the effect it multiplies vanishes

ANOTHER_REMEDY = "galvanically isolated: ask a qualified electrician and the inverter's manufacturer for another remedy"
NO_TREND = "the readings show no trend beyond normal ageing"
FALLS = "the readings fall faster than by normal ageing: find out why"
NOTHING_MISSING = "the readings show nothing missing"
CLAIM_FIRST = "The performance warranty still runs: claim first"
IF_PROVEN = "a device only where the diagnosis proves it"
TWO_STAGES = "Price and gain hold the chance that the diagnosis proves it: only then the device follows"
UNMEASURED = "Nothing is measured: it counts with the small chance that there is such a loss"


def recovered_by_year(time_constant_days: api.Floats | float, years: int) -> api.Floats:
    """Return the mean of ``1 - exp(-t / tau)`` over year 1, 2, ... after fitting, (years,) or (S, years)."""
    return 1.0 - common.mean_decay_by_year(time_constant_days, years)


def growth_by_year(per_year: api.Floats | float, limit: api.Floats | float, years: int) -> api.Floats:
    """Return the mean of ``min(per_year t, limit - 1)`` over year 1, 2, ..., (years,) or (S, years).

    It is what an excess gains without a device, as a share of today's; ``limit``, 1 or more, is what it ends at.
    """
    slope, most = (np.asarray(value, dtype=np.float64)[..., np.newaxis] for value in (per_year, limit))
    most = np.maximum(most - 1.0, 0.0)
    until = np.arange(years + 1, dtype=np.float64)
    full = most / np.maximum(slope, 1e-12)  # years until it is reached
    area = np.where(until < full, slope * until**2 / 2, most * (until - full / 2))
    return np.diff(area, axis=-1)


def lightly_hit(loss: api.Floats | float, severe_loss: float) -> api.Floats:
    """Return the part (0..1) of a string's potential-induced loss that is in modules below ``severe_loss``.

    Modules on the negative half lose in proportion to their voltage to earth, ``min(k u, 1)`` at u = 0..1 along it, and
    ``loss``, a share of the string's output, is half the mean of that: ``k / 4`` while k is 1 or less, then
    ``1/2 - 1 / (4 k)``. The part below the limit c is ``c^2 / 2k`` over that mean. Half of the output is the whole
    negative half.
    """
    mean = np.minimum(2.0 * np.asarray(loss, dtype=np.float64), 1.0 - 1e-9)
    steepness = np.where(mean <= 0.5, 2.0 * mean, 0.5 / (1.0 - mean))
    below = severe_loss**2 / 2.0
    product = steepness * mean
    return np.where(product > below, below / np.maximum(product, below), 1.0)


def left_after_recovery(
    loss: api.Floats, shunt_share: api.Floats, recovered: api.Floats
) -> tuple[api.Floats, api.Floats]:
    """Return the loss in full sun that is left, and its shunt share, once ``recovered`` (0..1) of the shunts is back.

    ``loss (1 - R s)`` and ``s (1 - R) / (1 - R s)``; 0 where nothing is left.
    """
    left = 1.0 - recovered * shunt_share
    share = np.where(left > 0, shunt_share * (1.0 - recovered) / np.where(left > 0, left, 1.0), 0.0)
    return loss * left, share


def shunts_of_year(shunt_share: npt.ArrayLike, year_factor: float) -> api.Floats:
    """Return the shunts' part (0..1) in a year's loss of which they are ``shunt_share`` in full sun.

    ``year_factor`` is how many times its share of full sun a shunt takes from the year.
    """
    share = np.asarray(shunt_share, dtype=np.float64)
    return np.asarray(year_factor * share / (1.0 + (year_factor - 1.0) * share))


class DegradationMitigation:
    """A night-bias device on the DC side, offered after a diagnosis."""

    about, assumptions, facts, claims, notes = common.from_data("degradation_mitigation")

    def screen(self, cohort: api.Cohort) -> api.Screening:
        """Fit only where cells and inverter can suffer it and a loss is measured; ask for what is unknown."""
        sites = cohort.sites
        loss = common.numbers(sites, "measured_excess_loss")
        unmeasured = np.isnan(loss)
        warranty_ended = cohort.years_since(sites["warranty_until"])  # years ago; 0 = it runs, NaN = unknown
        smallest = self.assumptions["smallest_excess_loss"].mode
        steady, falls = _trend(sites, {name: each.mode for name, each in self.assumptions.items()})
        nothing_missing = common.numbers(sites, "meter_shortfall") == 0
        module_level, isolated = (common.equals(sites, "inverter_topology", kind) for kind in (MODULE_LEVEL, ISOLATED))
        thin_film, n_type = (common.equals(sites, "cell_type", kind) for kind in (THIN_FILM, N_TYPE))
        dry = common.equals(sites, "humid_or_coastal", False)
        return (
            api.Screening.of(cohort)
            .reject(module_level, "module-level electronics keep the voltage to earth low")
            .reject(isolated, ANOTHER_REMEDY)
            .reject(thin_film, "thin film degrades in other ways")
            .reject(n_type, "on n-type cells night bias can make it worse")
            .reject(loss < smallest, f"less than {smallest:.0%} excess loss is measured: within the scatter")
            .reject(unmeasured & dry, "dry air, and no excess loss is measured")
            .survey(unmeasured, "measure first: no excess loss is recorded")
            .survey(unmeasured & steady, NO_TREND)
            .survey(unmeasured & falls, FALLS)
            .survey(unmeasured & nothing_missing, NOTHING_MISSING)
            .survey(common.unknown(sites, "cell_type"), "the cell type is not known")
            .survey(common.unknown(sites, "inverter_topology"), "the kind of inverter is not known")
            .survey(warranty_ended == 0.0, "the performance warranty still runs: claim first")
            .survey(np.isnan(warranty_ended), "whether the performance warranty still runs is not known")
        )

    def change(self, cohort: api.Cohort, plant: api.Plant, assume: api.Assumed) -> api.Change:
        """Take the recoverable part off the excess loss; the fade gives the time that recovery takes.

        The loss taken off is the expected one over both answers of the diagnosis, and so is what the device costs.
        """
        sites, ones = cohort.sites, np.ones(len(cohort))
        measured = ~common.unknown(sites, "measured_excess_loss")
        # An expected loss is of the reversible kind by definition; shunts in a measured one only perhaps.
        reversible = np.where(measured, assume["reversible_chance"], 1.0) * ~_ruled_out(cohort)
        rating = common.numbers(cohort.arrays, "dc_rating_kw")
        loss = cohort.sum_by_site(plant.excess_loss * rating) / np.maximum(cohort.sum_by_site(rating), 1e-9)
        light = lightly_hit(loss, assume["severe_loss"])
        severe = min(assume["severe_recoverable_share"], assume["recoverable_share"])
        recoverable = light * assume["recoverable_share"] + (1.0 - light) * severe
        recovered = common.of_site(cohort, recoverable * reversible)
        left, shunts = left_after_recovery(plant.excess_loss, plant.shunt_share, recovered)
        shunts_at_site = cohort.sum_by_site(plant.shunt_share * rating) / np.maximum(cohort.sum_by_site(rating), 1e-9)
        unmeasured_chance = cohort.overrides.get("excess_loss_chance", EXCESS_LOSS_CHANCE)
        of_year = shunts_of_year(shunts_at_site, assume["shunt_year_factor"])
        proven = np.where(measured, of_year, unmeasured_chance) * reversible
        inverters = np.maximum(np.ceil(plant.inverter_rating_kw / assume["kw_per_inverter"]), 1.0)
        devices = inverters * proven
        years = common.years_of_effect(self.about, assume)
        steady, _ = _trend(sites, assume)
        grows = np.where(steady, 0.0, assume["growth_per_year"])
        growth_limit = np.minimum(assume["growth_limit"], np.maximum(0.5 / np.maximum(loss, 1e-9), 1.0))
        prevented = light / np.maximum(recoverable, LEAST_RECOVERABLE)
        gained = prevented[:, np.newaxis] * growth_by_year(grows, growth_limit, years)
        return api.Change(
            plant=plant.replace(
                excess_loss=left,
                shunt_share=shunts,
                standby_kwh=plant.standby_kwh + assume["standby_w"] * NIGHT_KWH_PER_YEAR_AND_W * devices,
            ),
            costs=(
                api.CostLine(api.INSPECTION, "diagnosis_visit", ones, "visit", "a loss has many causes"),
                api.CostLine(api.MATERIAL, "night_bias_device", devices, "piece", IF_PROVEN, if_found=True),
                api.CostLine(api.LABOUR, "electrician", assume["device_hours"] * devices, "h", if_found=True),
            ),
            fade=recovered_by_year(_time_constant(cohort, assume), years) + gained,
            remarks=_remarks(cohort, assume),
        )

    def safety(self, cohort: api.Cohort) -> api.Notes:
        """Voltage at night, earthing and polarity; the warranty claim before the sale."""
        warranty_ended = cohort.years_since(cohort.sites["warranty_until"]) > 0.0  # False where unknown
        module_level = common.equals(cohort.sites, "inverter_topology", MODULE_LEVEL)
        only = {"module_electronics": module_level, "warranty_claim_first": ~warranty_ended}
        return common.notes_for(cohort, self.notes, only)


def _ruled_out(cohort: api.Cohort) -> api.Bools:
    """Tell where cells or inverter are known to rule potential-induced shunting out, shape (S,)."""
    cells = common.equals(cohort.sites, "cell_type", THIN_FILM, N_TYPE)
    return cells | common.equals(cohort.sites, "inverter_topology", ISOLATED, MODULE_LEVEL)


def _time_constant(cohort: api.Cohort, assume: api.Assumed) -> api.Floats:
    """Return the time constant of the recovery, longer where the loss is likely to be old, days (S,)."""
    age = common.years_since(cohort, "commissioned_on", assume["system_age_years"])
    affected_days = assume["affected_share_of_age"] * age * common.DAYS_PER_YEAR
    return np.maximum(assume["recovery_days"], assume["recovery_time_share"] * affected_days)


def _trend(sites: pd.DataFrame, assume: Mapping[str, float]) -> tuple[api.Bools, api.Bools]:
    """Tell where the readings exclude a fall beyond ageing, and where they exclude that there is none; both (S,)."""
    trend, low, high = (common.numbers(sites, f"meter_trend_{name}") for name in ("per_year", "low", "high"))
    falls = (trend < -assume["normal_trend_per_year"]) & (high < 0.0)  # NaN compares false
    return ~falls & (low > -assume["excluded_fall_per_year"]), falls


def _remarks(cohort: api.Cohort, assume: api.Assumed) -> npt.NDArray[np.object_]:
    sites = cohort.sites
    measured = ~common.unknown(sites, "measured_excess_loss")
    steady, _ = _trend(sites, assume)
    warranty_runs = cohort.years_since(sites["warranty_until"]) == 0.0
    texts = np.where(measured, TWO_STAGES, UNMEASURED)
    texts = np.where(measured & steady, f"{TWO_STAGES}; beside the measured loss {NO_TREND}", texts)
    return np.where(warranty_runs, CLAIM_FIRST, texts).astype(object)


@api.hookimpl
def aftersun_retrofits() -> list[api.Retrofit]:
    """Register the retrofit."""
    return [DegradationMitigation()]
