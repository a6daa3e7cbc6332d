"""What the demo inventory is built to show: the invented place and the stories of its sites.

All of it is invented. ``build_demo.py`` draws the rest.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import Any, NamedTuple

AS_OF = date(2026, 6, 1)
STATION = (36.10, -79.95)  # the weather station whose climate the invented place borrows


class Village(NamedTuple):
    """An invented village: postal code and name, km north and km east of the station, height in m."""

    town: str
    north_km: float
    east_km: float
    height_m: int


VILLAGES = (
    Village("LK 01 Larkmoor", 2, -3, 268),
    Village("LK 02 Larkmoor", 5, 1, 274),
    Village("LK 03 Quillmere", 12, 9, 245),
    Village("LK 04 Heronsey", -14, 6, 232),
    Village("LK 05 Wrenfold", 8, -18, 291),
    Village("LK 06 Sallowby", -6, 22, 217),
    Village("LK 07 Ploverdene", 21, -9, 302),
    Village("LK 08 Teasel Cross", -19, -16, 255),
    Village("LK 09 Rookhollow", 27, 18, 226),
    Village("LK 10 Curlew End", -31, 3, 204),
)
FAR = Village("LK 11 Low Harrier", -40, 37, 152)  # more than 50 km from the station
FAR_AND_HIGH = Village("LK 12 Upper Kestrel", 40, -37, 610)  # the same, and more than 300 m higher
REMOTE_SITES = {40: FAR, 85: FAR, 205: FAR, 60: FAR_AND_HIGH, 150: FAR_AND_HIGH}  # by number of the site
STREETS = (
    "Heron Lane", "Plover Row", "Teasel Way", "Sallow Bank", "Lapwing Close",
    "Bittern Yard", "Sedge Path", "Fieldfare Walk", "Reedmace Street", "Wagtail Rise",
)  # fmt: skip


@dataclass(frozen=True)
class Story:
    """``count`` sites of one kind, made so that the retrofit ``built_for`` should win at some of them.

    ``site`` and ``plan`` give values that the sites take in turn. A ``site`` column given here is always
    known; ``plan`` holds what the arrays are drawn from: kw, year, mounting, tilt, azimuth, gcr, arrays (how
    many) and business. ``shared`` lists the turns whose site belongs to the customer before.
    """

    name: str
    count: int
    built_for: str = ""
    plan: Mapping[str, Sequence[Any]] = field(default_factory=dict)
    site: Mapping[str, Sequence[Any]] = field(default_factory=dict)
    shared: Sequence[int] = ()


# The site numbers run on in the order of the stories. A story promises nothing: the figures decide. Each
# cycle holds cases that should pay and cases that should not.
STORIES = (
    # S0001-S0094: what the van meets every day; no retrofit is meant to win except by chance.
    Story("ordinary homes", 94),
    # S0095-S0102
    Story("ordinary businesses", 8, plan={"business": (True,), "kw": (20, 31, 45, 60, 26, 38, 22, 52)}),
    # S0103-S0120: birds are seen. Large roofs of low pitch and low eaves should carry a mesh; small ones, three storeys
    # or a short remaining life should not.
    Story(
        "birds under the modules", 18, "bird_mesh",
        plan={
            "kw": (12, 5, 24, 9, 30, 7),
            "year": (2011, 2014, 2016, 2018, 2013, 2009),
            "tilt": (10, 25, 10, 12, 10, 35),
            "mounting": ("flush roof",),
            "business": (False, False, True, False, True, False),
        },
        site={
            "birds_seen": (True,),
            "roof_kind": ("pitched tile", "pitched metal"),
            "surroundings": ("urban", "suburban"),
            "cleanings_per_year": (1, 0, 2, 0, 2, 1),
            "storeys": (1, 2, 1, 2, 1, 3),
            "export_rule": ("net metering",),
            "tariff_id": ("LM-home",),
            "annual_demand_kwh": (17000, 6000, 45000, 12000, 60000, 9000),
            "remaining_life_years": (18, 16, 20, 15, 17, 4),
            "module_gap_mm": (90, 110, 140, 60),
        },
    ),
    # S0121-S0136: nobody lives there and nobody watches. Large plants with old inverters should pay for
    # alerts; homes of 3 kW should not. Owners have two houses each.
    Story(
        "let and holiday houses", 16, "monitoring_add_on", shared=range(1, 16, 2),
        plan={
            "kw": (45, 32, 24, 3, 58, 3.5, 38, 16),
            "year": (2011, 2010, 2013, 2012),
        },
        site={
            "owner_present": (False,),
            "monitoring": ("none", "none", "portal nobody reads", "none"),
            "internet_at_inverter": (True, True, True, False),
            "inverter_year": (2011, 2010, 2013, 2012),
            "inverter_topology": ("transformerless", "isolated"),
            "occupants": (28, 22, 14, 2, 40, 2, 25, 10),
            "annual_demand_kwh": (95000, 60000, 36000, 3200, 120000, 3400, 80000, 20500),
            "export_rule": ("net metering", "net metering", "net metering", "net billing"),
            "tariff_id": ("LM-home",),
            "remaining_life_years": (14, 12, 16, 10),
        },
    ),
    # S0137-S0146: yards by the quarry, where dust falls as in a desert, and dear electricity. Some are washed far
    # too often: what a coating would save in washes there, washing less saves without one.
    Story(
        "dusty yards", 10, "anti_soiling_coating",
        plan={
            "business": (True,),
            "kw": (6, 44, 8, 60, 4.5, 24, 9, 30, 12, 52),
            "year": (2015, 2018, 2020, 2012),
            "tilt": (25, 10, 20, 8),
            "mounting": ("ground frame", "flush roof"),
            "gcr": ("",),
            "arrays": (1,),
        },
        site={
            "surroundings": (*["desert"] * 5, "farmland", "desert", "roadside", "desert", "desert"),
            "cleanings_per_year": (26, 4, 24, 12, 26, 2, 12, 0, 52, 6),
            "export_rule": ("net billing",),
            "tariff_id": ("LM-home",),
            "storeys": (1,),
            "annual_demand_kwh": (78000, 120000, 96000, 64000),
            "birds_seen": (False,),
            "remaining_life_years": (18, 15, 20, 16),
        },
    ),
    # S0147-S0160: nearly flat frames. Rows far apart, few large modules, a long life and dear electricity
    # used on site should pay for steeper frames; sold output, narrow rows (ground cover 0.7) or a short life
    # should not.
    Story(
        "nearly flat frames", 14, "tilt_mount",
        plan={
            "business": (True,),
            "kw": (36, 48, 24, 58, 20),
            "year": (2022, 2023, 2021, 2024, 2010),
            "tilt": (3, 5, 4),
            "mounting": ("ground frame", "flat roof frame"),
            "gcr": (0.3, 0.35, 0.28, 0.4, 0.7),
            "azimuth": (180, 175, 185),
            "arrays": (1,),
        },
        site={
            "surroundings": ("rural", "farmland"),
            "export_rule": ("net billing", "net metering", "gross feed-in"),
            "export_limit_kw": ("",),
            "tariff_id": ("LM-home", "LM-home", "LM-feed-in"),
            "storeys": (1,),
            "annual_demand_kwh": (140000, 90000, 160000),
            "remaining_life_years": (24, 22, 20, 25, 6),
        },
    ),
    # S0161-S0176: the grid takes no export and electricity, oil or liquefied gas heats a large store: a
    # diverter should pay, least at every fourth site with its small plant, old store and small household.
    Story(
        "no export, large store", 16, "hot_water_diverter",
        plan={"kw": (8, 9, 10, 3), "year": (2015, 2017, 2019, 2010)},
        site={
            "export_rule": ("no export",),
            "export_limit_kw": (0,),
            "tariff_id": ("LM-village",),
            "water_heat": ("immersion", "oil boiler", "immersion", "lpg boiler"),
            "water_store_litres": (300, 250, 210, 160),
            "water_store_insulation_mm": (50, 60, 80, 30),
            "element_kw": (3, 3, 6, 3),
            "element_cut_out": (True, True, True, False),
            "occupants": (5, 4, 6, 2),
            "owner_present": (True,),
            "battery_kwh": (0,),
            "remaining_life_years": (18, 16, 20, 9),
        },
    ),
    # S0177-S0186: export is paid, and gas, a combi boiler, cheap night electricity, solar thermal or a
    # battery stands in the way: a diverter should lose or not fit.
    Story(
        "paid export, cheap heat", 10,
        plan={"kw": (6, 5, 7, 8, 9), "year": (2016, 2019, 2014, 2012, 2021)},
        site={
            "export_rule": ("net billing",),
            "tariff_id": ("LM-home", "LM-home", "LM-home-night", "LM-home", "LM-home"),
            "water_heat": ("gas boiler", "combi boiler", "night immersion", "solar thermal", "gas boiler"),
            "element_kw": (3, 0, 3, 3, 3),
            "battery_kwh": (0, 0, 0, 0, 10),
        },
    ),
    # S0187-S0196: measured excess loss. Transformerless p-type plants out of warranty should pay for a
    # device; 2 % at a home of 3 kW, module-level electronics (S0194) and n-type cells (S0196) should not.
    Story(
        "measured excess loss", 10, "degradation_mitigation",
        plan={
            "kw": (28, 40, 12, 9, 3, 15, 20, 8, 10, 7),
            "year": (2011, 2012, 2014, 2010, 2013, 2012, 2013, 2016, 2011, 2020),
            "business": (True, True, *[False] * 8),
        },
        site={
            "measured_excess_loss": (0.15, 0.22, 0.12, 0.25, 0.02, 0.1, 0.18, 0.14, 0.2, 0.1),
            "cell_type": (*["p-type crystalline"] * 9, "n-type crystalline"),
            "inverter_topology": (*["transformerless"] * 7, "module level", *["transformerless"] * 2),
            "humid_or_coastal": (True, True, False, True),
            "warranty_until": (date(2021, 6, 30), date(2022, 3, 31), date(2034, 12, 31)),
            "export_rule": ("net metering", "net metering", "net billing"),
            "tariff_id": ("LM-home",),
            "annual_demand_kwh": (60000, 90000, 16000, 14000, 5000, 22000, 30000, 11000, 15000, 9000),
            "remaining_life_years": (12, 14, 10, 13, 8),
            "open_string": (False,),
        },
    ),
    # S0197-S0204: one string is known to deliver nothing: renewing the plugs should pay, least where few
    # years are left.
    Story(
        "open string", 8, "connector_replacement",
        plan={
            "kw": (12, 25, 10, 8, 38),
            "year": (2012, 2014, 2011, 2009),
            "business": (False, True, False, False, True),
            "mounting": ("flush roof",),
        },
        site={
            "open_string": (True,),
            "mixed_connectors": (True, False),
            "field_made_connectors": (True, True, False),
            "connectors_renewed_on": ("",),
            "inverter_topology": ("transformerless",),
            "measured_excess_loss": ("",),
            "export_rule": ("net metering", "net metering", "net billing"),
            "tariff_id": ("LM-home",),
            "annual_demand_kwh": (18000, 60000, 15000, 12000, 90000),
            "remaining_life_years": (14, 16, 12, 3),
        },
    ),
    # S0205-S0212: mixed or home-made plugs, all strings alive: a matter of risk, hardly of energy.
    Story(
        "doubtful plugs", 8,
        plan={"mounting": ("in roof", "flush roof"), "year": (2010, 2012, 2009, 2016)},
        site={
            "open_string": (False,),
            "mixed_connectors": (True,),
            "field_made_connectors": (True, False, True),
        },
    ),
    # S0213-S0220: the modules are the roof skin: no mesh, no new frame, hot modules.
    Story(
        "in-roof arrays", 8,
        plan={"mounting": ("in roof",)},
        site={"roof_kind": ("pitched tile", "pitched slate")},
    ),
    # S0221-S0232: low frames on flat roofs of homes, rows close together.
    Story(
        "flat roofs", 12,
        plan={
            "mounting": ("flat roof frame",),
            "tilt": (10, 15, 5, 10),
            "kw": (5, 7, 9, 12),
            "gcr": (0.55, 0.7, 0.45, 0.8, 0.6),
        },
    ),
    # S0233-S0238: garden plants in one block at a poor tilt.
    Story(
        "garden frames", 6,
        plan={
            "mounting": ("ground frame",),
            "tilt": (10, 15, 60, 5, 55, 20),
            "azimuth": (180, 150, 200),
            "gcr": ("",),
            "arrays": (1,),
        },
    ),
    # S0239-S0245: barns under fragile sheets: every step on the roof is dangerous and dear. Two farms have
    # two barns.
    Story(
        "farm barns", 7, shared=(1, 3),
        plan={
            "business": (True,),
            "kw": (30, 22, 45, 38),
            "year": (2011, 2012, 2010),
            "mounting": ("flush roof",),
        },
        site={
            "roof_kind": ("fragile sheet",),
            "surroundings": ("farmland",),
            "birds_seen": (True, False, True),
        },
    ),
    # S0246-S0250: protected buildings.
    Story(
        "listed buildings", 5,
        plan={"mounting": ("flush roof",)},
        site={"listed_building": (True,), "roof_kind": ("pitched slate", "pitched tile")},
    ),
)  # fmt: skip

# Chance that nobody has written a value down. Columns that are empty at most sites by nature are not listed.
UNKNOWN_SHARE = {
    # customer
    "street": 0.03, "phone": 0.1, "email": 0.2, "last_contact_on": 0.25,
    # site: place and building
    "elevation_m": 0.15, "commissioned_on": 0.04, "roof_kind": 0.1, "storeys": 0.12, "listed_building": 0.15,
    "surroundings": 0.1, "cleanings_per_year": 0.25, "birds_seen": 0.4, "module_gap_mm": 0.4,
    # site: people and water
    "annual_demand_kwh": 0.25, "occupants": 0.3, "owner_present": 0.15, "water_heat": 0.2,
    "water_store_litres": 0.3, "water_store_insulation_mm": 0.4, "element_kw": 0.3, "element_cut_out": 0.4,
    # site: inverter and grid
    "battery_kwh": 0.1, "inverter_rating_kw": 0.1, "inverter_topology": 0.15, "inverter_year": 0.2,
    "export_rule": 0.1, "tariff_id": 0.05, "monitoring": 0.2, "internet_at_inverter": 0.3,
    # site: condition
    "mixed_connectors": 0.4, "field_made_connectors": 0.4, "open_string": 0.35, "cell_type": 0.2,
    "humid_or_coastal": 0.2, "warranty_until": 0.35, "remaining_life_years": 0.3,
    # array
    "module_count": 0.1, "module_rows": 0.2, "module_columns": 0.2, "module_width_m": 0.2,
    "module_height_m": 0.2, "mounting": 0.05, "strings": 0.25, "temp_coefficient_pct_per_k": 0.35,
    "shading_pct": 0.3,
}  # fmt: skip


def sites_built_for() -> dict[str, list[str]]:
    """Return the site ids built for each retrofit."""
    built: dict[str, list[str]] = {}
    number = 1
    for story in STORIES:
        if story.built_for:
            built[story.built_for] = [f"S{site:04d}" for site in range(number, number + story.count)]
        number += story.count
    return built
