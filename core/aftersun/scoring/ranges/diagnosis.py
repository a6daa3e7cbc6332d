"""What a diagnosis visit is worth where a meter shows that output is missing: by what it may find and cure.

Each cause of ``shortfall_causes.csv`` explains at most a share of output, is found and cured with a chance, and its
cure lasts, or it would have been noticed anyway, after some years. What is no curable cause, as a wrong rating on
record, is found and gains nothing; nor is anything cured that costs more than it brings.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pyarrow as pa

from aftersun.energy.readings.calibration import OPEN_STRING_COLUMN, FittedBaseline
from aftersun.energy.readings.checks import limits
from aftersun.model import tables
from aftersun.model.change import AVOIDED_WORK, INSPECTION
from aftersun.model.ranges import Floats
from aftersun.money.company import Company
from aftersun.money.measures import capital_recovery
from aftersun.money.prices import trip
from aftersun.scoring.value.simulations import Baseline, Simulations
from aftersun.wording import say

MISSING_OUTPUT = "missing_output"  # what the question is about, in place of a fact of the site
_VISIT, _REPAIR, _OPEN_STRING = "diagnosis_visit", "repair_visit", "open_string"


def value_of_diagnosis(
    missing: Floats,
    yearly_loss: Floats,
    open_string: Floats,
    rating_kw: Floats,
    years: Floats,
    rate: float,
    repair: float,
) -> Floats:
    """Return what the owner gains on average by finding out why output is missing, the visit not taken off, (S,).

    Parameters
    ----------
    missing, yearly_loss
        Share of output that is missing, above 0, and what it costs a year.
    open_string
        Chance that a string is open, as the meter leaves it.
    rating_kw, years
        DC rating, and the years that the system is still kept, above 0.
    rate, repair
        Discount rate, share a year, and the price of a call-out with a small repair.
    """
    value = np.zeros(len(missing))
    for cause in tables.shortfall_causes():
        chance = open_string if cause.cause == _OPEN_STRING else (1.0 - open_string) * cause.share
        here = np.where(rating_kw >= cause.least_kw, chance, 0.0)
        a_year = yearly_loss * np.minimum(cause.most / missing, 1.0)
        back = a_year / capital_recovery(rate, np.minimum(years, cause.years))
        remedy = repair * (cause.repairs + cause.repairs_per_kw * rating_kw)
        value += here * cause.found * np.maximum(cause.cured * back - remedy, 0)
    return value


def with_diagnosis(questions: pd.DataFrame, baseline: Baseline, fit: FittedBaseline, company: Company) -> pd.DataFrame:
    """Return the questions with a row for each site whose meter shows that output is missing, and its diagnosis visit.

    What the same measurements tell of an open string is part of that visit and counts in its row alone. Where the
    system stands still nobody asks what is missing.
    """
    evidence = fit.calibration.evidence
    rows = np.flatnonzero((evidence["shortfall"] > 0) & evidence["idle_since"].isna())
    if not len(rows) or _REPAIR not in company.avoided or _VISIT not in company.inspections:
        return questions
    few = Simulations(baseline).take(rows)
    now, sites = few.baseline, few.baseline.cohort.sites
    error, factor, missing = (evidence[name].to_numpy()[rows] for name in ("factor_se", "factor", "shortfall"))
    # output of the plant over that computed without a meter
    computed = np.where(error <= limits()["factor_se_max"], factor, 1.0)
    sound = few.anew(now.plant.replace(calibration=now.plant.calibration * (1.0 + missing / computed)), by_month=False)
    value = value_of_diagnosis(
        missing,
        now.bill.total - sound.bill.total,
        sites[OPEN_STRING_COLUMN].to_numpy(dtype=np.float64, na_value=0.0),
        now.cohort.sum_by_site(now.plant.dc_rating_kw),
        np.maximum(now.remaining_years, 1e-9),
        company.money.real_discount_rate,
        company.price_of(AVOIDED_WORK, _REPAIR),
    )
    found = pd.DataFrame(
        {
            "site_id": sites.index,
            "fact": MISSING_OUTPUT,
            "question": say("questions.missing_output"),
            "chance_true": np.nan,
            "value_if_known": value,
            "value_of_phone": 0.0,
            "value_of_visit": value,
            "visit_cost": trip(sites, company).cost + company.price_of(INSPECTION, _VISIT),
            "retrofits": pd.Series([[] for _ in rows], dtype=pd.ArrowDtype(pa.list_(pa.string()))),
        }
    )[list(questions.columns)]
    same_visit = questions["site_id"].isin(sites.index) & (questions["fact"] == _OPEN_STRING)
    questions = questions.assign(value_of_visit=questions["value_of_visit"].mask(same_visit, 0.0))
    return pd.concat([questions, found], ignore_index=True) if len(questions) else found
