"""The call log from the shell: exit codes, no personal data unasked, and the next run knows what was learnt."""

from __future__ import annotations

import json
from pathlib import Path

import duckdb
import pytest
from run_support import Small, copied, small

from aftersun.inventory.store.file import Inventory
from aftersun.scoring.run.demo import AS_OF

SECRET = "Zzyzx"
COMMANDS = ("call", "correct", "fact", "offer", "load", "show", "chances")


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Small:
    """Four sites of the demo, not ranked yet, without birds, with nothing fitted, and free to be called."""
    made = small(tmp_path_factory.mktemp("log") / "made", 4)
    with Inventory.open(made.inventory) as inventory:
        inventory.connection.execute("UPDATE site SET birds_seen = false")
        inventory.connection.execute("DELETE FROM fitted")
        inventory.connection.execute("UPDATE customer SET contact_allowed = true, last_contact_on = NULL")
    return made


@pytest.fixture
def company(made: Small, tmp_path: Path) -> Path:
    """The inventory of a copy, beside its company file."""
    return copied(made, tmp_path).inventory


def first(path: Path) -> str:
    with duckdb.connect(str(path), read_only=True) as connection:
        return connection.execute("SELECT min(site_id) FROM site").fetchall()[0][0]


def mesh(path: Path) -> dict[str, tuple[object, object]]:
    with duckdb.connect(str(path), read_only=True) as connection:
        query = "SELECT site_id, npv, status FROM latest_ranking WHERE retrofit = 'bird_mesh'"
        return {site: (npv, status) for site, npv, status in connection.execute(query).fetchall()}


@pytest.mark.parametrize("name", COMMANDS)
def test_help_shows_an_example(aftersun, name):
    ran = aftersun("log", name, "--help")
    assert ran.code == 0
    assert f"Example: aftersun log {name}" in ran.out


@pytest.mark.slow
def test_the_next_run_knows_what_was_learnt_and_what_is_fitted(aftersun, company):
    site = first(company)
    rank = ("rank", company, "--as-of", AS_OF.isoformat(), "--workers", 1, "--no-ranges")
    assert aftersun(*rank).code == 0
    before = mesh(company)
    # after the day of the run, so the tariff rows of the demo stay in force
    done = aftersun(
        "log", "call", company, site, "--outcome", "no", "--retrofit", "bird_mesh", "--fact", "birds_seen=yes"
    )
    assert (done.code, done.err) == (0, "")
    assert done.out == "Recorded as entry 1; 1 facts learnt.\n"
    assert aftersun(*rank).code == 0
    after = mesh(company)
    assert after[site][0] > before[site][0]  # birds seen for certain are worth more mesh than none
    assert all(after[other] == before[other] for other in before if other != site)
    assert aftersun("log", "call", company, site, "--outcome", "done", "--retrofit", "bird_mesh").code == 0
    assert aftersun(*rank).code == 0
    assert mesh(company)[site][1] == "already_fitted"
    ran = aftersun("log", "call", company, site, "--outcome", "yes", "--retrofit", "bird_mash")
    assert ran.code == 2
    assert "retrofit: not a retrofit of any stored run" in ran.err


@pytest.mark.slow
def test_a_bad_fact_is_one_sentence_with_the_rule_and_never_the_value(aftersun, company):
    site = first(company)
    words = ("--fact", f"roof_kind={SECRET}", "--fact", "storeys=31", "--remark", SECRET)
    ran = aftersun("log", "call", company, site, "--outcome", "no", *words)
    assert (ran.code, ran.out) == (2, "")
    assert "storeys: above the highest allowed value, 30" in ran.err
    assert "pitched tile" in ran.err
    assert SECRET not in ran.err
    assert json.loads(aftersun("log", "show", company, "--json").out) == {"calls": [], "offers": [], "facts": []}


@pytest.mark.slow
@pytest.mark.parametrize(
    ("facts", "said"), [([SECRET], "Fact 1 is not written"), (["storeys=1", "storeys=2"], "storeys is given twice")]
)
def test_facts_that_are_not_written_as_facts(aftersun, company, facts, said):
    ran = aftersun("log", "fact", company, first(company), *facts, "--origin", "visit")
    assert (ran.code, ran.out) == (2, "")
    assert said in ran.err
    assert SECRET not in ran.err


@pytest.mark.slow
def test_show_keeps_remarks_to_itself_unless_asked(aftersun, company):
    site = first(company)
    aftersun("log", "call", company, site, "--outcome", "no", "--remark", SECRET)
    aftersun("log", "fact", company, site, "storeys=2", "--origin", "visit of the fitter")
    aftersun("log", "offer", company, site, "--retrofit", "bird_mesh", "--price", 690, "--currency", "EUR")
    shown = aftersun("log", "show", company, site)
    assert shown.code == 0
    assert "visit of the fitter" in shown.out
    assert "690" in shown.out
    assert SECRET not in shown.out + aftersun("log", "show", company, "--json").out
    assert SECRET in aftersun("log", "show", company, site, "--remarks").out
    data = json.loads(aftersun("log", "show", company, site, "--remarks", "--json").out)
    assert data["calls"][0]["remark"] == SECRET
    assert data["facts"][0]["value"] == "2"
    assert aftersun("log", "show", company, "nowhere").code == 2


@pytest.mark.slow
def test_an_objection_says_what_it_did(aftersun, company):
    ran = aftersun("log", "call", company, first(company), "--outcome", "objection", "--json")
    assert len(json.loads(ran.out)["closed"]) <= 1
    with duckdb.connect(str(company), read_only=True) as connection:
        query = "SELECT contact_allowed FROM customer JOIN site USING (customer_id) WHERE site_id = ?"
        assert connection.execute(query, [first(company)]).fetchall() == [(False,)]


@pytest.mark.slow
def test_a_table_with_bad_rows_ends_with_3_and_names_their_file(aftersun, company, tmp_path):
    site = first(company)
    table = tmp_path / "calls.csv"
    text = f"site_id,called_on,outcome,remark\n{site},2026-06-01,no,{SECRET}\n{site},2026-06-01,never,{SECRET}\n"
    table.write_text(text, encoding="utf-8")
    ran = aftersun("log", "load", company, table)
    assert ran.code == 3
    assert "2 rows, 1 recorded, 0 on record already, 1 rejected" in ran.out
    assert "line 3, outcome: not one of the choices" in ran.out
    assert str(tmp_path / "calls-rejected.csv") in ran.err
    assert SECRET not in ran.out + ran.err
    again = aftersun("log", "load", company, table, "--rejects", tmp_path / "b.csv", "--json")
    assert (json.loads(again.out)["known"], again.code) == (1, 3)


@pytest.mark.slow
def test_chances_of_an_empty_log_are_the_priors_and_calls_move_them(aftersun, company):
    assert json.loads(aftersun("log", "chances", company, "--json").out)["contact"]["chance"] == 0.5
    aftersun("log", "call", company, first(company), "--outcome", "yes", "--retrofit", "bird_mesh")
    data = json.loads(aftersun("log", "chances", company, "--json").out)
    assert data["yes"][0]["chance"] == pytest.approx(4 / 21)  # Beta(3, 17) after one yes
    assert "bird_mesh" in aftersun("log", "chances", company).out


@pytest.mark.slow
def test_a_corrected_entry_is_marked_and_what_it_did_is_said(aftersun, company):
    site = first(company)
    words = ("--outcome", "no", "--fact", "birds_seen=yes", "--remark", SECRET)
    assert aftersun("log", "call", company, site, *words).code == 0
    ran = aftersun("log", "correct", company, 1, "--outcome", "objection", "--fact", "birds_seen=", "--why", "misheard")
    assert (ran.code, ran.err) == (0, "")
    assert ran.out.splitlines()[:2] == [
        "Entry 1 is kept as corrected and counts no more; entry 2 replaces it.",
        f"No longer as it said: birds_seen of {site}.",
    ]
    assert "may not be called any more" in ran.out
    shown = aftersun("log", "show", company, site).out
    assert "corrected, now 2" in shown
    assert "misheard" in shown
    assert SECRET not in shown
    ran = aftersun("log", "correct", company, 2, "--withdraw", "--why", "another house")
    assert (ran.code, ran.out) == (2, "")
    assert "--although-objection" in ran.err
    ran = aftersun("log", "correct", company, 2, "--withdraw", "--why", "another house", "--although-objection")
    assert ran.code == 0
    assert "the permission to call is as it was before" in ran.out
    assert "corrected, no such call" in aftersun("log", "show", company, site).out


@pytest.mark.slow
def test_a_danger_told_by_mistake_goes_only_when_it_is_said_so_and_is_told(aftersun, company):
    site = first(company)
    assert aftersun("log", "call", company, site, "--outcome", "later", "--until", "2100-01-01").code == 0
    words = ("--outcome", "unreached", "--fact", "hot_connector=yes")
    assert aftersun("log", "call", company, site, *words).code == 0
    words = ("log", "correct", company, 2, "--withdraw", "--why", "another house")
    ran = aftersun(*words)
    assert ran.code == 2
    assert f"hot_connector of {site}" in ran.err
    assert "--although-danger" in ran.err
    ran = aftersun(*words, "--although-danger")
    assert ran.code == 0
    assert f"A hazard is no longer on record: hot_connector of {site}" in ran.err


@pytest.mark.slow
def test_a_fact_is_taken_back_by_its_number(aftersun, company):
    site = first(company)
    assert aftersun("log", "fact", company, site, "storeys=7", "--origin", "visit").code == 0
    ran = aftersun("log", "take-back", company, 1, "--why", "another house")
    assert (ran.code, ran.out.splitlines()[0]) == (0, "Fact 1 is kept as taken back and counts no more.")
    assert f"No longer as it said: storeys of {site}." in ran.out
    assert "corrected" in aftersun("log", "show", company, site).out
    assert aftersun("log", "take-back", company, 1, "--why", "again").code == 2
