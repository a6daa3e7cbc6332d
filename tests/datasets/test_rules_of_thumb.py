"""What the models use stays within the trade's rules of thumb (common practice, no source): bounds, never inputs."""

from __future__ import annotations

import numpy as np
import pytest
from tests_support import make_weather

import aftersun_datasets
from aftersun.energy.soiling import distinct_ratios

RULES = {row["name"]: (float(row["low"]), float(row["high"])) for row in aftersun_datasets.rows("rules_of_thumb.csv")}
RATES = {row["surroundings"]: float(row["mode"]) for row in aftersun_datasets.rows("soiling_rates.csv")}


def assumption(retrofit: str, name: str) -> float:
    rows = aftersun_datasets.rows(f"assumptions/{retrofit}.csv")
    return next(float(row["mode"]) for row in rows if row["name"] == name)


def test_a_dry_place_reaches_the_loss_the_trade_speaks_of_and_no_more():
    dry = make_weather(np.zeros(8760))
    loss = 1 - distinct_ratios(dry, np.array([RATES["desert"]]), np.array([6.0]), 0.0, np.zeros(1))[0]
    assert loss.max() == pytest.approx(RULES["soiling_in_dry_places"][1])


def test_two_cleanings_a_year_keep_a_dry_suburb_below_that_loss():
    between = 365 / RULES["cleanings_a_year"][0]
    assert RATES["suburban"] * between < RULES["soiling_in_dry_places"][1]


def test_birds_are_kept_out_of_gaps_no_thinner_than_a_module():
    low, high = RULES["module_thickness"]
    assert low <= assumption("bird_mesh", "least_gap_mm") <= high
