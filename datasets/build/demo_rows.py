"""Rows of the demo inventory that are not drawn: tariffs, retrofits fitted before, and rows wrong on purpose.

All of it is invented. ``build_demo.py`` writes them into the files.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

# Invented prices per kWh in the company's currency. Old and new versions, one announced and not yet in force.
TARIFF_COLUMNS = (
    "tariff_id", "valid_from", "import_price", "night_import_price", "night_from_hour", "night_until_hour",
    "export_price", "export_price_after", "generation_price", "gas_price", "oil_price", "lpg_price",
    "district_heat_price",
)  # fmt: skip
TARIFFS = (
    ("LM-home", "2022-01-01", 0.29, "", "", "", 0.06, "", "", 0.08, 0.10, 0.12, 0.09),
    ("LM-home", "2026-01-01", 0.34, "", "", "", 0.08, "", "", 0.10, 0.12, 0.14, 0.11),
    ("LM-home", "2026-10-01", 0.35, "", "", "", 0.07, "", "", 0.10, 0.12, 0.14, 0.11),
    ("LM-home-night", "2022-01-01", 0.30, 0.13, 23, 6, 0.06, "", "", 0.08, 0.10, "", ""),
    ("LM-home-night", "2026-01-01", 0.36, 0.15, 22, 6, 0.07, "", "", 0.10, 0.12, "", ""),
    ("LM-village", "2022-01-01", 0.33, "", "", "", "", "", "", "", 0.10, 0.13, ""),
    ("LM-village", "2026-01-01", 0.38, "", "", "", 0, "", "", "", 0.13, 0.15, ""),
    ("LM-feed-in", "2012-01-01", 0.22, "", "", "", 0.12, "", "", 0.07, 0.10, 0.12, ""),
    ("LM-feed-in", "2026-01-01", 0.33, "", "", "", 0.12, 0.06, "", 0.10, 0.12, 0.14, ""),
    ("LM-deemed", "2012-01-01", 0.23, "", "", "", 0.04, "", 0.05, 0.07, 0.10, "", ""),
    ("LM-deemed", "2026-01-01", 0.34, "", "", "", 0.05, "", 0.06, 0.10, 0.12, "", ""),
    ("LM-business", "2023-01-01", 0.22, "", "", "", 0.05, "", "", 0.07, 0.10, 0.12, 0.08),
    ("LM-business", "2026-01-01", 0.26, "", "", "", 0.06, "", "", 0.08, 0.11, 0.13, 0.09),
)

# Retrofits fitted before, some within their life, some long past it: retrofit, day, remark, and what a site
# must have to be the one.
FITTED_COLUMNS = ("site_id", "retrofit", "fitted_on", "remark")
NO_BIRDS = {"birds_seen": False}
WATCHED = {"monitoring": "portal somebody reads"}
STORE = {"element_kw": 3}
FITTED: tuple[tuple[str, str, str, Mapping[str, object]], ...] = (
    ("monitoring_add_on", "2024-03-11", "reads the inverter and the meter", WATCHED),
    ("monitoring_add_on", "2022-02-25", "", WATCHED),
    ("monitoring_add_on", "2019-09-12", "", WATCHED),
    ("monitoring_add_on", "2012-06-20", "its mobile network was switched off", {"monitoring": "none"}),
    ("monitoring_add_on", "2013-03-30", "", {"monitoring": "none", "owner_present": False}),
    ("bird_mesh", "2023-10-05", "", NO_BIRDS),
    ("bird_mesh", "2021-02-19", "", NO_BIRDS),
    ("bird_mesh", "2025-11-21", "birds before, none since", {"birds_seen": True, "surroundings": "suburban"}),
    ("bird_mesh", "2009-09-30", "polymer mesh, loose in places", {}),
    ("bird_mesh", "2012-04-04", "torn off on one side", {"roof_kind": "fragile sheet", "birds_seen": True}),
    ("anti_soiling_coating", "2025-04-28", "wiped on after a wash", {"surroundings": "roadside"}),
    ("anti_soiling_coating", "2025-08-17", "", {"surroundings": "desert"}),
    ("anti_soiling_coating", "2015-05-12", "", {"surroundings": "rural"}),
    ("anti_soiling_coating", "2021-06-01", "washed off by now", {"surroundings": "farmland"}),
    ("hot_water_diverter", "2022-08-17", "", STORE),
    ("hot_water_diverter", "2024-09-09", "", STORE),
    ("hot_water_diverter", "2025-01-26", "", {**STORE, "export_rule": "no export"}),
    ("hot_water_diverter", "2011-11-15", "seen disconnected at the last visit", STORE),
    ("tilt_mount", "2025-03-10", "half of the rows", {"surroundings": "rural", "roof_kind": "ground"}),
    ("degradation_mitigation", "2025-09-01", "second measurement due", {"measured_excess_loss": 0.22}),
    ("degradation_mitigation", "2013-09-18", "device dead", {"measured_excess_loss": 0.1}),
    ("connector_replacement", "2021-07-02", "both halves, all strings", {"mixed_connectors": False}),
    ("connector_replacement", "2019-06-13", "string 1 alone", {"mixed_connectors": True}),
)


@dataclass(frozen=True)
class Planted:
    """A row wrong on purpose that must end among the rejects: table, key, column at fault, and why.

    It copies the good row ``like`` (else the table's first row) and writes ``key`` (if not empty) and
    ``values`` over it; a ragged row has ``cells`` alone. No other row refers to it, so that each fails alone.
    """

    table: str
    key: str
    column: str
    reason: str
    like: str = ""
    values: Mapping[str, str] = field(default_factory=dict)
    cells: Sequence[str] = ()


KEYS = {
    "customer": "customer_id",
    "site": "site_id",
    "array": "array_id",
    "tariff": "tariff_id",
    "fitted": "site_id",
    "reading": "site_id",
    "horizon": "site_id",
    "past_weather": "place",
}
# Invented skylines: a wooded ridge in the east, and a narrow valley.
HORIZONS = {
    "S0021": {0: 2, 45: 6, 90: 14, 110: 11, 135: 4, 180: 2, 270: 1, 315: 1},
    "S0058": {0: 11, 60: 18, 110: 21, 150: 9, 180: 4, 210: 8, 250: 19, 300: 17},
}
PLANTED = (
    Planted("customer", "C0007", "customer_id", "the same row twice", "C0007"),
    Planted("customer", "C0901", "contact_allowed", "not yes or no", values={"contact_allowed": "perhaps"}),
    Planted("customer", "C0902", "last_contact_on", "no such day", values={"last_contact_on": "2023-02-30"}),
    Planted("site", "S0901", "latitude", "not a number", "S0001", {"latitude": "36.1 N"}),
    Planted("site", "S0902", "customer_id", "unknown customer", "S0002", {"customer_id": "C0999"}),
    Planted("site", "S0903", "roof_kind", "misspelt choice", "S0003", {"roof_kind": "pitched tyle"}),
    Planted("site", "S0904", "customer_id", "missing required value", "S0004", {"customer_id": ""}),
    Planted("site", "S0905", "annual_demand_kwh", "below the limit", "S0005", {"annual_demand_kwh": "-3200"}),
    Planted("array", "S0012-A9", "tilt_deg", "above the limit", "S0012-A1", {"tilt_deg": "95"}),
    Planted("array", "S0013-A9", "", "ragged row", cells=("S0013-A9", "S0013", "30", "180", "4.2")),
    Planted("array", "S0999-A1", "site_id", "unknown site", "S0014-A1", {"site_id": "S0999"}),
    Planted(
        "tariff", "LM-home", "import_price", "decimal comma", "LM-home",
        {"valid_from": "2024-07-01", "import_price": "0,315"},
    ),
    Planted("fitted", "S0030", "fitted_on", "no such day", values={"fitted_on": "2021-13-05"}),
    Planted("fitted", "S0031", "site_id", "same key as another planted row", values={"remark": "both roofs"}),
    Planted("fitted", "S0031", "site_id", "same key as another planted row", values={"remark": "one roof"}),
    Planted("reading", "S0999", "site_id", "unknown site"),
    Planted(
        "reading", "S0040", "kwh", "below the limit",
        values={"starts_at": "2023-01-01", "ends_at": "2023-02-01", "kwh": "-310"},
    ),
    Planted(
        "reading", "S0041", "ends_at", "ends before it starts",
        values={"starts_at": "2023-03-01", "ends_at": "2023-02-01"},
    ),
    Planted("horizon", "S0022", "height_deg", "above the limit", values={"height_deg": "140"}),
)  # fmt: skip
