"""Work that was done: stored whole with what it took, it changes the site, and a correction takes all of it back."""

from __future__ import annotations

from datetime import date

import pandas as pd
import pytest

from aftersun.inventory.log.call_log import record_call
from aftersun.inventory.log.call_table import read_calls, store_table
from aftersun.inventory.log.corrections import correct_call
from aftersun.inventory.log.jobs import jobs
from aftersun.inventory.runs import stored_runs
from aftersun.inventory.store import read
from aftersun.inventory.store.file import Inventory
from aftersun.model import tables
from aftersun.model.errors import AftersunError

TODAY = date(2026, 6, 15)
ALL = "renew all plugs"


def done(inventory: Inventory, retrofit: str = "bird_mesh", on: str = "2026-06-01", facts=None, **more: str):
    entry = {"site_id": "S1", "called_on": on, "outcome": "done", "retrofit": retrofit}
    return record_call(inventory, {**entry, **more}, facts, TODAY)


def site(inventory: Inventory) -> pd.Series:
    return read.sites(inventory).set_index("site_id").loc["S1"]


def test_a_job_keeps_what_it_took_and_stands_on_the_site(loaded: Inventory) -> None:
    done(loaded, hours="11.5", price="980", currency="NOK", crew="A and B", photos="a.jpg;b.jpg", promised_kwh="120")
    (job,) = jobs(loaded, personal=True).to_dict("records")
    kept = [job[name] for name in ("entry", "site_id", "retrofit", "hours", "price", "currency", "crew", "photos")]
    assert kept == [1, "S1", "bird_mesh", 11.5, 980.0, "NOK", "A and B", "a.jpg;b.jpg"]
    assert (job["done_on"], job["promised_kwh"], job["meter"]) == (pd.Timestamp("2026-06-01"), 120.0, "production")
    assert read.fitted(loaded)["retrofit"].tolist() == ["bird_mesh"]
    assert not {"crew", "parts", "photos"} & set(jobs(loaded))


def test_of_several_done_in_one_visit_the_hours_count_once(loaded: Inventory) -> None:
    done(loaded, "bird_mesh+tilt_mount", hours="20")
    assert jobs(loaded)["hours"].fillna(-1).tolist() == [20.0, -1.0]


def test_what_a_run_promised_before_the_work_is_kept_with_it(loaded: Inventory) -> None:
    for run_id, day, kwh in (("r1", 1, 100.0), ("r2", 20, 150.0), ("r3", 40, 900.0)):
        at = pd.Timestamp("2026-04-01", tz="UTC") + pd.Timedelta(days=day)
        run = stored_runs.RunRecord(run_id, at, at, "0", at.date(), 1, 0)
        row = {"site_id": "S1", "retrofit": "hot_water_diverter", "status": "worth_it", "energy_gain_kwh": -5.0}
        hours = [
            {"site_id": "S1", "offer": "hot_water_diverter", "skill": s, "hours": 1.5} for s in ("roofer", "plumber")
        ]
        stored_runs.write_run(
            loaded, run, {"ranking": pd.DataFrame([{**row, "to_water_kwh": kwh}]), "offer_hours": pd.DataFrame(hours)}
        )
    loaded.connection.execute(
        "INSERT INTO run_retrofit (run_id, retrofit, title) VALUES ('r1', 'hot_water_diverter', '')"
    )
    done(loaded, "hot_water_diverter", on="2026-05-01")
    (job,) = jobs(loaded).to_dict("records")
    assert [job[name] for name in ("run_id", "promised_kwh", "meter", "promised_hours")] == ["r2", 150.0, "export", 3.0]


def test_renewing_all_plugs_ends_their_dangers_and_a_correction_brings_them_back(loaded: Inventory) -> None:
    loaded.connection.execute("UPDATE site SET hot_connector = true WHERE site_id = 'S1'")
    ends = done(loaded, "connector_replacement", on="2026-05-30", variant="renew the plugs at the ends of the strings")
    assert ends.facts == 0
    assert site(loaded)["hot_connector"]
    recorded = done(loaded, "connector_replacement", variant=ALL)
    assert recorded.facts == 4
    after = site(loaded)
    assert after["connectors_renewed_on"] == pd.Timestamp("2026-06-01")
    assert (after["hot_connector"], after["mixed_connectors"]) == (False, False)
    correct_call(loaded, recorded.entries[0], "another day", {"called_on": "2026-05-20"}, {}, today=TODAY)
    assert site(loaded)["connectors_renewed_on"] == pd.Timestamp("2026-05-20")
    assert [str(day)[:10] for day in jobs(loaded)["done_on"]] == ["2026-05-20", "2026-05-30"]
    correct_call(loaded, 3, "was not done", {}, {}, withdraw=True, today=TODAY)
    assert site(loaded)["hot_connector"]
    assert pd.isna(site(loaded)["connectors_renewed_on"])
    assert len(jobs(loaded)) == 1


@pytest.mark.parametrize(
    ("entry", "said"),
    [
        ({"outcome": "no", "hours": "3"}, "belong to work done alone"),
        ({"price": "980"}, "a price has a currency"),
        ({"called_on": "2019-05-31"}, "lies before the day the system went into operation"),
        ({"promised_p90_kwh": "9", "promised_p10_kwh": "3"}, "below promised_p90_kwh"),
        ({"called_on": "2026-06-16"}, "lies in the future"),
    ],
)
def test_work_that_cannot_be_is_refused_by_rule_and_nothing_changes(loaded, contents, entry, said) -> None:
    loaded.connection.execute("UPDATE site SET commissioned_on = DATE '2019-06-01'")
    before = contents(loaded)
    base = {"site_id": "S1", "called_on": "2026-06-01", "outcome": "done", "retrofit": "bird_mesh"}
    with pytest.raises(AftersunError, match=said):
        record_call(loaded, {**base, **entry}, {}, TODAY)
    assert contents(loaded) == before


def test_a_table_of_work_is_loaded_and_its_bad_rows_are_kept(loaded: Inventory, write) -> None:
    rows = [f"{where},bird_mesh,9\n" for where in ("S1,2026-05-01", "S1,2099-05-01", "S9,2026-05-01")]
    text = "site_id,done_on,retrofit,hours\n" + "".join(rows)
    path = write("jobs.csv", text)
    report = store_table(loaded, read_calls(path, of_work=True), today=TODAY)
    assert (report.rows_read, report.recorded, report.rejected) == (3, 1, 2)
    assert any("done_on" in line for line in report.problems)
    assert jobs(loaded)["hours"].tolist() == [9.0]
    report.rejects.unlink()
    again = store_table(loaded, read_calls(path, of_work=True), today=TODAY)
    assert (again.recorded, again.known) == (0, 1)


def test_what_work_makes_true_is_a_fact_of_a_site() -> None:
    from aftersun.inventory.log.learnt_facts import fact_columns

    assert {fact.column for fact in tables.work_facts()} <= set(fact_columns())


def test_work_of_one_day_is_recorded_once(loaded: Inventory) -> None:
    (entry,) = done(loaded).entries
    with pytest.raises(AftersunError, match=f"on record already, as entry {entry}") as raised:
        done(loaded, "anti_soiling_coating+bird_mesh")
    assert "'aftersun log correct' changes it" in str(raised.value.hint)
    done(loaded, on="2026-06-02")  # a second visit
    assert jobs(loaded)["retrofit"].tolist() == ["bird_mesh", "bird_mesh"]
