"""The baseline plant, with what the sites' own meters say of it."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from aftersun.energy.baseline import baseline
from aftersun.energy.readings.calibration import Calibration, apply_calibration, calibrate, with_evidence
from aftersun.energy.readings.own_load import with_own_load
from aftersun.energy.readings.quality import Checked, check_readings
from aftersun.model.cohort import Cohort
from aftersun.model.plant import Plant


@dataclass(frozen=True, eq=False)
class FittedBaseline:
    """``cohort`` with own load shapes, measured demand and evidence columns; ``plant`` calibrated."""

    cohort: Cohort
    plant: Plant
    readings: Checked
    calibration: Calibration


def fitted_baseline(cohort: Cohort, readings: pd.DataFrame) -> FittedBaseline:
    """Return the baseline plant as far as facts and meter readings tell.

    ``readings`` has the dictionary's columns of table reading and may be empty; then nothing but the evidence columns,
    all unknown, is added.
    """
    checked = check_readings(cohort, readings)
    cohort = with_own_load(cohort, checked)
    plant = baseline(cohort)
    calibration = calibrate(cohort, plant, checked)
    plant = apply_calibration(plant, calibration)
    return FittedBaseline(with_evidence(cohort, calibration), plant, checked, calibration)
