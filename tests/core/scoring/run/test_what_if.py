"""What if: against the ranking of an inventory or a company that really is like that."""

from __future__ import annotations

import os
import shutil
from dataclasses import replace
from pathlib import Path
from typing import Any

import duckdb
import pandas as pd
import pytest
from run_support import plugin, small

import aftersun_datasets
from aftersun.documents.run_view import RunView
from aftersun.inventory.runs.stored_runs import RunRecord
from aftersun.inventory.store import private
from aftersun.inventory.store.file import Inventory
from aftersun.model.errors import AftersunError
from aftersun.model.price_times import PriceTables
from aftersun.money.countries import country_of, usual_tariffs
from aftersun.scoring.run import what_if as suppose_module
from aftersun.scoring.run.demo import Demo
from aftersun.scoring.run.finished_chunks import FinishedChunks
from aftersun.scoring.run.rank import Settings, rank
from aftersun.scoring.run.what_if import Comparison, parse_changes, run_with_changes
from aftersun.scoring.value.cohorts import CHUNK_SITES, Portfolio, read_portfolio

PRICES, RULES = ("import_price", "export_price", "export_price_after"), ("export_rule", "export_rule_after")


def supposed(demo: Demo, *changes: str, site: str | None = None) -> Comparison:
    with Inventory.open(demo.inventory, read_only=True) as inventory:
        return run_with_changes(*stored(inventory, site), changes)


def stored(
    inventory: Inventory, site: str | None = None, chunk_sites: int = CHUNK_SITES
) -> tuple[Portfolio, RunRecord, pd.DataFrame]:
    view = RunView(inventory)
    return read_portfolio(inventory, view.as_of, chunk_sites, site), view.run, view.table("ranking", site)


@pytest.fixture(scope="module")
def site(demo: Demo) -> str:
    with Inventory.open(demo.inventory, read_only=True) as inventory:
        calls = RunView(inventory).calls()
    return str(calls.loc[calls["retrofit"] == "hot_water_diverter", "site_id"].iloc[0])


@pytest.mark.slow
def test_without_an_effect_all_stays_as_stored(demo: Demo, site: str) -> None:
    rows = supposed(demo, "materials.tilt_frame=0", site=site).rows
    same = rows[rows["retrofit"] != "tilt_mount"]
    assert len(same) > 2
    assert (same["npv_stored"] == same["npv_supposed"]).all()
    assert (same["npv_p90_stored"] == same["npv_p90_supposed"]).all()


@pytest.mark.slow
def test_what_is_computed_on_the_way_lies_where_the_next_command_clears(
    demo: Demo, site: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    folders: list[Path] = []

    class Seen(FinishedChunks):
        def __init__(self, folder: Path, *given: Any, **more: Any) -> None:
            folders.append(folder)
            super().__init__(folder, *given, **more)

    monkeypatch.setattr(suppose_module, "FinishedChunks", Seen)
    supposed(demo, "materials.tilt_frame=0", site=site)
    (folder,) = folders
    assert not folder.exists()
    folder.mkdir()
    monkeypatch.setattr(private, "_runs", lambda pid: pid != os.getpid())  # as if this process had been killed
    Inventory.open(demo.inventory, read_only=True).close()
    assert not folder.exists()


@pytest.mark.slow
def test_a_fact_supposed_is_what_ranking_it_would_give(demo: Demo, site: str, tmp_path: Path) -> None:
    found = supposed(demo, "site.annual_demand_kwh=9000", site=site).rows.set_index("retrofit")
    copy = tmp_path / "copy.duckdb"
    shutil.copy(demo.inventory, copy)
    with duckdb.connect(str(copy)) as connection:
        connection.execute("UPDATE site SET annual_demand_kwh = 9000 WHERE site_id = ?", [site])
    rank(copy, Settings(demo.company, demo.as_of))
    with Inventory.open(copy, read_only=True) as inventory:
        real = RunView(inventory).table("ranking", site).set_index("retrofit")
    valued = real["npv"].dropna()
    pd.testing.assert_series_equal(
        found.loc[valued.index, "npv_supposed"].astype(float),
        valued.astype(float),
        check_names=False,
        check_index_type=False,
    )
    assert not (found["npv_stored"] == found["npv_supposed"]).all()


@pytest.mark.slow
def test_a_price_supposed_moves_what_uses_it(demo: Demo, site: str) -> None:
    dear = ("materials.water_diverter=2000", "materials.water_timer=2000")
    rows = supposed(demo, *dear, site=site).rows.set_index("retrofit")
    diverter = rows.loc["hot_water_diverter"]
    assert diverter["npv_supposed"] < diverter["npv_stored"]
    assert diverter["status_supposed"] == "not_cost_effective"


@pytest.mark.slow
def test_an_assumption_supposed_is_that_of_its_retrofit_alone(demo: Demo, site: str) -> None:
    rows = supposed(demo, "hot_water_diverter.diverter_hours=20", site=site).rows.set_index("retrofit")
    moved = rows[rows["npv_stored"] != rows["npv_supposed"]]
    assert list(moved.index) == ["hot_water_diverter"]


@pytest.mark.slow
def test_many_sites_are_the_same_whoever_computes_them(tmp_path: Path) -> None:
    made = small(tmp_path / "made", 12, last="S0036")
    rank(made.inventory, made.settings(chunk_sites=100))
    with Inventory.open(made.inventory, read_only=True) as inventory:
        whole, parts = stored(inventory), stored(inventory, chunk_sites=4)
    alone = run_with_changes(*whole, ["materials.bird_mesh=1"])
    done: list[tuple[int, int]] = []
    shared = run_with_changes(*parts, ["materials.bird_mesh=1"], lambda *now: done.append(now), 2)
    pd.testing.assert_frame_equal(shared.rows, alone.rows)
    assert sorted(shared.notes.itertuples(index=False)) == sorted(alone.notes.itertuples(index=False))
    assert not alone.notes.duplicated().any()
    assert done[0][0] == 0
    assert done[-1][0] == done[-1][1] >= alone.rows["site_id"].nunique() > 10
    assert len({now for now, _ in done}) > 2


@pytest.mark.slow
def test_every_note_of_what_would_be_offered_is_told(demo: Demo) -> None:
    found = supposed(demo, "tariff.export_price=0.01")
    rows = found.rows[found.rows["status_supposed"].isin(["recommended", "subject_to_survey", "safety_remedial"])]
    pairs = set(zip(rows["site_id"], rows["retrofit"], strict=True))
    with Inventory.open(demo.inventory, read_only=True) as inventory:
        notes = RunView(inventory).table("safety_note")
    assert pairs
    mine = [pair in pairs for pair in zip(notes["site_id"], notes["retrofit"], strict=True)]
    assert set(found.notes["note_id"]) == set(notes.loc[mine, "note_id"])
    assert list(found.notes) == ["note_id", "severity", "text", "who"]


@pytest.mark.slow
def test_a_plugin_that_ends_its_process_is_named_and_the_rest_is_supposed(tmp_path: Path) -> None:
    made = small(tmp_path / "made", 4)
    folder = plugin(tmp_path / "plugins")
    rank(made.inventory, made.settings(plugin_folder=folder))
    plugin(tmp_path / "plugins", change="os._exit(3)")
    with Inventory.open(made.inventory, read_only=True) as inventory:
        found = run_with_changes(*stored(inventory), ["money.real_discount_rate=0.05"])
    (failure,) = found.failures
    assert (failure.plugin, failure.during) == ("odd", "change")
    rows = found.rows.set_index("retrofit")
    assert rows.loc["odd", "npv_supposed"].isna().all()
    assert rows.drop(index="odd")["npv_supposed"].notna().all()


@pytest.mark.slow
def test_nothing_is_stored(demo: Demo, site: str) -> None:
    before = Path(demo.inventory).read_bytes()
    supposed(demo, "money.real_discount_rate=0.06", site=site)
    assert Path(demo.inventory).read_bytes() == before


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ("birds", "is not a change"),
        ("site.colour=red", "no fact 'site.colour'"),
        ("site.customer_id=C9", "no fact"),
        ("site.birds_seen=maybe", "neither yes nor no"),
        ("tariff.export_price=-1", "below the lowest"),
        ("materials.gold=1", "no line 'materials.gold'"),
        ("money.real_discount_rate=9", "cannot be like that"),
        ("money.real_discount_rate=five", "needs a number"),
        ("bird_mesh.colour=1", "assumes no such thing"),
    ],
)
@pytest.mark.few_quick
@pytest.mark.slow
def test_what_cannot_be_supposed_is_told(demo: Demo, site: str, change: str, told: str) -> None:
    with pytest.raises(AftersunError, match=told):
        supposed(demo, change, site=site)


def test_places_are_told_apart() -> None:
    found = parse_changes(
        ["site.birds_seen=no", "bird_mesh.crew=3", "work.roofer=50", "facts.birds_seen=0.2"], ["bird_mesh"]
    )
    assert found.facts == {("site", "birds_seen"): False}
    assert set(found.settings) == {("assumptions", "bird_mesh", "crew"), ("work", "roofer"), ("facts", "birds_seen")}


@pytest.mark.slow
def test_a_retrofit_that_fails_at_its_notes_and_stands_alone_is_named(tmp_path: Path) -> None:
    made = small(tmp_path / "made", 2, keep=())
    folder = plugin(tmp_path / "plugins")
    rank(made.inventory, made.settings(plugin_folder=folder))
    plugin(tmp_path / "plugins", safety="raise ValueError('none today')")
    with Inventory.open(made.inventory, read_only=True) as inventory:
        found = run_with_changes(*stored(inventory), ["money.real_discount_rate=0.05"])
    assert {failure.plugin for failure in found.failures} == {"odd"}
    assert found.notes.empty
    assert found.rows["npv_supposed"].isna().all()


@pytest.mark.slow
def test_a_price_of_a_period_is_what_if_as_if_it_were_loaded(demo: Demo, site: str) -> None:
    def at(peak: float, *changes: str) -> pd.Series:
        with Inventory.open(demo.inventory, read_only=True) as inventory:
            portfolio, run, before = stored(inventory, site)
        (chunk,) = portfolio.chunks
        tariff = chunk.sites["tariff_id"].iloc[0]
        rows = [
            (tariff, "peak", 1, 12, "weekday", 16, 21, peak, None),
            (tariff, "sun", 1, 12, "every day", 11, 15, 0.2, 0.1),
        ]
        periods = pd.DataFrame(
            rows,
            columns=[
                *("tariff_id", "period", "from_month", "until_month", "days"),
                *("from_hour", "until_hour", "import_price", "export_price"),
            ],
        )
        portfolio = replace(portfolio, chunks=(replace(chunk, prices=PriceTables(periods)),))
        return run_with_changes(portfolio, run, before, changes).rows.set_index("retrofit")["npv_supposed"]

    changed = at(0.4, "tariff_period.peak.import_price=0.9")
    pd.testing.assert_series_equal(changed, at(0.9, "materials.tilt_frame=1"))
    assert not changed.equals(at(0.4, "materials.tilt_frame=1"))
    flat = at(0.4, "tariff.import_price=0.5", "tariff.export_price=0.1")
    pd.testing.assert_series_equal(flat, at(0.9, "tariff.import_price=0.5", "tariff.export_price=0.1"))
    with pytest.raises(AftersunError, match="No tariff in force has a period 'peek'"):
        at(0.4, "tariff_period.peek.import_price=0.9")


# Prices are those of datasets/aftersun_datasets/country_tariffs.csv; their bills by hand: tests/core/money.
@pytest.mark.slow
@pytest.mark.parametrize(
    ("code", "place", "price"),
    [
        ("ES", "tariff_period.punta.import_price", 0.5),  # three periods, credit capped by the month
        ("US", "tariff_period.summer peak.import_price", 0.9),  # two seasons, export by hour
        ("NL", "tariff.export_price_after", 0.12),  # netting that ends
        ("DE", "tariff.export_price", 0.12),  # feed-in of twenty years, which ends after what is fitted today
        ("AU", "tariff_period.peak.import_price", 0.9),  # time of use
    ],
)
def test_a_price_of_a_country_s_usual_contract_is_what_if_as_if_it_were_loaded(
    demo: Demo, site: str, code: str, place: str, price: float
) -> None:
    contract = next(row for row in aftersun_datasets.rows("country_tariffs.csv") if row["country"] == code)
    periods = pd.DataFrame(usual_tariffs(country_of(code))["tariff_period"])
    for name in ("from_month", "until_month", "from_hour", "until_hour", "import_price", "export_price"):
        if len(periods):
            periods[name] = pd.to_numeric(periods[name])
    table, _, column = place.rpartition(".")

    def at(loaded: float | None, change: str) -> pd.Series:
        given, by_time = dict(contract), periods.copy()
        if loaded is not None and table == "tariff":
            given[column] = str(loaded)
        elif loaded is not None:
            by_time.loc[by_time["period"] == table.partition(".")[2], column] = loaded
        with Inventory.open(demo.inventory, read_only=True) as inventory:
            portfolio, run, before = stored(inventory, site)
        (chunk,) = portfolio.chunks
        prices = {name: float(given[name] or "nan") for name in PRICES}
        sites = chunk.sites.assign(**prices, **{name: given[name] or None for name in RULES}, country=code)
        sites["export_rule_until"] = pd.to_datetime(given["export_rule_until"] or None)
        sites["tariff_id"], sites["night_import_price"] = given["tariff_id"], float("nan")
        sites = sites.astype({name: chunk.sites[name].dtype for name in sites if name in chunk.sites})
        portfolio = replace(portfolio, chunks=(replace(chunk, sites=sites, prices=PriceTables(by_time)),))
        return run_with_changes(portfolio, run, before, [change]).rows.set_index("retrofit")["npv_supposed"]

    nothing = "materials.tilt_frame=1"
    changed = at(None, f"{place}={price}")
    pd.testing.assert_series_equal(changed, at(price, nothing))
    assert not changed.equals(at(None, nothing))
