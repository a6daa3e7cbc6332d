"""Years reckoned from a simulated one, against the simulation itself."""

from __future__ import annotations

import numpy as np
import pytest
from tests_support import empty_frame, make_cohort, make_weather

from aftersun.model.plant import Plant
from aftersun.money.company import Company
from aftersun.scoring.value.nearby import NearbySimulations, Slopes
from aftersun.scoring.value.simulations import Baseline, Simulated, Simulations, baseline_of

HOME = {
    "latitude": 36.12, "longitude": -79.98, "elevation_m": 0.0, "commissioned_on": "2012-05-01", "birds_seen": True,
    "annual_demand_kwh": 4500.0, "export_rule": "net billing", "import_price": 0.34, "export_price": 0.08,
    "remaining_life_years": 15.0, "load_shape": 0,
}  # fmt: skip
SITES = [{**HOME, "site_id": "A"}, {**HOME, "site_id": "B", "annual_demand_kwh": 9000.0, "inverter_rating_kw": 4.0}]
ARRAYS = [
    {"site": site, "tilt_deg": 25.0, "azimuth_deg": 180.0, "dc_rating_kw": kw, "mounting": "flush roof"}
    for site, kw in ((0, 6.0), (1, 5.0), (1, 2.0))
]


@pytest.fixture(scope="module")
def baseline(company: Company) -> Baseline:
    return baseline_of(make_cohort(make_weather(), SITES, ARRAYS), company, empty_frame("reading", 0))[0]


def changed(plant: Plant, column: str, factor: float, more: float) -> Plant:
    return plant.replace(**{column: getattr(plant, column) * factor + more})


@pytest.mark.parametrize(
    ("column", "factor", "more"),
    [
        ("transmittance", 1.01, 0.0),
        ("droppings_loss", 0.1, 0.0),
        ("connection_loss", 0.5, 0.0),
        ("strings_working", 0.9, 0.0),
        ("availability", 1.004, 0.0),
        ("availability", 0.97, 0.0),
        ("standby_kwh", 1.0, 20.0),
        ("extra_temp_k", 1.0, 3.0),
    ],
)
def test_a_plant_close_to_a_known_one_is_reckoned_as_simulated(
    baseline: Baseline, column: str, factor: float, more: float
) -> None:
    exact = Simulations(baseline)
    near = NearbySimulations(exact, Slopes(baseline), np.arange(len(baseline.cohort)))
    plant = changed(baseline.plant, column, factor, more)
    reckoned, simulated = near.of(plant), exact.anew(plant)
    # an eighth of the change: the bill bends with surplus, and an inverter that clips takes part of what DC gains, of
    # what plugs gain the more
    bill = simulated.bill.electricity - baseline.bill.electricity
    np.testing.assert_allclose(reckoned.bill.electricity - baseline.bill.electricity, bill, rtol=0.125)
    kwh = simulated.yearly_kwh["generated"] - baseline.yearly_kwh["generated"]
    np.testing.assert_allclose(
        reckoned.yearly_kwh["generated"] - baseline.yearly_kwh["generated"], kwh, rtol=0.1, atol=0.5
    )


def test_what_is_not_in_proportion_is_simulated_and_only_where_it_differs(baseline: Baseline) -> None:
    exact = Simulations(baseline)
    near = NearbySimulations(exact, Slopes(baseline), np.arange(len(baseline.cohort)))
    tilt = baseline.plant.tilt_deg.copy()
    tilt[0] = 60.0  # of site A alone
    plant = baseline.plant.replace(tilt_deg=tilt)
    reckoned, simulated = near.of(plant), exact.anew(plant)
    np.testing.assert_array_equal(reckoned.bill.electricity, simulated.bill.electricity)
    assert reckoned.bill.electricity[0] != baseline.bill.electricity[0]


def test_no_site_depends_on_the_others(baseline: Baseline) -> None:
    plant = changed(changed(baseline.plant, "availability", 0.98, 0.0), "transmittance", 1.02, 0.0)
    together = NearbySimulations(Simulations(baseline), Slopes(baseline), np.arange(len(baseline.cohort))).of(plant)
    row = np.array([1])
    part = baseline.take(row)
    alone = NearbySimulations(Simulations(part), Slopes(part), np.arange(len(part.cohort))).of(
        plant.take(row, baseline.cohort.array_rows(row))
    )
    assert alone.bill.electricity[0] == together.bill.electricity[1]


def test_what_was_simulated_for_another_plant_is_not_simulated_again(
    baseline: Baseline, monkeypatch: pytest.MonkeyPatch
) -> None:
    exact = Simulations(baseline)
    near = NearbySimulations(exact, Slopes(baseline), np.arange(len(baseline.cohort)))
    steep = baseline.plant.tilt_deg.copy()
    steep[0] = 60.0
    both = np.full_like(steep, 60.0)
    sizes: list[int] = []
    simulated = Simulations.anew

    def counted(self: Simulations, plant: Plant, by_month: bool = True) -> Simulated:
        sizes.append(len(plant.demand_kwh))
        return simulated(self, plant, by_month)

    monkeypatch.setattr(Simulations, "anew", counted)
    near.of(baseline.plant.replace(tilt_deg=steep))  # A alone differs
    found = near.of(baseline.plant.replace(tilt_deg=both))  # A as before, and B
    again = near.of(changed(baseline.plant.replace(tilt_deg=both), "demand_kwh", 1.5, 0.0))
    assert sizes == [1, 1, 2]
    monkeypatch.undo()
    np.testing.assert_array_equal(
        found.bill.electricity, exact.anew(baseline.plant.replace(tilt_deg=both)).bill.electricity
    )
    more = changed(baseline.plant.replace(tilt_deg=both), "demand_kwh", 1.5, 0.0)
    np.testing.assert_array_equal(again.bill.electricity, exact.anew(more).bill.electricity)
