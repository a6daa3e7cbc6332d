"""The company file: what it accepts, how it complains, what it answers."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest
from pydantic import ValidationError

import aftersun
import aftersun_datasets
from aftersun.model.change import ACCESS, AVOIDED_RISK, INSPECTION, LABOUR, MATERIAL, STANDING
from aftersun.model.errors import AftersunError
from aftersun.money.company import Calls, Company, Month, RoofEquipment, load_company


def problems(path: Path, text: str) -> list[str]:
    path.write_text(text, encoding="utf-8")
    with pytest.raises(AftersunError) as caught:
        load_company(path)
    return caught.value.hint.splitlines()


def test_prices_by_kind(company: Company) -> None:
    assert company.price_of(LABOUR, "electrician") == 50
    assert company.price_of(MATERIAL, "mesh") == 8
    assert company.price_of(ACCESS, "scaffold") == 600
    assert company.price_of(INSPECTION, "structural_check") == 350
    assert company.price_of(STANDING, "data_plan") == 20
    assert company.price_of(AVOIDED_RISK, "building_fire_damage") == 60000


@pytest.mark.parametrize(
    ("kind", "key", "line", "section"),
    [
        (MATERIAL, "tilt_frame", "tilt_frame = ...", "[materials]"),
        (LABOUR, "diver", "diver = ...", "[work]"),
        (ACCESS, "crane", "crane = ...", "[access.cost_per_visit]"),
    ],
)
def test_a_price_that_is_not_there_says_which_line_to_add(
    company: Company, kind: str, key: str, line: str, section: str
) -> None:
    with pytest.raises(AftersunError, match=key) as caught:
        company.price_of(kind, key)
    assert line in caught.value.hint
    assert section in caught.value.hint


def test_overrides_as_number_or_with_reason(company: Company) -> None:
    assert company.overrides("bird_mesh") == {"life_years": 12, "droppings_left": 0.05}
    assert company.assumptions["bird_mesh"]["droppings_left"].why == "counted on ten roofs"
    assert company.overrides("tilt_mount") == {}
    assert company.priors == {"birds_seen": 0.3}
    assert company.system_overrides == {"ageing_per_year": 0.006}


def test_equipment_by_roof_and_height(company: Company) -> None:
    rules = company.access
    assert [rules.equipment("roof", "pitched tile", n) for n in (1, 2, 3, 9)] == [
        "ladder",
        "tower",
        "scaffold",
        "scaffold",
    ]
    assert rules.equipment("roof", "flat gravel", 4) == "edge_protection"
    assert rules.equipment("roof", None, 1) == "tower"
    assert rules.equipment("roof", "ground", 2) == "none"
    assert rules.equipment("ground", "pitched tile", 2) == "none"


def test_where_nobody_lives_a_rule_for_business_goes_before_those_of_roof_and_edge(company: Company) -> None:
    of_business = {"edge": ("ladder",), "business": {"pitched_tile": ("tower", "scaffold")}}
    rules = company.access.model_copy(update=of_business)
    assert rules.equipment("roof edge", "pitched tile", 1) == "ladder"
    assert [rules.equipment("roof edge", "pitched tile", n, home=False) for n in (1, 2, 3)] == [
        "tower",
        "scaffold",
        "scaffold",
    ]
    assert rules.equipment("roof", "flat gravel", 2, home=False) == "edge_protection"  # no rule of its own
    assert rules.equipment("roof", "ground", 1, home=False) == "none"
    with pytest.raises(ValueError, match=r"igloo in \[access.business\] is no roof kind"):
        type(rules).model_validate(rules.model_dump() | {"business": {"igloo": ("tower",)}})
    with pytest.raises(ValueError, match="no cost for crane"):
        type(rules).model_validate(rules.model_dump() | {"business": {"pitched_tile": ("crane",)}})


def test_roof_kinds_are_those_of_the_column_dictionary() -> None:
    columns = Path(aftersun.__file__).parent / "inventory" / "columns.csv"
    with columns.open(encoding="utf-8", newline="") as handle:
        choices = next(row["choices"] for row in csv.DictReader(handle) if row["name"] == "roof_kind")
    expected = {kind.replace(" ", "_") for kind in choices.split("|")} - {"ground"} | {"unknown"}
    assert set(RoofEquipment.model_fields) == expected


def test_it_cannot_be_changed_once_loaded(company: Company) -> None:
    with pytest.raises(ValidationError, match="frozen"):
        company.money.markup_share = 0.5  # type: ignore[misc]


def test_every_problem_is_listed_once_with_its_place(company_file: Path, company_toml: str) -> None:
    faulty = (
        company_toml.replace('"EUR"', '"XXX"')
        .replace("real_discount_rate = 0.03", "real_discount_rate = 3")
        .replace("markup_share", "mark_up_share")
        .replace("roofer = 40", "roofer = -40")
        .replace("tower = 200\n", "")
        .replace("base_latitude = 0.0", "base_latitude = nan")
        .replace('skill = "helper"', 'skill = "driver"')
        .replace("mesh = 8", 'mesh = "8"')
        .replace("droppings_left = {value = 0.05", 'droppings_left = {value = "few"')
        .replace("birds_seen = 0.3", "birds_seen = 30")
    )
    found = problems(company_file, faulty)
    places = [line.split(": ")[0] for line in found]
    assert sorted(places) == [
        "access",
        "assumptions.bird_mesh.droppings_left.value",
        "company.currency",
        "facts.birds_seen.value",
        "materials.mesh",
        "money.mark_up_share",
        "money.markup_share",
        "money.real_discount_rate",
        "travel.base_latitude",
        "work.roofer",
    ]
    by_place = dict(line.split(": ", 1) for line in found)
    assert "means no currency" in by_place["company.currency"]
    assert "3 % is 0.03" in by_place["money.real_discount_rate"]
    assert "add 'markup_share = ...'" in by_place["money.markup_share"]
    assert "did you mean 'markup_share'?" in by_place["money.mark_up_share"]
    assert "not filled in" in by_place["travel.base_latitude"]
    assert "tower" in by_place["access"]
    assert "[access.cost_per_visit]" in by_place["access"]


def test_a_skill_without_cost_is_refused(company_file: Path, company_toml: str) -> None:
    found = problems(company_file, company_toml.replace('skill = "helper"', 'skill = "driver"'))
    assert found == ["travel: skill 'driver' has no cost; add it to [work] or name another one"]


@pytest.mark.parametrize("value", ["inf", "nan", "-1", "true", '"12"'])
def test_a_price_is_a_finite_number_not_below_zero(company_file: Path, company_toml: str, value: str) -> None:
    (found,) = problems(company_file, company_toml.replace("mesh = 8", f"mesh = {value}"))
    assert found.startswith("materials.mesh: ")


def test_unknown_section_is_refused(company_file: Path, company_toml: str) -> None:
    (found,) = problems(company_file, company_toml.replace("[materials]", "[material]"))
    assert found == "material: is not known here; did you mean 'materials'?"


def test_a_file_that_is_no_toml_or_not_there(company_file: Path, tmp_path: Path) -> None:
    company_file.write_text("[money]\nrate = 3 %\n", encoding="utf-8")
    with pytest.raises(AftersunError, match=r"not valid TOML.*line 2"):
        load_company(company_file)
    with pytest.raises(AftersunError, match="cannot be read"):
        load_company(tmp_path / "nowhere.toml")
    company_file.write_bytes(b"name = '\xff'\n")
    with pytest.raises(AftersunError, match="not valid TOML"):
        load_company(company_file)


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("big = 1" + "0" * 4400, "a number has too many digits"),
        ("deep = " + "[" * 900 + "]" * 900, "a list or table lies too deep within others"),
        ("deep = " + "{a=" * 900 + "1" + "}" * 900, "a list or table lies too deep within others"),
        ("a" + ".a" * 4_000 + " = 1", "line 1 is longer than any that a person writes"),
        ("ok = 1\n# " + "x" * 20_000, "line 2 is longer"),
        ("# filled\n" * 200_000, "more than 1,000,000 bytes"),
    ],
    ids=["digits", "lists", "tables", "dots", "line", "size"],
)
def test_a_file_made_to_do_harm_is_refused_in_a_sentence(company_file: Path, text: str, why: str) -> None:
    company_file.write_text(text, encoding="utf-8")
    with pytest.raises(AftersunError, match=why):
        load_company(company_file)


def test_a_device_without_end_is_no_company_file() -> None:
    with pytest.raises(AftersunError, match="no ordinary file"):
        load_company(Path("/dev/zero"))


PLAN = """
[month]
slack_share = 0.2
visit_km = 15
day_hours = 7
materials_cash = 4000

[month.hours]
electrician = 120

[month.equipment_visits]
scaffold = 8

[calls]
least_chance = 0.7
quiet_days = 30
yes_prior = 1
no_prior = 9
callback_chance = 0.1
warranty_reserve_share = 0.03
cost_per_call = 5
"""


def test_a_file_without_month_and_calls_takes_the_usual_and_limits_nothing(company: Company) -> None:
    settings = {(row["section"], row["name"]): float(row["mode"]) for row in aftersun_datasets.rows("money.csv")}
    for section, part in (("month", company.month), ("calls", company.calls)):
        for (place, name), mode in settings.items():
            if place == section and name != "cost_per_call":
                assert getattr(part, name) == mode
    # common practice: beta prior 3 and 17, mean 0.15; chance of a gain to the owner 0.6 to 0.7
    assert company.calls.yes_prior / (company.calls.yes_prior + company.calls.no_prior) == pytest.approx(0.15)
    assert company.calls.least_chance == 0.8
    # an amount of money has no usual value in a currency that is not known
    assert company.calls.cost_per_call == 0
    assert company.month.hours == company.month.equipment_visits == {}
    assert company.month.materials_cash is None


def test_month_and_calls_as_they_stand_in_the_file(company_file: Path, company_toml: str) -> None:
    company_file.write_text(company_toml + PLAN, encoding="utf-8")
    company = load_company(company_file)
    assert company.month == Month(
        slack_share=0.2,
        visit_km=15,
        day_hours=7,
        materials_cash=4000,
        hours={"electrician": 120},
        equipment_visits={"scaffold": 8},
    )
    assert company.calls == Calls(
        least_chance=0.7,
        quiet_days=30,
        yes_prior=1,
        no_prior=9,
        callback_chance=0.1,
        warranty_reserve_share=0.03,
        cost_per_call=5,
    )


@pytest.mark.parametrize(
    ("old", "new", "line"),
    [
        ("electrician = 120", "diver = 120", "month: hours of the skill diver, which is not below [work]"),
        ("scaffold = 8", "crane = 8", "month: visits with crane, which is not below [access.cost_per_visit]"),
        ("electrician = 120", "electrician = -1", "month.hours.electrician: should be greater than or equal to 0"),
        ("scaffold = 8", "scaffold = -8", "month.equipment_visits.scaffold: should be greater than or equal to 0"),
        ("materials_cash = 4000", "materials_cash = -1", "month.materials_cash: should be greater than or equal to 0"),
        ("slack_share = 0.2", "slack_share = 1", "month.slack_share: should be less than 1"),
        ("least_chance = 0.7", "least_chance = 70", "calls.least_chance: should be less than or equal to 1"),
        ("yes_prior = 1", "yes_prior = 0", "calls.yes_prior: should be greater than 0"),
        ("cost_per_call = 5", "cost_per_call = -5", "calls.cost_per_call: should be greater than or equal to 0"),
    ],
)
def test_an_impossible_capacity_or_chance_is_refused(
    company_file: Path, company_toml: str, old: str, new: str, line: str
) -> None:
    (found,) = problems(company_file, company_toml + PLAN.replace(old, new))
    assert found.startswith(line)
