"""Bad rows: kept, written out, mended, marked."""

from __future__ import annotations

import csv
import os
import stat
from collections.abc import Callable
from pathlib import Path

import pandas as pd
import pytest

from aftersun.inventory.loading.load import load_file
from aftersun.inventory.loading.rejects import export_rejects, open_rejects
from aftersun.inventory.store import read
from aftersun.inventory.store.dictionary import columns
from aftersun.inventory.store.file import Inventory
from aftersun.model.errors import AftersunError

Write = Callable[[str, str], Path]

SITE = "site_id,customer_id,latitude,longitude\n"


def _states(inventory: Inventory) -> dict[tuple[str, int], str]:
    rows = inventory.connection.execute("SELECT DISTINCT source_file, line, state FROM reject").fetchall()
    return {(source, line): state for source, line, state in rows}


def _rows(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8-sig", newline="") as handle:
        return list(csv.DictReader(handle))


def _write_rows(path: Path, rows: list[dict[str, str]]) -> Path:
    with path.open("w", encoding="utf-8-sig", newline="") as handle:
        writer = csv.DictWriter(handle, list(rows[0]))
        writer.writeheader()
        writer.writerows(rows)
    return path


def test_nothing_open(loaded: Inventory, tmp_path: Path) -> None:
    frame = open_rejects(loaded)
    assert frame.empty
    assert list(frame.columns) == [
        "reject_id", "table_name", "source_file", "line", "column_name", "value", "reason", "what_to_do",
    ]  # fmt: skip
    assert export_rejects(loaded, "site", tmp_path / "out.csv") == 0
    assert not (tmp_path / "out.csv").exists()


def test_open_rejects_say_what_is_wrong(loaded: Inventory, write: Write) -> None:
    load_file(loaded, "site", write("folder.csv", SITE + "R1,C1,forty,0\n"))
    row = open_rejects(loaded).iloc[0]
    assert row["table_name"] == "site"
    assert row["source_file"] == "folder.csv"  # the name only, no folder
    assert (row["line"], row["column_name"], row["value"]) == (2, "latitude", "forty")
    assert row["what_to_do"].startswith("Write digits with a decimal point")


@pytest.mark.slow
def test_mend_cycle(loaded: Inventory, write: Write, tmp_path: Path) -> None:
    """Load, write out, mend some, load that very file, mend the rest."""
    text = SITE.strip() + ",storeys,colour\nR1,C1,forty,0,2,red\nR2,C1,40,0,2,red\n,C1,41,x,2,red\nR4,C1,42\n"
    assert load_file(loaded, "site", write("s.csv", text)).rejected == 3
    out = tmp_path / "mend.csv"
    assert export_rejects(loaded, "site", out) == 3
    rows = _rows(out)
    head = ["problem_line", "problem_column", "problem", "what_to_do", "reject_id"]
    assert list(rows[0]) == [*head, *(column.name for column in columns("site"))]
    assert [row["problem_line"] for row in rows] == ["2", "4", "5"]
    assert rows[0]["latitude"] == "forty"  # as it stood in the file
    assert rows[1]["problem_column"] == "site_id; longitude"
    assert rows[1]["problem"] == "missing; not a plain number"
    assert len({row["reject_id"] for row in rows}) == 3

    rows[0]["latitude"] = "40.0"
    rows[1]["site_id"] = "R3"  # half mended: the longitude is still wrong
    rows[2]["longitude"] = "0"
    report = load_file(loaded, "site", _write_rows(out, rows))
    assert (report.added, report.rejected, report.mended) == (2, 1, 2)
    assert len(report.problems) == 1  # nothing on the columns that explain
    assert _states(loaded) == {
        ("s.csv", 2): "mended",
        ("s.csv", 4): "replaced",
        ("s.csv", 5): "mended",
        ("mend.csv", 3): "open",
    }
    rows[1]["longitude"] = "1.5"
    report = load_file(loaded, "site", _write_rows(out, rows))
    assert (report.added, report.unchanged, report.rejected, report.mended) == (1, 2, 0, 1)
    assert open_rejects(loaded).empty
    assert read.sites(loaded).set_index("site_id").loc["R3", "longitude"] == 1.5


@pytest.mark.slow
def test_export_loaded_as_it_is_lets_nothing_in(loaded: Inventory, write: Write, tmp_path: Path) -> None:
    """Also of two rows that contradict each other neither slips in."""
    text = SITE + "R1,C1,forty,0\nR2,C1,40,0\nR2,C1,41,0\n,C1,1,1\n,C1,1,1\nR5\n"
    load_file(loaded, "site", write("s.csv", text))
    before = set(open_rejects(loaded)["reject_id"])
    export_rejects(loaded, "site", tmp_path / "out.csv")
    report = load_file(loaded, "site", tmp_path / "out.csv")
    assert (report.added, report.changed, report.mended) == (0, 0, 0)
    after = open_rejects(loaded)
    assert set(after["reject_id"]) == before
    assert len(before) == 6


@pytest.mark.slow
def test_same_key_loaded_well_marks_the_reject_mended(loaded: Inventory, write: Write) -> None:
    load_file(loaded, "site", write("s.csv", SITE + "R1,C1,forty,0\nR2,C1,forty,0\n"))
    report = load_file(loaded, "site", write("other.csv", SITE + "R1,C1,40,0\n"))
    assert report.mended == 1
    assert _states(loaded) == {("s.csv", 2): "mended", ("s.csv", 3): "open"}
    closed = loaded.connection.execute("SELECT closed_by FROM reject WHERE state = 'mended'").fetchall()
    assert closed == [(report.load_id,)]


@pytest.mark.slow
def test_row_without_key_is_mended_by_its_line_in_the_same_file(loaded: Inventory, write: Write) -> None:
    load_file(loaded, "site", write("s.csv", SITE + ",C1,40,0\n,C1,41,0\n"))
    assert load_file(loaded, "site", write("other.csv", SITE + "R1,C1,40,0\nR2,C1,41,0\n")).mended == 0
    assert load_file(loaded, "site", write("s.csv", SITE + "R1,C1,40,0\n,C1,41,0\n")).mended == 1
    assert _states(loaded) == {("s.csv", 2): "mended", ("s.csv", 3): "open"}


@pytest.mark.slow
def test_reference_loaded_later_mends_the_same_file(loaded: Inventory, write: Write) -> None:
    path = write("s.csv", SITE + "R1,C3,40,0\n")
    assert load_file(loaded, "site", path).rejected == 1
    load_file(loaded, "customer", write("c.csv", "customer_id\nC3\n"))
    report = load_file(loaded, "site", path)
    assert (report.added, report.mended) == (1, 1)


@pytest.mark.slow
def test_same_bad_row_in_another_file_is_the_same_reject(loaded: Inventory, write: Write) -> None:
    load_file(loaded, "site", write("monday.csv", SITE + "R1,C1,forty,0\n"))
    load_file(loaded, "site", write("tuesday.csv", "longitude,latitude,customer_id,site_id\n\n0,forty,C1,R1\n"))
    assert _states(loaded) == {("tuesday.csv", 3): "open"}


@pytest.mark.slow
def test_bad_row_that_comes_back_is_open_again(loaded: Inventory, write: Write) -> None:
    bad = write("s.csv", SITE + "R1,C1,forty,0\n")
    load_file(loaded, "site", bad)
    load_file(loaded, "site", write("mended.csv", SITE + "R1,C1,40,0\n"))
    report = load_file(loaded, "site", bad)
    assert (report.rejected, report.mended) == (1, 0)
    assert _states(loaded) == {("s.csv", 2): "open"}
    assert read.sites(loaded).set_index("site_id").loc["R1", "latitude"] == 40.0


@pytest.mark.slow
def test_what_the_bad_file_did_not_have_is_not_erased(loaded: Inventory, write: Write, tmp_path: Path) -> None:
    """S1 has a tariff; a file without that column goes wrong, is mended and loaded: the tariff stays."""
    load_file(loaded, "site", write("s.csv", SITE + "S1,C1,forty,0\n"))
    out = tmp_path / "out.csv"
    export_rejects(loaded, "site", out)
    rows = _rows(out)
    assert (rows[0]["tariff_id"], rows[0]["birds_seen"]) == ("T1", "true")
    rows[0]["latitude"] = "41"
    load_file(loaded, "site", _write_rows(out, rows))
    site = read.sites(loaded).set_index("site_id").loc["S1"]
    assert (site["latitude"], site["tariff_id"], bool(site["birds_seen"])) == (41.0, "T1", True)


@pytest.mark.slow
def test_personal_and_dated_rows_go_out_and_back(loaded: Inventory, write: Write, tmp_path: Path) -> None:
    load_file(loaded, "customer", write("c.csv", "customer_id,phone,contact_allowed\nC1,555-0150,maybe\n"))
    load_file(loaded, "tariff", write("t.csv", "tariff_id,valid_from,import_price\nT1,2024-01-01,dear\n"))
    for table, column, value in (("customer", "contact_allowed", "no"), ("tariff", "import_price", "0.31")):
        out = tmp_path / f"{table}_out.csv"
        assert export_rejects(loaded, table, out) == 1
        rows = _rows(out)
        rows[0][column] = value
        assert load_file(loaded, table, _write_rows(out, rows)).mended == 1
    assert read.contacts(loaded, ["C1"])[["name", "phone"]].to_numpy().tolist() == [["Household A", "555-0150"]]
    tariffs = read.tariffs_in_force(loaded, pd.Timestamp("2024-06-01").date())
    assert tariffs.loc[0, ["import_price", "export_price"]].tolist() == [0.31, 0.08]


def test_decimal_commas_come_back_as_points(loaded: Inventory, write: Write, tmp_path: Path) -> None:
    load_file(loaded, "site", write("s.csv", SITE.replace(",", ";") + "R1;C1;40,5;here\n"))
    export_rejects(loaded, "site", tmp_path / "out.csv")
    rows = _rows(tmp_path / "out.csv")
    assert (rows[0]["latitude"], rows[0]["longitude"]) == ("40.5", "here")


def test_export_is_private_and_overwrites_nothing(loaded: Inventory, write: Write, tmp_path: Path) -> None:
    load_file(loaded, "site", write("s.csv", SITE + "R1,C1,forty,0\n"))
    before = os.umask(0o022)
    try:
        export_rejects(loaded, "site", tmp_path / "out.csv")
    finally:
        os.umask(before)
    assert stat.S_IMODE((tmp_path / "out.csv").stat().st_mode) == 0o600
    with pytest.raises(AftersunError, match="exists already"):
        export_rejects(loaded, "site", tmp_path / "out.csv")
    with pytest.raises(AftersunError, match="no table"):
        export_rejects(loaded, "roof", tmp_path / "other.csv")


@pytest.mark.slow
def test_no_cell_of_an_export_is_a_live_formula_and_all_come_back_as_they_were(
    loaded: Inventory, write: Write, tmp_path: Path
) -> None:
    """As OWASP lists them under CSV injection: = + - @, tab and return; a negative number stays one."""
    names = ["=HYPERLINK(1)", "+4412", "@SUM(A1)", "-2+3", "'=1", "O'Neill", "'quoted'", "\t=1"]
    rows = [f'C{n}9,"{name}",perhaps' for n, name in enumerate(names)]
    text = "customer_id,name,contact_allowed\n" + "\n".join(rows) + "\n"
    assert load_file(loaded, "customer", write("c.csv", text)).rejected == 8
    out = tmp_path / "mend.csv"
    export_rejects(loaded, "customer", out)
    given = [row["name"] for row in _rows(out)]
    assert given == ["'=HYPERLINK(1)", "'+4412", "'@SUM(A1)", "'-2+3", "''=1", "O'Neill", "'quoted'", "'\t=1"]
    mended = [{**row, "contact_allowed": "yes"} for row in _rows(out)]
    assert load_file(loaded, "customer", _write_rows(out, mended)).mended == 8
    stored = read.contacts(loaded, [f"C{n}9" for n in range(8)])["name"]
    assert list(stored) == [name.strip() for name in names]


def test_a_negative_number_to_correct_stays_a_number(loaded: Inventory, write: Write, tmp_path: Path) -> None:
    load_file(loaded, "site", write("s.csv", SITE + "R1,C1,-91.5,-3.25e0\n"))
    export_rejects(loaded, "site", tmp_path / "mend.csv")
    (row,) = _rows(tmp_path / "mend.csv")
    assert (row["latitude"], row["longitude"]) == ("-91.5", "-3.25e0")


def test_a_use_that_is_not_listed_is_rejected_with_those_that_are(loaded: Inventory, write: Write) -> None:
    header = "site_id,customer_id,latitude,longitude,use\n"
    rows = "R1,C1,40,0,castle\nR2,C1,40,0,Hotel\nR3,C1,40,0,\n"
    report = load_file(loaded, "site", write("uses.csv", header + rows))
    assert (report.added, report.rejected) == (2, 1)
    row = open_rejects(loaded).iloc[0]
    assert (row["column_name"], row["value"]) == ("use", "castle")
    assert "home, shop, office, workshop, farm, hotel, school" in f"{row['reason']} {row['what_to_do']}"
    uses = read.sites(loaded).set_index("site_id")["use"]
    assert uses["R2"] == "hotel"
    assert uses.isna()["R3"]
