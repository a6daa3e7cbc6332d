"""Generation by the hour, and a house by the quarter of an hour: load, hot-water store, battery, grid.

Hay & Davies 1980 for the sloped plane, ASHRAE incidence (b0 = 0.05), NOCT cell temperature, DC power (Dobos 2014).
All arrays: time first, roof second. Energies in kWh, powers in kW, temperatures in degrees C, volumes in litres.
"""

from __future__ import annotations

import lzma
import tempfile
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pandas as pd
import pvlib

from .roofs import Place

DAY = 96  # quarters of an hour
STEPS = 365 * DAY
STEP_H = 0.25
WATER_KWH = 0.001163  # a litre by one degree
HOT_C = 42.0  # at the tap
ROOM_C = 19.0
WEATHER = Path(__file__).parents[2] / "data" / "weather"


@dataclass(frozen=True)
class Sky:
    """8760 hours of local standard time: W/m2, degrees; sun in degrees."""

    ghi: np.ndarray
    dni: np.ndarray
    dhi: np.ndarray
    air: np.ndarray
    elevation: np.ndarray
    azimuth: np.ndarray
    extra: np.ndarray


def unpacked(place: Place, folder: Path) -> Path:
    """Write the place's weather file, unpacked, into ``folder``."""
    path = folder / place.weather
    path.write_bytes(lzma.decompress((WEATHER / (place.weather + ".xz")).read_bytes()))
    return path


def sky(place: Place) -> Sky:
    """Return the place's year. Values stand for the middle of the hour, PVGIS ones 0.18 h after its beginning."""
    with tempfile.TemporaryDirectory() as folder:
        path, shift = unpacked(place, Path(folder)), 0
        if path.suffix == ".tmy3":
            data, middle = pvlib.iotools.read_tmy3(path, map_variables=True)[0], 0.5
        elif path.suffix == ".epw":
            data, middle = pvlib.iotools.read_epw(path)[0], 0.5
        else:
            data, middle, shift = pvlib.iotools.read_pvgis_tmy(path)[0], 0.1761, place.utc_offset_h
    values = {name: np.roll(data[name].to_numpy(float), shift) for name in ("ghi", "dni", "dhi", "temp_air")}
    zone = f"Etc/GMT{-place.utc_offset_h:+d}"
    times = pd.date_range("2023-01-01", periods=8760, freq="h", tz=zone) + pd.Timedelta(hours=middle)
    sun = pvlib.solarposition.get_solarposition(times, place.latitude, place.longitude)
    extra = pvlib.irradiance.get_extra_radiation(times).to_numpy()
    return Sky(values["ghi"], values["dni"], values["dhi"], values["temp_air"],
               sun["apparent_elevation"].to_numpy(), sun["azimuth"].to_numpy(), extra)  # fmt: skip


def dc_per_kw(sky: Sky, tilt, azimuth, coefficient, flush, cover, rows) -> np.ndarray:
    """Return clean DC output for each kW, hour by roof. ``cover``: slant height over row distance, nan = one block."""
    tilt, azimuth = np.radians(tilt), np.radians(azimuth)
    height, sun = np.radians(sky.elevation)[:, None], np.radians(sky.azimuth)[:, None]
    cos_in = np.sin(height) * np.cos(tilt) + np.cos(height) * np.sin(tilt) * np.cos(sun - azimuth)
    cos_in = np.where(height > 0, cos_in, 0).clip(0)
    ratio = cos_in / np.sin(height).clip(0.0872)  # as pvlib, sun not lower than 5 degrees
    clear = (sky.dni / sky.extra)[:, None]
    beam = sky.dni[:, None] * cos_in + sky.dhi[:, None] * clear * ratio
    # Shade of the row in front: part of the slant height (geometry of parallel rows), half as much again electrically.
    profile = np.arctan2(np.sin(height), np.cos(height) * np.cos(sun - azimuth))
    with np.errstate(divide="ignore", invalid="ignore"):
        shaded = 1 - np.sin(profile) / (np.where(np.isnan(cover), 0, cover) * np.sin(profile + tilt))
    shaded = np.where(np.isnan(cover) | (profile <= 0), 0, np.nan_to_num(shaded, neginf=0).clip(0, 1))
    beam *= 1 - (1.5 * shaded).clip(0, 1) * (rows - 1) / rows
    with np.errstate(divide="ignore"):
        beam *= np.where(cos_in > 0.05, 1 - 0.05 * (1 / cos_in.clip(0.05) - 1), 0).clip(0)
    plane = beam + sky.dhi[:, None] * (1 - clear) * (1 + np.cos(tilt)) / 2
    plane += 0.2 * sky.ghi[:, None] * (1 - np.cos(tilt)) / 2
    cell = sky.air[:, None] + plane * (np.where(flush, 51, 45) - 20) / 800
    return (plane / 1000 * (1 + coefficient / 100 * (cell - 25))).clip(0)


def quarters(hourly: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Spread hours over quarters: straight between middles, and passing clouds that keep the hour's sum."""
    middles = np.arange(8760) + 0.5
    points = (np.arange(STEPS) + 0.5) / 4
    fine = np.stack([np.interp(points, middles, column) for column in hourly.T], axis=1)
    cloud = rng.gamma(4.0, 1, (8760, 4))
    cloud = (4 * cloud / cloud.sum(1, keepdims=True)).reshape(-1, 1)
    sums = fine.reshape(8760, 4, -1).sum(1)
    fine *= cloud
    with np.errstate(divide="ignore", invalid="ignore"):
        keep = np.nan_to_num(sums / fine.reshape(8760, 4, -1).sum(1), nan=0.0)
    return (fine * np.repeat(keep, 4, axis=0)).astype(np.float32)


def rain(place: Place, years: int, rng: np.random.Generator) -> np.ndarray:
    """Draw days of rain in mm, year by day: as many wet days as the climate has, with exponential sums."""
    month = pd.date_range("2023-01-01", periods=365).month.to_numpy() - 1
    days, total = np.array(place.rain_days), np.array(place.rain_mm)
    length = np.bincount(month)
    wet = rng.random((years, 365)) < (days / length)[month]
    return wet * rng.exponential(1, (years, 365)) * (total / days)[month]


def soiling(rate, scale, washes, rain_mm: np.ndarray) -> np.ndarray:
    """Return the mean loss of light by day of the year, day by roof.

    A dry day adds ``rate``; rain leaves exp(-mm / scale) of the dirt (cleaning by amount, without a threshold);
    the dirt tends to 30 %; owners' washes are spread evenly over the dry half of the year.
    """
    dirt, mean = np.zeros(len(rate)), np.zeros((365, len(rate)))
    for year in rain_mm:
        for day, mm in enumerate(year):
            dirt = (dirt + rate * (1 - dirt / 0.3)) * np.exp(-mm / scale)
            for k in range(1, int(washes.max(initial=0)) + 1):
                dirt = np.where((washes > 0) & (np.round(120 + k * 150 / (washes + 1)) == day), 0, dirt)
            mean[day] += dirt / len(rain_mm)
    return mean


def household(kwh, day_share, business, rng: np.random.Generator) -> np.ndarray:
    """Draw each house's load by quarter: a steady base and appliances switched on at random, kWh a step.

    Appliance runs are Poisson with a rate by the hour; each has a size (mean 0.35 kWh) and lasts three quarters.
    ``day_share`` moves them from the evening to the day. Businesses work on five days from 7 to 18.
    """
    hour = (np.arange(STEPS) % DAY) / 4
    bump = lambda middle, width: np.exp(-0.5 * ((hour - middle) / width) ** 2)  # noqa: E731
    winter = 1 + 0.18 * np.cos(2 * np.pi * (np.arange(STEPS) / STEPS - 0.03))
    evening = (bump(19.5, 2.2) + 0.45 * bump(7.2, 1.0)) * winter
    day = bump(12.5, 3.2)
    week = (np.arange(STEPS) // DAY) % 7
    work = ((hour > 7) & (hour < 18) & (week < 5)).astype(float)
    out = np.empty((STEPS, len(kwh)), np.float32)
    for k in range(len(kwh)):
        shape = work if business[k] else (1 - 0.7 * day_share[k]) * evening + 1.2 * day_share[k] * day
        base = rng.uniform(0.2, 0.45)
        runs = (1 - base) * kwh[k] / 0.35 * shape / shape.sum()
        events = rng.poisson(runs) * rng.gamma(1.2, 1 / 1.2, STEPS)
        lasting = np.convolve(events, [0.5, 0.3, 0.2])[:STEPS]
        out[:, k] = kwh[k] * (base / STEPS + (1 - base) * lasting / lasting.sum())
    return out


def taps(kwh_day, rng: np.random.Generator) -> np.ndarray:
    """Draw hot water used by quarter, kWh above the cold water: showers morning and evening, small draws all day."""
    hour = (np.arange(STEPS) % DAY) / 4
    out = np.empty((STEPS, len(kwh_day)), np.float32)
    for k, need in enumerate(kwh_day):
        morning = rng.beta(2, 2)
        shape = morning * np.exp(-0.5 * ((hour - rng.normal(7, 0.7)) / 0.8) ** 2)
        shape = shape + (1 - morning) * np.exp(-0.5 * ((hour - rng.normal(20, 1)) / 1.5) ** 2)
        shape = shape + 0.12 * ((hour > 7) & (hour < 23))
        events = rng.poisson(9 * 365 * shape / shape.sum()) * rng.gamma(0.8, 1, STEPS)
        out[:, k] = need * 365 * events / events.sum()
    return out


@dataclass
class Houses:
    """What a row of :func:`simulate` is: a roof with one way to run it. All arrays have one entry a row."""

    column: np.ndarray  # of pv, load and taps
    pv_factor: np.ndarray
    litres: np.ndarray  # 0 = no store
    loss_kw_per_k: np.ndarray
    heater_kw: np.ndarray
    efficiency: np.ndarray
    electric: np.ndarray  # the heater takes electricity (heat pumps too)
    thermostat_c: np.ndarray
    allowed: np.ndarray  # quarter of the day by row: may the heater run?
    boost_by_day: np.ndarray  # somebody presses a button when the water is cold, as with a night heater
    diverter_kw: np.ndarray  # 0 = none
    battery_kwh: np.ndarray
    cold_c: np.ndarray  # day by row
    night: np.ndarray  # quarter of the day by row: night price
    result: dict[str, np.ndarray] = field(default_factory=dict)


def simulate(pv: np.ndarray, load: np.ndarray, draws: np.ndarray, houses: Houses, steps: int = STEPS) -> dict:
    """Run every row through the year and return sums of it in kWh.

    The store has two zones, the upper of 45 %; a draw-off pushes cold water up from below (plug flow); heat enters
    below and mixes upwards once it is warmer there. A heater runs at full power between thermostat - 6 K and
    thermostat. A diverter takes what would be exported, whatever its size, until 65 degrees.
    """
    h = houses
    volume = np.where(h.litres > 0, h.litres, 1.0)
    up, low = 0.45 * volume * WATER_KWH, 0.55 * volume * WATER_KWH  # kWh a degree
    has = h.litres > 0
    warm_up = np.where(has, 50.0, ROOM_C)
    warm_low = np.where(has, 40.0, ROOM_C)
    on, soc = np.zeros(len(has), bool), 0.3 * h.battery_kwh
    names = ["import_day", "import_night", "export", "fuel", "electric_water", "diverted", "heat_in", "drawn", "lost"]
    names += ["unmet", "generated"]
    total = {name: np.zeros(len(has)) for name in names}
    start = up * warm_up + low * warm_low
    pv_factor = h.pv_factor.astype(np.float32)
    for t in range(steps):
        quarter, cold = t % DAY, h.cold_c[t // DAY]
        made = pv[t, h.column] * pv_factor
        need = np.where(has, draws[t, h.column], 0.0)
        # Draw-off: tempered at the tap, so hotter water is drawn less; kWh per degree of what flows.
        wanted = need / (HOT_C - cold)
        flow = np.minimum(need / (np.maximum(warm_up, HOT_C) - cold), low)
        taken = flow * (warm_up - cold)
        total["unmet"] += np.maximum(wanted * (HOT_C - np.maximum(warm_up, cold)), 0) * (warm_up < HOT_C)
        total["drawn"] += taken
        warm_up, warm_low = warm_up + flow / up * (warm_low - warm_up), warm_low + flow / low * (cold - warm_low)
        lost_up = 0.45 * h.loss_kw_per_k * (warm_up - ROOM_C) * STEP_H
        lost_low = 0.55 * h.loss_kw_per_k * (warm_low - ROOM_C) * STEP_H
        total["lost"] += lost_up + lost_low
        warm_up, warm_low = warm_up - lost_up / up, warm_low - lost_low / low
        # The present heater.
        allowed = h.allowed[quarter] & has
        on = ((warm_low < h.thermostat_c - 6) | (on & (warm_low < h.thermostat_c))) & allowed
        room = low * (h.thermostat_c - warm_low) + up * np.maximum(h.thermostat_c - warm_up, 0)
        heat = np.where(on, np.minimum(h.heater_kw * STEP_H, np.maximum(room, 0)), 0.0)
        warm_low = warm_low + heat / low
        boost = np.where(h.boost_by_day & has & (warm_up < HOT_C) & (need > 0), 2.5 * STEP_H, 0.0)
        warm_up = warm_up + boost / up
        electric = np.where(h.electric, heat / h.efficiency, 0.0) + boost
        total["fuel"] += np.where(h.electric, 0.0, heat / h.efficiency)
        net = made - load[t, h.column] - electric
        # Battery, 3 kW, 95 % each way; then the diverter; then the grid.
        charge = np.clip(np.minimum(net, 3 * STEP_H), 0, (h.battery_kwh - soc) / 0.95)
        deliver = np.clip(np.minimum(-net, 3 * STEP_H), 0, soc * 0.95)
        soc = soc + charge * 0.95 - deliver / 0.95
        net = net - charge + deliver
        room = low * (65 - warm_low) + up * np.maximum(65 - warm_up, 0)
        divert = np.where(has, np.clip(np.minimum(net, h.diverter_kw * STEP_H), 0, np.maximum(room, 0)), 0.0)
        warm_low = warm_low + divert / low
        mixed = (up * warm_up + low * warm_low) / (up + low)
        turn = warm_low > warm_up
        warm_up, warm_low = np.where(turn, mixed, warm_up), np.where(turn, mixed, warm_low)
        net = net - divert
        bought, night = np.maximum(-net, 0), h.night[quarter]
        total["import_night"] += np.where(night, bought, 0)
        total["import_day"] += np.where(night, 0, bought)
        total["export"] += np.maximum(net, 0)
        total["electric_water"] += electric
        total["diverted"] += divert
        total["heat_in"] += heat + boost + divert
        total["generated"] += made
    total["stored"] = np.where(has, up * warm_up + low * warm_low - start, 0)
    return total
