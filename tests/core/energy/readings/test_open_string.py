"""What a meter says of an open string: Bayes by hand, and a metered system from end to end."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from readings_support import from_hours

from aftersun.energy.balance import simulate
from aftersun.energy.baseline import baseline
from aftersun.energy.readings.calibration import OPEN_STRING_COLUMN, fitted_baseline
from aftersun.energy.readings.open_string import chance_by_meter

KNOWN = {"export_rule": "net billing", "annual_demand_kwh": 4000.0, "inverter_rating_kw": 9.0}
THREE = {"dc_rating_kw": 9.0, "strings": 3}


@pytest.mark.parametrize(
    ("prior", "strings", "ratio", "chance"),
    [
        # by hand, sd 0.1, other causes 0.1: density 0.9 x 3.98942 exp(-z^2 / 2) + 0.1
        (0.01, 2, 0.5, 0.27152),  # 3.69048 against 0.10001: odds 1 / 99 x 36.900
        (0.01, 2, 1.0, 0.00027366),  # the other way round
        (0.01, 10, 0.9, 0.016103),  # 3.69048 against 2.27775: odds 1 / 99 x 1.6202
        (0.9, 3, 1.0, 0.21736),  # told, at full output: 0.11388 against 3.69048: odds 9 x 0.030858
        (0.01, 10, 0.2, 0.01),  # far from both: neither more nor less likely
    ],
)
def test_chance_by_hand(prior: float, strings: int, ratio: float, chance: float) -> None:
    assert chance_by_meter(prior, strings, ratio, 0.1, 0.1) == pytest.approx(chance, rel=1e-3)


@given(st.floats(0.001, 0.9), st.integers(2, 40), st.floats(0.0, 1.2), st.floats(0.02, 0.2))
def test_full_output_lowers_the_chance_and_a_missing_string_raises_it(
    prior: float, strings: int, ratio: float, sd: float
) -> None:
    chance = float(chance_by_meter(prior, strings, ratio, sd, 0.1))
    middle = 1.0 - 0.5 / strings
    assert 0.0 < chance < 1.0
    assert chance <= prior + 1e-12 if ratio >= middle else chance >= prior - 1e-12


def fitted(make_cohort: Any, share: float, **facts: object) -> Any:
    """A system of three strings that makes this share of what all three would, by its meter."""
    cohort = make_cohort({**KNOWN, **facts, "arrays": [THREE]})
    sound = make_cohort({**KNOWN, "open_string": False, "arrays": [THREE]})
    output = share * simulate(sound, baseline(sound)).generated[0].astype(np.float64)
    fit = fitted_baseline(cohort, from_hours("S0", "production", output, "D", "2023-01-01", "2025-01-01"))
    return fit, simulate(fit.cohort, fit.plant).annual("generated")[0] / output.sum()


@pytest.mark.slow
def test_the_meter_has_the_last_word(make_cohort: Any) -> None:
    full, third, told_full, told_third = (
        fitted(make_cohort, share, open_string=told) for told in (None, True) for share in (1.0, 2 / 3)
    )
    chances = [float(fit.cohort.sites[OPEN_STRING_COLUMN].iloc[0]) for fit, _ in (full, third, told_full, told_third)]
    assert chances[0] < 0.002 < 0.1 < chances[1] < 0.5  # 1 % before (facts.csv)
    assert chances[2] < 0.5 < 0.99 < chances[3]  # told with 0.9
    for (fit, output), chance in zip((full, third, told_full, told_third), chances, strict=True):
        assert fit.plant.strings_working == pytest.approx(1 - chance / 3)
        assert output == pytest.approx(1.0, abs=0.01)  # what the meter shows is what is computed
        assert baseline(fit.cohort).strings_working == pytest.approx(1 - chance / 3)


def test_a_single_string_under_a_meter_is_not_open(make_cohort: Any) -> None:
    cohort = make_cohort({**KNOWN, "open_string": True, "arrays": [{"dc_rating_kw": 6.0, "strings": 1}]})
    output = simulate(cohort, baseline(cohort)).generated[0].astype(np.float64)
    assert output.sum() > 5000
    fit = fitted_baseline(cohort, from_hours("S0", "production", output, "D", "2023-01-01", "2025-01-01"))
    assert fit.plant.strings_working == pytest.approx(1.0)
    assert fit.cohort.sites[OPEN_STRING_COLUMN].isna().all()
