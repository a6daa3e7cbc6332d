"""Builds small cohorts for the tests of the built-in retrofits."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace

import pandas as pd
import pytest

from aftersun import api

Build = Callable[..., api.Cohort]


@pytest.fixture
def build(cohort: api.Cohort) -> Build:
    """Build a cohort of ordinary one-array sites, each changed by its mapping; ``array`` changes every array."""

    def make(*changes: Mapping[str, object], array: Mapping[str, object] | None = None) -> api.Cohort:
        count = len(changes)
        sites = cohort.sites.iloc[[0] * count].copy()
        sites.index = pd.Index([f"P{row}" for row in range(count)], name=cohort.sites.index.name)
        arrays = cohort.arrays.iloc[[0] * count].copy()
        arrays.index = pd.Index([f"R{row}" for row in range(count)], name=cohort.arrays.index.name)
        arrays["site"] = range(count)
        for row, facts in enumerate(changes):
            for name, value in facts.items():
                sites.loc[f"P{row}", name] = value
        for name, value in (array or {}).items():
            arrays[name] = pd.array([value] * count, dtype=arrays[name].dtype)
        return replace(cohort, sites=sites, arrays=arrays)

    return make
