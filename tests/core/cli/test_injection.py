"""Texts that would be a formula, markup, code, a query or a path stay what they are, wherever they are written."""

from __future__ import annotations

import csv
import json
import shutil
from collections.abc import Iterator
from html.parser import HTMLParser
from pathlib import Path

import openpyxl
import pytest
from old_inventory_support import unpacked
from pypdf import PdfReader

import aftersun_datasets
from aftersun.inventory.store.file import Inventory

TEXTS = (
    *('=HYPERLINK("http://x.invalid","y")', "+1+1", "-1+1", "@SUM(1)", "\t=1+1", "=cmd|' /C calc'!A0"),
    *("<script>alert(1)</script>", '"><img src=x onerror=alert(1)>', "</script><script>alert(1)</script>"),
    *("{{7*7}}", "&lt;b&gt;", "javascript:alert(1)", '#read("/etc/passwd")', "$ #panic() $ *b* @ref <label>"),
    *("'; DROP TABLE site; --", '"; DELETE FROM customer; --', "../../../x", "C:\\x\\..\\y"),
)
SITES = ("S0127", "S0156", "S0160", "S0007", "S0019", "S0113")
LIVE = ("=", "+", "-", "@", "\t", "\r")


class _Page(HTMLParser):
    """Tags and names of attributes of a page, as a browser sees them."""

    def __init__(self) -> None:
        super().__init__()
        self.found: list[tuple[str, tuple[str, ...]]] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found.append((tag, tuple(name for name, _ in attrs)))


def _numbers(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True


def _live_cells(folder: Path) -> Iterator[str]:
    """Yield the cells of CSV files and workbooks that a spreadsheet program would compute and that hold such a text."""
    for path in folder.rglob("*.csv"):
        with path.open(encoding="utf-8-sig", newline="") as file:
            yield from (
                cell for row in csv.reader(file) for cell in row if cell.startswith(LIVE) and not _numbers(cell)
            )
    for path in folder.rglob("*.xlsx"):
        for sheet in openpyxl.load_workbook(path):
            cells = [cell for row in sheet.iter_rows() for cell in row]
            yield from (str(c.value) for c in cells if c.data_type == "f" and any(t.strip() in c.value for t in TEXTS))
            yield from (
                str(c.hyperlink.target) for c in cells if c.hyperlink and "x.invalid" in str(c.hyperlink.target)
            )


@pytest.mark.parametrize("turn", range(3))
@pytest.mark.slow
def test_no_text_becomes_anything_else(aftersun, tmp_path, turn):
    inventory, out = unpacked("demo-layout-29", tmp_path), tmp_path / "out"
    out.mkdir()
    company = Path(shutil.copytree(aftersun_datasets.path("demo"), tmp_path / "office")) / "company.toml"
    texts = TEXTS[6 * turn : 6 * turn + 6]

    def works(*words: object, codes: tuple[int, ...] = (0,)) -> str:
        ran = aftersun(*words)
        assert ran.code in codes, ran.err
        return ran.out

    with Inventory.open(inventory, read_only=True) as opened:
        query = "SELECT customer_id FROM site WHERE site_id = ?"
        owners = [opened.connection.execute(query, [site]).fetchall()[0][0] for site in SITES]
        before = {name for (name,) in opened.connection.execute("SELECT table_name FROM duckdb_tables()").fetchall()}
    with (tmp_path / "customer.csv").open("w", newline="") as file:
        rows = [[owner, *[text] * 4, "perhaps"] for owner, text in zip(owners, texts, strict=True)]
        names = ["customer_id", "name", "street", "town", "email", "contact_allowed"]
        csv.writer(file).writerows([names, *rows, *([*row[:5], ""] for row in rows)])
    works("inventory", "load", inventory, tmp_path / "customer.csv", codes=(3,))
    with (tmp_path / "customer.csv").open("w", newline="") as file:
        csv.writer(file).writerows([names, *([*row[:5], ""] for row in rows)])
    works("inventory", "load", inventory, tmp_path / "customer.csv", codes=(0, 3))
    for site, text in zip(SITES, texts, strict=True):
        words = ("log", "call", inventory, site, "--outcome", "unreached", f"--remark={text}")
        works(*words, "--on", "2026-05-01")
        works("log", "fact", inventory, site, "storeys=2", f"--origin={text}")
    works("inventory", "rejects", inventory, "--to", out / "rejects")
    works("inventory", "changes", inventory, "--to", out / "changes.csv")
    works("inventory", "export", inventory, "--to", out / "export")
    works("write", inventory, "--to", out / "june", "--letters", 2, "--company", company)
    clean = unpacked("demo-layout-29", tmp_path / "office")
    works("write", clean, "--to", tmp_path / "clean", "--letters", 0, "--company", company)

    assert list(_live_cells(out)) == []
    pages = list((out / "june").glob("*.html"))
    assert pages
    for page in pages:
        seen, unharmed = _Page(), _Page()
        seen.feed(page.read_text(encoding="utf-8"))
        unharmed.feed((tmp_path / "clean" / page.name).read_text(encoding="utf-8"))
        assert set(seen.found) <= set(unharmed.found)
        assert sum(tag == "script" for tag, _ in seen.found) == sum(tag == "script" for tag, _ in unharmed.found)
    letters = list((out / "june").rglob("*.pdf"))
    assert letters
    said = " ".join(page.extract_text() for letter in letters for page in PdfReader(letter).pages)
    assert "root:" not in said
    squeezed = "".join(said.split())
    assert any("".join(text.split()) in squeezed for text in texts)  # it stands in a letter as it is
    raw = (out / "changes.csv").read_text(encoding="utf-8-sig")
    assert all(text.replace('"', '""').strip() in raw for text in texts)
    with Inventory.open(inventory, read_only=True) as opened:
        tables = {name for (name,) in opened.connection.execute("SELECT table_name FROM duckdb_tables()").fetchall()}
        named = opened.connection.execute("SELECT name FROM contact JOIN site USING (customer_id)").fetchall()
    assert tables == before
    assert {text.strip() for text in texts} <= {str(name).strip() for (name,) in named}
    assert json.loads(works("log", "show", inventory, "--json"))
    assert {path.name for path in tmp_path.iterdir()} == {
        *(inventory.name, "out", "office", "clean", "customer.csv")
    }  # no path was followed
