"""Every command that is about a site takes what people call it. The people are invented."""

from __future__ import annotations

import pytest

from aftersun.inventory.loading.load import load_file
from aftersun.inventory.store.file import Inventory

CUSTOMERS = """\
customer_id,name,street,town
C1,Ana Pérez (invented),Calle Mayor 4,46001 Nowhere
C2,Brook Hill Farm (invented),Mill Lane 12,AB1 Elsewhere
C3,Ana Pereira (invented),Rua Nova 4,1000 Nowhere
"""
SITES = """\
site_id,customer_id,latitude,longitude
S1,C1,39.5,-0.4
S2,C2,52.0,0.1
S3,C3,38.7,-9.1
S4,C2,52.1,0.1
"""


@pytest.fixture
def path(tmp_path):
    path = tmp_path / "company.duckdb"
    with Inventory.create(path) as inventory:
        for name, text in (("customer", CUSTOMERS), ("site", SITES)):
            (tmp_path / f"{name}.csv").write_text(text, encoding="utf-8")
            load_file(inventory, name, tmp_path / f"{name}.csv")
    return path


@pytest.mark.slow
@pytest.mark.few_quick
@pytest.mark.parametrize(
    ("called", "number"),
    [
        ("S1", "S1"),
        ("s1", "S1"),
        ("C1", "S1"),
        ("perez", "S1"),
        ("PÉREZ ana", "S1"),
        ("calle mayor", "S1"),
        ("perei", "S3"),  # as far as it was typed
        ("nowhere nova", "S3"),
    ],
)
def test_a_site_is_found_by_what_people_call_it(aftersun, path, called, number):
    ran = aftersun("log", "call", path, called, "--outcome", "yes", "--retrofit", "bird_mesh")
    assert ran.code == 0, ran.err
    assert (f"This is site {number}." in ran.err) == (called != number)
    assert f" {number} " in aftersun("log", "show", path, number).out


@pytest.mark.slow
def test_of_several_that_fit_none_is_taken_and_all_are_listed(aftersun, path):
    for called, numbers in (("ana", {"S1", "S3"}), ("C2", {"S2", "S4"}), ("mill lane", {"S2", "S4"})):
        ran = aftersun("log", "call", path, called, "--outcome", "yes", "--retrofit", "bird_mesh")
        assert ran.code == 2
        assert "2 sites are called so.\n  Name one by its number" in ran.err
        assert "Ana" not in ran.err
        assert {line.split()[0] for line in ran.out.splitlines()[2:]} == numbers
    assert "bird_mesh" not in aftersun("log", "show", path).out


@pytest.mark.slow
def test_what_fits_none_is_said_by_the_command(aftersun, path):
    ran = aftersun("log", "show", path, "Nobody")
    assert ran.code == 2
    assert "There is no such site" in ran.err
    assert "Nobody" not in ran.err


@pytest.mark.slow
def test_the_option_site_and_a_list_of_sites_take_names_too(aftersun, path):
    aftersun("log", "call", path, "S1", "--outcome", "yes", "--retrofit", "bird_mesh")
    ran = aftersun("log", "correct", path, "1", "--site", "pereira", "--why", "typed into the wrong house")
    assert (ran.code, "This is site S3." in ran.err) == (0, True), ran.err
    ran = aftersun("letter", "make", path, "perez", "ana")
    assert (ran.code, "2 sites are called so." in ran.err) == (2, True)


@pytest.mark.slow
def test_after_work_the_dangers_still_on_record_are_told_with_the_command_that_ends_them(aftersun, path):
    facts = ["hot_connector=yes", "element_cut_out=no", "roof_kind=fragile sheet", "open_string=no"]
    assert aftersun("log", "fact", path, "S1", *facts, "--origin", "visit").code == 0
    ran = aftersun("log", "call", path, "perez", "--outcome", "done", "--retrofit", "bird_mesh")
    told = [line for line in ran.err.splitlines() if line.startswith("On record")]
    assert [line.split(": ")[1].partition(".")[0] for line in told] == [
        "hot_connector = yes",
        "element_cut_out = no",
    ]
    command = told[0].split("aftersun ", 1)[1].replace('"', "")
    assert aftersun(*command.split(" ", 6)[:5], "--origin", "work done").code == 0
    ran = aftersun("log", "call", path, "S1", "--outcome", "done", "--retrofit", "tilt_mount")
    assert "hot_connector" not in ran.err
    assert "element_cut_out = no" in ran.err
    assert "On record" not in aftersun("log", "call", path, "S1", "--outcome", "yes", "--retrofit", "tilt_mount").err
