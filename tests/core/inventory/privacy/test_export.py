"""Exports hold no personal data, pseudonyms are the same everywhere and fit no guess."""

from __future__ import annotations

import stat
from datetime import date
from pathlib import Path

import pandas as pd
import pytest

from aftersun.inventory.loading.load import load_file
from aftersun.inventory.log import call_log
from aftersun.inventory.privacy import export as export_module
from aftersun.inventory.privacy.export import export
from aftersun.inventory.store.backup import copy_inventory
from aftersun.inventory.store.dictionary import columns, tables
from aftersun.inventory.store.file import Inventory
from aftersun.inventory.store.pseudonyms import pseudonyms
from aftersun.inventory.store.tables import OTHER_TABLES, RUN_TABLES
from aftersun.model.errors import AftersunError
from aftersun.scoring.run.demo import Demo

DAY = date(2026, 3, 9)


@pytest.fixture
def told(loaded: Inventory) -> Inventory:
    """The loaded inventory with something learnt of every kind."""
    entry = {"site_id": "S1", "called_on": "2026-03-02", "outcome": "later", "leave_until": "2026-04-01"}
    facts = {"birds_seen": "no", "elevation_m": "688.75", "import_price": "0.5", "tilt_deg": "31"}
    loaded.connection.execute("UPDATE site SET tariff_id = 'T1', latitude = 40.12345, elevation_m = 613.25")
    call_log.record_call(loaded, {**entry, "remark": "typed-remark"}, facts, today=DAY)
    call_log.learn(loaded, "S1", {"latitude": "40.16789"}, "typed-origin", today=DAY)
    return loaded


@pytest.mark.parametrize("kind", ["csv", "parquet"])
@pytest.mark.slow
def test_an_export_holds_nothing_personal(told: Inventory, tmp_path: Path, kind: str) -> None:
    done = export(told, tmp_path / "out", kind)
    assert not {"contact", "reject", "letter", "load", "pseudonym_key", "erased"} & {path.stem for path in done}
    text = ""
    for path in done:
        frame = pd.read_csv(path, dtype=str) if kind == "csv" else pd.read_parquet(path)
        assert len(frame) == done[path]
        text += frame.to_csv()
    for told_of in ("Household", "555-", "typed-remark", "typed-origin", "S1", "S2", "C1", "C2", "A1", "T1"):
        assert told_of not in text, told_of
    for exact in ("40.12345", "40.16789", "613.25", "688.75"):
        assert exact not in text, exact
    site = (
        pd.read_csv(next(iter(done)).with_name("site.csv"))
        if kind == "csv"
        else pd.read_parquet(tmp_path / "out/site.parquet")
    )
    assert sorted(site["latitude"].round(6)) == [40.1, 40.2]
    assert set(site["elevation_m"]) == {600.0, 700.0}
    assert {stat.S_IMODE(path.stat().st_mode) for path in done} == {0o600}
    assert stat.S_IMODE((tmp_path / "out").stat().st_mode) == 0o700


@pytest.mark.slow
def test_tables_still_belong_together(told: Inventory, tmp_path: Path) -> None:
    done = export(told, tmp_path / "out")
    found = {path.stem: pd.read_csv(path, dtype=str) for path in done}
    assert set(found["array"]["site_id"]) < set(found["site"]["site_id"])
    assert set(found["site"]["customer_id"]) == set(found["customer"]["customer_id"])
    assert set(found["call_log"]["site_id"]) < set(found["site"]["site_id"])
    assert set(found["site"]["tariff_id"]) <= set(found["tariff"]["tariff_id"])
    learnt = found["fact_origin"].set_index("column_name")
    assert learnt.loc["tilt_deg", "row_key"] in set(found["array"]["array_id"])
    assert learnt.loc["birds_seen", "row_key"] in set(found["site"]["site_id"])
    assert learnt.loc["birds_seen", "value"] == "no"
    assert learnt.loc["latitude", "value"] == "40.2"
    changed = found["change"].dropna(subset="column_name").set_index("column_name")
    assert changed.loc["latitude", ["before", "after"]].tolist() == ["40.1", "40.2"]
    assert changed.loc["latitude", "site_id"] == learnt.loc["latitude", "row_key"]
    assert "source" not in changed


@pytest.mark.slow
def test_an_export_of_the_ranked_demo_names_no_number_of_site_or_customer(demo: Demo, tmp_path: Path) -> None:
    with Inventory.open(demo.inventory, read_only=True) as inventory:
        done = export(inventory, tmp_path / "out")
        numbers = pd.concat(
            inventory.connection.execute(query).df().iloc[:, 0]
            for query in (
                "SELECT site_id FROM site",
                "SELECT customer_id FROM customer",
                'SELECT array_id FROM "array"',
            )
        )
        names = inventory.connection.execute("SELECT name, phone, email FROM contact").df().stack()
    words = set()
    for path in done:
        if path.stem not in ("weather_hour", "reading"):
            words |= set(path.read_text().replace("\n", ",").replace('"', ",").replace(" ", ",").split(","))
    assert not words & set(numbers)
    text = "".join(path.read_text() for path in done if path.stem not in ("weather_hour", "reading"))
    assert not [name for name in names if str(name) in text]
    assert done[tmp_path / "out" / "ranking.csv"] > 200


@pytest.mark.slow
def test_every_text_column_was_thought_about(told: Inventory, tmp_path: Path) -> None:
    """A text column that is added stays behind until it is listed as harmless; these are the ones that stay behind."""
    done = export(told, tmp_path / "out")
    out = {(path.stem, name) for path in done for name in pd.read_csv(path, nrows=0).columns}
    described = {
        (table, name): kind
        for table, layout in {**OTHER_TABLES, **RUN_TABLES}.items()
        for name, kind in layout.columns.items()
    }
    described |= {(table, column.name): column.duckdb_type for table in tables() for column in columns(table)}
    behind = {
        (table, name)
        for (table, name), kind in described.items()
        if kind in ("VARCHAR", "JSON", "BLOB") and (table, name) not in out and table in {path.stem for path in done}
    }
    personal = {(table, column.name) for table in tables() for column in columns(table) if column.personal}
    assert personal <= behind
    assert behind >= {("call_log", "remark"), ("fitted", "remark"), ("fact_origin", "origin"), ("run", "settings")}


@pytest.mark.slow
def test_pseudonyms_are_stable_and_keyed(loaded: Inventory, tmp_path: Path) -> None:
    ids = pd.Series(["S1", "S2", None, "S1"], index=[7, 8, 9, 10], dtype="string")
    first = pseudonyms(loaded, "site", ids)
    assert list(first.index) == [7, 8, 9, 10]
    assert first[7] == first[10] != first[8]
    assert pd.isna(first[9])
    assert list(pseudonyms(loaded, "customer", ids).dropna()) != list(first.dropna())
    loaded.close()
    copy_inventory(loaded.path, tmp_path / "backup.duckdb")
    with Inventory.open(tmp_path / "backup.duckdb", read_only=True) as copy:
        pd.testing.assert_series_equal(pseudonyms(copy, "site", ids), first)
    with Inventory.create(tmp_path / "other.duckdb") as other:
        assert pseudonyms(other, "site", ids)[7] != first[7]


def test_nothing_is_overwritten_and_nothing_half_written_is_left(
    loaded: Inventory, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "site.csv").write_text("mine")
    with pytest.raises(AftersunError, match="exists already"):
        export(loaded, tmp_path / "out")
    assert [path.name for path in (tmp_path / "out").iterdir()] == ["site.csv"]
    with pytest.raises(AftersunError, match="no kind of file"):
        export(loaded, tmp_path / "out", "xml")

    def full(*_: object, **__: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setitem(export_module._WRITERS, export_module.CSV, full)  # type: ignore[attr-defined]
    with pytest.raises(AftersunError, match="No space left"):
        export(loaded, tmp_path / "new")
    assert list((tmp_path / "new").iterdir()) == []


@pytest.mark.slow
def test_a_loaded_table_is_exported_with_all_its_measures(loaded: Inventory, tmp_path: Path) -> None:
    source = tmp_path / "reading.csv"
    source.write_text("site_id,meter,starts_at,register_kwh\nS1,import,2024-01-01,5\n")
    load_file(loaded, "reading", source)
    export(loaded, tmp_path / "out")
    assert list(pd.read_csv(tmp_path / "out" / "reading.csv")["register_kwh"]) == [5.0]
