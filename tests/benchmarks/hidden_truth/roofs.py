"""Draws roofs with their whole state, most of which no office knows.

Shares and spreads carry their source; "assumption" is a guess, "from memory" a published figure not looked up again.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd


@dataclass(frozen=True)
class Place:
    """A base of the company with the weather around it. Prices in money per kWh, rain in mm and days a month."""

    name: str
    weather: str  # file below tests/data/weather
    latitude: float
    longitude: float
    elevation_m: float
    utc_offset_h: int
    share: float
    cold_water_c: tuple[float, float]  # mean and half swing over the year (assumption)
    rain_mm: tuple[float, ...]  # climate of the region, from memory
    rain_days: tuple[int, ...]
    surroundings: dict[str, float]  # shares (assumption)
    net_metering: float  # share of sites (assumption)
    prices: dict[str, float]


# Prices: households of the European Union about 2024, 0.29 for electricity and 0.11 for gas (Eurostat, from memory).
EUROPE = {"import": 0.30, "night": 0.20, "export": 0.08, "gas": 0.11, "oil": 0.105, "lpg": 0.13, "district": 0.12}
MOIST = {"rural": 0.25, "suburban": 0.4, "urban": 0.15, "roadside": 0.08, "farmland": 0.12}
PLACES = (
    Place("inland", "tmy_45.000_8.000_2005_2023.csv", 45.0, 8.0, 250, 1, 0.5, (13, 6),
          (45, 45, 60, 80, 90, 75, 55, 75, 75, 90, 85, 50), (5, 5, 6, 8, 9, 8, 5, 6, 6, 7, 7, 5), MOIST, 0.1, EUROPE),
    Place("maritime", "WA-Port_Angeles_727885.epw", 48.12, -123.5, 88, -8, 0.3, (10, 4),
          (100, 75, 60, 40, 30, 25, 15, 20, 30, 70, 110, 105), (17, 14, 14, 11, 9, 8, 5, 5, 7, 13, 18, 17), MOIST, 0.0,
          EUROPE),
    Place("dry", "AZ-Phoenix_Sky_Harbor_Intl_Ap.tmy3", 33.45, -111.98, 337, -7, 0.2, (22, 7),
          (23, 23, 25, 7, 3, 1, 27, 25, 16, 15, 16, 22), (4, 4, 4, 2, 1, 1, 4, 5, 3, 3, 3, 4),
          {"desert": 0.5, "suburban": 0.3, "urban": 0.1, "farmland": 0.1}, 0.5,
          {"import": 0.16, "night": 0.11, "export": 0.06, "gas": 0.06, "oil": 0.1, "lpg": 0.11, "district": 0.1}),
)  # fmt: skip

# What heats the water. A mix of European stocks with stores over-represented, as a diverter needs one (assumption).
WATER = {"gas boiler": 0.26, "combi boiler": 0.22, "oil boiler": 0.09, "lpg boiler": 0.02, "immersion": 0.14,
         "night immersion": 0.09, "heat pump": 0.11, "solar thermal": 0.03, "district heat": 0.04}  # fmt: skip
# Loss of light a dry day. Field range 0.0003 to 0.003 (Kimber 2006: 0.001 to 0.003 in California; from memory).
SOILING_PER_DAY = {"rural": 3e-4, "suburban": 4e-4, "urban": 6e-4, "roadside": 9e-4, "farmland": 9e-4, "desert": 1.8e-3}


def draw(count: int, seed: int) -> pd.DataFrame:
    """Return ``count`` roofs, one a row. Columns named as in the office's tables are the truth of that fact."""
    rng = np.random.default_rng(seed)
    n = count

    def some(chance):
        return rng.random(n) < chance

    def spread(median, sigma):
        return median * rng.lognormal(0, sigma, n)

    def pick(shares):
        return rng.choice(list(shares), n, p=np.array(list(shares.values())) / sum(shares.values()))

    place = rng.choice(len(PLACES), n, p=[p.share for p in PLACES])
    r = pd.DataFrame({"place": place, "site_id": [f"R{k:05}" for k in range(n)]})
    at = [PLACES[k] for k in place]
    r["latitude"] = np.array([p.latitude for p in at]) + rng.normal(0, 0.12, n)
    r["longitude"] = np.array([p.longitude for p in at]) + rng.normal(0, 0.16, n)
    r["elevation_m"] = np.array([p.elevation_m for p in at])
    r["business"] = some(0.08)
    age = rng.integers(1, 17, n)
    r["age"] = age
    r["remaining_life_years"] = np.clip(np.round(rng.normal(26, 4, n) - age), 2, 30).astype(int)  # kept 26 +- 4 years
    flat = some(np.where(r["business"], 0.5, 0.09))
    pitched = rng.choice(["pitched tile", "pitched slate", "pitched metal"], n, p=[0.75, 0.13, 0.12])
    r["roof_kind"] = np.where(flat, rng.choice(["flat membrane", "flat gravel"], n), pitched)
    r["mounting"] = np.where(flat, "flat roof frame", np.where(some(0.06), "in roof", "flush roof"))
    r["storeys"] = rng.choice([1, 2, 3], n, p=[0.35, 0.52, 0.13])
    r["surroundings"] = [rng.choice(list(p.surroundings), p=list(p.surroundings.values())) for p in at]

    # Modules of their year; strings of up to 14 modules (common practice, no source).
    modules = np.where(r["business"], rng.integers(40, 160, n), np.clip(rng.lognormal(2.85, 0.42, n), 6, 45)).astype(
        int
    )
    watts = np.clip(235 + 11 * (16 - age) + rng.normal(0, 15, n), 220, 440)
    r["module_rows"] = np.where(modules > 24, np.where(r["business"], 5, 3), 2)
    r["module_columns"] = np.maximum(modules // r["module_rows"], 2)
    r["module_count"] = modules = r["module_rows"] * r["module_columns"]
    r["module_width_m"], r["module_height_m"] = 1.04, 1.74
    r["dc_rating_kw"] = np.round(modules * watts / 1000, 2)
    r["strings"] = np.where(some(0.85), np.ceil(modules / 14), np.ceil(modules / 9)).astype(int)
    r["inverter_rating_kw"] = np.round(r["dc_rating_kw"] * rng.uniform(0.82, 1.02, n), 1)
    r["tilt_deg"] = np.where(flat, rng.choice([5, 8, 10, 15], n), np.round(np.clip(rng.normal(32, 8, n), 12, 50)))
    r["azimuth_deg"] = np.round(np.clip(rng.normal(180, 45, n), 75, 285))
    r["ground_cover_ratio"] = np.where(flat, np.round(rng.uniform(0.4, 0.85, n), 2), np.nan)
    r["shading_pct"] = np.round(np.where(some(0.45), 0, rng.exponential(5, n)).clip(0, 30))
    r["temp_coefficient_pct_per_k"] = -np.round(rng.normal(0.39, 0.03, n), 2)
    # Wires, mismatch, rating, microclimate: about 8 % below the clean model, sd 4 % (Thevenard & Pelland 2013).
    r["other_losses"] = np.clip(rng.normal(0.08, 0.04, n), -0.02, 0.2)
    r["ageing"] = np.clip(rng.lognormal(np.log(0.0055), 0.5, n), 0.001, 0.02)  # a year (Jordan & Kurtz 2013)

    # People, load, water.
    r["occupants"] = np.where(r["business"], 0, rng.choice([1, 2, 3, 4, 5], n, p=[0.2, 0.36, 0.19, 0.18, 0.07]))
    r["owner_present"] = ~r["business"] & some(0.86)
    home = spread(1500 + 620 * r["occupants"], 0.3)  # kWh without water heating; 2 to 4 MWh a home (from memory)
    r["household_kwh"] = np.where(r["business"], spread(18000, 0.6), home)
    r["day_share"] = rng.beta(2.2, 2.2, n)  # who is at home by day: moves events from evening to day
    heat = pick(WATER)
    r["water_heat"] = np.where(r["business"], rng.choice(["immersion", "combi boiler"], n), heat)
    store = np.clip(np.round((70 + 38 * r["occupants"]) * rng.lognormal(0, 0.25, n), -1), 80, 400)
    r["water_store_litres"] = np.where(r["water_heat"] == "combi boiler", 0, np.where(r["business"], 80, store))
    electric = np.isin(r["water_heat"], ["immersion", "night immersion"])
    element = electric | (some(0.55) & (r["water_store_litres"] > 0))
    r["element_kw"] = np.where(element, rng.choice([2.0, 2.75, 3.0], n, p=[0.2, 0.2, 0.6]), 0.0)
    r["element_cut_out"] = some(0.82) & element
    r["water_store_insulation_mm"] = rng.choice([25, 35, 50, 80], n, p=[0.15, 0.3, 0.4, 0.15])
    # 46 + 26 litres a person and day, warmed by 37 K, homes spread widely (Energy Saving Trust 2008, 120 homes).
    r["water_kwh_day"] = spread((46 + 26 * r["occupants"]) * 0.001163 * 36.7, 0.38) * np.where(r["business"], 0.5, 1)
    r["thermostat_c"] = rng.normal(60, 3, n).clip(53, 66)
    # Yearly efficiency of heating water: boilers 0.55 to 0.85 with their keep-warm losses; heat pumps 2.2 to 3.2.
    r["heater_efficiency"] = np.select(
        [electric, r["water_heat"] == "heat pump", r["water_heat"] == "district heat"],
        [np.ones(n), rng.uniform(2.1, 3.2, n), rng.uniform(0.85, 0.95, n)], rng.uniform(0.55, 0.86, n),
    )  # fmt: skip
    r["battery_kwh"] = np.where(~r["business"] & some(0.14), np.round(rng.uniform(4, 11, n), 1), 0.0)
    r["net_metering"] = some([p.net_metering for p in at])
    r["net_metering_years"] = rng.integers(4, 16, n)  # then the export price (assumption)
    r["price_factor"] = rng.choice([0.85, 1.0, 1.15], n, p=[0.25, 0.5, 0.25])
    r["night_tariff"] = r["water_heat"].eq("night immersion") | some(0.05)

    # Soiling, birds. No national count of nests is known: one roof in eight in towns (assumption).
    r["soiling_per_day"] = [SOILING_PER_DAY[s] for s in r["surroundings"]] * rng.lognormal(0, 0.5, n)
    r["rain_scale_mm"] = spread(4.0, 0.5)  # rain that cleans to 1/e: the film that sticks differs from roof to roof
    r["stuck_loss"] = rng.exponential(0.006, n)  # lichen and crust that only a wash takes off
    r["cleanings_per_year"] = np.where(some(np.where(place == 2, 0.2, 0.04)), rng.integers(1, 3, n), 0)
    town = np.isin(r["surroundings"], ["urban", "suburban", "roadside"])
    r["module_gap_mm"] = np.where(r["mounting"] == "in roof", 5, np.round(rng.uniform(50, 160, n)))
    open_below = (r["module_gap_mm"] > 40) & (r["mounting"] != "in roof")
    r["nests_chance_per_year"] = np.where(open_below, np.where(town, 0.018, 0.006), 0) * rng.lognormal(0, 0.6, n)
    r["birds_seen"] = open_below & some(np.where(town, 0.13, 0.05))
    r["droppings_loss"] = np.clip(rng.lognormal(np.log(0.02), 0.7, n) * np.where(r["tilt_deg"] < 20, 1.5, 1), 0, 0.12)
    r["clean_ups_per_year"] = rng.uniform(0.1, 0.9, n)  # paid by an owner who has birds
    r["cable_damage_per_year"] = rng.uniform(0.005, 0.04, n)

    # Faults. 34 % of inverters failed once within 15 years (Bucher et al. 2022): 2.8 % a year; as much again trips.
    r["monitoring"] = rng.choice(["none", "portal nobody reads", "portal somebody reads"], n, p=[0.45, 0.3, 0.25])
    watched = (r["monitoring"] == "portal somebody reads").to_numpy()
    r["internet_at_inverter"] = (r["monitoring"] != "none") | some(0.4)
    r["standstills_per_year"] = spread(0.05, 0.5)
    unseen_days = spread(np.where(r["owner_present"], 50, 140), 0.8).clip(3, 500)
    r["standstill_days"] = np.where(watched, spread(7, 0.4), unseen_days)
    r["part_fault_days"] = np.where(watched, spread(70, 0.6), spread(600, 0.7)).clip(20, 2500)
    r["stands_still"] = some(np.where(watched, 0.002, 0.03))
    r["stands_years_more"] = np.where(r["stands_still"], spread(0.7, 0.6), 0)
    r["standing_months"] = rng.integers(2, 15, n)
    # Connectors: mated of different makes at a seventh of roofs (assumption); failures a pair and year from memory.
    r["mixed_connectors"] = some(0.14)
    r["field_made_connectors"] = some(0.22)
    bad = r["mixed_connectors"] | r["field_made_connectors"]
    r["pair_failures_per_year"] = np.where(r["mixed_connectors"], spread(0.005, 0.7), np.where(bad, 0.0015, 0.0002))
    r["hot_connector"] = r["mixed_connectors"] & some(0.04)
    r["open_string"] = (r["strings"] > 1) & some(np.where(watched, 0.004, 0.022))
    r["open_string_months"] = rng.integers(2, 40, n)
    # PID: a tenth of large projects lost 1.3 % a year or more (trade survey of 1,200 plants, 2017); fewer on houses.
    r["cell_type"] = np.where(age < 4, "n-type crystalline", "p-type crystalline")
    r["inverter_topology"] = rng.choice(["transformerless", "isolated", "module level"], n, p=[0.82, 0.08, 0.1])
    r["humid_or_coastal"] = some(np.where(place == 1, 0.8, 0.1))
    at_risk = (r["cell_type"] == "p-type crystalline") & (r["inverter_topology"] == "transformerless") & (age > 2)
    pid = at_risk & some(np.where(r["humid_or_coastal"], 0.09, 0.045) * np.where(modules / r["strings"] > 11, 1.4, 0.5))
    r["pid_loss"] = np.where(pid, rng.beta(2, 9, n).clip(0.02, 0.5), 0)
    r["pid_growth"] = rng.uniform(0, 0.015, n)  # of output, a year more
    r["pid_cure"] = rng.beta(8, 2, n)  # share won back by a bias at night: 60 to 100 % (from memory)
    r["measured_excess_loss"] = np.clip(r["pid_loss"] + rng.normal(0, 0.012, n), 0, 0.6).round(3)
    r["true_hours"] = rng.lognormal(0, 0.2, n)  # hours that truly occur over those of the trade
    r["film_cut"] = rng.uniform(0.10, 0.40, n)  # of the daily soiling: field range 10 to 40 %
    r["film_half_life"] = spread(1.2, 0.4)  # years
    # Of alerts, those after which somebody does something: most owners open a mail, some never do (assumption).
    r["acts_on_alerts"] = rng.beta(5, 2, n)
    return r
