"""Builds small cohorts for the tests of the built-in retrofits."""

from __future__ import annotations

from collections.abc import Callable, Mapping

import pytest

from aftersun import api
from aftersun.testing import sample_cohort

Build = Callable[..., api.Cohort]


@pytest.fixture
def build(weather: api.WeatherYear) -> Build:
    """Build a cohort of ordinary one-array sites, each changed by its mapping; ``array`` changes every array."""

    def make(*changes: Mapping[str, object], array: Mapping[str, object] | None = None) -> api.Cohort:
        return sample_cohort(*({**facts, "arrays": [array or {}]} for facts in changes), weather=weather)

    return make
