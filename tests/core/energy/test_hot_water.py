"""Hot-water stores: SAP's published figures, conservation of heat, and what a diverter may do."""

from __future__ import annotations

from dataclasses import fields, replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import aftersun_datasets
from aftersun.energy.assumptions import system_values
from aftersun.energy.hot_water import (
    WATER_KWH_PER_L_K,
    StoreYear,
    litres_per_day,
    present_backup,
    run_stores,
    standing_loss_kwh_per_day,
    tap_heat_kwh,
    usual_hours,
)
from aftersun.model.plant import Plant
from aftersun.model.weather import WeatherYear

VALUES = system_values()
TEXTS = ("water_heat", "heating_hours")


def stores(**columns: Any) -> Plant:
    """Sites with a store of 150 L at 60 degC with three people's draw, unless said otherwise, and nothing else."""
    usual: dict[str, Any] = {
        "store_litres": 150.0,
        "store_loss_w_per_k": 1.3,
        "store_set_c": 60.0,
        "store_max_c": 65.0,
        "draw_litres_per_day": 111.0,
        "water_heat": "gas boiler",
        "water_efficiency": 1.0,
        "heater_kw": 100.0,
    }
    size = max(np.size(value) for value in (usual | columns).values())
    given = {
        name: np.array(np.broadcast_to(value, size), dtype=object if name in TEXTS else float)
        for name, value in (usual | columns).items()
    }
    given.setdefault("heating_hours", usual_hours(given["water_heat"]))
    return Plant(**{column.name: np.zeros(size) for column in fields(Plant)} | given)


def run(weather: WeatherYear, plant: Plant, offer: Any) -> StoreYear:
    return run_stores(weather, plant, np.arange(len(plant.store_litres)), offer, VALUES)


def table(name: str) -> list[float]:
    return [float(row["value"]) for row in aftersun_datasets.rows("hot_water.csv") if row["table"] == name]


def backups(weather: WeatherYear, plant: Plant, values: Any) -> list[Any]:
    return present_backup(weather, plant, np.arange(len(plant.store_litres)), values)


def test_litres_a_day() -> None:
    # SAP 2012 Table 1b: 25 N + 36
    assert litres_per_day(np.array([3.0, 2.88]), VALUES) == pytest.approx([111, 108])


def test_heat_at_the_tap(weather: WeatherYear) -> None:
    # SAP 2012 Tables 1a to 1d for three people with 4.18 kJ/(kg K): 1746.5 kWh/a, January 181.1, July 109.3
    heat = tap_heat_kwh(weather) * 111 * 4.18 / 4.186
    assert heat.sum() == pytest.approx(1746.5, abs=0.5)
    month = weather.times.month
    assert heat[month == 1].sum() == pytest.approx(181.1, abs=0.1)
    assert heat[month == 7].sum() == pytest.approx(109.3, abs=0.1)
    # With 15 % lost in pipes: 2008.4
    assert heat.sum() * (1 + VALUES["pipe_loss_share"]) == pytest.approx(2008.4, abs=0.5)
    # 108 litres a day: 1699.3 (4.18) to 1703.3 (4.19)
    assert heat.sum() / 111 * 108 == pytest.approx(1699.3, rel=0.003)


def test_south_of_the_equator_july_is_the_coldest_month(weather: WeatherYear) -> None:
    south = replace(weather, station=replace(weather.station, latitude=-36.1))
    heat, month = tap_heat_kwh(south) * 111, south.times.month
    assert heat[month == 7].sum() > 1.5 * heat[month == 1].sum()


@pytest.mark.parametrize(
    ("litres", "millimetres", "before", "after"),
    [
        (120, 25, 2.876, 1.726),
        (120, 50, 1.822, 1.093),
        (150, 50, 2.115, 1.269),
        (210, 50, 2.646, 1.5877),
        (210, 80, 2.012, 1.207),
    ],
)
def test_standing_loss(litres: float, millimetres: float, before: float, after: float) -> None:
    # SAP 2012 Tables 2, 2a, 2b, kWh a day; at 120 L the volume factor is exactly 1
    loss = standing_loss_kwh_per_day(np.array([litres], float), np.array([millimetres], float), VALUES)
    assert loss[0] == pytest.approx(after, abs=1e-3)
    assert loss[0] / 0.60 == pytest.approx(before, abs=1e-3)


def test_standing_loss_beside_the_energy_label() -> None:
    # Regulation (EU) 812/2013: class C up to 16.66 + 8.33 V^0.4 W, at 200 L 2.064 kWh/d; thick foam meets it
    loss = standing_loss_kwh_per_day(np.array([200.0, 200.0]), np.array([80.0, 50.0]), VALUES) / 0.60
    assert loss[0] < 2.064 < loss[1]
    assert standing_loss_kwh_per_day(np.zeros(1), np.zeros(1), VALUES)[0] == 0


def test_heating_up(weather: WeatherYear) -> None:
    # 150 L by 45 K take 7.849 kWh, at 3 kW 2.616 h
    offer = np.full((1, 8760), 3.0)
    year = run(
        weather, stores(store_set_c=15.0, store_max_c=60.0, draw_litres_per_day=0.0, store_loss_w_per_k=0.0), offer
    )
    assert year.diverted[0, :4] == pytest.approx([3, 3, 1.849, 0], abs=1e-3)
    assert year.diverted.sum() == pytest.approx(7.849, abs=1e-3)
    assert year.diverted.sum() / 3 == pytest.approx(2.616, abs=1e-3)


def test_cooling_down(weather: WeatherYear) -> None:
    # Exponential: a store without draw and heat nears the room with the time constant c V / loss
    year = run(weather, stores(store_set_c=60.0, draw_litres_per_day=0.0, water_heat="night immersion"), None)
    hours = np.arange(5, 24)  # from the last heated hour of the first night
    fall = year.temperature[0, hours] - 20
    expected = 40 * np.exp(-(hours - 4) * 1.3 / 1000 / (WATER_KWH_PER_L_K * 150))
    np.testing.assert_allclose(fall, expected, rtol=2e-3)


def test_boilers_heat_in_their_hours_only(weather: WeatherYear) -> None:
    kinds = ["gas boiler", "night immersion", "immersion"]
    backup = run(weather, stores(water_heat=kinds), None).backup.reshape(3, 365, 24).sum(axis=1)
    heated = [set(np.flatnonzero(hours > 0).tolist()) for hours in backup]
    assert heated[0] == {6, 7, *range(16, 22)}
    assert heated[1] <= set(range(5))
    assert heated[2] == set(range(24))


def test_draw_shares_peak_in_the_morning_and_the_evening() -> None:
    # DESNZ 2024: peaks 06-08 h and 17-19 h
    shares = [float(row["value"]) for row in aftersun_datasets.rows("hot_water.csv") if row["table"] == "draw_share"]
    assert sum(shares) == pytest.approx(1)
    assert set(np.argsort(shares)[-4:].tolist()) == {6, 7, 17, 18}


@pytest.mark.slow
@settings(max_examples=4)
@given(
    litres=st.floats(20, 500),
    loss=st.floats(0, 5),
    draw=st.floats(0, 600),
    full=st.floats(60, 80),
    heater=st.sampled_from(["gas boiler", "night immersion", "heat pump"]),
    seed=st.integers(0, 99),
)
def test_heat_is_conserved_in_every_hour(
    weather: WeatherYear, litres: float, loss: float, draw: float, full: float, heater: str, seed: int
) -> None:
    store = stores(
        store_litres=litres, store_loss_w_per_k=loss, draw_litres_per_day=draw, store_max_c=full, water_heat=heater
    )
    offer = np.random.default_rng(seed).uniform(-1, 3, (1, 8760)).clip(0)
    year = run(weather, store, offer)

    capacity = WATER_KWH_PER_L_K * litres
    kept_c = 60.0 - (VALUES["thermostat_band_k"] / 2 if heater == "heat pump" else 0.0)
    before = np.concatenate([[kept_c], year.temperature[0, :-1]])
    standing = loss / 1000 * (before - VALUES["room_c"])
    change = year.diverted[0] + year.backup[0] - year.drawn[0] - standing
    np.testing.assert_allclose(capacity * (year.temperature[0] - before), change, atol=1e-9)

    need = tap_heat_kwh(weather) * draw * (1 + VALUES["pipe_loss_share"])
    assert (year.drawn[0] <= need + 1e-12).all()
    assert (year.drawn[0] >= 0).all()
    assert ((year.diverted >= 0) & (year.diverted <= offer)).all()
    assert year.temperature.max() <= full + 1e-9
    if heater == "heat pump":
        assert year.temperature.min() >= kept_c - 1e-9
        met = need < capacity * 18  # K above the cold feed, of which there are more than 30
        np.testing.assert_allclose(year.drawn[0][met], need[met], atol=1e-12)


def test_surplus_replaces_backup_and_a_hotter_store_loses_more(weather: WeatherYear) -> None:
    store = stores(store_max_c=70.0)
    noon = np.zeros((1, 8760))
    noon.reshape(365, 24)[:, 11:14] = 3.0
    without, with_surplus = (run(weather, store, offer) for offer in (None, noon))
    saved = without.backup.sum() - with_surplus.backup.sum()
    assert 0 < saved < with_surplus.diverted.sum()
    assert with_surplus.temperature.mean() > without.temperature.mean()


def test_present_backup_is_shared_by_equal_stores(weather: WeatherYear) -> None:
    fresh = replace(weather)
    many = backups(fresh, stores(store_litres=[150.0, 200.0, 150.0]), VALUES)
    assert many[0] is many[2]
    assert len(fresh.memo["stores"]) == 2
    alone = run(weather, stores(store_litres=200.0), None).backup[0]
    assert np.array_equal(many[1], alone.astype(np.float32))
    colder = backups(fresh, stores(store_litres=150.0), system_values({"room_c": 15}))[0]
    assert colder.sum() > many[0].sum()


@pytest.mark.parametrize("surplus", [False, True])
def test_all_days_at_once_have_the_bits_of_hour_after_hour(weather: WeatherYear, surplus: bool) -> None:
    kinds = ["gas boiler", "immersion", "night immersion", "heat pump"] * 9
    litres, heater_kw = np.linspace(90.0, 300.0, 36), np.linspace(0.2, 20.0, 36)  # the least never heats up
    plant = stores(water_heat=kinds, store_litres=litres, heater_kw=heater_kw)
    offer = np.abs(np.sin(np.arange(36 * 8760))).reshape(36, 8760) if surplus else np.zeros((36, 8760))
    year = run(weather, plant, offer if surplus else None)
    month = weather.times.month.to_numpy() - 1
    need = tap_heat_kwh(weather) * (111.0 * (1 + VALUES["pipe_loss_share"]))
    for site in (0, 1, 2, 3, 30, 35):
        capacity = WATER_KWH_PER_L_K * litres[site]
        cold = [(VALUES["tap_temperature_c"] - rise) * capacity for rise in table("temperature_rise")]
        lost = min(1.3 / 1000 / capacity, 1.0)
        any_hour = kinds[site] in ("immersion", "heat pump")
        least = capacity * (60.0 - (VALUES["thermostat_band_k"] / 2 if any_hour else 0.0))
        most = [1.0] * 24 if any_hour else table("night_hours" if kinds[site] == "night immersion" else "boiler_hours")
        heat, rows = least, []
        for hour in range(8760):
            heat = heat * (1 - lost) + lost * capacity * VALUES["room_c"]
            drawn = min(need[hour], max(heat - cold[month[hour]], 0.0))
            heat -= drawn
            diverted = max(min(capacity * 65.0 - heat, offer[site, hour]), 0.0)
            heat += diverted
            backup = max(min(least - heat, most[hour % 24] * heater_kw[site]), 0.0)
            heat += backup
            rows.append((diverted, backup, drawn, heat / capacity))
        for name, hourly in zip(("diverted", "backup", "drawn", "temperature"), np.transpose(rows), strict=True):
            np.testing.assert_array_equal(getattr(year, name)[site], hourly, err_msg=f"{name} of {kinds[site]}")
