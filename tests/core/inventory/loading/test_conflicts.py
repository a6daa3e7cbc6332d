"""The newest knowledge wins: an empty cell takes nothing away, nor does a table what was learnt since, or a danger."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from pathlib import Path

import pandas as pd
import pytest

from aftersun.inventory.loading.load import load_file
from aftersun.inventory.log.call_log import learn, record_call
from aftersun.inventory.store import read
from aftersun.inventory.store.file import Inventory
from aftersun.inventory.store.trail import Source, changes, dangers_ended
from aftersun.inventory.store.upsert import clear
from aftersun.model.errors import AftersunError

Write = Callable[[str, str], Path]
TODAY = date(2026, 6, 15)
HEAD = "site_id,customer_id,latitude,longitude,"


def site(inventory: Inventory, name: str) -> object:
    return read.sites(inventory).set_index("site_id").loc["S1", name]


@pytest.mark.slow
def test_an_empty_cell_and_the_word_unknown_take_nothing_away(loaded: Inventory, write: Write) -> None:
    load_file(loaded, "customer", write("c.csv", "customer_id,contact_basis\nC1,agreement of 2024\n"))
    for cell in ("", "unknown"):
        report = load_file(loaded, "site", write("s.csv", f"{HEAD}birds_seen\nS1,C1,40,-3.5,{cell}\n"))
        assert (report.unchanged, report.conflicts) == (1, ())
        assert site(loaded, "birds_seen")
    load_file(loaded, "customer", write("c.csv", "customer_id,name,contact_allowed,contact_basis\nC1,,,\n"))
    assert read.customers(loaded).set_index("customer_id").loc["C1", "contact_allowed"]
    assert read.contacts(loaded, ["C1"]).loc[0, ["name", "contact_basis"]].tolist() == [
        "Household A",
        "agreement of 2024",
    ]


@pytest.mark.slow
def test_a_reading_is_replaced_as_a_whole(loaded: Inventory, write: Write) -> None:
    """The energy of an interval that turns out to be a counter keeps no energy and no end."""
    head = "site_id,meter,starts_at,ends_at,kwh,register_kwh\n"
    load_file(loaded, "reading", write("r.csv", head + "S1,import,2024-01-01,2024-02-01,100,\n"))
    load_file(loaded, "reading", write("r.csv", head + "S1,import,2024-01-01,,,5000\n"))
    (row,) = loaded.connection.execute("SELECT ends_at, kwh, register_kwh FROM reading").fetchall()
    assert row == (None, None, 5000.0)


@pytest.mark.slow
def test_what_was_learnt_stays_and_the_cell_is_a_conflict(loaded: Inventory, write: Write) -> None:
    learn(loaded, "S1", {"storeys": "3"}, "visit", "2026-06-10", today=TODAY)
    path = write("s.csv", f"{HEAD}storeys\nS1,C1,41,-3.5,2\n")
    report = load_file(loaded, "site", path)
    assert (site(loaded, "storeys"), site(loaded, "latitude")) == (3, 41.0)  # the row's other cells are taken over
    assert report.changed == 1
    assert [text[:71] for text in report.conflicts] == [
        "line 2, storeys: something else was learnt on 2026-06-10, and that stay"
    ]
    kept = changes(loaded, "S1", conflicts=True)
    assert kept[["source", "column_name", "before", "after"]].to_numpy().tolist() == [["s.csv", "storeys", "3", "2"]]
    again = load_file(loaded, "site", path)
    assert (again.load_id, again.conflicts) == (None, report.conflicts)  # told again, kept once
    assert len(changes(loaded, conflicts=True)) == 1


@pytest.mark.parametrize(("stated_on", "storeys"), [("2026-06-09", 3), ("2026-06-10", 2), ("2026-06-11", 2)])
@pytest.mark.slow
def test_a_table_of_a_later_day_replaces_what_was_learnt(
    loaded: Inventory, write: Write, stated_on: str, storeys: int
) -> None:
    learn(loaded, "S1", {"storeys": "3"}, "visit", "2026-06-10", today=TODAY)
    path = write("s.csv", f"{HEAD}storeys\nS1,C1,40,-3.5,2\n")
    load_file(loaded, "site", path, stated_on=date.fromisoformat(stated_on))
    assert site(loaded, "storeys") == storeys


@pytest.mark.slow
def test_a_price_that_was_learnt_and_its_tariff_stay(loaded: Inventory, write: Write) -> None:
    learn(loaded, "S1", {"import_price": "0.42"}, "bill", "2026-06-10", today=TODAY)
    learn(loaded, "S2", {"import_price": "0.5"}, "bill", "2026-06-10", today=TODAY)
    report = load_file(loaded, "site", write("s.csv", f"{HEAD}tariff_id\nS2,C2,-33.9,18.4,T1\n"))
    assert len(report.conflicts) == 1
    text = "tariff_id,valid_from,import_price\nT1,2025-01-01,0.35\nT1,2026-06-10,0.36\n"
    assert len(load_file(loaded, "tariff", write("t.csv", text)).conflicts) == 1
    prices = loaded.connection.execute("SELECT import_price FROM tariff ORDER BY tariff_id, valid_from").fetchall()
    assert prices == [(0.5,), (0.3,), (0.35,), (0.42,)]
    assert read.sites(loaded)["tariff_id"].tolist() == ["T1", "S2 own"]


@pytest.mark.parametrize(
    ("column", "danger", "said"),
    [
        ("hot_connector", "yes", "no"),
        ("open_string", "yes", "no"),
        ("mixed_connectors", "yes", "no"),
        ("roof_kind", "fragile sheet", "ground"),
        ("element_cut_out", "no", "yes"),
    ],
)
@pytest.mark.slow
def test_no_table_takes_a_danger_away(loaded: Inventory, write: Write, column: str, danger: str, said: str) -> None:
    load_file(loaded, "site", write("s.csv", f"{HEAD}{column}\nS1,C1,40,-3.5,{danger}\n"))
    before = site(loaded, column)
    for cell in (said, "", "unknown" if column != "roof_kind" else ""):
        path = write("s.csv", f"{HEAD}{column}\nS1,C1,40,-3.5,{cell}\n")
        report = load_file(loaded, "site", path, stated_on=date(2030, 1, 1))
        assert site(loaded, column) == before
        assert len(report.conflicts) == (cell == said)
    learn(loaded, "S1", {column: said}, "visit", today=TODAY)
    assert site(loaded, column) != before
    assert dangers_ended(loaded, 0) == [("S1", column)]


def test_clearing_is_explicit_and_may_be_followed_by_a_table(loaded: Inventory, write: Write) -> None:
    learn(loaded, "S1", {"storeys": "3"}, "visit", "2026-06-10", today=TODAY)
    with loaded.transaction() as connection:
        clear(connection, "site", ("S1",), "storeys", Source("inventory clear", "wrong house"))
        clear(connection, "tariff", ("T1", "2024-01-01"), "export_price", Source("inventory clear", "wrong bill"))
        clear(connection, "customer", ("C1",), "phone", Source("inventory clear", "left"))
    assert pd.isna(site(loaded, "storeys"))
    cleared = changes(loaded).tail(3)[["row_key", "column_name", "before", "after"]]
    assert cleared.to_numpy().tolist() == [
        ["S1", "storeys", "3", pd.NA],
        ["T1 2024-01-01", "export_price", "0.08", pd.NA],
        ["C1", "phone", "555-0101", pd.NA],
    ]
    assert load_file(loaded, "site", write("s.csv", f"{HEAD}storeys\nS1,C1,40,-3.5,2\n")).conflicts == ()
    assert site(loaded, "storeys") == 2


@pytest.mark.parametrize(
    ("table", "key", "column"),
    [
        ("site", ("S1",), "customer_id"),
        ("site", ("S1",), "roofs"),
        ("site", ("S9",), "storeys"),
        ("site", (), "storeys"),
    ],
)
@pytest.mark.slow
def test_what_cannot_be_cleared(loaded: Inventory, contents, table: str, key: tuple[str, ...], column: str) -> None:
    before = contents(loaded)
    with pytest.raises(AftersunError, match="no such"), loaded.transaction() as connection:
        clear(connection, table, key, column, Source("inventory clear", "try"))
    assert contents(loaded) == before


def test_the_trail_says_who_changed_what_from_what_to_what_and_only_grows(loaded: Inventory, write: Write) -> None:
    before = changes(loaded)
    assert before[["command", "source", "table_name", "row_key"]].to_numpy().tolist()[:3] == [
        ["inventory load", "customer.csv", "customer", "C1"],
        ["inventory load", "customer.csv", "customer", "C2"],
        ["inventory load", "tariff.csv", "tariff", "T1 2024-01-01"],
    ]
    load_file(loaded, "tariff", write("t.csv", "tariff_id,valid_from,import_price\nT1,2025-01-01,0.4\n"))
    load_file(loaded, "customer", write("c.csv", "customer_id,contact_allowed,phone\nC1,no,555-0199\n"))
    record_call(
        loaded, {"site_id": "S2", "outcome": "no", "called_on": "2026-06-01"}, {"birds_seen": "yes"}, today=TODAY
    )
    after = changes(loaded)
    pd.testing.assert_frame_equal(after.head(len(before)), before)
    assert after["changed_by"].notna().all()
    new = after.iloc[len(before) :]
    assert new[["command", "source", "row_key", "column_name", "before", "after"]].to_numpy().tolist() == [
        ["inventory load", "t.csv", "T1 2025-01-01", "import_price", "0.34", "0.4"],
        ["inventory load", "c.csv", "C1", "contact_allowed", "yes", "no"],
        ["inventory load", "c.csv", "C1", "phone", "555-0101", "555-0199"],
        ["log", "what came of calls", "1", pd.NA, pd.NA, pd.NA],  # the call itself
        ["log", "phone call, entry 1", "S2", "birds_seen", pd.NA, "yes"],
    ]
    assert new["change"].is_monotonic_increasing
    assert set(changes(loaded, "S2")["row_key"]) == {"S2", "1"}  # the call too
