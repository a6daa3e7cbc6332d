"""Done work from the shell: recorded, measured, pooled; lessons proposed, accepted and taken back; privacy."""

from __future__ import annotations

import duckdb
import pytest
from delivered_support import measured_work
from run_support import copied, small

from aftersun.delivered.measure import store
from aftersun.inventory.store.file import Inventory

SECRET = "Zzyzx"
COMMANDS = {
    "job": ("done", "load", "show"),
    "delivered": ("measure", "show", "retrofits"),
    "lessons": ("propose", "accept", "show", "withdraw"),
}


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory):
    """Four sites of the demo, not ranked."""
    return small(tmp_path_factory.mktemp("done") / "made", 4)


def sites_of(path) -> list[str]:
    with duckdb.connect(str(path), read_only=True) as connection:
        return [site for (site,) in connection.execute("SELECT site_id FROM site ORDER BY 1").fetchall()]


def test_work_is_recorded_and_shown_without_its_crew_and_measured_as_far_as_it_can_be(aftersun, made, tmp_path):
    path = copied(made, tmp_path).inventory
    site = sites_of(path)[0]
    told = ("--retrofit", "monitoring_add_on", "--hours", 2, "--crew", SECRET, "--on", "2026-05-01")
    ran = aftersun("job", "done", path, site, *told)
    assert (ran.code, "Recorded as entry" in ran.out) == (0, True)
    assert SECRET not in aftersun("job", "show", path).out
    assert SECRET in aftersun("job", "show", path, "--crew").out
    ran = aftersun("delivered", "measure", path, "--company", made.company, "--as-of", "2026-06-01")
    assert ran.code == 0
    assert "not measured" in ran.out
    assert "not measured" in aftersun("delivered", "show", path, site).out


@pytest.mark.slow
def test_lessons_are_proposed_accepted_shown_and_taken_back(aftersun, made, tmp_path):
    path = copied(made, tmp_path).inventory
    company, proposed, table = tmp_path / "own.toml", tmp_path / "proposed.toml", tmp_path / "jobs.csv"
    company.write_bytes(made.company.read_bytes())
    assert aftersun("lessons", "propose", path, "--company", company, "--to", proposed).code == 2  # no evidence yet
    rows = [f"{site},2026-0{month}-01,monitoring_add_on,3,2" for site in sites_of(path) for month in (2, 4)]
    table.write_text("\n".join(["site_id,done_on,retrofit,hours,promised_hours", *rows, ""]))
    assert aftersun("job", "load", path, table).code == 0
    ran = aftersun("lessons", "propose", path, "--company", company, "--to", proposed, "--quick")
    assert ran.code == 0
    assert "monitoring_add_on.installation_hours" in ran.out
    assert "8 jobs with hours" in proposed.read_text()
    assert "No lessons are in force" in aftersun("lessons", "show", company).out
    ran = aftersun("lessons", "accept", proposed, "--company", company, "--who", "account manager")
    assert (ran.code, "In force" in ran.out) == (0, True)
    shown = aftersun("lessons", "show", company).out
    assert "account manager" in shown
    assert "8 jobs with hours" in " ".join(shown.split())
    assert aftersun("company", "check", company).code == 0
    assert aftersun("lessons", "withdraw", company).code == 0
    assert "No lessons are in force" in aftersun("lessons", "show", company).out
    assert aftersun("lessons", "withdraw", company).code == 2


def test_pooled_results_show_both_shares_the_bands_and_the_guarantee(aftersun, tmp_path):
    path = tmp_path / "company.duckdb"
    with Inventory.create(path) as inventory:
        store(inventory, measured_work())
    ran = aftersun("delivered", "retrofits", path, "--guarantee")
    assert ran.code == 0
    assert "all roofs" in ran.out
    assert "below P90" in ran.out
    assert "beyond the promise" in ran.out
    assert "1 more not measured" in ran.out
    assert "P90 as delivered" in ran.out
    assert "luck is part of them" in " ".join(ran.out.split())


@pytest.mark.parametrize("group", COMMANDS)
def test_help_shows_an_example(aftersun, group):
    for name in COMMANDS[group]:
        assert f"Example: aftersun {group} {name}" in aftersun(group, name, "--help").out
