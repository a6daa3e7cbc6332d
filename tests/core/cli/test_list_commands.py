"""Loading an office's own list from the command line. All people are invented."""

from __future__ import annotations

import io
import json
from pathlib import Path

import pytest

from aftersun.inventory.store.file import Inventory

LIST = """\
Our customers;;;;;;;
Customer No;Name;Phone;Lat;Lon;kWp;Tilt;Direction
1;Ada Rook;000 555 0101;50,5;8,25;4,2;30;SSW
2;Bo Finch;000 555 0101;50,5;8,25;3,0;steep;O
"""


@pytest.fixture
def office(tmp_path: Path) -> Path:
    Inventory.create(tmp_path / "company.duckdb").close()
    (tmp_path / "list.csv").write_text(LIST, encoding="utf-8")
    return tmp_path


def _count(folder: Path, table: str = "customer") -> int:
    with Inventory.open(folder / "company.duckdb", read_only=True) as inventory:
        rows = inventory.connection.execute(f'SELECT count(*) FROM "{table}"').fetchall()
    return int(rows[0][0])


@pytest.mark.slow
def test_a_list_is_loaded_without_questions(aftersun, office: Path) -> None:
    done = aftersun("inventory", "load", office / "company.duckdb", office / "list.csv", "--yes")
    assert done.code == 3  # something is doubtful
    assert _count(office) == 2
    said = " ".join(done.out.split())
    assert "list.csv: 2 rows under headings of its own" in said
    assert "'kWp' is array.dc_rating_kw: 2 cells; decimal comma" in said
    assert "1, 2: same phone (lines 3, 4)" in said
    assert "doubtful, array.tilt_deg: 1 cell, no number can be read, e.g. 'steep' on line 4." in said
    assert "The doubtful cells are marked in" in said
    assert not any(word in done.out + done.err for word in ("Ada", "Rook", "555", "0101"))
    assert (office / "company.mapping.toml").is_file()
    assert len(list(office.glob("list-to-correct-*.xlsx"))) == 1
    # the next time nothing is new
    again = aftersun("inventory", "load", office / "company.duckdb", office / "list.csv", "--yes")
    assert "list.csv -> customer: 2 rows, 0 added, 0 changed, 2 unchanged, 0 rejected" in again.out
    assert len(list(office.glob("list-to-correct-*.xlsx"))) == 1


@pytest.mark.slow
def test_a_list_is_loaded_after_a_yes_and_not_otherwise(
    aftersun, office: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Asked are what O means, whether the doubles are one, whether to load."""
    (office / "list.csv").write_text(LIST.replace("SSW", "S"), encoding="utf-8")
    monkeypatch.setattr("sys.stdin", io.StringIO("de\nn\nn\n"))
    refused = aftersun("inventory", "load", office / "company.duckdb", office / "list.csv")
    assert refused.code == 2
    assert "was not loaded" in refused.err
    assert _count(office) == 0
    assert 'language = "de"' in (office / "company.mapping.toml").read_text("utf-8")
    monkeypatch.setattr("sys.stdin", io.StringIO("y\ny\n"))
    done = aftersun("inventory", "load", office / "company.duckdb", office / "list.csv")
    assert "Take each of these for one customer?" in done.err
    assert _count(office) == 1
    assert "O is east" in done.out
    assert "merge_doubles = true" in (office / "company.mapping.toml").read_text("utf-8")


@pytest.mark.slow
def test_nobody_there_to_ask_loads_nothing(aftersun, office: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sys.stdin", io.StringIO(""))
    refused = aftersun("inventory", "load", office / "company.duckdb", office / "list.csv")
    assert (refused.code, _count(office)) == (2, 0)
    assert "--yes" in refused.err


@pytest.mark.slow
def test_a_list_tells_itself_as_json(aftersun, office: Path) -> None:
    done = aftersun("inventory", "load", office / "company.duckdb", office / "list.csv", "--yes", "--json")
    (loaded,) = json.loads(done.out)
    assert [table["table"] for table in loaded["tables"]] == ["customer", "site", "array"]
    assert loaded["doubles"] == 1
    assert "Ada" not in done.out


@pytest.mark.slow
def test_the_command_that_mends_a_unit_of_a_list_does(aftersun, office: Path) -> None:
    """Sizes in W without a word of it: the middle one tells, and the command shown loads the list in W."""
    rows = "".join(f"{n},Household {n},50.5,8.25,{4000 + n},30,180\n" for n in range(1, 5))
    (office / "list.csv").write_text("Customer No,Name,Lat,Lon,Size,Tilt,Azimuth\n" + rows, encoding="utf-8")
    words = ("inventory", "load", office / "company.duckdb", office / "list.csv", "--yes")
    done = aftersun(*words)
    command = f"{office / 'list.csv'} --unit array.dc_rating_kw=W\n"
    assert command in done.out
    aftersun(*words, "--unit", "array.dc_rating_kw=W")
    with Inventory.open(office / "company.duckdb", read_only=True) as inventory:
        rows = inventory.connection.execute('SELECT max(dc_rating_kw) FROM "array"').fetchall()
    assert rows == [(4.004,)]


@pytest.mark.slow
def test_a_mapping_file_for_another_list_is_refused(aftersun, office: Path) -> None:
    (office / "other.toml").write_text('[columns]\n"Kunde" = "customer.name"\n', encoding="utf-8")
    words = ("inventory", "load", office / "company.duckdb", office / "list.csv", "--yes", "--mapping")
    refused = aftersun(*words, office / "other.toml")
    assert (refused.code, _count(office)) == (2, 0)
    assert "is for another list" in refused.err


@pytest.mark.slow
def test_the_programs_own_tables_are_no_lists(aftersun, office: Path) -> None:
    (office / "customer.csv").write_text("customer_id,name\nC1,Household A\n", encoding="utf-8")
    (office / "customers.csv").write_text("Name,Phone\nHousehold B,000 555 0102\n", encoding="utf-8")
    words = [office / "customer.csv", office / "customers.csv"]
    done = aftersun("inventory", "load", office / "company.duckdb", *words, "--yes")
    assert "customer.csv -> customer: 1 rows, 1 added" in done.out
    assert "customers.csv -> customer: 1 rows, 1 added" in done.out
    assert done.code == 0


CALLS = """\
Customer No;Name;Lat;Lon;kWp;Contact allowed
1;Ada Rook;50,5;8,25;4,2;ja
2;Bo Finch;50,5;8,25;3,1;nein
3;Cy Wren;50,5;8,25;3,2;ja
"""


def _bases(folder: Path) -> list[tuple[object, ...]]:
    with Inventory.open(folder / "company.duckdb", read_only=True) as inventory:
        query = "SELECT customer_id, contact_basis FROM contact ORDER BY 1"
        return inventory.connection.execute(query).fetchall()


@pytest.mark.slow
def test_a_list_that_allows_calls_without_a_basis_says_that_nobody_is_called(aftersun, office: Path) -> None:
    (office / "list.csv").write_text(CALLS, encoding="utf-8")
    words = ("inventory", "load", office / "company.duckdb", office / "list.csv", "--yes")
    said = " ".join(aftersun(*words).out.split())
    assert "2 customers may be called by this list, but no contact basis is on record for them" in said
    assert "--for-all customer.contact_basis=" in said
    mapping = (office / "company.mapping.toml").read_text("utf-8")
    assert "[for_all]" in mapping
    assert '"customer.contact_basis" = ""' in mapping
    # said on the command line it holds for those whom the list allows to call, and is kept for the next list
    done = aftersun(*words, "--for-all", "customer.contact_basis=agreed in the contract")
    assert done.code == 0
    assert "customer.contact_basis: 2 rows, as said for all" in done.out
    assert "no contact basis" not in done.out
    assert _bases(office) == [("1", "agreed in the contract"), ("2", None), ("3", "agreed in the contract")]
    assert '"customer.contact_basis" = "agreed in the contract"' in (office / "company.mapping.toml").read_text("utf-8")


@pytest.mark.slow
def test_the_basis_is_asked_for_and_may_stand_in_the_mapping_file(
    aftersun, office: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (office / "list.csv").write_text(CALLS, encoding="utf-8")
    words = ("inventory", "load", office / "company.duckdb", office / "list.csv")
    monkeypatch.setattr("sys.stdin", io.StringIO("agreed on paper\nn\n"))
    assert aftersun(*words).code == 2
    assert _bases(office) == []
    aftersun(*words, "--yes")
    assert [basis for _, basis in _bases(office)] == ["agreed on paper", None, "agreed on paper"]


@pytest.mark.slow
def test_what_is_said_for_all_fills_empty_cells_alone(aftersun, office: Path) -> None:
    (office / "list.csv").write_text("Customer No,Name,Lat,Lon,kWp,Roof\n1,A,50.5,8.2,4,slate\n2,B,50.5,8.2,4,\n")
    words = ("inventory", "load", office / "company.duckdb", office / "list.csv", "--yes", "--for-all")
    aftersun(*words, "site.roof_kind=tile")
    with Inventory.open(office / "company.duckdb", read_only=True) as inventory:
        rows = inventory.connection.execute("SELECT roof_kind FROM site ORDER BY site_id").fetchall()
    assert rows == [("pitched slate",), ("pitched tile",)]
    refused = aftersun(*words, "site.storeys=many")
    assert refused.code == 2
    assert "What is said for all of site.storeys cannot be read." in refused.err
    assert "Nothing can be said for all of 'site.site_id'" in aftersun(*words, "site.site_id=1").err
