"""Today's plant and its energy, with what the sites' own meters say of both."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from aftersun.energy.balance import simulate
from aftersun.energy.baseline import baseline
from aftersun.energy.calibration import Calibration, apply_calibration, calibrate, with_evidence
from aftersun.energy.own_load import with_own_load
from aftersun.energy.readings_quality import Checked, check_readings
from aftersun.model.cohort import Cohort
from aftersun.model.energy import Energy
from aftersun.model.plant import Plant


@dataclass(frozen=True, eq=False)
class FittedBaseline:
    """``cohort`` with own load shapes, measured demand and evidence columns; ``plant`` calibrated, ``energy`` its."""

    cohort: Cohort
    plant: Plant
    energy: Energy
    readings: Checked
    calibration: Calibration


def fitted_baseline(cohort: Cohort, readings: pd.DataFrame) -> FittedBaseline:
    """Return today's plant as far as facts and meter readings tell.

    ``readings`` has the dictionary's columns of table reading and may be empty; then nothing but the evidence columns,
    all unknown, is added.
    """
    checked = check_readings(cohort, readings)
    cohort = with_own_load(cohort, checked)
    plant = baseline(cohort)
    energy = simulate(cohort, plant)
    calibration = calibrate(cohort, plant, energy, checked)
    if np.any(calibration.dc_factor != 1):
        plant = apply_calibration(plant, calibration)
        energy = simulate(cohort, plant)
    return FittedBaseline(with_evidence(cohort, calibration), plant, energy, checked, calibration)
