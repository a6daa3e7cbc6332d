"""A run as a whole: it needs no weather file, and is the same however it is cut into chunks."""

from __future__ import annotations

import shutil

import duckdb
import pandas as pd
import pytest
from demo_support import SITES
from run_support import plugin, small, stored

from aftersun.inventory.loading.load import load_file
from aftersun.inventory.store.dictionary import tables
from aftersun.inventory.store.file import Inventory
from aftersun.model.codes import ContactRule
from aftersun.model.errors import AftersunError
from aftersun.scoring.run.rank import Settings, rank
from aftersun.scoring.value import cohorts
from aftersun.scoring.value.cohorts import _even


def ranking(path) -> pd.DataFrame:
    with duckdb.connect(str(path), read_only=True) as connection:
        return connection.execute("SELECT * EXCLUDE run_id FROM latest_ranking ORDER BY site_id, retrofit").df()


@pytest.mark.slow
def test_any_address_works_without_a_weather_file(demo, tmp_path):
    few = tmp_path / "site.csv"
    header, *lines = (demo.tables / "site.csv").read_text(encoding="utf-8").splitlines()
    chosen = [line for line in lines if line.startswith(SITES[:8])]
    few.write_text("\n".join([header, *chosen]) + "\n", encoding="utf-8")
    path = tmp_path / "n.duckdb"
    with Inventory.create(path) as inventory:
        for table in tables():
            load_file(inventory, table, few if table == "site" else demo.tables / f"{table}.csv")
    record = rank(path, Settings(demo.company, demo.as_of, ranges=False))
    assert record.failures == []
    with duckdb.connect(str(path), read_only=True) as connection:
        rows = connection.execute(
            "SELECT weather_basis, yield_kwh_per_kw, weather_sd_share FROM site_energy"
        ).fetchall()
        with_station = duckdb.connect(str(demo.inventory), read_only=True)
        stations = dict(with_station.execute("SELECT site_id, yield_kwh_per_kw FROM site_energy").fetchall())
        mine = dict(connection.execute("SELECT site_id, yield_kwh_per_kw FROM site_energy").fetchall())
        with_station.close()
    assert {basis for basis, *_ in rows} == {"normals"}
    # one standard deviation of the normals is 7 %; the real typical year is the reference
    assert all(mine[site] == pytest.approx(stations[site], rel=0.14) for site in mine)


@pytest.mark.slow  # test_reproducible.py holds it always, of fewer retrofits
def test_the_size_of_the_chunks_changes_nothing(demo, tmp_path, monkeypatch):
    shutil.copytree(demo.inventory.parent, tmp_path / "demo")
    path = tmp_path / "demo" / "demo.duckdb"
    before = ranking(path)
    whole = cohorts.read_portfolio
    monkeypatch.setattr(
        "aftersun.scoring.run.rank.read_portfolio", lambda *a, **k: whole(*a, **{**k, "chunk_sites": 20})
    )
    rank(path, Settings(demo.company, demo.as_of))
    pd.testing.assert_frame_equal(ranking(path), before, check_exact=True)


def test_an_empty_inventory_is_one_sentence(demo, tmp_path):
    Inventory.create(tmp_path / "e.duckdb").close()
    with pytest.raises(AftersunError, match="No site"):
        rank(tmp_path / "e.duckdb", Settings(demo.company, demo.as_of))


@pytest.mark.slow
def test_a_run_whose_only_retrofit_fails_is_stored_and_names_it(tmp_path):
    made = small(tmp_path / "made", 1, keep=())
    record = rank(made.inventory, made.settings(plugin_folder=plugin(tmp_path / "p", change="raise ValueError('no')")))
    assert [(failure["plugin"], failure["during"]) for failure in record.failures] == [("odd", "change")]
    tables = stored(made.inventory)
    assert list(tables["ranking"]["status"]) == ["failed"]
    assert len(tables["safety_note"]) == len(tables["site_energy"]) == 1


@pytest.mark.parametrize(
    ("sites", "most", "sizes"),
    [
        (1, 5, [1]),
        (5, 5, [5]),
        (6, 5, [3, 3]),
        (11, 5, [3, 3, 3, 2]),
        (3, 1, [1, 1, 1]),
        (9640, 2000, [1607, 1607, 1607, 1607, 1606, 1606]),
    ],
)
def test_chunks_are_even_in_size_and_number_and_lose_nobody(sites, most, sizes):
    ids = pd.Index([f"S{place}" for place in range(sites)])
    parts = _even(ids, most)
    assert [len(part) for part in parts] == sizes
    assert [site for part in parts for site in part] == list(ids)


@pytest.mark.slow
def test_a_danger_at_a_site_that_cannot_be_valued_is_told_with_its_note(tmp_path):
    made = small(tmp_path / "made", 5, keep=("connector_replacement",))
    with duckdb.connect(str(made.inventory)) as connection:
        sites = [site for (site,) in connection.execute("SELECT site_id FROM site ORDER BY 1").fetchall()]
        connection.execute("UPDATE site SET hot_connector = (site_id <> ?)", [sites[4]])
        connection.execute("UPDATE site SET latitude = NULL, longitude = NULL WHERE site_id = ?", [sites[0]])
        connection.execute('DELETE FROM "array" WHERE site_id = ?', [sites[1]])
        connection.execute("UPDATE site SET tariff_id = NULL WHERE site_id = ?", [sites[2]])
    rank(made.inventory, made.settings())
    tables = stored(made.inventory)
    left_out = tables["call"].set_index("site_id").loc[sites[:3]]
    for why, expected in zip(left_out["excluded_reason"], ("no_position", "no_array", "no_tariff"), strict=True):
        assert why in {expected, *map(str, ContactRule)}  # whom nobody may call about offers is told all the same
    assert left_out["kind"].tolist() == ["notice"] * 3
    told = tables["safety_note"][tables["safety_note"]["tell_owner"].eq(True)]
    hot = told[told["note_id"] == "known_hot_connector"].set_index("site_id")["text"]
    assert sorted(hot.index) == sites[:4]
    assert hot.nunique() == 1


@pytest.mark.slow
def test_a_site_at_sea_is_left_out_and_the_others_are_ranked(tmp_path):
    made = small(tmp_path / "made", 2, keep=("monitoring_add_on",))
    with duckdb.connect(str(made.inventory)) as connection:
        (sea,) = connection.execute("SELECT min(site_id) FROM site").fetchone()
        connection.execute("UPDATE site SET latitude = -40, longitude = -120 WHERE site_id = ?", [sea])
        for table in ("weather_hour", "weather_station"):
            connection.execute(f"DELETE FROM {table}")
    rank(made.inventory, made.settings())
    tables = stored(made.inventory)
    assert len(tables["site_energy"]) == 1
    assert tables["call"].set_index("site_id").loc[sea, "excluded_reason"] in {"no_weather", *map(str, ContactRule)}
