"""A diagnosis visit is worth what it may find: 80 kW of which 19 % are missing by hand, and a metered roof in a run."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from readings_support import from_hours
from run_support import BUILT_IN

from aftersun.documents.asked import visits_worth_making
from aftersun.energy.balance import simulate
from aftersun.energy.baseline import baseline
from aftersun.host.registry import find_plugins
from aftersun.model import tables
from aftersun.money.company import Company
from aftersun.scoring.offers.chunk import score
from aftersun.scoring.ranges.diagnosis import MISSING_OUTPUT, value_of_diagnosis
from aftersun.testing import sample_cohort, unknown_frame


def one(value: float) -> np.ndarray:
    return np.array([value])


def test_eighty_kilowatts_of_which_nineteen_percent_are_missing() -> None:
    # 2000 a year are lost; 3 %: 1 / 1.03 = 0.970874 for a year, 1.913470 for 2, 4.579707 for 5, 7.019692 for 8; a
    # repair is 300, an open string has a chance of 0.1 and leaves 0.9 of theirs to the other causes
    open_string = 0.1 * 0.98 * (0.95 * 2000 * 0.970874 - 300)  # 151.38
    inverter = 0.135 * 0.98 * (0.95 * 2000 * 0.970874 - 900)  # 124.98
    degradation = 0.135 * 0.9 * (0.6 * 2000 * 7.019692 - 300 * (1 + 0.1 * 80))  # 695.42
    soiling = 0.18 * 0.95 * (0.9 * 2000 * 0.15 / 0.19 * 1.913470 - 300 * 0.05 * 80)  # 259.78: it explains 15 %
    shading = 0.18 * 0.98 * (0.4 * 2000 * 4.579707 - 300 * (1 + 0.02 * 80))  # 508.69
    assert open_string + inverter + degradation + soiling + shading == pytest.approx(1740.25, abs=0.01)
    value = value_of_diagnosis(one(0.19), one(2000.0), one(0.1), one(80.0), one(15.0), 0.03, 300.0)
    assert value == pytest.approx([1740.25], abs=0.01)


def test_what_costs_more_to_cure_than_it_brings_is_not_cured() -> None:
    # of 50 a year on 4 kW only the wash pays: 0.2 x 0.95 x (0.9 x 50 x 1.913470 - 60) = 4.96; with shading 0.4 x 50 x
    # 4.58 - 324 it does not, nor the bias device with 0.6 x 50 x 7.02 - 420
    value = value_of_diagnosis(one(0.1), one(50.0), one(0.0), one(4.0), one(15.0), 0.03, 300.0)
    assert value == pytest.approx([4.96], abs=0.01)


def test_the_causes_leave_room_for_what_cannot_be_cured() -> None:
    assert sum(cause.share for cause in tables.shortfall_causes()) == pytest.approx(0.7)
    for cause in tables.shortfall_causes():
        assert all(0 <= share <= 1 for share in (cause.share, cause.most, cause.found, cause.cured))


@pytest.mark.slow
@pytest.mark.parametrize(("share", "stops"), [(0.6, False), (1.0, False), (0.6, True)])
def test_a_metered_roof_of_eighty_kilowatts(company: Company, share: float, stops: bool) -> None:
    home = {"export_rule": "net billing", "annual_demand_kwh": 60_000.0, "inverter_rating_kw": 80.0, "arrays": [{
        "dc_rating_kw": 80.0, "module_count": 240}]}  # fmt: skip
    travel = company.travel
    home |= {"latitude": travel.base_latitude, "longitude": travel.base_longitude}
    cohort = sample_cohort(home)
    output = share * simulate(cohort, baseline(cohort)).generated[0].astype(np.float64)
    rows = from_hours("S0", "production", output, "MS", "2023-06-01", "2026-06-01")
    if stops:
        rows["kwh"] = rows["kwh"].mask(rows["starts_at"] >= pd.Timestamp("2026-04-01"), 0.0)
    result = score(cohort, unknown_frame("fitted"), find_plugins(off=set(BUILT_IN) - {"bird_mesh"}), company, rows)
    assert result.failures == ()
    visits, evidence = visits_worth_making(result.frames["question"]), result.frames["site_evidence"].iloc[0]
    if share == 1.0 or stops:
        assert visits.empty
    else:
        (visit,) = visits.to_dict("records")
        assert visit["fact"] == MISSING_OUTPUT
        assert visit["visit_cost"] == pytest.approx(company.inspections["diagnosis_visit"])  # no way to go
        assert evidence["shortfall"] == pytest.approx(0.28, abs=0.03)
        assert 1000 < visit["value_of_visit"] < 20_000
    if stops:
        assert evidence["idle_since"] == pd.Timestamp("2026-04-01")
        assert evidence["idle_days"] == 61
        energy = result.frames["site_energy"].iloc[0]
        # on the roof at 0.30 a kWh, into the grid at 0.05
        worth = 0.30 * energy["used_kwh"] + 0.05 * energy["exported_kwh"]
        assert evidence["idle_cost_a_month"] == pytest.approx(worth / 12, rel=1e-3)
