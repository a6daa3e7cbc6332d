"""Per retrofit: from what was measured and promised to shares, bands, money and the guarantee."""

from __future__ import annotations

from pathlib import Path

import pytest
from delivered_support import measured_work

from aftersun.delivered.measure import store
from aftersun.delivered.report import delivered_by_retrofit, guarantee
from aftersun.inventory.store.file import Inventory


@pytest.fixture
def path(tmp_path: Path) -> Path:
    made = tmp_path / "company.duckdb"
    with Inventory.create(made) as inventory:
        store(inventory, measured_work())
    return made


def test_what_came_is_pooled_and_the_ranges_are_judged(path: Path) -> None:
    with Inventory.open(path, read_only=True) as inventory:
        (one,) = delivered_by_retrofit(inventory)
    assert (one.retrofit, one.came.count, one.unmeasured, one.usual_known) == ("bird_mesh", 57, 1, False)
    assert one.came.low < 0.8 < one.came.high
    assert one.share.interval[0] < 0.8 < one.share.interval[1]
    assert one.bias_kwh == pytest.approx(-0.2 * 300.0, rel=0.25)
    assert one.bands is not None
    assert sum(one.bands) == 57
    assert one.bands[0] / 57 > 0.3  # promises were too high, so far more than a tenth lies below P90
    assert set(one.groups.index) == {"flat gravel", "pitched tile"}


def test_a_guarantee_of_the_promised_p90_costs_more_than_one_of_what_was_delivered(path: Path) -> None:
    with Inventory.open(path, read_only=True) as inventory:
        (one,) = delivered_by_retrofit(inventory)
    given = guarantee(one)
    assert given.expected_kwh == pytest.approx(0.8 * one.promised_kwh, rel=0.05)
    assert given.promised_p90 == pytest.approx(0.8 * one.promised_kwh)
    assert given.promised_p90_short == pytest.approx(0.5, abs=0.15)  # it is what comes on average
    assert given.calibrated_p90 < given.promised_p90
    # of a normal distribution the mean missing below its own P90 is 0.0473 of the standard deviation
    assert given.calibrated_p90_missing == pytest.approx(0.0473 * given.sd_kwh, rel=0.01)
    assert given.promised_p90_missing > 4 * given.calibrated_p90_missing
