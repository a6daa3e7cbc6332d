"""How old a system is of which nobody has told the day it was commissioned."""

from __future__ import annotations

from datetime import date

import numpy as np
import pandas as pd
import pytest

from aftersun.energy.baseline import baseline
from aftersun.energy.geometry import with_reckoned_age
from aftersun.scoring.value.cohorts import fleet_age
from aftersun.scoring.value.simulations import yield_sd
from aftersun.testing import sample_cohort

AS_OF = date(2026, 7, 1)


@pytest.fixture(scope="module")
def cohort():
    modules = {"module_count": 20, "dc_rating_kw": 5.2}  # 260 W, of 2015
    unknown = {"commissioned_on": None, "inverter_year": None}
    return with_reckoned_age(
        sample_cohort(
            {"commissioned_on": "2020-07-01"},
            {**unknown, "inverter_year": 2016},
            {**unknown, "arrays": [modules]},
            {**unknown, "arrays": [{"module_count": None, "module_rows": None, "module_columns": None}]},
            as_of=AS_OF,
        )
    )


def test_what_is_known_of_inverter_and_modules_tells_the_age(cohort):
    """By hand: mid 2016 and mid 2015; modules of 260 W were those of 2015 (assumption of the table)."""
    age = cohort.age_years(8.0)
    assert age == pytest.approx([6.0, 10.0, 11.0, 8.0], abs=0.02)
    assert baseline(cohort).ageing == pytest.approx(0.995**age)


def test_the_years_in_doubt_widen_the_yield(cohort):
    """By hand: a triangle of 3, 8, 14 years has a deviation of 2.25; at half a percent a year that is 1.1 %."""
    known, doubted = yield_sd(cohort)[0][:2]
    assert np.sqrt(doubted**2 - known**2) == pytest.approx(0.01125, rel=0.01)


def test_a_fleet_tells_the_age_of_its_systems_and_counts_more_the_larger_it_is():
    """20 sites stand for what is assumed: with as many of 2 years and none known the mean is that of 2 and 8."""
    days = pd.Series(["2024-07-01"] * 20 + [None] * 5, dtype="datetime64[ns]")
    assert fleet_age(pd.DataFrame({"commissioned_on": days}), AS_OF) == pytest.approx(5.0, abs=0.01)
    none = pd.DataFrame({"commissioned_on": days[20:]})
    assert fleet_age(none, AS_OF) == 8.0
