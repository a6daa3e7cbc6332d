"""Invented companies from their tables to lessons: what is said of work holds the hidden truth at any number."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from benchmarks.bench_delivered import follow

pytestmark = pytest.mark.slow
SEEDS = (1, 2, 3, 4)


@pytest.mark.parametrize("of_each", [3, 10, 100])
def test_intervals_hold_what_they_say_and_the_choice_of_the_best_roofs_is_seen_through(of_each: int) -> None:
    """Three retrofits, 60 neighbours; of 90 % intervals of one site the binomial spread over 4 companies is 6 points at
    3 works of each, beside the luck that neighbours share; of 12 pooled ones at most 3 may miss (chance 0.03)."""
    found = [follow(3 * of_each, seed) for seed in SEEDS]
    pooled = pd.concat([one["pooled"] for one in found])
    sites = np.average([one["inside"] for one in found], weights=[one["measured"] for one in found])
    assert sites == pytest.approx(0.90, abs=0.10 if of_each == 3 else 0.05)
    assert pooled["inside"].sum() >= 9
    assert pooled["lesson_inside"].sum() >= 9
    if of_each == 100:
        off = pooled[["naive", "ours"]].div(pooled["truth"], axis=0).mean() - 1.0
        assert off["naive"] < -0.15
        assert abs(off["ours"]) < 0.10
        held, before = (np.mean([one[name] for one in found]) for name in ("held_after", "held_before"))
        assert held == pytest.approx(0.80, abs=0.07)
        assert before < 0.70
