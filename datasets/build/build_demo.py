"""Writes the demo inventory: an invented company's customers in an invented place.

``python datasets/build/build_demo.py`` writes the tables (``site.csv`` and so on) into
``datasets/aftersun_datasets/demo/``. Everything is drawn with a fixed seed; nothing was measured. "Larkmoor
and villages" does not exist: it only borrows the weather of a station at 36.1 N, 79.95 W, 270 m. No position
is an address: all are rounded to a hundredth of a degree, about 1 km. ``demo_stories.py`` says which sites
are built to show what; ``demo_rows.py`` lists the rows that are wrong on purpose.
"""

from __future__ import annotations

import csv
import math
import random
from collections.abc import Iterable, Mapping, Sequence
from datetime import date, timedelta
from pathlib import Path
from typing import Any

from demo_readings import reading_rows
from demo_rows import FITTED, FITTED_COLUMNS, HORIZONS, KEYS, PLANTED, TARIFF_COLUMNS, TARIFFS, Planted
from demo_stories import AS_OF, REMOTE_SITES, STATION, STORIES, STREETS, UNKNOWN_SHARE, VILLAGES, Story

import aftersun_datasets

SEED = 20260601
REPOSITORY = Path(__file__).parents[2]
FOLDER = REPOSITORY / "datasets" / "aftersun_datasets" / "demo"
KM_PER_DEGREE = 111.2
YEARS = (*range(2008, 2025), *range(2010, 2014), *range(2019, 2025))  # of commissioning, with two booms

Row = dict[str, Any]


def pick(rng: random.Random, weights: Mapping[Any, float]) -> Any:
    """Draw one key in proportion to its weight."""
    return rng.choices(list(weights), weights=list(weights.values()))[0]


def day_in(rng: random.Random, first: date, last: date) -> date:
    """Draw a day."""
    return first + timedelta(days=rng.randrange((last - first).days + 1))


# Columns of a later day: a draw for each would change all that is drawn after it.
ADDED_LATER = ("open_outline_m", "on_register", "register_agreement_on")


def forget(rng: random.Random, row: Row, known: Iterable[str] = ()) -> Row:
    """Empty some cells: what nobody has written down."""
    drawn = [name for name in row if name not in ADDED_LATER]
    lost = {name for name in drawn if rng.random() < UNKNOWN_SHARE.get(name, 0)} - set(known)
    return {name: "" if name in lost else value for name, value in row.items()}


def place_facts(rng: random.Random, number: int) -> Row:
    """Draw the village and a position near it, too coarse to be an address."""
    village = REMOTE_SITES.get(number) or rng.choice(VILLAGES)
    north = (village.north_km + rng.uniform(-3, 3)) / KM_PER_DEGREE
    east = (village.east_km + rng.uniform(-3, 3)) / KM_PER_DEGREE / math.cos(math.radians(STATION[0]))
    return {
        "town": village.town,
        "latitude": round(STATION[0] + north, 2),
        "longitude": round(STATION[1] + east, 2),
        "elevation_m": village.height_m + rng.randrange(-20, 21),
    }


def module(rng: random.Random, year: int, cell: str) -> tuple[float, float, float, float]:
    """Return a usual module of the year: kW, short and long side in m, temperature coefficient in %/K."""
    if cell == "thin film":
        return 0.08, 0.6, 1.2, -0.25
    if year < 2013:
        return rng.choice((0.185, 0.22, 0.24)), 0.99, 1.65, -0.45
    if year < 2019:
        return rng.choice((0.25, 0.265, 0.28, 0.3)), 0.99, 1.65, -0.41
    if year < 2022:
        return rng.choice((0.33, 0.36)), 1.02, 1.7, -0.36
    return rng.choice((0.41, 0.43)), 1.13, 1.72, -0.29 if cell == "n-type crystalline" else -0.34


def arrays_of(rng: random.Random, site_id: str, plan: Row, cell: str) -> list[Row]:
    """Draw the arrays of a site: about every fourth roof has two, a few have three."""
    count = plan.get("arrays", pick(rng, {1: 0.77, 2: 0.2, 3: 0.03}))
    framed = plan["mounting"] in ("flat roof frame", "ground frame")
    tilt = plan.get("tilt", rng.choice((10, 15) if framed else (20, 25, 30, 35, 40, 45)))
    first = plan.get("azimuth", rng.choice((180, 180, 170, 195, 150, 210, 135, 225, 90, 270)))
    first = 180 if count == 3 else first  # a hipped roof: south, east and west
    turns = (0, 90, 270) if first < 180 else (0, 270, 90)
    kw, short_m, long_m, coefficient = module(rng, plan["year"], cell)
    modules = max(4, round(plan["kw"] / count / kw))
    high = min(max(1, round(math.sqrt(modules / 2.5))), 8)
    wide = max(1, round(modules / high))
    return [
        {
            "array_id": f"{site_id}-A{number + 1}",
            "site_id": site_id,
            "tilt_deg": tilt,
            "azimuth_deg": (first + turns[number]) % 360,
            "dc_rating_kw": round(high * wide * kw, 3),
            "module_count": high * wide,
            "module_rows": high,
            "module_columns": wide,
            "module_width_m": long_m if framed else short_m,
            "module_height_m": short_m if framed else long_m,
            "mounting": plan["mounting"],
            "strings": max(1, round(high * wide / rng.randrange(10, 18))),
            "temp_coefficient_pct_per_k": coefficient,
            "ground_cover_ratio": plan.get("gcr", round(rng.uniform(0.4, 0.75), 2)) if framed else "",
            "open_outline_m": "",  # nobody has traced any
            "shading_pct": pick(rng, {0: 0.5, 2: 0.2, 5: 0.15, 10: 0.1, 20: 0.05}),
        }
        for number in range(count)
    ]


def water_facts(rng: random.Random, facts: Row, business: bool) -> None:
    """Draw what heats the water, its store, and the yearly demand, unless the story says."""
    people = 0 if business else pick(rng, {1: 0.15, 2: 0.35, 3: 0.18, 4: 0.2, 5: 0.09, 6: 0.03})
    people = facts.setdefault("occupants", people)
    heaters = {"gas boiler": 30, "combi boiler": 24, "oil boiler": 12, "lpg boiler": 4, "immersion": 9}
    heaters |= {"night immersion": 6, "heat pump": 9, "solar thermal": 4, "district heat": 2}
    heat = facts.setdefault("water_heat", pick(rng, heaters))
    electric = heat in ("immersion", "night immersion")
    no_store = heat in ("combi boiler", "district heat")
    litres = 0 if no_store else 60 * min(max(2, people - 1), 6) + rng.choice((0, 30, 60))
    store = facts.setdefault("water_store_litres", litres)
    facts.setdefault("water_store_insulation_mm", rng.choice((25, 30, 50, 50, 80)) if store else "")
    element = facts.setdefault("element_kw", 3 if store and (electric or rng.random() < 0.5) else 0)
    facts.setdefault("element_cut_out", rng.random() < 0.8 if element else "")
    base = rng.uniform(25_000, 90_000) if business else 1100 + 750 * people + rng.uniform(-300, 1500)
    heating = 700 * people if electric else 2500 if heat == "heat pump" else 0
    facts.setdefault("annual_demand_kwh", round(base + heating, -1))


def grid_facts(rng: random.Random, facts: Row, year: int, kw: float, business: bool) -> None:
    """Draw inverter, export rule, tariff and battery, unless the story says."""
    old = year < 2013
    facts.setdefault("inverter_rating_kw", round(kw / rng.choice((1.0, 1.05, 1.1, 1.2, 1.3)), 1))
    topologies = {"transformerless": 7, "isolated": 2 if old else 0.3, "module level": 0.2 if old else 2}
    facts.setdefault("inverter_topology", pick(rng, topologies))
    changed = year + rng.randrange(9, 14)
    facts.setdefault("inverter_year", changed if changed <= AS_OF.year and rng.random() < 0.5 else year)
    old_rules = {"gross feed-in": 2, "deemed export": 3, "net metering": 2, "net billing": 4}
    rule = pick(rng, old_rules if old else {"net billing": 15, "net metering": 3, "no export": 1})
    rule = facts.setdefault("export_rule", rule)
    night = facts["water_heat"] == "night immersion" or rng.random() < 0.08
    usual = "LM-business" if business else "LM-home-night" if night else "LM-home"
    by_rule = {"gross feed-in": "LM-feed-in", "deemed export": "LM-deemed", "no export": "LM-village"}
    facts.setdefault("tariff_id", by_rule.get(rule, usual))
    limited = rng.random() < 0.12
    facts.setdefault("export_limit_kw", 0 if rule == "no export" else round(0.7 * kw, 1) if limited else "")
    facts.setdefault("battery_kwh", rng.choice((5, 7.5, 10)) if year > 2015 and rng.random() < 0.3 else 0)


def building_facts(rng: random.Random, facts: Row, mounting: str, business: bool) -> None:
    """Draw the building and what soils and watches the system, unless the story says."""
    roofs = {
        "flush roof": {"pitched tile": 6, "pitched slate": 1, "pitched metal": 4 if business else 1},
        "in roof": {"pitched tile": 2, "pitched slate": 1},
        "flat roof frame": {"flat membrane": 2, "flat gravel": 1},
        "ground frame": {"ground": 1},
    }
    facts.setdefault("roof_kind", pick(rng, roofs[mounting]))
    facts.setdefault("storeys", pick(rng, {1: 0.6, 2: 0.4} if business else {1: 0.3, 2: 0.58, 3: 0.12}))
    facts.setdefault("owner_present", "" if business else rng.random() < 0.85)
    facts.setdefault("listed_building", rng.random() < 0.02)
    facts.setdefault("internet_at_inverter", rng.random() < 0.7)
    watched = {"none": 2, "portal nobody reads": 1, "portal somebody reads": 1.5}
    facts.setdefault("monitoring", pick(rng, watched))
    places = {"suburban": 5, "rural": 3, "farmland": 2, "urban": 2, "roadside": 1.2, "desert": 0.2}
    place = facts.setdefault("surroundings", pick(rng, places))
    washed = place in ("roadside", "desert") or rng.random() < 0.12
    facts.setdefault("cleanings_per_year", rng.choice((1, 2)) if washed else 0)
    facts.setdefault("birds_seen", rng.random() < 0.08)
    facts.setdefault("module_gap_mm", rng.choice((60, 80, 100, 120, 150)) if mounting == "flush roof" else "")


def surveyed_facts(site: Row) -> Row:
    """Draw what only a survey tells; from the site's number alone, so that nothing else is drawn differently."""
    rng = random.Random(f"survey of {site['site_id']}")
    flat = str(site["roof_kind"]).startswith("flat")
    seen = flat and rng.random() < 0.6
    terrain = "city" if site["surroundings"] == "urban" else rng.choice(("suburban or forest", "open country"))
    return {
        "hot_connector": rng.choice((False, False, "")) if rng.random() < 0.97 else True,
        "wind_m_s": rng.choice((22, 24, 25)) if seen else "",
        "terrain": terrain if seen else "",
        "roof_reserve_kg_m2": rng.choice((0, 25, 60, 90, 120)) if seen else "",
        "use": used_for(site),
        **dict.fromkeys(("placed_within_km", "reclaims_tax", "hot_water_litres_per_day"), ""),  # nobody wrote them down
    }


def used_for(site: Row) -> str:
    """Draw what a business does in the building, mostly written down; from the site's number alone, too."""
    rng = random.Random(f"use of {site['site_id']}")
    kinds = {"workshop": 3, "shop": 2, "office": 2, "farm": 2, "hotel": 1, "school": 1, "": 1}
    return str(pick(rng, kinds)) if site["occupants"] == 0 else ""


def contract_facts(site: Row) -> Row:
    """Draw until when today's export rule and support hold, where that is written down; from the number alone, too."""
    rng = random.Random(f"contract of {site['site_id']}")
    rule, known = site["export_rule"], rng.random() < 0.4
    until: date | str = ""
    if known and rule == "net metering":
        until = date(2036, 12, 31)  # the invented country's own last day
    if known and rule in ("gross feed-in", "deemed export"):
        until = date(site["commissioned_on"].year + 20, 12, 31)
    return {
        "export_rule_until": until,
        "export_rule_after": "net billing" if until and rng.random() < 0.5 else "",
        "generation_price_until": until if rule == "deemed export" else "",
    }


def condition_facts(rng: random.Random, facts: Row, year: int) -> None:
    """Draw plugs, wear and the years left, unless the story says."""
    started = facts.setdefault("commissioned_on", day_in(rng, date(year, 1, 15), date(year, 12, 15)))
    facts.setdefault("mixed_connectors", rng.random() < 0.1)
    facts.setdefault("field_made_connectors", rng.random() < 0.2)
    renewed_on = day_in(rng, date(2018, 3, 1), date(2025, 10, 1))
    facts.setdefault("connectors_renewed_on", renewed_on if year < 2016 and rng.random() < 0.06 else "")
    facts.setdefault("open_string", False)
    facts.setdefault("humid_or_coastal", rng.random() < 0.5)
    facts.setdefault("measured_excess_loss", rng.choice((0, 0.01, 0.03)) if rng.random() < 0.05 else "")
    facts.setdefault("warranty_until", started + timedelta(days=round(365.25 * rng.choice((10, 20, 25, 25)))))
    facts.setdefault("remaining_life_years", max(2, year + rng.choice((22, 25, 28, 30, 32)) - AS_OF.year))


def customer(rng: random.Random, number: int, business: bool, town: str, allowed: bool | str) -> Row:
    """Return an invented customer: labels and numbers in place of a name."""
    day = day_in(rng, date(2018, 6, 1), date(2026, 4, 30))
    bases: dict[Any, Sequence[str]] = {
        True: (f"agreement of {day}", f"asked and agreed on {day}"),
        False: (f"objection of {day}", f"entry in the do-not-call register seen on {day}"),
        "": ("", "", "house changed hands, new owner not asked yet"),
    }
    label = "Business" if business else "Household"
    return {
        "customer_id": f"C{number:04d}",
        "name": f"{label} {number:04d}",
        "street": f"{rng.choice(STREETS)} {rng.randrange(1, 90)}",
        "town": town,
        "phone": f"000 {number:04d}",
        "email": f"{label.lower()}{number:04d}@larkmoor.invalid",
        "contact_allowed": allowed,
        "contact_basis": rng.choice(bases[allowed]),
        "last_contact_on": day_in(rng, max(day, date(2021, 1, 1)), date(2026, 5, 20)),
        **register_facts(number),
    }


def register_facts(number: int) -> Row:
    """Draw what a look into the register would show; from the customer's number alone, as in a survey."""
    rng = random.Random(f"register of {number}")
    listed = pick(rng, {False: 0.7, "": 0.24, True: 0.06})
    agreed = listed is True and rng.random() < 0.4
    return {"on_register": listed, "register_agreement_on": day_in(rng, date(2024, 1, 1), AS_OF) if agreed else ""}


def permission(rng: random.Random, story: Story, turn: int) -> bool | str:
    """Draw whether the customer may be called; in the built stories some of each kind for certain."""
    if story.built_for:
        return (True, True, False, True, "", True)[turn % 6]
    return pick(rng, {True: 0.6, False: 0.14, "": 0.26})  # type: ignore[no-any-return]


def fitted_rows(rng: random.Random, sites: Sequence[Row]) -> list[Row]:
    """Find a site that was there on the day and suits, one for each retrofit fitted before."""
    shuffled = rng.sample(sites, len(sites))
    rows: list[Row] = []
    used: set[str] = set()
    for retrofit, fitted_on, remark, wanted in FITTED:
        site = next(
            site
            for site in shuffled
            if site["site_id"] not in used
            and site["commissioned_on"]
            and site["commissioned_on"].isoformat() < fitted_on
            and all(site[name] == value for name, value in wanted.items())
        )
        used.add(site["site_id"])
        rows.append(dict(zip(FITTED_COLUMNS, (site["site_id"], retrofit, fitted_on, remark), strict=True)))
    return sorted(rows, key=lambda row: str(row["site_id"]))


def build() -> dict[str, list[Row]]:
    """Return the good rows of every table."""
    rng = random.Random(SEED)
    customers: list[Row] = []
    sites: list[Row] = []
    arrays: list[Row] = []
    for story in STORIES:
        for turn in range(story.count):
            given = {name: values[turn % len(values)] for name, values in story.site.items()}
            plan = {name: values[turn % len(values)] for name, values in story.plan.items()}
            business = plan.get("business", False)
            year = plan.setdefault("year", rng.choice(YEARS))
            plan.setdefault("kw", round(3 + 9 * rng.random() ** 1.7, 1))
            plan.setdefault("mounting", pick(rng, {"flush roof": 94, "in roof": 3, "ground frame": 3}))
            place = place_facts(rng, len(sites) + 1)
            town = place.pop("town")
            if turn not in story.shared:
                allowed = permission(rng, story, turn)
                person = forget(rng, customer(rng, len(customers) + 1, business, town, allowed))
                customers.append({**person, "language": ""})  # letters to all are in the company's
            cells = {"n-type crystalline": 1.5 if year > 2018 else 0, "thin film": 0.4 if year < 2014 else 0}
            cell = given.setdefault("cell_type", pick(rng, {"p-type crystalline": 5, **cells}))
            site_id = f"S{len(sites) + 1:04d}"
            mine = arrays_of(rng, site_id, plan, cell)
            site = {"site_id": site_id, "customer_id": customers[-1]["customer_id"], **place, **given}
            water_facts(rng, site, business)
            grid_facts(rng, site, year, sum(row["dc_rating_kw"] for row in mine), business)
            building_facts(rng, site, plan["mounting"], business)
            condition_facts(rng, site, year)
            sites.append({**surveyed_facts(site), **contract_facts(site), **forget(rng, site, story.site)})
            kept = ("module_count", "strings", "mounting") if story.built_for else ()
            arrays.extend(forget(rng, row, kept) for row in mine)
    tariffs = [dict(zip(TARIFF_COLUMNS, row, strict=True)) for row in TARIFFS]
    made = {
        "customer": customers,
        "site": sites,
        "array": arrays,
        "tariff": tariffs,
        "fitted": fitted_rows(rng, sites),
        "reading": reading_rows(rng, sites, arrays),
        "horizon": [
            {"site_id": site_id, "azimuth_deg": azimuth, "height_deg": height}
            for site_id, points in HORIZONS.items()
            for azimuth, height in points.items()
        ],
        "past_weather": [],
    }
    columns = headers()
    return {
        table: [{**dict.fromkeys(names, ""), **row} for row in made.get(table, ())] for table, names in columns.items()
    }


def text(value: Any) -> str:
    """Write a value as the dictionary wants it: yes and no, days as year-month-day, no needless zeros."""
    if isinstance(value, bool):
        return "yes" if value else "no"
    return f"{value:.10g}" if isinstance(value, float) else str(value)


def planted_cells(planted: Planted, rows: Sequence[Row], header: Sequence[str]) -> list[str]:
    """Return the cells of a row that is wrong on purpose."""
    if planted.cells:
        return list(planted.cells)
    key = KEYS[planted.table]
    like = next(row for row in rows if planted.like in ("", row[key]))
    wrong = {**like, key: planted.key or like[key], **planted.values}
    return [text(wrong[name]) for name in header]


def headers() -> dict[str, list[str]]:
    """Return the column names of every table, in the order of the column dictionary."""
    names: dict[str, list[str]] = {}
    for row in aftersun_datasets.rows("columns.csv", "aftersun.inventory"):
        names.setdefault(row["table"], []).append(row["name"])
    return names


def write(folder: Path) -> None:
    """Write the CSV files; the wrong rows stand among the good ones, a few lines apart."""
    columns = headers()
    for table, rows in build().items():
        lines = [[text(row[name]) for name in columns[table]] for row in rows]
        for place, planted in enumerate(planted for planted in PLANTED if planted.table == table):
            lines.insert(len(lines) - 4 * place, planted_cells(planted, rows, columns[table]))
        with (folder / f"{table}.csv").open("w", encoding="utf-8", newline="") as handle:
            csv.writer(handle, lineterminator="\n").writerows([columns[table], *lines])


if __name__ == "__main__":
    FOLDER.mkdir(exist_ok=True)
    write(FOLDER)
