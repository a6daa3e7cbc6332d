"""What columns and steps are called on the page, with their units."""

from __future__ import annotations

from typing import Final

# name of a step of the losses: how it is told
STEPS: Final = {
    "in_plane_kwh": "Light on the modules, at their rating",
    "horizon_kwh": "Skyline",
    "row_shading_kwh": "Shade of the row in front",
    "incidence_kwh": "Light at a slant",
    "temperature_kwh": "Warm cells",
    "soiling_kwh": "Dust and dirt",
    "shunts_in_low_light_kwh": "Shunts in low light",
    "transmittance_kwh": "Glass and coating",
    "droppings_kwh": "Bird droppings",
    "shading_kwh": "Trees and buildings",
    "modules_and_cables_kwh": "Modules and cables",
    "ageing_kwh": "Normal ageing",
    "excess_degradation_kwh": "Ageing beyond normal",
    "open_strings_kwh": "Strings that are open",
    "calibration_kwh": "By meter readings",
    "clipping_kwh": "Inverter at its limit",
    "inverter_kwh": "Conversion in the inverter",
    "stops_kwh": "Stops",
    "generated_kwh": "Generated",
}

# column of a site's facts: label, unit
FACTS: Final = {
    "elevation_m": ("Height above the sea", "m"),
    "commissioned_on": ("In operation since", ""),
    "roof_kind": ("Arrays stand on", ""),
    "storeys": ("Storeys to the eaves", ""),
    "annual_demand_kwh": ("Electricity used", "kWh a year"),
    "occupants": ("People living there", ""),
    "owner_present": ("Owner lives there", ""),
    "water_heat": ("Water heated by", ""),
    "water_store_litres": ("Hot-water store", "litres"),
    "water_store_insulation_mm": ("Insulation of the store", "mm"),
    "element_kw": ("Electric element in the store", "kW"),
    "element_cut_out": ("Element has its own cut-out", ""),
    "battery_kwh": ("Battery, usable", "kWh"),
    "inverter_rating_kw": ("Inverters, AC", "kW"),
    "inverter_topology": ("Kind of inverter", ""),
    "inverter_year": ("Inverter fitted in", ""),
    "export_rule": ("Export counts as", ""),
    "export_limit_kw": ("Export limit", "kW"),
    "tariff_id": ("Tariff", ""),
    "monitoring": ("Watched by", ""),
    "internet_at_inverter": ("Internet at the inverter", ""),
    "birds_seen": ("Birds seen", ""),
    "module_gap_mm": ("Gap below the modules", "mm"),
    "surroundings": ("Surroundings", ""),
    "cleanings_per_year": ("Cleanings paid for", "a year"),
    "mixed_connectors": ("Connectors of different makes mated", ""),
    "field_made_connectors": ("Connectors crimped on site", ""),
    "connectors_renewed_on": ("Connectors renewed on", ""),
    "open_string": ("A string delivers nothing", ""),
    "cell_type": ("Cells", ""),
    "humid_or_coastal": ("Humid, or near the sea", ""),
    "measured_excess_loss": ("Loss measured beyond ageing", "share"),
    "warranty_until": ("Module warranty until", ""),
    "remaining_life_years": ("Planned to run for", "years more"),
    "hot_connector": ("A hot plug was seen", ""),
    "wind_m_s": ("Basic wind speed", "m/s"),
    "terrain": ("Terrain", ""),
    "roof_reserve_kg_m2": ("Load the roof can still bear", "kg/m²"),
    "listed_building": ("Protected as a monument", ""),
}


# a loss that is an average over systems like it, unless this fact of the site is known
BY_CHANCE: Final = {
    "droppings_kwh": "birds_seen",
    "excess_degradation_kwh": "measured_excess_loss",
    "shunts_in_low_light_kwh": "measured_excess_loss",
    "open_strings_kwh": "open_string",
}
AVERAGE: Final = " *"  # after the label of such a loss; the page says what it means

# values of facts that are not written as the dictionary has them
VALUES: Final = {"lpg boiler": "LPG boiler"}


def words(name: str) -> str:
    """Return the name of a column as words."""
    plain = name.replace("_", " ")
    return plain[:1].upper() + plain[1:]


def fact(name: str) -> tuple[str, str]:
    """Return label and unit of a fact; a column that is new here is called by its own name."""
    return FACTS.get(name, (words(name), ""))


def step(name: str) -> str:
    """Return the label of a step of the losses."""
    return STEPS.get(name, words(name.removesuffix("_kwh")))
