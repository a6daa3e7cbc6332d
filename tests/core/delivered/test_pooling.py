"""Pooled results: published tables, another library, closed forms, and simulated companies whose truth is known."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from statsmodels.stats.meta_analysis import combine_effects

from aftersun.delivered.pooling import (
    by_group,
    calibration,
    expected_shortfall,
    moments_variance,
    random_effects,
    robust_sd,
    share_delivered,
)

# Thirteen trials of the BCG vaccine (Colditz et al. 1994, JAMA 271, 698-702): cases and others, vaccinated and not
BCG = np.array([
    (4, 119, 11, 128), (6, 300, 29, 274), (3, 228, 11, 209), (62, 13536, 248, 12619), (33, 5036, 47, 5761),
    (180, 1361, 372, 1079), (8, 2537, 10, 619), (505, 87886, 499, 87892), (29, 7470, 45, 7232), (17, 1699, 65, 1600),
    (186, 50448, 141, 27197), (5, 2493, 3, 2338), (27, 16886, 29, 17825),
])  # fmt: skip
PRIOR = stats.norm(1.0, 0.5)


def log_risk_ratios() -> tuple[np.ndarray, np.ndarray]:
    a, b, c, d = BCG.T.astype(float)
    return np.log(a / (a + b)) - np.log(c / (c + d)), np.sqrt(1 / a - 1 / (a + b) + 1 / c - 1 / (c + d))


def test_the_pooled_mean_of_the_bcg_trials_is_that_of_the_literature() -> None:
    """Viechtbauer 2010, J. Statistical Software 36(3): -0.7145 (0.1798), variance 0.3132 (0.3088 by moments)."""
    estimates, errors = log_risk_ratios()
    found = random_effects(estimates, errors, plain=True)
    assert found.mean == pytest.approx(-0.7145, abs=5e-5)
    assert found.between_sd**2 == pytest.approx(0.3132, abs=5e-5)
    assert moments_variance(estimates, errors) == pytest.approx(0.3088, abs=5e-5)
    plain = float((1 / (errors**2 + found.between_sd**2)).sum() ** -0.5)
    assert plain == pytest.approx(0.1798, abs=5e-5)


def test_the_mean_and_its_error_are_those_of_statsmodels() -> None:
    estimates, errors = log_risk_ratios()
    other = combine_effects(estimates, errors**2, method_re="dl")
    assert moments_variance(estimates, errors) == pytest.approx(other.tau2, rel=1e-9)
    variance = random_effects(estimates, errors, plain=True).between_sd ** 2
    same = combine_effects(estimates, errors**2 + variance, method_re="dl", use_t=True)
    found = random_effects(estimates, errors, plain=True)
    assert found.mean == pytest.approx(same.mean_effect_fe, rel=1e-9)
    assert found.error == pytest.approx(same.sd_eff_w_fe_hksj, rel=1e-6)


def test_one_result_alone_is_its_own_mean_and_groups_are_drawn_together() -> None:
    one = random_effects(np.array([0.4]), np.array([0.2]))
    assert (one.count, one.mean, one.error) == (1, pytest.approx(0.4), pytest.approx(0.2))
    rng = np.random.default_rng(2)
    groups = pd.Series(np.repeat(["tile", "flat", "metal"], [30, 30, 2]))
    truth = groups.map({"tile": 1.0, "flat": 0.6, "metal": 1.0}).to_numpy()
    errors = np.full(62, 0.3)
    found = by_group(truth + rng.normal(0, 0.3, 62), errors, groups)
    assert found.loc["tile", "pooled"] == pytest.approx(1.0, abs=0.12)
    apart = (found["pooled"] - found["mean"]).abs()
    assert apart["metal"] > apart["tile"]  # of two results little is known


def company(rng: np.random.Generator, chosen: int, share: float, roofs: int = 800):
    """Roofs with a true gain, a promise that is off by luck, and work at some of the best quarter of promises."""
    truth = rng.normal(100.0, 30.0, roofs)
    promise = truth + rng.normal(0.0, 30.0, roofs)
    best = np.argsort(-promise)[: roofs // 4]
    work = rng.choice(best, chosen, replace=False)
    errors = rng.uniform(30.0, 60.0, chosen)
    spread = float(np.std(np.log(promise[promise > 10.0] / promise.mean())))
    return promise[work], share * truth[work] + rng.normal(0.0, errors), errors, float(promise.mean()), spread


@pytest.mark.parametrize("count", [10, 100])
def test_winners_disappoint_and_ours_knows_it(count: int) -> None:
    """Everybody's gain is 90 % of what physics says; roofs were chosen by promise, half of whose spread is luck."""
    rng = np.random.default_rng(4)
    naive, ours, inside = [], [], 0
    for _ in range(60):
        promised, delivered, errors, usual, spread = company(rng, count, 0.9)
        naive.append(random_effects(delivered / promised, errors / promised).mean)
        share = share_delivered(promised, delivered, errors, usual, PRIOR, spread)
        ours.append(share.mean)
        low, high = share.interval
        inside += low <= 0.9 <= high
    assert np.mean(naive) < 0.80  # biased by a tenth and more
    assert abs(np.mean(ours) - 0.9) < 0.07
    assert inside / 60 >= 0.85


def test_without_results_the_prior_stays_and_few_move_it_little() -> None:
    nothing = share_delivered(np.array([]), np.array([]), np.array([]), 100.0, PRIOR)
    assert (nothing.mean, nothing.sd) == (pytest.approx(1.0, abs=1e-3), pytest.approx(0.5, abs=0.01))
    few = share_delivered(np.full(3, 100.0), np.full(3, 20.0), np.full(3, 100.0), 100.0, PRIOR)
    many = share_delivered(np.full(300, 100.0), np.full(300, 20.0), np.full(300, 100.0), 100.0, PRIOR)
    assert abs(few.mean - 1.0) < abs(many.mean - 1.0)
    assert many.mean == pytest.approx(0.2, abs=0.1)


def test_the_share_is_that_of_conjugate_normals_where_nothing_else_is_unknown() -> None:
    """All promises are the usual one, so reliability plays no part; errors are far larger than roofs differ."""
    promised, errors = np.full(8, 10.0), np.full(8, 400.0)
    delivered = np.linspace(-200.0, 260.0, 8)
    found = share_delivered(promised, delivered, errors, 10.0, PRIOR)
    precision = 8 * (10.0 / 400.0) ** 2 + 1 / 0.5**2
    assert found.mean == pytest.approx((delivered.sum() * 10.0 / 400.0**2 + 1 / 0.5**2) / precision, rel=2e-3)
    assert found.sd == pytest.approx(precision**-0.5, rel=5e-3)


def test_of_good_ranges_a_tenth_lies_below_and_a_tenth_above_however_loud_the_meter() -> None:
    rng = np.random.default_rng(6)
    truth = rng.normal(100.0, 20.0, 20_000)
    reach = 1.2816 * 20.0
    counts = calibration(
        *(np.full(20_000, 100.0 + by) for by in (0.0, -reach, reach)),
        truth + rng.normal(0, 35, 20_000),
        np.full(20_000, 35.0),
    )
    assert np.array(counts) / 20_000 == pytest.approx([0.1, 0.4, 0.4, 0.1], abs=0.01)


def test_the_expected_shortfall_is_that_of_draws_and_at_the_mean_0_4_standard_deviations() -> None:
    assert expected_shortfall(10.0, 10.0, 2.0) == pytest.approx(2.0 * 0.39894, rel=1e-4)  # the density at 0
    drawn = np.random.default_rng(1).normal(100.0, 20.0, 400_000)
    assert expected_shortfall(74.4, 100.0, 20.0) == pytest.approx(np.maximum(74.4 - drawn, 0).mean(), rel=0.02)


def test_a_robust_standard_deviation_is_that_of_normal_values_and_shrugs_at_a_few_others() -> None:
    rng = np.random.default_rng(8)
    found = np.array([robust_sd(rng.normal(0.3, 2.0, 60)) for _ in range(400)])
    assert found.mean() == pytest.approx(2.0, rel=0.02)
    assert found.std() / 2.0 < 0.11  # plain: 1 / sqrt(2 x 59) = 0.092; of the median deviation it is 0.15
    assert robust_sd(np.concatenate([rng.normal(0.0, 2.0, 57), [40.0, -60.0, 90.0]])) < 2.6


def test_what_errors_have_alike_is_not_averaged_out_by_any_number_of_results() -> None:
    promised, usual = np.full(2000, 100.0), 100.0
    errors, alike = np.full(2000, 20.0), np.full(2000, 5.0)
    found = share_delivered(promised, np.full(2000, 80.0), errors, usual, PRIOR, 0.0, alike)
    assert found.sd == pytest.approx(0.05, rel=0.05)  # 5 of 100 kWh; of the others is left 0.2 / sqrt(2000)
    assert found.mean == pytest.approx(0.8, abs=0.005)
    mean = random_effects(np.full(2000, 0.8), np.full(2000, 0.2), shared=0.05)
    assert mean.error == pytest.approx(np.hypot(0.05, 0.2 / np.sqrt(2000)))
