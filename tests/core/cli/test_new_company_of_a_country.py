"""What 'company new --country' writes loads and runs: tariff tables in an inventory, the company file in a ranking."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest
from demo_support import keep_sites, put_demo

from aftersun.inventory.store.file import Inventory
from aftersun.money.countries import countries, usual_tariffs

SOME = ("S0010", "S0033", "S0103")


def begun(aftersun, folder: Path, code: str) -> Path:
    """Write a country's files and put in what only the owner knows: the name, and a base near the demo's roofs."""
    path = folder / f"{code}.toml"
    ran = aftersun("company", "new", path, "--country", code)
    assert (ran.code, f"Wrote {path}" in ran.out) == (0, True)
    text = path.read_text(encoding="utf-8").replace('name = ""', 'name = "A"')
    text = text.replace("base_latitude = nan", "base_latitude = 36").replace(
        "base_longitude = nan", "base_longitude = -79.8"
    )
    path.write_text(text, encoding="utf-8")
    return path


def test_the_tariff_tables_of_every_country_load_whole(aftersun, tmp_path):
    for table in ("tariff", "tariff_period"):
        rows = [row for country in countries().values() for row in usual_tariffs(country)[table]]
        pd.DataFrame(rows).to_csv(tmp_path / f"all_{table}.csv", index=False)
    file = tmp_path / "all.duckdb"
    assert aftersun("inventory", "create", file).code == 0
    ran = aftersun("inventory", "load", file, *sorted(tmp_path.glob("*_tariff*.csv")))
    assert ran.code == 0, ran.out + ran.err
    with Inventory.open(file, read_only=True) as inventory:
        assert inventory.connection.execute("SELECT count(*) FROM tariff").fetchone() == (14,)
        assert inventory.connection.execute("SELECT count(*) FROM tariff_period").fetchone() == (25,)


@pytest.mark.slow
@pytest.mark.parametrize("code", sorted(countries()))
def test_roofs_are_ranked_with_the_file_of_each_country(aftersun, tmp_path, code):
    demo = put_demo(tmp_path)
    keep_sites(demo.inventory, SOME)
    ran = aftersun("rank", demo.inventory, "--company", begun(aftersun, tmp_path, code), "--no-ranges")
    assert ran.code == 0, ran.err
    currency = countries()[code].said["currency"].value
    assert currency in aftersun("explain", demo.inventory, SOME[0]).out
