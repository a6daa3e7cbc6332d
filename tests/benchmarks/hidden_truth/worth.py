"""What each retrofit is truly worth to the owner of each roof, from its whole state.

Money is expected over what only the future knows (when the next fault comes), given all that is so today. Prices,
discount rate, markup and tax are those of the company file; hours are this file's own, times what truly occurs.
Where there are several ways to do it, each has its worth; the truth of a roof is that of its best.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import pandas as pd

from . import physics
from .roofs import PLACES

RETROFITS = ("anti_soiling_coating", "bird_mesh", "connector_replacement", "degradation_mitigation",
             "hot_water_diverter", "monitoring_add_on", "tilt_mount")  # fmt: skip
FIRE_PER_FAILURE = 0.002  # of a plug: 58 fires on a million British systems in seven years (BRE 2018), mostly plugs
CHUNK = 170
# The true way that a way offered is, by how its name begins in the run, the narrower name first.
OFFERED_AS = {
    "connector_replacement": {"inspect": "look", "find and repair": "repair", "renew the plugs": "ends",
                              "renew all": "all"},
    "hot_water_diverter": {"diverter and night": "early", "diverter, the present": "evening",
                           "diverter, a boost": "evening",
                           "diverter": "as before"},
    "monitoring_add_on": {"alerts": "portal", "logger": "logger", "meter with alerts, bought": "meter",
                          "meter with alerts, by contract": "contract"},
}  # fmt: skip
BOOSTED = ["evening", "early", "twice"]  # an element that heated at any hour has boosts beside a diverter


def annuity(rate: float, years, decay=0.0, first=1) -> np.ndarray:
    """Present value of 1 at the ends of years ``first``..``years``, shrinking by ``decay`` a year."""
    years = np.asarray(years, float)
    t = np.arange(1, 61)
    worth = ((1 - np.asarray(decay)[..., None]) ** (t - 1)) / (1 + rate) ** t
    return np.where((t >= np.asarray(first)[..., None]) & (t <= years[..., None]), worth, 0).sum(-1)


def built_up(stays, years) -> np.ndarray:
    """Return the mean over ``years`` of min(t, stays) / stays: faults of before the first day could not be found."""
    return np.where(stays > years, years / (2 * np.maximum(stays, years)), 1 - np.minimum(stays, years) / (2 * years))


class Cost(NamedTuple):
    """Price to the customer by roof, and what of it is hours more than those of the trade."""

    price: np.ndarray
    overtime: np.ndarray


class Prices:
    """The company file, as prices to the customer with markup and tax."""

    def __init__(self, company: dict, roofs: pd.DataFrame, base: tuple[np.ndarray, np.ndarray]) -> None:
        money = company["money"]
        self.company, self.rate, self.horizon = company, money["real_discount_rate"], money["horizon_years"]
        self.onto = (1 + money["markup_share"]) * (1 + money["sales_tax_rate"])
        way = company["travel"]
        north = (roofs["latitude"] - base[0]) * 111.2
        east = (roofs["longitude"] - base[1]) * 111.3 * np.cos(np.radians(roofs["latitude"]))
        self.road_km = np.hypot(north, east).to_numpy() * way["road_factor"]
        hour = company["work"][way["skill"]] * way["people"] / way["average_speed_km_h"]
        self.trip = 2 * self.road_km * (way["cost_per_km"] + hour)
        alone = company["work"]["electrician"] / way["average_speed_km_h"]  # to a board, or to find out what is wrong
        self.trip_alone = 2 * self.road_km * (way["cost_per_km"] + alone)
        rules, cost = company["access"]["roof"], company["access"]["cost_per_visit"]
        kinds = zip(roofs["roof_kind"], roofs["storeys"], strict=True)
        self.access = np.array([cost[rules[kind.replace(" ", "_")][min(s, 3) - 1]] for kind, s in kinds], float)
        edge = company["access"].get("edge")  # a cheaper way up for work along the edge of a pitched roof
        along = np.array([cost[edge[min(s, 3) - 1]] for s in roofs["storeys"]]) if edge else self.access
        self.edge = np.where(roofs["mounting"] == "flat roof frame", self.access, np.minimum(along, self.access))
        self.true_hours = roofs["true_hours"].to_numpy()

    def price(self, material=0.0, other=0.0, roof=True, up=None, **hours) -> Cost:
        """Price of one visit: material, inspections, hours by skill, equipment to get up, the way."""
        work = sum((np.asarray(h) * self.company["work"][skill] for skill, h in hours.items()), 0 * self.true_hours)
        way_up = (self.access if up is None else up) if roof else 0
        trip = self.trip if roof else self.trip_alone
        once = (material + other + work * self.true_hours + trip + way_up) * self.onto
        return Cost(once, work * (self.true_hours - 1) * self.onto)


def tariffs(roofs: pd.DataFrame) -> pd.DataFrame:
    """Prices per kWh that hold at each roof."""
    rows = pd.DataFrame([PLACES[k].prices for k in roofs["place"]]).mul(roofs["price_factor"].to_numpy(), axis=0)
    return rows.assign(night=rows["night"].where(roofs["night_tariff"], rows["import"]))


def bill(total: dict, price: pd.DataFrame, metering: np.ndarray, fuel_price: np.ndarray) -> np.ndarray:
    """Money a year for energy. Net metering sets exports against imports; the rest is paid the export price."""
    p = {name: price[name].to_numpy() for name in ("import", "night", "export")}
    billed = total["import_day"] * p["import"] + total["import_night"] * p["night"] - total["export"] * p["export"]
    balance = total["import_day"] + total["import_night"] - total["export"]
    netted = np.where(balance > 0, balance * p["import"], balance * p["export"])
    return np.where(metering, netted, billed) + total["fuel"] * fuel_price


def state(roofs: pd.DataFrame, seed: int) -> dict:
    """Return the light of each roof: daily soiling with and without film, and its output factors."""
    rng = np.random.default_rng(seed + 1)
    skies = [physics.sky(place) for place in PLACES]
    rains = [physics.rain(place, 4, rng) for place in PLACES]
    dirt, filmed = np.zeros((365, len(roofs))), np.zeros((365, len(roofs)))
    for k, mm in enumerate(rains):
        at = roofs["place"].to_numpy() == k
        rate, scale, washes = (
            roofs.loc[at, c].to_numpy() for c in ("soiling_per_day", "rain_scale_mm", "cleanings_per_year")
        )
        dirt[:, at] = physics.soiling(rate, scale, washes, mm)
        filmed[:, at] = physics.soiling(rate * (1 - roofs.loc[at, "film_cut"].to_numpy()), scale, washes, mm)
    working = (1 - roofs["other_losses"]) * (1 - roofs["shading_pct"] / 100) * (1 - roofs["ageing"]) ** roofs["age"]
    working *= (1 - roofs["stuck_loss"]) * (1 - roofs["droppings_loss"] * roofs["birds_seen"]) * (1 - roofs["pid_loss"])
    working *= 1 - roofs["open_string"] / roofs["strings"]
    return {"skies": skies, "rains": rains, "dirt": dirt, "filmed": filmed, "factor": working.to_numpy()}


def output(roofs: pd.DataFrame, light: dict, tilt=None) -> np.ndarray:
    """AC output by hour and roof in kWh with today's faults, a whole standstill apart."""
    hours = np.empty((8760, len(roofs)), np.float32)
    for k, seen in enumerate(light["skies"]):
        at = np.flatnonzero(roofs["place"].to_numpy() == k)
        if not len(at):
            continue
        s = roofs.iloc[at]
        angle = s["tilt_deg"].to_numpy() if tilt is None else np.broadcast_to(tilt, len(roofs))[at]
        clean = physics.dc_per_kw(seen, angle, s["azimuth_deg"].to_numpy(), s["temp_coefficient_pct_per_k"].to_numpy(),
                                  (s["mounting"] != "flat roof frame").to_numpy(), s["ground_cover_ratio"].to_numpy(),
                                  s["module_rows"].to_numpy())  # fmt: skip
        dc = clean * s["dc_rating_kw"].to_numpy() * light["factor"][at] * (1 - np.repeat(light["dirt"][:, at], 24, 0))
        hours[:, at] = np.minimum(dc * 0.96, s["inverter_rating_kw"].to_numpy())
    return hours


WAYS = ("as before", "evening", "early", "twice")  # when the present heater may run beside a diverter
CONTRACT_ACTS = 0.9  # of alerts, whoever is paid for reading them (assumption)
SPARE_W = 2.5  # that a controller, logger or meter draws day and night (assumption: 1 to 5 W)


def houses(r: pd.DataFrame) -> tuple[physics.Houses, np.ndarray, np.ndarray]:
    """Return rows to simulate: each roof today, today with 5 % less output, and the ways to run a diverter."""
    n = len(r)
    store = np.flatnonzero((r["water_store_litres"] > 0).to_numpy())
    col = np.concatenate([np.arange(n), np.arange(n), *[store] * len(WAYS)])
    way = np.concatenate([np.full(n, -1), np.full(n, -2), *[np.full(len(store), k) for k in range(len(WAYS))]])
    s = r.iloc[col]
    kind = s["water_heat"].to_numpy()
    hour = np.arange(physics.DAY)[:, None] / 4
    night = (hour < 7) & s["night_tariff"].to_numpy()
    timed = ((hour >= 5.5) & (hour < 8)) | ((hour >= 16.5) & (hour < 21))  # boilers run by a clock
    allowed = np.where(kind == "night immersion", hour < 7, np.where(kind == "immersion", True, timed))
    evening, early = (hour >= 17.5) & (hour < 20.5), (hour >= 3) & (hour < 6)
    allowed = np.select([way == 1, way == 2, way == 3], [evening, early, evening | early], allowed)
    electric = np.isin(kind, ["immersion", "night immersion", "heat pump"])
    places = [PLACES[k].cold_water_c for k in s["place"]]
    season = -np.cos(2 * np.pi * (np.arange(365) - 35) / 365)[:, None]
    litres = s["water_store_litres"].to_numpy(float)
    # Loss a kelvin of a foamed store: area of a cylinder of this volume, 0.03 W/mK, and 0.5 W/K of pipes (assumption).
    area = 6 * (litres.clip(1) / 1000) ** (2 / 3)
    loss = 0.03 * area / (s["water_store_insulation_mm"].to_numpy() / 1000) + 0.5
    element = s["element_kw"].to_numpy()
    made = physics.Houses(
        column=col, pv_factor=np.where(way == -2, 0.95, 1.0), litres=litres, loss_kw_per_k=loss / 1000,
        heater_kw=np.select([kind == "heat pump", electric], [4.0, element], 12.0),
        efficiency=s["heater_efficiency"].to_numpy(), electric=electric, thermostat_c=s["thermostat_c"].to_numpy(),
        allowed=allowed, boost_by_day=kind == "night immersion",
        diverter_kw=np.where(way >= 0, np.where(element > 0, element, 3.0), 0.0),
        battery_kwh=s["battery_kwh"].to_numpy(),
        cold_c=np.array([p[0] for p in places]) + season * np.array([p[1] for p in places]), night=night,
    )  # fmt: skip
    return made, col, way


def evaluate(roofs: pd.DataFrame, company: dict, base, seed: int) -> tuple[pd.DataFrame, dict]:
    """Return the true net present value by roof and retrofit (NaN = does not fit), and what readings would tell.

    ``base`` is latitude and longitude of the company's base for each roof. What is kept has the ways of each retrofit
    by name: the worth of each roof, the price, and what of it is hours more than those of the trade, as columns
    ``true``, ``own_price`` and ``overtime``.
    """
    light = state(roofs, seed)
    parts = []
    hourly = output(roofs, light)
    for first in range(0, len(roofs), CHUNK):
        at = slice(first, first + CHUNK)
        parts.append(_house_year(roofs.iloc[at], hourly[:, at], np.random.default_rng([seed, first])))
    year = pd.concat(parts, ignore_index=True)
    year.index = roofs.index
    prices = Prices(company, roofs, base)
    ways = _ways(roofs, year, light, hourly, prices)
    kept = {"year": year, "hourly": hourly, "light": light, "ways": ways, "road_km": prices.road_km}
    return pd.DataFrame({name: best(of)["true"] for name, of in ways.items()}), kept


def best(ways: dict[str, pd.DataFrame]) -> pd.DataFrame:
    """Return of each roof the way that is worth most, NaN where none fits."""
    worth = np.column_stack([way["true"] for way in ways.values()])
    which = np.argmax(np.where(np.isnan(worth), -np.inf, worth), axis=1)
    return pd.DataFrame({c: np.choose(which, [way[c] for way in ways.values()]) for c in COLUMNS})


def _house_year(r: pd.DataFrame, hourly: np.ndarray, rng: np.random.Generator) -> pd.DataFrame:
    """Simulate houses and return yearly money: bills today and later, worth of output, of a diverter."""
    pv = physics.quarters(hourly, rng) * np.float32(physics.STEP_H)
    use = physics.household(*(r[c].to_numpy() for c in ("household_kwh", "day_share", "business")), rng)
    draws = physics.taps(r["water_kwh_day"].to_numpy() * (r["water_store_litres"] > 0).to_numpy(), rng)
    rows, col, way = houses(r)
    total = physics.simulate(pv, use, draws, rows)
    price = tariffs(r)
    fuels = {"gas boiler": "gas", "combi boiler": "gas", "oil boiler": "oil", "lpg boiler": "lpg",
             "solar thermal": "gas", "district heat": "district"}  # fmt: skip
    fuel = np.array([price[fuels[k]].iloc[j] if k in fuels else 0.0 for j, k in enumerate(r["water_heat"])])
    now = bill(total, price.iloc[col], r["net_metering"].to_numpy()[col], fuel[col])
    later = bill(total, price.iloc[col], np.zeros(len(col), bool), fuel[col])
    n = len(r)
    out = pd.DataFrame({name: values[:n] for name, values in total.items()})
    dark = use.sum(0) + total["electric_water"][:n]
    nothing = {"import_day": dark, "import_night": 0 * dark, "export": 0 * dark, "fuel": total["fuel"][:n]}
    for name, bills in (("now", now), ("later", later)):
        lost = total["generated"][:n] - total["generated"][n : 2 * n]
        out[f"kwh_{name}"] = (bills[n : 2 * n] - bills[:n]) / lost.clip(1)
        metering = r["net_metering"].to_numpy() & (name == "now")
        out[f"pv_{name}"] = bill(nothing, price, metering, fuel) - bills[:n]
        none = np.full(n, -np.inf)
        saved = {}
        for k, which in enumerate(WAYS):
            at = way == k
            # The water must stay as warm as it was: at most 2 % of what is drawn colder than before.
            warm = total["unmet"][at] <= total["unmet"][col[at]] + 0.02 * total["drawn"][at]
            saved[which] = none.copy()
            saved[which][col[at]] = np.where(warm, bills[col[at]] - bills[at], -np.inf)
        saved["best"] = np.max(list(saved.values()), axis=0)
        for which, saving in saved.items():
            # A solar collector has heated the store on most days that have a surplus (assumption: three in four).
            saving = np.where(r["water_heat"] == "solar thermal", 0.25 * saving, saving)
            out[f"{which} {name}"] = np.where(np.isfinite(saving), saving, np.nan)
    out["demand_kwh"] = dark
    return out


COLUMNS = ("true", "own_price", "overtime")


def _ways(r: pd.DataFrame, year: pd.DataFrame, light: dict, hourly: np.ndarray, prices: Prices) -> dict:
    rate, n = prices.rate, len(r)
    book = prices.company
    material, inspect, avoided = book["materials"], book["inspections"], book["avoided"]
    keep = np.minimum(r["remaining_life_years"].to_numpy(), prices.horizon)
    until = np.where(r["net_metering"], r["net_metering_years"], 0)
    ageing = r["ageing"].to_numpy()

    def two(years, decay=0.0):
        """Present worth of a yearly 1 under today's export rule and under the one after it."""
        decay = np.broadcast_to(decay, n)
        if not r["net_metering"].any():
            return 0 * annuity(rate, years, decay), annuity(rate, years, decay)
        first = annuity(rate, np.minimum(years, until), decay)
        return first, annuity(rate, years, decay) - first

    def worth(per_year_now, per_year_later, years, decay=0.0):
        first, after = two(years, decay)
        return per_year_now * first + per_year_later * after

    kwh_now, kwh_later = (year[f"kwh_{k}"].to_numpy() for k in ("now", "later"))
    pv_now, pv_later = (year[f"pv_{k}"].to_numpy() for k in ("now", "later"))
    made = year["generated"].to_numpy()
    modules, strings, kw = (r[c].to_numpy() for c in ("module_count", "strings", "dc_rating_kw"))
    ways: dict[str, dict[str, pd.DataFrame]] = {name: {} for name in RETROFITS}

    def way(retrofit, name, gain, cost: Cost, fits=True):
        """Keep one way to do it; what is gained does not hold the cost."""
        npv = np.where(fits, gain - cost.price, np.nan)
        ways[retrofit][name] = pd.DataFrame({"true": npv, "own_price": cost.price, "overtime": cost.overtime})

    # Coating: dirt saved by day, weighed by what is generated; the film wears by half-lives; the wash takes the crust.
    by_day = hourly.reshape(365, 24, -1).sum(1)
    saved = ((light["dirt"] - light["filmed"]) / (1 - light["dirt"]) * by_day).sum(0)
    area = modules * (r["module_width_m"] * r["module_height_m"]).to_numpy()
    cost = prices.price(area * material["anti_soiling_coating"], roofer=1 + 0.05 * area, helper=1 + 0.05 * area)
    film = 1 - 0.5 ** (1 / r["film_half_life"].to_numpy())
    years = np.minimum(keep, 6)
    crust = made * r["stuck_loss"].to_numpy() * 0.6
    gain = (
        worth(saved * kwh_now, saved * kwh_later, years, film)
        + worth(crust * kwh_now, crust * kwh_later, np.minimum(keep, 4), 0.35)
        + (r["cleanings_per_year"] > 0) * avoided["roof_cleaning"] / (1 + rate)  # one wash of the owner's less
    )
    way("anti_soiling_coating", "once", gain, cost)

    # Mesh: with nests now their loss and clean-ups end; without, the chance that they come, growing year by year.
    around = 2 * (r["module_columns"] * r["module_width_m"] + r["module_rows"] * r["module_height_m"]).to_numpy()
    nests = r["birds_seen"].to_numpy()
    cost = prices.price(
        around * (material["bird_mesh"] + 2 * material["mesh_clip"]),
        up=prices.edge,
        roofer=1 + 0.11 * around + 2 * nests, helper=1 + 0.11 * around + 2 * nests,
    )  # fmt: skip
    yearly = r["clean_ups_per_year"] * avoided["bird_clean_up"] + r["cable_damage_per_year"] * avoided["repair_visit"]
    with_birds = [(made * r["droppings_loss"] * k + yearly).to_numpy() for k in (kwh_now, kwh_later)]
    mesh_life = np.minimum(keep, 15)
    # Decay of -(growth) is not needed: the share of roofs with nests after t years is 1 - (1 - h)^t.
    chance = r["nests_chance_per_year"].to_numpy()
    sure = worth(*with_birds, mesh_life)
    never = worth(*with_birds, mesh_life, chance) * (1 - chance)
    fits = (r["module_gap_mm"] > 40) & (r["mounting"] != "in roof")
    way("bird_mesh", "mesh", np.where(nests, sure, sure - never) * 0.95, cost, fits)

    # Connectors: nothing lasting is counted beyond the day that a fault would be noticed anyway. Scopes: string ends,
    # an open string found and mended, all pairs; or a look with a camera, and only what it shows is renewed.
    noticed = r["part_fault_days"].to_numpy() / 365
    output_a_string = [pv / strings for pv in (pv_now, pv_later)]
    a_failure = [s * noticed + avoided["repair_visit"] + FIRE_PER_FAILURE * avoided["building_fire_damage"]
                 for s in output_a_string]  # fmt: skip
    open_string = r["open_string"].to_numpy()
    gain_open = open_string * (output_a_string[0] * np.minimum(noticed, keep) + avoided["repair_visit"]) * 0.9
    gain_hot = r["hot_connector"].to_numpy() * a_failure[0] * 0.6
    bad = (r["mixed_connectors"] | r["field_made_connectors"]).to_numpy()
    seen = (r["mixed_connectors"] | r["hot_connector"]).to_numpy()  # ends made on site look as others do
    for scope, pairs, cured, hours in (("ends", 2 * strings, 0.8, 1.0), ("all", modules + 2 * strings, 1.0, 2.0)):
        rate_now = np.where(bad, 2 * strings, 0.1 * pairs) * r["pair_failures_per_year"].to_numpy() * cured * 0.85
        search = 2.5 * open_string
        cost = prices.price(pairs * material["connector_pair"], inspect["insulation_test"],
                            electrician=hours + 0.2 * pairs + search, helper=hours + 0.2 * pairs + search)  # fmt: skip
        gain = worth(rate_now * a_failure[0], rate_now * a_failure[1], keep) + gain_open + gain_hot
        way("connector_replacement", scope, gain, cost)
        if scope == "ends":
            look = prices.price(0, inspect["diagnosis_visit"], roof=False)
            work = Cost(
                *(np.where(seen | open_string, of, 0) for of in (cost.price - prices.trip * prices.onto, cost.overtime))
            )
            found = Cost(look.price + work.price, look.overtime + work.overtime)
            way("connector_replacement", "look", np.where(seen, gain, gain_open), found)
    cost = prices.price(4 * material["connector_pair"], inspect["insulation_test"], electrician=3.5, helper=3.5)
    gain = np.where(open_string | r["hot_connector"], gain_open + gain_hot, 0)
    way("connector_replacement", "repair", gain, cost)

    # PID: a diagnosis, and one device an inverter (of 15 kW) only where it is proven.
    devices = np.ceil(kw / 15)
    device = prices.price(devices * material["night_bias_device"], electrician=1.5 * devices, roof=False)
    diagnosis = prices.price(0, inspect["diagnosis_visit"], roof=False)
    lost = r["pid_loss"].to_numpy()
    years = np.minimum(keep, 12)
    back = [made * lost / (1 - lost) * r["pid_cure"].to_numpy() * k for k in (kwh_now, kwh_later)]
    grows = [made * r["pid_growth"].to_numpy() * 0.9 * k * (lost > 0) for k in (kwh_now, kwh_later)]
    climbing = sum(annuity(rate, years, 0 * lost, first) for first in range(2, 13))
    cured = worth(*back, years, ageing) + grows[1] * climbing - device.price
    proven = (lost > 0.02) & (cured > 0)
    cost = Cost(*(of + np.where(proven, more, 0) for of, more in zip(diagnosis, device, strict=True)))
    gain = np.where(proven, cured + device.price, 0)
    way("degradation_mitigation", "diagnosis", gain, cost, r["inverter_topology"] != "module level")

    # Diverter: with an element that is there, or one put in by a plumber.
    adds = (r["element_kw"] == 0).to_numpy()
    cost = prices.price(
        material["water_diverter"] + material["mixing_valve"] + adds * material["immersion_element"],
        electrician=2.5, plumber=0.7 + 1.8 * adds, roof=False,
    )  # fmt: skip
    spare = SPARE_W * 8.76 * tariffs(r)["import"].to_numpy()
    for which in WAYS:
        # Where the water would become too cold in such hours the heater runs as before.
        saving = (year[f"{which} {k}"].fillna(year[f"as before {k}"]).to_numpy() - spare for k in ("now", "later"))
        gain = worth(*saving, np.minimum(keep, 12), ageing)
        way("hot_water_diverter", which, gain, cost, r["water_store_litres"] > 0)

    # Monitoring: days saved for each kind of fault, and the standstill of today that nobody has seen. The best way of
    # those priced: alerts of a portal that is there, a logger on the home's internet, a meter with its own data plan,
    # a contract. Only meters see a part of the output missing (assumption: a portal or logger half of it).
    internet, portal = r["internet_at_inverter"].to_numpy(), (r["monitoring"] == "portal nobody reads").to_numpy()
    stop = (r["standstills_per_year"] * (r["standstill_days"] - 4).clip(0) / 365).to_numpy()
    part = (0.01 * (r["part_fault_days"] - 25).clip(0) / 365).to_numpy()  # a string and year, of output / strings
    years = np.minimum(keep, 10)
    part = part * built_up((r["part_fault_days"] / 365).to_numpy(), years)
    standing = np.minimum(r["stands_years_more"].to_numpy(), keep) * pv_now
    for name, item, hours, sees, plan, fits in (
        ("portal", "portal_alerts", 0.0, 0.5, None, internet & portal),
        ("logger", "plug_in_logger", 0.7, 0.5, None, internet),
        ("meter", "monitoring_device", 1.5, 1.0, "data_plan", True),
        ("contract", None, 1.0, 1.0, "monitoring_contract", True),
    ):  # fmt: skip
        if (item and item not in material) or (plan and plan not in book["yearly"]):
            continue
        cost = prices.price(material.get(item, 0), electrician=hours, roof=False)
        if not hours:
            cost = Cost(np.full(n, material[item] * prices.onto), np.zeros(n))
        acts = r["acts_on_alerts"].to_numpy() if item else np.maximum(r["acts_on_alerts"], CONTRACT_ACTS).to_numpy()
        seen = standing + open_string * output_a_string[0] * np.minimum(noticed, keep) * 0.8 * sees
        gain = worth(*((stop + part * sees) * acts * pv for pv in (pv_now, pv_later)), years, ageing) + seen
        fee = book["yearly"].get(plan, 0) * prices.onto * (~internet if item else np.ones(n))
        gain = gain - (fee + spare * (name != "portal")) * annuity(rate, years, np.zeros(n))
        way("monitoring_add_on", name, gain, cost, fits)

    # Tilt: whole year at each steeper angle, rows shading one another; the bill at the value of a marginal kWh.
    flat = (r["mounting"] == "flat roof frame").to_numpy() & (r["tilt_deg"] < 16).to_numpy()
    cost = prices.price(
        modules * material["tilt_frame"] * 1.15, inspect["structural_check"] + inspect["insulation_test"],
        roofer=2 + 0.4 * modules, helper=2 + 0.4 * modules, electrician=1.5,
    )  # fmt: skip
    more = np.zeros(n)
    if flat.any():
        s = r[flat]
        own = {"factor": light["factor"][flat], "dirt": light["dirt"][:, flat], "skies": light["skies"]}
        steeper = np.max([output(s, own, angle).sum(0) for angle in (15, 20, 25, 30, 35)], axis=0)
        more[flat] = steeper - hourly[:, flat].sum(0)
    way("tilt_mount", "fixed", worth(more * kwh_now, more * kwh_later, np.minimum(keep, 20), ageing), cost, flat)
    return ways


def as_offered(ranking: pd.DataFrame, ways: dict, r: pd.DataFrame) -> pd.DataFrame:
    """Return for each roof and retrofit the truth of the way that was offered, else of the best: COLUMNS."""
    parts = []
    for retrofit, of in ways.items():
        variant = ranking[ranking["retrofit"] == retrofit].set_index("site_id")["variant"]
        name = variant.reindex(r["site_id"]).fillna("").reset_index(drop=True)
        found = best(of)
        for start, which in reversed(OFFERED_AS.get(retrofit, {}).items()):
            chosen = of.get(which, found)
            here = name.str.startswith(start) & chosen["true"].notna()  # where it cannot be had, the best is taken
            found = found.mask(here, chosen)
        if retrofit == "hot_water_diverter":
            boosted = (name == "diverter") & (r["water_heat"] == "immersion").reset_index(drop=True)
            found = found.mask(boosted, best({way: of[way] for way in BOOSTED}))
        parts.append(found.assign(site_id=r["site_id"].to_numpy(), retrofit=retrofit))
    return pd.concat(parts, ignore_index=True)
