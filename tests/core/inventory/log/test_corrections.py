"""An entry of the call log that was wrong stays on record, counts for nothing, and what it alone did is taken back."""

from __future__ import annotations

from datetime import date, timedelta

import pandas as pd
import pytest

from aftersun.inventory.loading.load import load_file
from aftersun.inventory.log import learnt_facts
from aftersun.inventory.log.call_log import customers, entries, learn, make_offer, offers, record_call
from aftersun.inventory.log.call_table import load_calls
from aftersun.inventory.log.corrections import Corrected, correct_call, take_fact_back
from aftersun.inventory.privacy.customer_rows import erase
from aftersun.inventory.privacy.retention import untouched
from aftersun.inventory.store import read, trail
from aftersun.inventory.store.file import Inventory
from aftersun.model.codes import ContactRule
from aftersun.model.errors import AftersunError
from aftersun.scoring.calls.acceptance import chance_of_yes
from aftersun.scoring.calls.contact_rules import contact_rule

TODAY = date(2026, 6, 15)
WHY = "typed into the wrong house"
SECRET = "Zzyzx"


def call(inventory: Inventory, outcome: str, facts: dict[str, str] | None = None, **more: str) -> int:
    entry = {"site_id": "S1", "called_on": "2026-06-01", "outcome": outcome, **more}
    return record_call(inventory, entry, facts, TODAY).entries[0]


def correct(inventory: Inventory, entry: int, facts: dict[str, str] | None = None, **more: object) -> Corrected:
    options = {name: more.pop(name) for name in ("withdraw", "although_objection", "although_danger") if name in more}
    return correct_call(inventory, entry, WHY, more, facts or {}, today=TODAY, **options)  # type: ignore[arg-type]


def site(inventory: Inventory, name: str, site_id: str = "S1") -> object:
    return read.sites(inventory).set_index("site_id").loc[site_id, name]


def permission(inventory: Inventory, customer: str = "C1") -> tuple[object, object]:
    rows = read.customers(inventory).set_index("customer_id")
    return rows.loc[customer, "contact_allowed"], read.contacts(inventory, [customer])["contact_basis"].iloc[0]


def rule(inventory: Inventory, customer: str = "C1") -> str:
    return contact_rule(customers(inventory), entries(inventory), TODAY, 90)[customer]


@pytest.mark.slow
def test_the_old_entry_stays_on_record_as_corrected_and_only_the_new_one_counts(loaded: Inventory) -> None:
    call(loaded, "yes", retrofit="bird_mesh", remark=SECRET)
    done = correct(loaded, 1, outcome="no", called_on="2026-06-02")
    assert done.entries == (2,)
    assert entries(loaded)[["entry", "outcome", "retrofit"]].to_numpy().tolist() == [[2, "no", "bird_mesh"]]
    assert "corrected_at" not in entries(loaded)
    kept = entries(loaded, with_remark=True, with_corrected=True).set_index("entry")
    assert kept.loc[1, ["outcome", "corrected_why", "corrected_into", "remark"]].tolist() == ["yes", WHY, 2, SECRET]
    assert kept.loc[1, "corrected_by"] == trail.user()
    assert pd.notna(kept.loc[1, "corrected_at"])
    assert kept.loc[2, ["called_on", "remark"]].tolist() == [pd.Timestamp("2026-06-02"), SECRET]
    assert chance_of_yes(entries(loaded)).loc["bird_mesh", "yes"] == 0
    with pytest.raises(AftersunError, match="no such entry in force"):
        correct(loaded, 1, outcome="later")


@pytest.mark.parametrize(
    ("more", "said"),
    [
        ({}, "says what is otherwise"),
        ({"withdraw": True, "outcome": "no"}, "says what is otherwise"),
        ({"site_id": "S9"}, "no site"),
        ({"outcome": "later"}, "leave_until"),
        ({"facts": {"storeys": ""}}, "said nothing of storeys"),
        ({"facts": {"storeys": "99"}}, "storeys: above"),
    ],
)
@pytest.mark.slow
def test_what_cannot_be_right_changes_nothing(loaded: Inventory, contents, more, said) -> None:
    call(loaded, "no", {"birds_seen": "no"})
    before = contents(loaded)
    with pytest.raises(AftersunError, match=said):
        correct(loaded, 1, **more)
    with pytest.raises(AftersunError, match="says why"):
        correct_call(loaded, 1, " ", {"outcome": "unreached"}, {}, today=TODAY)
    assert contents(loaded) == before


@pytest.mark.slow
def test_a_fact_of_the_wrong_site_goes_back_there_and_counts_where_it_belongs(loaded: Inventory) -> None:
    call(loaded, "no", {"birds_seen": "no", "storeys": "2"}, remark=SECRET)
    done = correct(loaded, 1, site_id="S2")
    assert set(done.taken_back) == {"birds_seen of S1", "storeys of S1"}
    assert (site(loaded, "birds_seen"), site(loaded, "birds_seen", "S2")) == (True, False)  # as the table said
    assert pd.isna(site(loaded, "storeys"))
    assert site(loaded, "storeys", "S2") == 2
    last = trail.changes(loaded, "S1").query("column_name == 'storeys'").iloc[-1]
    assert last[["command", "source", "before", "after"]].fillna("").tolist() == ["log correct", WHY, "2", ""]
    assert learnt_facts.facts(loaded)["corrected"].tolist() == [True, True, False, False]
    kept = entries(loaded, with_remark=True, with_corrected=True).set_index("entry")
    assert kept["customer_id"].to_dict() == {1: "C1", 2: "C2"}
    assert pd.isna(kept.loc[1, "remark"])  # it is about the other customer, and is erased with that one
    assert kept.loc[2, "remark"] == SECRET


@pytest.mark.slow
def test_a_wrong_fact_is_replaced_and_one_not_learnt_at_all_is_as_before(loaded: Inventory) -> None:
    call(loaded, "no", {"birds_seen": "no", "storeys": "22", "tilt_deg": "35"})
    done = correct(loaded, 1, {"storeys": "2", "birds_seen": ""})
    assert (site(loaded, "birds_seen"), site(loaded, "storeys")) == (True, 2)
    assert read.arrays(loaded)["tilt_deg"].tolist() == [35.0]
    assert done.facts == 2
    assert set(done.taken_back) == {"birds_seen of S1", "storeys of S1"}


@pytest.mark.slow
def test_a_fact_of_a_later_day_no_longer_hides_an_earlier_one(loaded: Inventory) -> None:
    call(loaded, "no", {"storeys": "9"}, called_on="2026-06-10")
    call(loaded, "no", {"storeys": "2"}, called_on="2026-06-05")  # gave way
    assert site(loaded, "storeys") == 9
    correct(loaded, 1, withdraw=True)
    assert site(loaded, "storeys") == 2


@pytest.mark.slow
def test_a_newer_statement_stands_and_what_was_before_it_is_not_brought_back_later(loaded: Inventory) -> None:
    call(loaded, "unreached", {"storeys": "9"})
    call(loaded, "unreached", {"storeys": "3"}, called_on="2026-06-02")
    correct(loaded, 1, withdraw=True)
    assert site(loaded, "storeys") == 3
    correct(loaded, 2, withdraw=True)
    assert pd.isna(site(loaded, "storeys"))


def test_what_else_says_the_same_is_not_taken_back(loaded: Inventory) -> None:
    call(loaded, "unreached", {"storeys": "2", "birds_seen": "yes"})  # birds were known of before
    learn(loaded, "S1", {"storeys": "2"}, "visit", "2026-06-01", today=TODAY)
    done = correct(loaded, 1, withdraw=True)
    assert (site(loaded, "storeys"), site(loaded, "birds_seen")) == (2, True)
    assert set(done.left) == {"storeys of S1", "birds_seen of S1"}


@pytest.mark.slow
def test_a_table_that_gave_way_to_the_wrong_fact_is_right_after_all(loaded: Inventory, write) -> None:
    call(loaded, "unreached", {"storeys": "9"})
    table = write("site.csv", "site_id,customer_id,latitude,longitude,storeys\nS1,C1,40.0,-3.5,3\n")
    assert load_file(loaded, "site", table).conflicts
    correct(loaded, 1, withdraw=True)
    assert site(loaded, "storeys") == 3


@pytest.mark.slow
def test_a_later_load_is_not_held_against_a_corrected_fact(loaded: Inventory, write) -> None:
    call(loaded, "unreached", {"birds_seen": "no"})
    correct(loaded, 1, {"birds_seen": ""})
    table = write("site.csv", "site_id,customer_id,latitude,longitude,birds_seen\nS1,C1,40.0,-3.5,no\n")
    assert not load_file(loaded, "site", table).conflicts
    assert not site(loaded, "birds_seen")


@pytest.mark.slow
def test_a_danger_goes_only_when_it_is_said_so_unless_it_is_known_otherwise_too(loaded: Inventory) -> None:
    call(loaded, "unreached", {"hot_connector": "yes"})
    for more in ({"withdraw": True}, {"site_id": "S2"}, {"facts": {"hot_connector": "no"}}):
        with pytest.raises(AftersunError, match="hot_connector of S1"):
            correct(loaded, 1, **more)
    assert site(loaded, "hot_connector")
    correct(loaded, 1, called_on="2026-06-02")  # the danger stands as it did
    assert site(loaded, "hot_connector")
    learn(loaded, "S1", {"hot_connector": "yes"}, "visit", "2026-06-01", today=TODAY)
    correct(loaded, 2, withdraw=True)
    assert site(loaded, "hot_connector")


@pytest.mark.slow
def test_a_danger_of_the_wrong_house_moves_to_the_right_one(loaded: Inventory) -> None:
    call(loaded, "unreached", {"hot_connector": "yes"})
    correct(loaded, 1, site_id="S2", although_danger=True)
    assert pd.isna(site(loaded, "hot_connector"))
    assert site(loaded, "hot_connector", "S2")


@pytest.mark.slow
def test_a_learnt_price_of_the_wrong_house_goes_with_the_tariff_made_for_it(loaded: Inventory, write) -> None:
    load_file(loaded, "site", write("s.csv", "site_id,customer_id,latitude,longitude,tariff_id\nS2,C2,-33.9,18.4,T1\n"))
    call(loaded, "unreached", {"import_price": "0.5"})
    assert site(loaded, "tariff_id") == "S1 own"
    correct(loaded, 1, site_id="S2")
    assert (site(loaded, "tariff_id"), site(loaded, "tariff_id", "S2")) == ("T1", "S2 own")
    prices = read.tariffs_in_force(loaded, TODAY).set_index("tariff_id")["import_price"]
    assert prices[["T1", "S2 own"]].tolist() == [0.34, 0.5]
    assert prices.get("S1 own", 0.34) == 0.34  # a copy nobody uses


@pytest.mark.slow
def test_a_wrong_price_is_corrected_and_one_not_learnt_goes(loaded: Inventory) -> None:
    call(loaded, "unreached", {"import_price": "5.0"})
    correct(loaded, 1, {"import_price": "0.5"})
    assert read.tariffs_in_force(loaded, TODAY)["import_price"].tolist() == [0.5]
    correct(loaded, 2, {"import_price": "", "export_price": "0.02"})
    prices = read.tariffs_in_force(loaded, TODAY)
    assert prices[["import_price", "export_price"]].to_numpy().tolist() == [[0.34, 0.02]]
    correct(loaded, 3, withdraw=True)
    assert read.tariffs_in_force(loaded, TODAY)["import_price"].tolist() == [0.34]
    assert len(read.tariffs_in_force(loaded, TODAY)) == 1


@pytest.mark.slow
def test_an_objection_is_taken_back_only_when_it_is_said_so(loaded: Inventory, write) -> None:
    load_file(loaded, "customer", write("c.csv", "customer_id,contact_basis\nC1,agreement of 2024\n"))
    call(loaded, "objection")
    for more in ({"withdraw": True}, {"outcome": "no"}, {"site_id": "S2"}):
        with pytest.raises(AftersunError, match="is an objection"):
            correct(loaded, 1, **more)
    assert rule(loaded) == ContactRule.OBJECTED
    done = correct(loaded, 1, called_on="2026-06-03")  # it is still one
    assert done.reopened == ()
    assert permission(loaded)[1] == "objection on 2026-06-03; before that: agreement of 2024"
    done = correct(loaded, 2, site_id="S2", although_objection=True)
    assert done.reopened == ("C1",)
    assert permission(loaded) == (True, "agreement of 2024")
    assert (rule(loaded), rule(loaded, "C2")) == ("", ContactRule.OBJECTED)


@pytest.mark.slow
def test_a_permission_stays_withdrawn_where_something_else_says_so(loaded: Inventory, write) -> None:
    call(loaded, "objection")
    call(loaded, "no", called_on="2026-06-02")
    call(loaded, "no", called_on="2026-06-03")
    done = correct(loaded, 1, withdraw=True, although_objection=True)
    assert done.reopened == ()
    assert permission(loaded) == (False, "said no on 2 days, last on 2026-06-03")
    load_file(loaded, "customer", write("c.csv", "customer_id,contact_allowed,town\nC1,no,Sampletown\n"))
    done = correct(loaded, 3, called_on="2026-06-02")  # two words on one day
    assert done.still_closed == ("C1",)
    assert not permission(loaded)[0]


@pytest.mark.slow
def test_the_house_may_have_been_sold_since(loaded: Inventory, write) -> None:
    call(loaded, "objection")
    table = "site_id,customer_id,latitude,longitude\nS1,C2,40.0,-3.5\n"
    load_file(loaded, "site", write("s.csv", table))
    correct(loaded, 1, called_on="2026-06-02")
    assert entries(loaded)["customer_id"].tolist() == ["C1"]
    assert rule(loaded) == ContactRule.OBJECTED


@pytest.mark.slow
def test_what_counted_as_fitted_and_offers_are_as_the_other_entries_make_them(loaded: Inventory) -> None:
    for retrofit in ("bird_mesh", "tilt_mount"):
        make_offer(loaded, "S1", retrofit, 690.0, "EUR", date(2026, 5, 1))
    call(loaded, "yes", retrofit="bird_mesh")
    call(loaded, "done", retrofit="bird_mesh", called_on="2026-06-05")
    done = correct(loaded, 2, called_on="2026-06-06")
    assert done.taken_back == ("fitted_on of S1 bird_mesh 2026-06-05",)
    assert read.fitted(loaded)["fitted_on"].tolist() == [pd.Timestamp("2026-06-06")]
    correct(loaded, 3, retrofit="tilt_mount")
    assert read.fitted(loaded)["retrofit"].tolist() == ["tilt_mount"]
    assert offers(loaded)["state"].tolist() == ["taken", "carried out"]
    correct(loaded, 4, withdraw=True)
    correct(loaded, 1, withdraw=True)
    assert read.fitted(loaded).empty
    assert offers(loaded)["state"].tolist() == ["open", "open"]


def test_what_a_table_said_was_fitted_stays_so(loaded: Inventory, write) -> None:
    load_file(loaded, "fitted", write("fitted.csv", "site_id,retrofit,fitted_on\nS1,bird_mesh,2026-06-01\n"))
    call(loaded, "done", retrofit="bird_mesh")
    assert correct(loaded, 1, withdraw=True).left == ("fitted_on of S1 bird_mesh 2026-06-01",)
    assert len(read.fitted(loaded)) == 1


@pytest.mark.slow
def test_a_corrected_row_of_a_table_does_not_come_back_with_the_table(loaded: Inventory, write) -> None:
    table = write("calls.csv", "site_id,called_on,outcome\nS1,2026-06-01,objection\n")
    load_calls(loaded, table, today=TODAY)
    correct(loaded, 1, withdraw=True, although_objection=True)
    assert load_calls(loaded, table, today=TODAY).known == 1
    assert rule(loaded) != ContactRule.OBJECTED


def test_retention_does_not_count_a_corrected_call(loaded: Inventory) -> None:
    call(loaded, "no")
    later = TODAY + timedelta(days=400)
    correct(loaded, 1, site_id="S2")
    assert ("C1", None) in untouched(loaded, 1, later)


@pytest.mark.slow
def test_erasing_either_customer_leaves_nothing_of_that_one(loaded: Inventory) -> None:
    call(loaded, "no", {"storeys": "2"}, remark=SECRET)
    correct(loaded, 1, site_id="S2")
    loaded.close()
    erase(loaded.path, "C2")
    assert SECRET.encode() not in loaded.path.read_bytes()
    with Inventory.open(loaded.path) as inventory:
        assert entries(inventory, with_corrected=True)["customer_id"].tolist() == ["C1"]


def fact_learnt(inventory: Inventory, facts: dict[str, str], on: str = "2026-06-01") -> int:
    learn(inventory, "S1", facts, "visit", on)
    return int(learnt_facts.facts(inventory, "S1")["fact"].max())


def test_a_fact_put_in_by_mistake_is_taken_back_and_stays_on_record(loaded: Inventory) -> None:
    before = site(loaded, "storeys")
    assert before is pd.NA
    number = fact_learnt(loaded, {"storeys": "7"})
    assert site(loaded, "storeys") == 7
    assert take_fact_back(loaded, number, WHY) == (("storeys of S1",), ())
    assert site(loaded, "storeys") is before
    kept = learnt_facts.facts(loaded, "S1").set_index("fact").loc[number]
    assert kept[["value", "corrected", "taken_back_why", "taken_back_by"]].tolist() == ["7", True, WHY, trail.user()]
    with pytest.raises(AftersunError, match="no such fact in force"):
        take_fact_back(loaded, number, WHY)


def test_a_fact_of_a_later_day_that_is_taken_back_lets_the_earlier_one_count(loaded: Inventory) -> None:
    fact_learnt(loaded, {"storeys": "2"}, "2026-05-01")
    number = fact_learnt(loaded, {"storeys": "7"})
    fact_learnt(loaded, {"storeys": "3"}, "2026-05-15")
    take_fact_back(loaded, number, WHY)
    assert site(loaded, "storeys") == 3


@pytest.mark.slow
def test_what_is_not_taken_back_changes_nothing(loaded: Inventory, contents) -> None:
    """A danger goes only when that is said; a reason is given; a fact of a call is corrected with its entry."""
    number = fact_learnt(loaded, {"hot_connector": "yes"})
    entry = call(loaded, "yes", {"storeys": "2"}, retrofit="bird_mesh")
    of_a_call = int(learnt_facts.facts(loaded, "S1")["fact"].max())
    before = contents(loaded)
    for fact, why, said in (
        (number, WHY, "hazard would be no longer on record"),
        (number, " ", "says why"),
        (of_a_call, WHY, f"learnt in entry {entry}"),
        (99, WHY, "no such fact"),
    ):
        with pytest.raises(AftersunError, match=said):
            take_fact_back(loaded, fact, why)
    assert contents(loaded) == before
    assert take_fact_back(loaded, number, WHY, although_danger=True)[0] == ("hot_connector of S1",)
    assert site(loaded, "hot_connector") is not True
