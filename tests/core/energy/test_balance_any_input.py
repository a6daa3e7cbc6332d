"""The balance closes whatever the sites are: stores, batteries, skylines, shunts, limits, loads of their own."""

from __future__ import annotations

from dataclasses import fields, replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from aftersun.energy.balance import simulate
from aftersun.energy.baseline import baseline
from aftersun.model.cohort import Cohort, Horizon
from aftersun.model.energy import Energy
from aftersun.model.plant import Plant

NAMES = [column.name for column in fields(Energy)]
MOUNTINGS = ["flush roof", "in roof", "flat roof frame", "ground frame"]
HEATERS = ["gas boiler", "night immersion", "immersion", "heat pump", "combi boiler", "solar thermal"]


def perhaps(values: st.SearchStrategy[Any]) -> st.SearchStrategy[Any]:
    return st.none() | values


def none_or(least: float, most: float) -> st.SearchStrategy[float]:
    return st.just(0.0) | st.floats(least, most)


arrays = st.fixed_dictionaries(
    {
        "tilt_deg": st.floats(0, 90),
        "azimuth_deg": st.floats(0, 360),
        "dc_rating_kw": st.floats(0.05, 80),
        "mounting": perhaps(st.sampled_from(MOUNTINGS)),
        "ground_cover_ratio": perhaps(st.floats(0.05, 0.95)),
        "shading_pct": perhaps(st.floats(0, 95)),
        "temp_coefficient_pct_per_k": perhaps(st.floats(-0.8, 0)),
    }
)
facts = st.fixed_dictionaries(
    {
        "annual_demand_kwh": perhaps(none_or(1, 50_000)),
        "battery_kwh": perhaps(none_or(0.1, 40)),
        "inverter_rating_kw": perhaps(st.floats(0.1, 100)),
        "export_limit_kw": perhaps(none_or(0.01, 10)),
        "export_rule": perhaps(st.sampled_from(["net billing", "no export"])),
        "water_store_litres": perhaps(none_or(5, 500)),
        "water_heat": perhaps(st.sampled_from(HEATERS)),
        "cell_type": perhaps(st.sampled_from(["p-type crystalline", "thin film"])),
        "measured_excess_loss": perhaps(none_or(0.001, 0.8)),
        "surroundings": perhaps(st.sampled_from(["desert", "urban"])),
        "arrays": st.lists(arrays, max_size=2),
    }
)
sites = st.fixed_dictionaries(
    {
        "facts": facts,
        "skyline": perhaps(st.lists(st.floats(0, 60), min_size=4, max_size=4)),
        "load_seed": perhaps(st.integers(0, 9)),  # of a load of its own
        "diverter_kw": none_or(0.2, 4),
        "calibration": st.just(1.0) | st.floats(0.1, 2),
    }
)


def own_shape(seed: int) -> np.ndarray:
    """A load that is nothing in many hours and much in others."""
    shape = np.random.default_rng(seed).exponential(size=8760) ** 3
    shape[shape < 0.5] = 0.0
    return shape / shape.sum()


def built(make_cohort: Any, rows: list[dict[str, Any]]) -> tuple[Cohort, Plant]:
    """The cohort of these sites and its plant, loads of their own and diverters included."""
    ids = [f"S{place}" for place in range(len(rows))]
    cohort = make_cohort(*({"site_id": name, **row["facts"]} for name, row in zip(ids, rows, strict=True)))
    own = [row["load_seed"] for row in rows if row["load_seed"] is not None]
    place = iter(range(len(cohort.load_shapes), len(cohort.load_shapes) + len(own)))
    cohort = replace(
        cohort,
        sites=cohort.sites.assign(load_shape=[0 if row["load_seed"] is None else next(place) for row in rows]),
        load_shapes=np.concatenate([cohort.load_shapes, *(own_shape(seed)[None] for seed in own)]),
        horizons={
            name: Horizon((0.0, 90.0, 180.0, 270.0), tuple(row["skyline"]))
            for name, row in zip(ids, rows, strict=True)
            if row["skyline"]
        },
    )
    plant = baseline(cohort)
    return cohort, plant.replace(
        diverter_kw=np.array([row["diverter_kw"] for row in rows]),
        calibration=np.array([row["calibration"] for row in rows]),
    )


@settings(max_examples=15)
@given(st.lists(sites, min_size=1, max_size=3))
@pytest.mark.slow
def test_generated_is_used_or_heats_water_or_is_exported_or_curtailed(
    make_cohort: Any, rows: list[dict[str, Any]]
) -> None:
    cohort, plant = built(make_cohort, rows)
    energy = simulate(cohort, plant)
    generated = energy.generated.astype(np.float64)
    parts = (energy.used, energy.to_water, energy.exported, energy.curtailed)
    left = generated - sum(part.astype(np.float64) for part in parts)
    assert np.abs(left).max() <= 1e-6 * (1 + generated.max())
    for name in NAMES:
        column = getattr(energy, name)
        assert np.isfinite(column).all()
        assert column.min() >= 0, name
    assert (energy.exported <= plant.export_limit_kw[:, None] * (1 + 1e-6)).all()
    last = np.array([len(rows) - 1])
    fresh = replace(cohort, weather=replace(cohort.weather))
    alone = simulate(fresh.take(last), plant.take(last, cohort.array_rows(last)))
    for name in NAMES:
        assert np.array_equal(getattr(alone, name)[0], getattr(energy, name)[-1]), name
