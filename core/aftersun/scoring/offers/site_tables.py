"""What a run stores of each site as it stands: energy, losses, a picture of the mean days, what meters tell."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pyarrow as pa

from aftersun.energy.losses import loss_chain
from aftersun.energy.readings.calibration import FittedBaseline
from aftersun.energy.readings.checks import EXPORT, IMPORT, limits
from aftersun.energy.readings.own_load import yearly_kwh
from aftersun.model.codes import Untold
from aftersun.model.ranges import Floats
from aftersun.scoring.value.simulations import Baseline, Simulations

MONTHS_PER_YEAR = 12


def site_tables(baseline: Baseline, fit: FittedBaseline) -> dict[str, pd.DataFrame]:
    """Return the tables of sites by name, without run_id."""
    evidence = fit.calibration.evidence.reset_index(names="site_id")
    evidence = with_balance(evidence, baseline, fit)
    remarks = pd.Series([list(codes) for codes in evidence["remarks"]], dtype=pd.ArrowDtype(pa.list_(pa.string())))
    evidence = evidence.assign(remarks=remarks, idle_cost_a_month=_idle_cost(baseline, evidence["idle_since"].notna()))
    return {
        "site_picture": _picture(baseline),
        "site_energy": _energy(baseline),
        "site_loss": _loss(baseline),
        "site_evidence": evidence[(evidence["periods"].fillna(0) > 0) | evidence["idle_since"].notna()].reset_index(
            drop=True
        ),
        "reading_finding": fit.readings.findings,
    }


def with_balance(evidence: pd.DataFrame, baseline: Baseline, fit: FittedBaseline) -> pd.DataFrame:
    """Return the evidence with what the meters show bought and sent in a year.

    Where that is computed otherwise by more than the weather of a year explains, a remark says so.
    """
    known = limits()
    by_site = {str(site): rows for site, rows in fit.readings.intervals.groupby("site_id")}
    far = np.zeros(len(evidence), dtype=bool)
    for meter, name in ((IMPORT, "imported"), (EXPORT, "exported")):
        metered = np.full(len(evidence), np.nan)
        for row, site_id in enumerate(evidence["site_id"]):
            if site_id in by_site:
                metered[row] = yearly_kwh(by_site[site_id], (meter,)).get(meter, np.nan)
        off = np.abs(baseline.yearly_kwh[name] - metered)  # NaN compares false
        far |= (off > known["balance_off"] * metered) & (off > known["balance_off_kwh"])
        evidence = evidence.assign(**{f"metered_{meter}_kwh": metered})
    remarks = [
        (*codes, Untold.OTHER_BALANCE) if other else codes
        for codes, other in zip(evidence["remarks"], far, strict=True)
    ]
    return evidence.assign(remarks=pd.Series(remarks, index=evidence.index, dtype=object))


def _idle_cost(baseline: Baseline, idle: pd.Series) -> Floats:
    """Return what a standstill costs the owner a month, on average over the year, (S,); NaN where there is none."""
    cost = np.full(len(baseline.cohort), np.nan)
    rows = np.flatnonzero(idle.to_numpy())
    if len(rows):
        few = Simulations(baseline).take(rows)
        plant = few.baseline.plant
        still = few.anew(plant.replace(availability=np.zeros_like(plant.availability)), by_month=False)
        cost[rows] = (still.bill.total - few.baseline.bill.total) / MONTHS_PER_YEAR
    return cost


_PICTURE_STEP_W = 5  # fine enough to look at, and small in the file


def _picture(baseline: Baseline) -> pd.DataFrame:
    """Return the mean W generated in each hour of the day of each month."""
    watts = _PICTURE_STEP_W * np.rint(np.maximum(baseline.picture, 0.0) / _PICTURE_STEP_W).astype(np.uint32)
    mean_w = pd.Series(list(watts), dtype=pd.ArrowDtype(pa.list_(pa.uint32())))
    return pd.DataFrame({"site_id": baseline.cohort.sites.index, "mean_w": mean_w})


def _energy(baseline: Baseline) -> pd.DataFrame:
    """Return the sums of the year's energy balance today, kWh."""
    names = ("generated", "used", "to_water", "exported", "curtailed", "imported")
    frame = pd.DataFrame({"site_id": baseline.cohort.sites.index})
    for name in names:
        frame[f"{name}_kwh"] = baseline.yearly_kwh[name]
    rating = baseline.cohort.sum_by_site(baseline.plant.dc_rating_kw)
    frame["yield_kwh_per_kw"] = frame["generated_kwh"] / rating
    return frame


# Shares that are the same on every system unless the company says otherwise: shown as one step.
_FIXED_LOSSES = ("mismatch_kwh", "wiring_kwh", "connection_kwh", "light_induced_kwh", "nameplate_kwh")


def _loss(baseline: Baseline) -> pd.DataFrame:
    """Return what each step takes away from the light on the modules down to what is generated, kWh a year."""
    chain = loss_chain(baseline.cohort, baseline.plant)
    position = list(chain.columns).index(_FIXED_LOSSES[0])
    fixed = chain[list(_FIXED_LOSSES)].sum(axis=1)
    chain = chain.drop(columns=list(_FIXED_LOSSES))
    chain.insert(position, "modules_and_cables_kwh", fixed)
    long = chain.reset_index(names="site_id").melt(id_vars="site_id", var_name="step", value_name="kwh")
    order = {step: position for position, step in enumerate(chain.columns)}
    return long.assign(position=long["step"].map(order))
