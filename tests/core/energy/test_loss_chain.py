"""The loss chain adds up to what the simulation generates."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from aftersun.energy.balance import simulate
from aftersun.energy.baseline import baseline
from aftersun.energy.losses import loss_chain
from aftersun.energy.soiling import annual_soiling_loss


@pytest.fixture(scope="module")
def cohort(make_cohort: Any) -> Any:
    rows = {"mounting": "flat roof frame", "ground_cover_ratio": 0.6, "tilt_deg": 25.0}
    return make_cohort(
        {"surroundings": "desert", "inverter_rating_kw": 2.5},
        {"arrays": [rows, {"azimuth_deg": 90.0, "shading_pct": 12.0}], "birds_seen": True},
        {"arrays": []},
    )


def test_steps_add_up_to_what_is_generated(cohort: Any) -> None:
    plant = baseline(cohort)
    chain = loss_chain(cohort, plant)
    steps = chain.drop(columns=["in_plane_kwh", "generated_kwh"])
    assert list(chain.index) == list(cohort.sites.index)
    left = (chain["in_plane_kwh"] - steps.sum(axis=1)).to_numpy()
    assert left == pytest.approx(chain["generated_kwh"].to_numpy(), abs=1e-8)
    assert chain["generated_kwh"].to_numpy() == pytest.approx(simulate(cohort, plant).annual("generated"), rel=1e-5)
    assert np.isfinite(chain.to_numpy()).all()


def test_each_step_tells_what_it_is_named_after(cohort: Any) -> None:
    plant = baseline(cohort)
    chain = loss_chain(cohort, plant)
    first, second, empty = (chain.iloc[place] for place in range(3))
    assert first["clipping_kwh"] > 0
    assert first["row_shading_kwh"] == 0
    assert second["row_shading_kwh"] > 0
    assert second["droppings_kwh"] > first["droppings_kwh"]
    assert first["transmittance_kwh"] == 0
    assert (empty == 0).all()
    before_soiling = first["in_plane_kwh"] - first[["row_shading_kwh", "incidence_kwh", "temperature_kwh"]].sum()
    # Weighted by output here, by light there: nearly the same
    loss = annual_soiling_loss(cohort, plant)[0]
    assert first["soiling_kwh"] / before_soiling == pytest.approx(loss, rel=0.03)
    before_stops = first["generated_kwh"] + first["stops_kwh"]
    assert first["stops_kwh"] == pytest.approx(0.03 * before_stops)


def test_changes_show_in_their_step(cohort: Any) -> None:
    plant = baseline(cohort)
    arrays = len(cohort.arrays)
    better = plant.replace(transmittance=np.full(arrays, 1.01), excess_loss=np.full(arrays, 0.2))
    chain = loss_chain(cohort, better)
    assert (chain["transmittance_kwh"].iloc[:2] < 0).all()
    assert (chain["excess_degradation_kwh"] > loss_chain(cohort, plant)["excess_degradation_kwh"]).iloc[:2].all()
