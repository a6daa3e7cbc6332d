"""A hot-water store in steps of five minutes and twelve layers, for the tests alone: nothing of it is the program's.

Water is drawn in events, at the top, and cold water follows at the bottom. An element at the bottom heats what lies
above it by buoyancy. Its thermostat, in the lower third, switches: on 5 K below where it goes off. Under a diverter the
element follows the surplus and takes from the grid in the hours of a boost only. Load within the hour is a base
and what is gamma distributed above it. A battery takes surplus before the diverter does, and serves load and element.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

STEPS = 12  # an hour
LAYERS, SENSOR = 12, 3  # from the bottom; assumption
HYSTERESIS_K = 5.0  # common practice, no source
KWH_PER_L_K = 4.186 / 3600  # heat capacity of water, 4.186 kJ/(kg K)
COLD_TAP_C = 45.0  # assumption: below it a user calls hot water cold
EVENT_LITRES = 6.0  # of one draw, at the tap's temperature; assumption
MARGIN_KW, LEAST_KW = 0.05, 0.1  # of the diverter; common practice, no source


@dataclass(frozen=True)
class Homes:
    """N homes: columns (N,), what changes by the hour (H,) or (N, H) in kWh."""

    generated: Floats
    load: Floats
    litres: Floats
    loss_w_per_k: Floats
    element_kw: Floats
    draw_litres_per_day: Floats  # pipes included
    draw_share: Floats  # of a day's draw, (24,)
    month_factor: Floats  # on the draw, (H,)
    cold_c: Floats  # (H,)
    diverter: npt.NDArray[np.bool_]
    grid_hours: npt.NDArray[np.bool_]  # in which the element may take from the grid, (24, N)
    tap_c: float
    room_c: float
    set_c: float
    max_c: float
    household: npt.NDArray[np.intp]  # whose loads and draws these are: homes with the same have the same
    evenness: float
    base_kw: Floats  # of the load, in all hours
    battery_kwh: Floats  # that can be taken out; 0 = none
    battery_kw: Floats
    round_trip: float  # all losses on the way in


@dataclass(frozen=True)
class Year:
    """What N homes drew from the grid and sent there, kWh, and the share of the water drawn that came below 45 C."""

    imported: Floats
    exported: Floats
    cold_share: Floats


def run(homes: Homes, seed: int = 1) -> Year:
    """Run the year."""
    rng = np.random.default_rng(seed)
    size, households = len(homes.litres), int(homes.household.max()) + 1
    layer = homes.litres / LAYERS
    warm = np.full((LAYERS, size), homes.set_c)
    lost = homes.loss_w_per_k / 1000 / LAYERS / (KWH_PER_L_K * layer) / STEPS
    imported, exported, drawn, cold = (np.zeros(size) for _ in range(4))
    on = np.zeros(size, dtype=bool)
    begun = np.zeros(size)  # litres of the top layer that are drawn already
    held = np.zeros(size)  # kWh in the batteries
    for hour in range(homes.load.shape[1]):
        clock, cold_c = hour % 24, homes.cold_c[hour]
        litres = (homes.draw_litres_per_day * homes.draw_share[clock] * homes.month_factor[hour])[:households]
        events = (rng.poisson(litres / EVENT_LITRES / STEPS, (STEPS, households)) * EVENT_LITRES)[:, homes.household]
        base = np.minimum(homes.load[:, hour], homes.base_kw)
        rest = homes.load[:, hour] - base
        loads = base + rest * rng.gamma(homes.evenness, 1 / homes.evenness, (STEPS, households))[:, homes.household]
        for event, load in zip(events, loads, strict=True):
            warm -= (warm - homes.room_c) * lost
            if event.any():
                top = warm[-1]
                drawn += event
                cold += event * (top < COLD_TAP_C)
                begun += event * np.clip((homes.tap_c - cold_c) / np.maximum(top - cold_c, 1e-9), 0, 1)
                while (gone := begun >= layer).any():
                    warm[1:, gone] = warm[:-1, gone]
                    warm[0, gone] = cold_c
                    begun -= np.where(gone, layer, 0.0)
            power = homes.generated[:, hour] - load  # kW over the step
            room = np.minimum(homes.battery_kw, (homes.battery_kwh - held) / homes.round_trip * STEPS)
            spare = np.minimum(power - np.clip(power, 0, room) - MARGIN_KW, homes.element_kw)
            fed = homes.diverter & (spare >= LEAST_KW) & (warm[SENSOR] < homes.max_c)
            heat = np.where(fed, spare, 0.0)
            on = (warm[SENSOR] <= homes.set_c - HYSTERESIS_K) | (on & (warm[SENSOR] < homes.set_c))
            heat = np.where(on & homes.grid_hours[clock], homes.element_kw, heat)
            power = power - heat
            taken = np.clip(power, 0, room)
            given = np.clip(-power, 0, np.minimum(homes.battery_kw, held * STEPS))
            held += (taken * homes.round_trip - given) / STEPS
            power = power - taken + given
            imported += np.maximum(-power, 0.0) / STEPS
            exported += np.maximum(power, 0.0) / STEPS
            warm[0] += heat / STEPS / (KWH_PER_L_K * layer)
            _rise(warm)
    return Year(imported, exported, cold / drawn)


def _rise(warm: Floats) -> None:
    """Mix the lowest layer with those above it that are colder, from the bottom up, in place."""
    total, mixing = warm[0].copy(), np.ones(warm.shape[1], dtype=bool)
    for layer in range(1, len(warm)):
        mixing &= total / layer > warm[layer]
        if not mixing.any():
            return
        total += np.where(mixing, warm[layer], 0.0)
        warm[: layer + 1, mixing] = (total / (layer + 1))[mixing]
