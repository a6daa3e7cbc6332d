"""A company invented for the tests; round figures, so that sums can be checked by hand."""

from __future__ import annotations

from pathlib import Path

import pytest

from aftersun.money.company import Company, load_company

COMPANY_TOML = """\
[company]
name = "Invented roof workshop"
currency = "EUR"
price_date = 2026-01-31
prices_include_tax = false

[money]
real_discount_rate = 0.03
horizon_years = 20
electricity_price_growth = 0.0
fuel_price_growth = 0.0
sales_tax_rate = 0.2
markup_share = 0.25

[work]
electrician = 50
roofer = 40
helper = 20

[access]
ground = "none"
storeys_if_unknown = 2

[access.cost_per_visit]
ladder = 10
tower = 200
scaffold = 600
edge_protection = 300

[access.roof]
pitched_tile = ["ladder", "tower", "scaffold"]
pitched_slate = ["scaffold"]
pitched_metal = ["tower", "scaffold"]
flat_membrane = ["edge_protection"]
flat_gravel = ["edge_protection"]
fragile_sheet = ["scaffold"]
unknown = ["tower", "scaffold"]

[travel]
base_latitude = 0.0
base_longitude = 0.0
skill = "helper"
people = 2
cost_per_km = 0.5
road_factor = 1.25
average_speed_km_h = 50
max_distance_km = 100

[pv_system]
life_years = 25
least_remaining_years = 3

[materials]
mesh = 8

[inspections]
structural_check = 350

[yearly]
data_plan = 20

[avoided]
roof_cleaning = 80
building_fire_damage = 60000

[assumptions.bird_mesh]
life_years = 12
droppings_left = {value = 0.05, who = "workshop", why = "counted on ten roofs"}

[facts]
birds_seen = 0.3

[system]
ageing_per_year = 0.006
"""


@pytest.fixture
def company_toml() -> str:
    return COMPANY_TOML


@pytest.fixture
def company_file(tmp_path: Path) -> Path:
    path = tmp_path / "company.toml"
    path.write_text(COMPANY_TOML, encoding="utf-8")
    return path


@pytest.fixture
def company(company_file: Path) -> Company:
    return load_company(company_file)
