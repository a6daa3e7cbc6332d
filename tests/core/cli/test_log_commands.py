"""The call log from the shell: exit codes, no personal data unasked, and the next run knows what was learnt."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import duckdb
import pytest

from aftersun.inventory.loading.load import load_file
from aftersun.inventory.store.dictionary import tables
from aftersun.inventory.store.file import Inventory
from aftersun.scoring.run.demo import Demo

SECRET = "Zzyzx"
COMMANDS = ("call", "fact", "offer", "load", "show", "chances")


@pytest.fixture
def small(demo: Demo, tmp_path: Path) -> Path:
    """The company of the demo with its first twelve sites, not ranked yet, without birds and free to be called."""
    lines = (demo.tables / "site.csv").read_text(encoding="utf-8").splitlines()
    (tmp_path / "site.csv").write_text("\n".join(lines[:13]) + "\n", encoding="utf-8")
    shutil.copy(demo.company, tmp_path / "company.toml")
    path = tmp_path / "small.duckdb"
    with Inventory.create(path) as inventory:
        for table in tables():
            load_file(inventory, table, tmp_path / "site.csv" if table == "site" else demo.tables / f"{table}.csv")
        inventory.connection.execute("UPDATE site SET birds_seen = false")
        inventory.connection.execute("DELETE FROM fitted")
        inventory.connection.execute("UPDATE customer SET contact_allowed = true, last_contact_on = NULL")
    return path


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


def test_the_next_run_knows_what_was_learnt_and_what_is_fitted(aftersun, small, demo):
    site = first(small)
    rank = ("rank", small, "--as-of", demo.as_of.isoformat(), "--workers", 1)
    assert aftersun(*rank).code == 0
    before = mesh(small)
    # after the day of the run, so the tariff rows of the demo stay in force
    done = aftersun(
        "log", "call", small, site, "--outcome", "no", "--retrofit", "bird_mesh", "--fact", "birds_seen=yes"
    )
    assert (done.code, done.err) == (0, "")
    assert done.out == "Recorded as entry 1; 1 facts learnt.\n"
    assert aftersun(*rank).code == 0
    after = mesh(small)
    assert after[site][0] > before[site][0]  # birds seen for certain are worth more mesh than none
    assert all(after[other] == before[other] for other in before if other != site)
    assert aftersun("log", "call", small, site, "--outcome", "done", "--retrofit", "bird_mesh").code == 0
    assert aftersun(*rank).code == 0
    assert mesh(small)[site][1] == "already fitted"
    ran = aftersun("log", "call", small, site, "--outcome", "yes", "--retrofit", "bird_mash")
    assert ran.code == 2
    assert "retrofit: not a retrofit of any stored run" in ran.err


def test_a_bad_fact_is_one_sentence_with_the_rule_and_never_the_value(aftersun, small):
    site = first(small)
    words = ("--fact", f"roof_kind={SECRET}", "--fact", "storeys=31", "--remark", SECRET)
    ran = aftersun("log", "call", small, site, "--outcome", "no", *words)
    assert (ran.code, ran.out) == (2, "")
    assert "storeys: above the highest allowed value, 30" in ran.err
    assert "pitched tile" in ran.err
    assert SECRET not in ran.err
    assert json.loads(aftersun("log", "show", small, "--json").out) == {"calls": [], "offers": [], "facts": []}


@pytest.mark.parametrize(
    ("facts", "said"), [([SECRET], "Fact 1 is not written"), (["storeys=1", "storeys=2"], "storeys is given twice")]
)
def test_facts_that_are_not_written_as_facts(aftersun, small, facts, said):
    ran = aftersun("log", "fact", small, first(small), *facts, "--origin", "visit")
    assert (ran.code, ran.out) == (2, "")
    assert said in ran.err
    assert SECRET not in ran.err


def test_show_keeps_remarks_to_itself_unless_asked(aftersun, small):
    site = first(small)
    aftersun("log", "call", small, site, "--outcome", "no", "--remark", SECRET)
    aftersun("log", "fact", small, site, "storeys=2", "--origin", "visit of the fitter")
    aftersun("log", "offer", small, site, "--retrofit", "bird_mesh", "--price", 690, "--currency", "EUR")
    shown = aftersun("log", "show", small, site)
    assert shown.code == 0
    assert "visit of the fitter" in shown.out
    assert "690" in shown.out
    assert SECRET not in shown.out + aftersun("log", "show", small, "--json").out
    assert SECRET in aftersun("log", "show", small, site, "--remarks").out
    data = json.loads(aftersun("log", "show", small, site, "--remarks", "--json").out)
    assert data["calls"][0]["remark"] == SECRET
    assert data["facts"][0]["value"] == "2"
    assert aftersun("log", "show", small, "nowhere").code == 2


def test_an_objection_says_what_it_did(aftersun, small):
    ran = aftersun("log", "call", small, first(small), "--outcome", "objection", "--json")
    assert len(json.loads(ran.out)["closed"]) <= 1
    with duckdb.connect(str(small), read_only=True) as connection:
        query = "SELECT contact_allowed FROM customer JOIN site USING (customer_id) WHERE site_id = ?"
        assert connection.execute(query, [first(small)]).fetchall() == [(False,)]


def test_a_table_with_bad_rows_ends_with_3_and_names_their_file(aftersun, small, tmp_path):
    site = first(small)
    table = tmp_path / "calls.csv"
    text = f"site_id,called_on,outcome,remark\n{site},2026-06-01,no,{SECRET}\n{site},2026-06-01,never,{SECRET}\n"
    table.write_text(text, encoding="utf-8")
    ran = aftersun("log", "load", small, table)
    assert ran.code == 3
    assert "2 rows, 1 recorded, 0 in the log already, 1 rejected" in ran.out
    assert "line 3, outcome: not one of the choices" in ran.out
    assert str(tmp_path / "calls-rejected.csv") in ran.err
    assert SECRET not in ran.out + ran.err
    again = aftersun("log", "load", small, table, "--rejects", tmp_path / "b.csv", "--json")
    assert (json.loads(again.out)["known"], again.code) == (1, 3)


def test_chances_of_an_empty_log_are_the_priors_and_calls_move_them(aftersun, small):
    assert json.loads(aftersun("log", "chances", small, "--json").out)["contact"]["chance"] == 0.5
    aftersun("log", "call", small, first(small), "--outcome", "yes", "--retrofit", "bird_mesh")
    data = json.loads(aftersun("log", "chances", small, "--json").out)
    assert data["yes"][0]["chance"] == pytest.approx(4 / 21)  # Beta(3, 17) after one yes
    assert "bird_mesh" in aftersun("log", "chances", small).out
