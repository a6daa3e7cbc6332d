"""The ranking rule: every case of worth, chance, danger and survey, written out."""

from __future__ import annotations

import numpy as np
import pytest

from aftersun.model.codes import OFFERED, Status
from aftersun.scoring.offers.ranking_rule import pays_back_quickly, status_of


@pytest.mark.parametrize(
    ("npv", "sure", "danger", "survey", "ask", "status"),
    [
        (100.0, True, False, False, False, Status.RECOMMENDED),
        (100.0, True, False, True, False, Status.SUBJECT_TO_SURVEY),
        (100.0, True, True, False, False, Status.RECOMMENDED),
        (100.0, True, True, True, False, Status.SUBJECT_TO_SURVEY),
        (100.0, False, False, False, False, Status.TOO_UNCERTAIN),
        (100.0, False, False, True, False, Status.TOO_UNCERTAIN),
        (100.0, False, True, True, False, Status.SAFETY_REMEDIAL),
        (-1.0, True, False, True, False, Status.NOT_COST_EFFECTIVE),
        (0.0, True, False, False, False, Status.NOT_COST_EFFECTIVE),
        (-1.0, False, False, False, False, Status.NOT_COST_EFFECTIVE),
        (-1.0, True, True, True, False, Status.SAFETY_REMEDIAL),
        (np.nan, True, False, False, False, Status.NOT_COST_EFFECTIVE),
        (100.0, False, False, True, True, Status.ASK_FIRST),
        (100.0, False, True, True, True, Status.SAFETY_REMEDIAL),
    ],
)
def test_what_is_advised(npv: float, sure: bool, danger: bool, survey: bool, ask: bool, status: Status) -> None:
    def here(value: bool) -> np.ndarray:
        return np.array([value])

    (found,) = status_of(np.array([npv]), here(survey), here(danger), here(sure), here(ask))
    assert found == status
    assert (found in OFFERED) == (sure and npv > 0)  # nothing else is ever offered


@pytest.mark.parametrize(
    ("upfront", "payback_years", "quick"),
    [(100.0, 0.99, True), (100.0, 1.0, False), (0.0, 0.0, False), (100.0, np.inf, False)],
)
def test_what_pays_back_within_a_year_is_suspicious_unless_nothing_is_paid(
    upfront: float, payback_years: float, quick: bool
) -> None:
    assert pays_back_quickly(np.array([upfront]), np.array([payback_years])).tolist() == [quick]
