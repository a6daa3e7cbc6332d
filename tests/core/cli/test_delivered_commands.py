"""Done work from the shell: recorded, measured, shown; help with an example; privacy."""

from __future__ import annotations

import duckdb
import pytest
from run_support import copied, small

SECRET = "Zzyzx"


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory):
    """Four sites of the demo, not ranked."""
    return small(tmp_path_factory.mktemp("done") / "made", 4)


def test_work_is_recorded_and_shown_without_its_crew_and_measured_as_far_as_it_can_be(aftersun, made, tmp_path):
    path = copied(made, tmp_path).inventory
    with duckdb.connect(str(path), read_only=True) as connection:
        site = connection.execute("SELECT min(site_id) FROM site").fetchall()[0][0]
    ran = aftersun(
        "job",
        "done",
        path,
        site,
        "--retrofit",
        "monitoring_add_on",
        "--hours",
        2,
        "--crew",
        SECRET,
        "--on",
        "2026-05-01",
    )
    assert (ran.code, "Recorded as entry" in ran.out) == (0, True)
    assert SECRET not in aftersun("job", "show", path).out
    assert SECRET in aftersun("job", "show", path, "--crew").out
    ran = aftersun("delivered", "measure", path, "--company", made.company, "--as-of", "2026-06-01")
    assert ran.code == 0
    assert "not measured" in ran.out
    assert "not measured" in aftersun("delivered", "show", path, site).out


@pytest.mark.parametrize(
    ("group", "name"),
    [("job", "done"), ("job", "load"), ("job", "show"), ("delivered", "measure"), ("delivered", "show")],
)
def test_help_shows_an_example(aftersun, group, name):
    assert f"Example: aftersun {group} {name}" in aftersun(group, name, "--help").out
