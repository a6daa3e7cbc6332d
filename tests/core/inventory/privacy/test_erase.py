"""What is held on a customer, erasing it to the last byte, and remembering that it was asked for."""

from __future__ import annotations

import shutil
from datetime import date, datetime
from pathlib import Path

import duckdb
import pandas as pd
import pytest

from aftersun.inventory.loading import erased
from aftersun.inventory.loading.load import load_file
from aftersun.inventory.loading.rejects import open_rejects
from aftersun.inventory.log import call_log
from aftersun.inventory.privacy.customer_rows import erase, find_rows, read_rows
from aftersun.inventory.privacy.retention import untouched
from aftersun.inventory.store import read, trail
from aftersun.inventory.store.file import Inventory
from aftersun.inventory.store.rewrite import columns_of, tables_of
from aftersun.inventory.store.sql import quoted
from aftersun.model.errors import AftersunError

# Each stands in one kind of place and nowhere else in any file of this program.
MARKS = {
    name: f"Zq7{name}Xk"
    for name in ("name", "street", "email", "phone", "basis", "raw", "shifted", "remark", "letter", "fact")
}
DAY = date(2026, 3, 9)


@pytest.fixture
def path(tmp_path: Path, filled_file: Path) -> Path:
    return Path(shutil.copy(filled_file, tmp_path / "company.duckdb"))


@pytest.fixture(scope="module")
def filled_file(tmp_path_factory: pytest.TempPathFactory, loaded_file: Path) -> Path:
    """The loaded inventory, in which every table has rows of C1 and of C2, and C1's hold marks."""
    tmp_path = tmp_path_factory.mktemp("filled")
    path = Path(shutil.copy(loaded_file, tmp_path / "company.duckdb"))
    with Inventory.open(path) as inventory:
        inventory.connection.execute("UPDATE site SET tariff_id = 'T1'")
        for number, (name, text) in enumerate(
            (
                (
                    "customer",
                    "customer_id,name,street,phone,email,contact_basis,last_contact_on\n"
                    f"C1,{MARKS['name']},{MARKS['street']},{MARKS['phone']},{MARKS['email']},{MARKS['basis']},2020-02-03\n"
                    "C2,Household B,,555-0102,,,2025-01-01\n",
                ),
                ("customer", f"customer_id,name,contact_allowed\nC1,{MARKS['raw']},perhaps\nC2,Household B,perhaps\n"),
                ("customer", f"customer_id,name,phone\nC1,{MARKS['shifted']},1,2,3\nC2,B,1,2,3\n"),
                ("site", "site_id,customer_id,latitude,longitude\nS7,C9,95,x\nS1,C1,95,x\nS2,C2,95,x\n"),
                ("fitted", "site_id,retrofit,fitted_on\nS1,bird_mesh,2019-01-01\nS2,bird_mesh,2019-01-01\n"),
                ("reading", "site_id,meter,starts_at,register_kwh\nS1,import,2024-01-01,5\nS2,import,2024-01-01,6\n"),
            )
        ):
            source = tmp_path / f"{name}-{number}.csv"
            source.write_text(text)
            load_file(inventory, name, source)
            source.unlink()
        for site_id, remark in (("S1", MARKS["remark"]), ("S2", "nobody at home")):
            entry = {"site_id": site_id, "called_on": "2021-03-02", "outcome": "later", "leave_until": "2021-04-01"}
            call_log.record_call(inventory, {**entry, "remark": remark}, {"import_price": "0.5"}, today=DAY)
            call_log.make_offer(inventory, site_id, "bird_mesh", 100.0, "EUR", date(2021, 3, 3))
        call_log.learn(inventory, "S1", {"birds_seen": "no"}, MARKS["fact"], on="2021-03-03", today=DAY)
        with inventory.transaction() as connection:
            _fill(connection)
    return path


def _fill(connection: duckdb.DuckDBPyConnection) -> None:
    """Give every table with sites or customers that has no row yet one of each customer, letters with a name."""
    for table in tables_of(connection):
        names = columns_of(connection, table)
        if (
            not {"site_id", "customer_id"} & set(names)
            or connection.execute(f"FROM {quoted(table)} LIMIT 1").fetchall()
        ):
            continue
        kinds = dict(connection.execute(f"SELECT column_name, column_type FROM (DESCRIBE {quoted(table)})").fetchall())
        for site_id, customer_id in (("S1", "C1"), ("S2", "C2")):
            given = {"site_id": site_id, "customer_id": customer_id, "run_id": "r1", "number": site_id}
            given |= {"entry": int(site_id[1:])}
            mark = MARKS["letter"] if customer_id == "C1" else "somebody else"
            by_kind = {
                "VARCHAR": "x", "JSON": f'{{"name": "{mark}"}}', "BLOB": mark.encode(), "DATE": date(2021, 1, 1),
                "TIMESTAMP": datetime(2021, 1, 1), "BOOLEAN": True, "DOUBLE[]": [1.0], "UINTEGER[]": [1],
                    "VARCHAR[]": ["x"],
            }  # fmt: skip
            values = [given.get(name, by_kind.get(kinds[name], 1)) for name in names]
            connection.execute(f"INSERT INTO {quoted(table)} VALUES ({', '.join('?' * len(values))})", values)


def _counts(path: Path, customer_id: str) -> dict[str, int]:
    with Inventory.open(path, read_only=True) as inventory:
        try:
            return dict(find_rows(inventory, customer_id).counts)
        except AftersunError:
            return {}


@pytest.mark.slow
def test_all_that_is_held_is_shown_table_by_table(path: Path) -> None:
    with Inventory.open(path, read_only=True) as inventory:
        found = find_rows(inventory, "C1")
        rows = read_rows(inventory, found)
        tables = [
            table
            for table in tables_of(inventory.connection)
            if {"site_id", "customer_id"} & set(columns_of(inventory.connection, table))
        ]
    assert set(tables) - {"horizon"} <= set(found.counts)  # whatever is added later, too
    assert found.site_ids == ("S1",)
    assert {"contact", "call_log", "offer_made", "fact_origin", "reading", "reject", "tariff", "array"} <= set(rows)
    said = str(rows)
    for name in ("name", "street", "email", "phone", "basis", "raw", "shifted", "remark", "fact"):
        assert MARKS[name] in said
    assert "Household B" not in said
    assert [row["tariff_id"] for row in rows["tariff"]] == ["S1 own"] * 3
    assert found.counts == {table: len(entries) for table, entries in rows.items()}


@pytest.mark.slow
def test_erased_customers_leave_no_byte(path: Path) -> None:
    bytes_before = path.read_bytes()
    for name, mark in MARKS.items():
        assert mark.encode() in bytes_before, name  # so that its absence says something
    others = _counts(path, "C2")
    done = erase(path, "C1", DAY)
    assert done.site_ids == ("S1",)
    assert done.counts["contact"] == 1
    left = b"".join(name.read_bytes() for name in path.parent.iterdir())
    for mark in (*MARKS.values(), "S1 own"):
        assert mark.encode() not in left, mark
    assert [name.name for name in path.parent.iterdir()] == ["company.duckdb"]
    assert _counts(path, "C1") == {}
    assert _counts(path, "C2") == others
    with pytest.raises(AftersunError, match="Nothing is held"):
        erase(path, "C1", DAY)


@pytest.mark.slow
def test_a_customer_known_from_a_rejected_row_alone_is_erased_too(path: Path) -> None:
    assert _counts(path, "C9") == {"reject": 3}
    erase(path, "C9", DAY)
    assert _counts(path, "C9") == {}


@pytest.mark.slow
def test_the_trail_of_an_erased_customer_goes_and_that_of_others_stays(path: Path) -> None:
    with Inventory.open(path) as inventory:
        source = path.with_name("site.csv")
        source.write_text("site_id,customer_id,latitude,longitude\nS2,C1,-33.9,18.4\n")
        load_file(inventory, "site", source)
        source.write_text("site_id,customer_id,latitude,longitude\nS2,C2,-33.9,18.4\n")
        load_file(inventory, "site", source)
        assert trail.changes(inventory, "S2")[["before", "after"]].tail(2).to_numpy().tolist() == [
            ["C2", "C1"],
            ["C1", "C2"],
        ]
    erase(path, "C1", DAY)
    with Inventory.open(path, read_only=True) as inventory:
        left = trail.changes(inventory)
    assert not left[["customer_id", "site_id", "row_key", "before", "after"]].isin(["C1", "S1", "A1"]).any(axis=None)
    assert {"C2", "S2", "T1 2024-01-01"} <= set(left["row_key"])


@pytest.mark.slow
def test_what_runs_said_of_a_former_owner_goes_with_that_owner(path: Path) -> None:
    with Inventory.open(path) as inventory:
        inventory.connection.execute("UPDATE site SET customer_id = 'C2' WHERE site_id = 'S1'")  # the house was sold
    counts = _counts(path, "C1")
    assert counts["ranking"] == counts["call"] == counts["letter"] == 1
    assert "site" not in counts
    erase(path, "C1", DAY)
    with Inventory.open(path, read_only=True) as inventory:
        assert list(read.sites(inventory)["site_id"]) == ["S1", "S2"]


FILES = {
    "customer": "customer_id,name\nC1,Zq7backXk\nC3,Household C\n",
    "site": "site_id,customer_id,latitude,longitude\nS1,C1,40.1234567,1\nS3,C2,40,1\nS4,C1,40,1\n",
    "array": "array_id,site_id,tilt_deg,azimuth_deg,dc_rating_kw\nA1,S1,30,180,4\nA9,S2,30,180,4\n",
}


@pytest.mark.slow
def test_a_later_load_is_refused_and_keeps_nothing(path: Path) -> None:
    erase(path, "C1", DAY)
    with Inventory.open(path) as inventory:
        rejects = len(open_rejects(inventory))
        for table, text in FILES.items():
            source = path.with_name(f"{table}.csv")
            source.write_text(text)
            report = load_file(inventory, table, source)
            assert report.rejected == report.erased > 0
            assert report.rows_read == report.accepted + report.rejected
            assert report.problems[0].endswith("if the customer came back, load with --allow-again.")
            assert "erased on request" in report.problems[0]
            source.unlink()
        shifted = path.with_name("customer.csv")
        shifted.write_text("customer_id,name\nC1,Zq7backXk,1,2\nC8,x,1,2\n")
        report = load_file(inventory, "customer", shifted)
        assert (report.rejected, report.erased) == (2, 1)
        shifted.unlink()
        assert len(open_rejects(inventory)) == rejects + 1
    assert b"Zq7backXk" not in path.read_bytes()
    assert set(_counts(path, "C1")) == set()


@pytest.mark.slow
def test_who_comes_back_is_loaded_when_told_to(path: Path) -> None:
    erase(path, "C1", DAY)
    with Inventory.open(path) as inventory:
        for allow_again, wanted in ((True, 0), (False, 0)):  # once allowed, it is an ordinary customer again
            for table, text in FILES.items():
                source = path.with_name(f"{table}.csv")
                source.write_text(text)
                assert load_file(inventory, table, source, allow_again=allow_again).rejected == wanted


@pytest.mark.slow
def test_what_is_remembered_tells_nobody(path: Path) -> None:
    erase(path, "C1", DAY)
    with Inventory.open(path, read_only=True) as inventory:
        rows = inventory.connection.execute("SELECT kind, hash, erased_on FROM erased ORDER BY kind").fetchall()
        assert [(kind, len(text), on) for kind, text, on in rows] == [("customer", 16, DAY), ("site", 16, DAY)]
        again = erased.marks(inventory.connection, "C1", ["S1", "S2"], DAY)
    assert [kind for kind, *_ in again] == ["site"]  # S2 alone is new


@pytest.mark.slow
def test_retention_names_whom_nothing_was_heard_of(path: Path) -> None:
    with Inventory.open(path, read_only=True) as inventory:
        assert untouched(inventory, 5, date(2026, 3, 3)) == [("C1", date(2021, 3, 3))]
        assert untouched(inventory, 5, date(2026, 3, 2)) == []
        assert untouched(inventory, 1, date(2030, 1, 1)) == [("C1", date(2021, 3, 3)), ("C2", date(2025, 1, 1))]
        with pytest.raises(AftersunError, match="counted from 1"):
            untouched(inventory, 0, DAY)


def test_retention_says_so_where_no_day_is_known(loaded: Inventory) -> None:
    assert untouched(loaded, 3, DAY) == [("C1", None), ("C2", None)]
    assert isinstance(read.customers(loaded), pd.DataFrame)
