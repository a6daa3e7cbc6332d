"""Loading meter readings: intervals and counters, moments, and what no meter can have said."""

from __future__ import annotations

import csv
import io
import shutil
from collections.abc import Callable
from datetime import datetime
from pathlib import Path

import duckdb
import openpyxl
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from aftersun.inventory.loading import rejects
from aftersun.inventory.loading.load import load_file, tables_in
from aftersun.inventory.store import migrations, read
from aftersun.inventory.store.file import Inventory

Write = Callable[[str, str], Path]

ENERGY = "site_id,meter,starts_at,ends_at,kwh\n"
COUNTER = "site_id,meter,starts_at,register_kwh\n"
BOTH = "site_id,meter,starts_at,ends_at,kwh,register_kwh\n"


def _reasons(inventory: Inventory) -> list[tuple[int, str, str]]:
    found = rejects.open_rejects(inventory)
    return list(zip(found["line"], found["column_name"], found["reason"], strict=True))


def test_months_days_and_half_hours_load(loaded: Inventory, write: Write) -> None:
    text = ENERGY + (
        "S1,production,2024-01-01,2024-02-01,210.5\n"
        "S1,Import,2024-03-01,2024-03-02,4.2\n"
        "S1,export,2024-06-01 12:00,2024-06-01 12:30,0.8\n"
        "S1,export,2024-06-01T12:30,2024-06-01T13:00:00,0\n"
    )
    report = load_file(loaded, "reading", write("readings.csv", text))
    assert (report.rows_read, report.added, report.rejected) == (4, 4, 0)
    rows = read.readings(loaded, ["S1"])
    assert rows["meter"].tolist() == ["export", "export", "import", "production"]
    assert rows["starts_at"].iloc[0] == pd.Timestamp("2024-06-01 12:00")
    assert (rows["ends_at"] - rows["starts_at"]).tolist() == [
        *[pd.Timedelta(minutes=30)] * 2,
        pd.Timedelta(days=1),
        pd.Timedelta(days=31),
    ]
    assert rows["kwh"].tolist() == [0.8, 0.0, 4.2, 210.5]
    assert rows["register_kwh"].isna().all()
    assert read.readings(loaded, ["S2"]).empty
    assert read.readings(loaded, []).empty


def test_counters_load(loaded: Inventory, write: Write) -> None:
    text = COUNTER + "S1,production,2023-01-01,1200\nS1,production,2023-07-01 08:30,2900.5\n"
    assert load_file(loaded, "reading", write("r.csv", text)).added == 2
    rows = read.readings(loaded, ["S1"])
    assert rows["register_kwh"].tolist() == [1200, 2900.5]
    assert rows[["ends_at", "kwh"]].isna().all(axis=None)


@pytest.mark.slow
def test_columns_that_contradict_each_other(loaded: Inventory, write: Write) -> None:
    text = BOTH + (
        "S1,production,2024-01-01,2024-02-01,,\n"
        "S1,production,2024-02-01,2024-03-01,5,100\n"
        "S1,production,2024-03-01,,5,\n"
        "S1,production,2024-04-01,2024-05-01,,100\n"
        "S1,production,2024-05-01,2024-05-01,5,\n"
        "S1,production,2024-06-02,2024-06-01,5,\n"
        "S1,production,2022-01-01,2024-06-01,5,\n"
        "S1,production,2024-07-01,2024-08-01,much,\n"
        "S1,production,2024-08-01,2024-09-01,-40,\n"
        "S1,sun,2024-09-01,2024-10-01,5,\n"
        "S9,production,2024-09-01,2024-10-01,5,\n"
    )
    report = load_file(loaded, "reading", write("r.csv", text))
    assert (report.added, report.rejected) == (0, 11)
    assert _reasons(loaded) == [
        (2, "kwh", "neither an energy nor a counter"),
        (3, "register_kwh", "both an energy and a counter"),
        (4, "ends_at", "an energy without the end of its interval"),
        (5, "ends_at", "a counter is read at one moment"),
        (6, "ends_at", "does not lie after starts_at"),
        (7, "ends_at", "does not lie after starts_at"),
        (8, "ends_at", "lies more than 740 days after starts_at"),
        (9, "kwh", "not a plain number"),
        (10, "kwh", "below the lowest allowed value, -1 kWh"),
        (11, "meter", "not one of the choices"),
        (12, "site_id", "no site with this site_id is loaded"),
    ]


@pytest.mark.parametrize(
    "moment",
    [
        "01.02.2024",
        "2024-02-30",
        "2024-02-01 24:00",
        "2024-02-01 7:00",
        "2024-02-01 12:00Z",
        "2024-02-01 12:00:30",
        "x",
    ],
)
@pytest.mark.slow
def test_moments_that_cannot_be_read(loaded: Inventory, write: Write, moment: str) -> None:
    report = load_file(loaded, "reading", write("r.csv", COUNTER + f"S1,production,{moment},5\n"))
    assert report.rejected == 1
    assert _reasons(loaded) == [(2, "starts_at", "not a moment")]


def test_the_hour_that_summer_time_repeats_is_rejected_not_added_up(loaded: Inventory, write: Write) -> None:
    text = ENERGY + "".join(f"S1,import,2024-10-27 02:00,2024-10-27 03:00,{kwh}\n" for kwh in (0.3, 0.4))
    assert load_file(loaded, "reading", write("r.csv", text)).rejected == 2


def test_loading_again_changes_only_what_differs(loaded: Inventory, write: Write) -> None:
    rows = [f"S1,production,2024-05-{day:02},2024-05-{day + 1:02},{day}.5\n" for day in range(1, 11)]
    assert load_file(loaded, "reading", write("r.csv", ENERGY + "".join(rows))).added == 10
    report = load_file(loaded, "reading", write("r.csv", ENERGY + "".join([*rows[:9], rows[9].replace("10.5", "9")])))
    assert (report.added, report.changed, report.unchanged) == (0, 1, 9)


@pytest.mark.slow
def test_rejects_are_mended_by_their_key(loaded: Inventory, write: Write, tmp_path: Path) -> None:
    load_file(loaded, "reading", write("r.csv", ENERGY + "S1,import,2024-05-01 00:30,2024-05-01 01:00,o.3\n"))
    assert rejects.export_rejects(loaded, "reading", tmp_path / "mend.csv") == 1
    mended = (tmp_path / "mend.csv").read_text(encoding="utf-8-sig").replace("o.3", "0.3")
    assert load_file(loaded, "reading", write("mended.csv", mended)).mended == 1
    # a bad row of a reading that is held already is filled up with what is held, and found by its moment
    load_file(loaded, "reading", write("r2.csv", "site_id,meter,starts_at,kwh\nS1,import,2024-05-01 00:30,o.4\n"))
    assert rejects.export_rejects(loaded, "reading", tmp_path / "mend2.csv") == 1
    text = (tmp_path / "mend2.csv").read_text(encoding="utf-8-sig")
    (row,) = csv.DictReader(io.StringIO(text))
    assert row["ends_at"] == "2024-05-01 01:00:00"
    report = load_file(loaded, "reading", write("mended2.csv", text.replace("o.4", "0.4")))
    assert (report.changed, report.mended) == (1, 1)
    assert read.readings(loaded, ["S1"])["kwh"].tolist() == [0.4]


def test_workbooks_and_parquet_hold_moments_too(loaded: Inventory, tmp_path: Path) -> None:
    book = openpyxl.Workbook()
    book.active.append(ENERGY.strip().split(","))
    book.active.append(["S1", "production", datetime(2024, 5, 1), datetime(2024, 5, 1, 0, 30), 0.1])
    book.save(tmp_path / "reading.xlsx")
    assert tables_in(tmp_path / "reading.xlsx") == ("reading",)
    assert load_file(loaded, "reading", tmp_path / "reading.xlsx").added == 1
    frame = pd.DataFrame(
        {
            "site_id": "S1",
            "meter": "production",
            "starts_at": pd.date_range("2024-05-01 00:30", periods=3, freq="30min"),
            "ends_at": pd.date_range("2024-05-01 01:00", periods=3, freq="30min"),
            "kwh": [0.1, 0.2, 0.3],
        }
    )
    frame.to_parquet(tmp_path / "reading.parquet")
    assert load_file(loaded, "reading", tmp_path / "reading.parquet").added == 3


def test_header_alone_tells_the_table(write: Write) -> None:
    assert tables_in(write("export.csv", ENERGY)) == ("reading",)
    assert tables_in(write("counts.csv", COUNTER)) == ("reading",)


@pytest.fixture(scope="module")
def shared(loaded_file: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A loaded inventory that the examples of a property share."""
    return Path(shutil.copy(loaded_file, tmp_path_factory.mktemp("shared") / "loaded.duckdb"))


_CELLS = st.tuples(
    st.sampled_from(["S1", "S2", "S7", ""]),
    st.sampled_from(["production", "import", "export", "gas", ""]),
    st.sampled_from(["2024-01-01", "2024-01-02 00:30", "2024-13-01", ""]),
    st.sampled_from(["2024-01-01", "2024-02-01", "2029-01-01", "soon", ""]),
    st.sampled_from(["1.5", "-0.2", "-5", "x", ""]),
    st.sampled_from(["100", "-1", "y", ""]),
)


@settings(max_examples=8)
@given(st.lists(_CELLS, min_size=1, max_size=12))
@pytest.mark.slow
def test_every_row_is_loaded_or_rejected(shared: Path, rows: list[tuple[str, ...]]) -> None:
    text = BOTH + "".join(",".join(row) + "\n" for row in rows)
    with Inventory.open(shared) as inventory:
        path = shared.with_name("any.csv")
        path.write_text(text)
        report = load_file(inventory, "reading", path)
        for table in ("reading", "reject"):
            inventory.connection.execute(f"DELETE FROM {table}")
    assert report.rows_read == report.added + report.rejected == sum(any(row) for row in rows)
    good = [row for row in rows if row[0] in ("S1", "S2") and row[1] in ("production", "import", "export")]
    assert report.added <= len({row[:3] for row in good if row[2].startswith("2024-01")})


@pytest.mark.slow
def test_older_file_gets_what_was_added_since(tmp_path: Path, loaded_file: Path) -> None:
    """A file of the first layout: no readings, fewer columns; nothing in it is lost."""
    path = tmp_path / "old.duckdb"
    path.write_bytes(loaded_file.read_bytes())
    connection = duckdb.connect(str(path))
    for statement in (
        "DROP TABLE reading",
        "ALTER TABLE site DROP COLUMN listed_building",
        "DROP VIEW latest_ranking",
        "ALTER TABLE ranking DROP COLUMN sir",
        "CREATE VIEW latest_ranking AS SELECT * FROM ranking",
        "UPDATE schema_version SET version = 1",
    ):
        connection.execute(statement)
    connection.close()
    with Inventory.open(path) as inventory:
        assert migrations.stored_version(inventory.connection) == migrations.newest_version()
        assert read.sites(inventory)["site_id"].tolist() == ["S1", "S2"]
        assert read.sites(inventory)["listed_building"].isna().all()
        assert read.readings(inventory, ["S1"]).empty
        names = [column[0] for column in inventory.connection.execute("SELECT * FROM latest_ranking").description]
        assert "sir" in names
        source = tmp_path / "r.csv"
        source.write_text(ENERGY + "S1,production,2024-01-01,2024-02-01,210.5\n")
        assert load_file(inventory, "reading", source).added == 1
