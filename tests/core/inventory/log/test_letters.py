"""Issued letters: numbers, the very bytes, the offers that they make, and how these end."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import date

import pytest
from letter_support import DIVERTER, LETTER, MESH, NOTHING, NOTICE, TOLD, written

from aftersun.inventory.log.call_log import offers, record_call
from aftersun.inventory.log.letters import (
    LetterFile,
    files_of,
    keep,
    kept_files,
    listing,
    newest,
    reserve,
    says_the_same,
)
from aftersun.inventory.store.file import Inventory
from aftersun.model.errors import AftersunError

FIRST = replace(LETTER, number="2026-000001", site_id="S1")


@pytest.fixture
def inventory(tmp_path):
    with Inventory.create(tmp_path / "i.duckdb") as opened:
        opened.connection.execute("INSERT INTO customer (customer_id) VALUES ('C1')")
        opened.connection.execute(
            "INSERT INTO site (site_id, customer_id, latitude, longitude) VALUES ('S1', 'C1', 51, 9)"
        )
        yield opened


def put(inventory, letter, data=b"%PDF of a test", output="offer_letter"):
    with inventory.transaction() as connection:
        keep(connection, [LetterFile(output, letter, {"remark": "r"}, "a.pdf", data)], [letter])


def states(inventory):
    table = offers(inventory)
    return list(zip(table["retrofit"], table["price"], table["state"], strict=True))


def test_a_letter_comes_back_as_it_was_issued(inventory):
    put(inventory, FIRST)
    (file,) = files_of(inventory, "2026-000001")
    assert (file.letter, file.data, file.name) == (FIRST, b"%PDF of a test", "a.pdf")
    assert newest(inventory, ["S1", "S2"], notices=False)["S1"].letter == FIRST
    assert newest(inventory, ["S1"], notices=False)["S1"].choices == {"remark": "r"}
    assert newest(inventory, ["S2"], notices=False) == {}
    row = listing(inventory).iloc[0]
    assert (row["number"], row["version"], row["made_on"].date()) == ("2026-000001", 1, FIRST.made_on)
    assert "content" not in listing(inventory)


def in_sentences(content):
    """Return the content of a letter as version 0.1.0 stored it."""
    raw = json.loads(content)
    for option in raw["options"]:
        option |= {"title": "Bird mesh", "told_not_sold": option.pop("safety_remedial")}
        option["survey_first"] = "the ridge" if option["survey_first"] else ""
        option["claims"] = [claim | {"computed": "0.4 % of the yield."} for claim in option["claims"]]
        option["price_lines"] = [{"what": "Mesh, 40 m", "price": line["price"]} for line in option["price_lines"]]
    raw |= {
        "weather": "A typical year.",
        "system": [{"label": "Size", "value": "4.92 kW in 12 modules"}],
        "findings": ["We have no meter readings of your system."],
        "losses": [{"step": "dirt", "kwh": 96.0, "by_chance": False}],
        "questions": [{"question": "Have birds nested?", "changes": "The answer could turn our advice."}],
        "changes": ["Bird mesh: the price changed."],
    }
    return json.dumps(raw)


def test_a_letter_of_the_first_version_is_read_without_its_sentences(inventory):
    put(inventory, replace(FIRST, options=(TOLD, MESH, NOTHING)))
    (content,) = inventory.connection.execute("SELECT content FROM letter").fetchone()
    inventory.connection.execute("UPDATE letter SET content = ?", [in_sentences(content)])
    old = newest(inventory, ["S1"], notices=False)["S1"].letter
    assert [option.safety_remedial for option in old.options] == [True, False, False]
    assert (old.options[1].price, old.options[1].notes, old.made_on) == (MESH.price, MESH.notes, FIRST.made_on)
    (file,) = files_of(inventory, FIRST.number)
    assert (file.letter, file.data) == (old, b"%PDF of a test")
    # it counts as another one, so that the next letter is a new version
    assert not says_the_same(old, replace(FIRST, options=(TOLD, MESH, NOTHING)))


def test_a_notice_of_the_first_version_is_the_same_notice(inventory):
    notice = replace(NOTICE, number="2026-000001", site_id="S1")
    put(inventory, notice)
    inventory.connection.execute('UPDATE letter SET content = replace(content, \'"weather":null\', \'"weather":""\')')
    assert newest(inventory, ["S1"], notices=True)["S1"].letter == notice


def test_numbers_are_counted_by_year(inventory):
    assert reserve(inventory, 2026, 2) == (["2026-000001", "2026-000002"], {})
    put(inventory, replace(FIRST, number="2026-000041"))
    assert reserve(inventory, 2026, 1) == (["2026-000042"], {})
    assert reserve(inventory, 2027, 1) == (["2027-000001"], {})


def test_versions_are_given_once(inventory):
    put(inventory, FIRST)
    assert reserve(inventory, 2026, 0, ["2026-000001"]) == ([], {"2026-000001": 2})  # and then no letter was kept
    assert reserve(inventory, 2026, 1, ["2026-000001"]) == (["2026-000002"], {"2026-000001": 3})


def test_versions_and_outputs_are_kept_side_by_side(inventory):
    put(inventory, FIRST, b"one")
    second = replace(FIRST, version=2, changes=(written("x"),))
    put(inventory, second, b"two")
    with inventory.transaction() as connection:
        keep(connection, [LetterFile("mine", second, {}, "b.txt", b"three")], [])
    assert [file.data for file in files_of(inventory, "2026-000001")] == [b"three", b"two"]
    assert [file.data for file in files_of(inventory, "2026-000001", 1)] == [b"one"]
    assert newest(inventory, ["S1"], notices=False)["S1"].letter == second
    assert set(kept_files(inventory, [FIRST, second], "offer_letter")) == {("2026-000001", 1), ("2026-000001", 2)}
    assert kept_files(inventory, [FIRST], "mine") == {}
    with pytest.raises(AftersunError, match="no letter"):
        files_of(inventory, "2026-000001", 3)


def test_bytes_that_changed_in_the_file_are_not_handed_out(inventory):
    put(inventory, FIRST)
    inventory.connection.execute("UPDATE letter SET file = 'other'::BLOB")
    with pytest.raises(AftersunError, match="damaged"):
        files_of(inventory, "2026-000001")


def test_each_sold_option_is_an_offer_made_and_a_told_danger_is_none(inventory):
    put(inventory, replace(FIRST, options=(TOLD, DIVERTER, MESH, NOTHING)))
    assert states(inventory) == [("hot_water_diverter", 892.5, "open"), ("bird_mesh", 1284.0, "open")]
    row = offers(inventory).iloc[0]
    assert (row["run_id"], row["currency"], row["valid_until"].date()) == (FIRST.run_id, "EUR", FIRST.valid_until)
    linked = inventory.connection.execute(
        "SELECT number, version, offer, entry FROM letter_offer ORDER BY ALL"
    ).fetchall()
    assert linked == [("2026-000001", 1, "bird_mesh", 2), ("2026-000001", 1, "hot_water_diverter", 1)]


def test_a_new_version_withdraws_what_the_one_before_still_offered(inventory):
    put(inventory, FIRST)
    record_call(inventory, {"site_id": "S1", "called_on": "2026-05-05", "outcome": "no", "retrofit": "bird_mesh"})
    put(inventory, replace(FIRST, version=2, options=(replace(DIVERTER, price=800.0), NOTHING)))
    assert states(inventory) == [
        ("hot_water_diverter", 892.5, "withdrawn"),
        ("bird_mesh", 1284.0, "declined"),
        ("hot_water_diverter", 800.0, "open"),
    ]


@pytest.mark.slow
def test_a_letter_is_open_until_all_it_offers_is_settled(inventory):
    put(inventory, FIRST)
    assert newest(inventory, ["S1"], notices=False)["S1"].open
    for retrofit, outcome in (("bird_mesh", "no"), ("hot_water_diverter", "yes")):
        assert newest(inventory, ["S1"], notices=False)["S1"].open
        record_call(inventory, {"site_id": "S1", "called_on": "2026-05-05", "outcome": outcome, "retrofit": retrofit})
    assert not newest(inventory, ["S1"], notices=False)["S1"].open


def test_all_is_stored_or_nothing(inventory):
    broken = replace(FIRST, options=(replace(DIVERTER, price=None), NOTHING))  # a price that the table refuses
    with pytest.raises(Exception, match="NOT NULL"):
        put(inventory, broken)
    assert listing(inventory).empty
    assert offers(inventory).empty


def test_what_tells_letters_apart_is_what_they_say():
    again = replace(FIRST, number="", version=0, made_on=date(2027, 1, 1), valid_until=date(2027, 2, 1), run_id="other")
    assert says_the_same(FIRST, again)
    assert says_the_same(FIRST, replace(again, changes=(written("x"),), program_version="9"))
    assert not says_the_same(FIRST, replace(again, remark="x"))
    assert not says_the_same(FIRST, replace(again, options=LETTER.options[1:]))
