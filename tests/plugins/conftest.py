"""Builds small cohorts for the tests of the built-in retrofits."""

from __future__ import annotations

from collections.abc import Callable, Mapping

import pytest
from tests_support import empty_frame

from aftersun import api
from aftersun.host.guard import Guard
from aftersun.host.registry import Loaded
from aftersun.money.company import Company
from aftersun.scoring.offers.chunk import plant_texts
from aftersun.scoring.value.simulations import Simulations, baseline_of
from aftersun.scoring.value.valuation import Case, Valuation, evaluate
from aftersun.testing import sample_cohort, sample_company

Build = Callable[..., api.Cohort]


@pytest.fixture
def valued() -> Callable[[api.Retrofit, api.Cohort], Valuation]:
    """Value a retrofit on all sites of a cohort, the best of its variants on each, by the test company's prices."""

    def value(retrofit: api.Retrofit, cohort: api.Cohort, company: Company | None = None) -> Valuation:
        prices = company or sample_company()
        baseline = baseline_of(cohort, prices, empty_frame("reading", 0))[0]
        case = Case(Loaded(retrofit, "", ""), baseline, Simulations(baseline), prices, Guard(plant_texts()))
        valuation = evaluate(case, itemised=True)
        assert valuation is not None
        return valuation

    return value


@pytest.fixture
def build(weather: api.WeatherYear) -> Build:
    """Build a cohort of ordinary one-array sites, each changed by its mapping; ``array`` changes every array."""

    def make(*changes: Mapping[str, object], array: Mapping[str, object] | None = None) -> api.Cohort:
        return sample_cohort(*({**facts, "arrays": [array or {}]} for facts in changes), weather=weather)

    return make
