"""The filled-in call sheet goes back into the call log, and its figures are those of the stored run."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path
from typing import Any

import openpyxl
import pandas as pd
import pytest
from call_sheet_support import SmallRun, header_row, reckoned, rows, written

from aftersun import api
from aftersun.documents.run_view import RunView
from aftersun.inventory.log import learnt_facts
from aftersun.inventory.log.call_log import COLUMNS, OUTCOMES, entries
from aftersun.inventory.log.call_table import load_calls
from aftersun.inventory.store.file import Inventory
from aftersun.model.errors import AftersunError
from aftersun.scoring.run.demo import Demo
from aftersun_reports.call_sheet import layout

WIDE = Path(__file__).parents[1] / "data" / "call_sheet_one_wide_sheet.xlsx"
TODAY = date(2026, 6, 30)
RANGE = {"npv_p90": "net benefit P90", "npv_p10": "net benefit P10"}
TITLES = {"called_on": "called on", "leave_until": "call back on"}  # of the sheet of calls


@pytest.fixture
def inventory(demo: Demo, tmp_path: Path) -> Iterator[Inventory]:
    path = tmp_path / "copy.duckdb"
    shutil.copy(demo.inventory, path)
    with Inventory.open(path) as opened:
        yield opened


@dataclass(frozen=True)
class Shown:
    """The demo's run, and its workbook read back."""

    inventory: Inventory
    view: RunView
    book: Any


@pytest.fixture(scope="module")
def shown(demo: Demo, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Shown]:
    with Inventory.open(demo.inventory, read_only=True) as opened:
        view = RunView(opened)
        yield Shown(opened, view, written(view, tmp_path_factory.mktemp("demo")))


def _fill(book: Any, row: int, **entered: Any) -> None:
    for name in ("Calls", "Details"):
        sheet = book[name]
        at = {cell.value: cell.column for cell in sheet[header_row(sheet)]}
        for title, value in entered.items():
            if TITLES.get(title, title) in at:
                sheet.cell(header_row(sheet) + row, at[TITLES.get(title, title)]).value = value


def _saved(book: Any, folder: Path) -> Path:
    reckoned(book)
    path = folder / "filled.xlsx"
    book.save(path)
    return path


@pytest.mark.slow
def test_outcomes_and_titles_are_those_of_the_call_log(tmp_path: Path) -> None:
    assert layout.OUTCOMES == OUTCOMES
    book = written(SmallRun(), tmp_path)
    titles = [cell.value for cell in book["call_log"][1]]
    facts = ["birds_seen", "owner_present"]
    assert set(titles) - set(facts) <= set(COLUMNS)
    assert {name for name, column in COLUMNS.items() if column.required} <= set(titles)
    assert set(facts) <= set(titles) & set(learnt_facts.fact_columns())


@pytest.mark.slow
def test_cells_to_fill_in_have_their_drop_downs(tmp_path: Path) -> None:
    book = written(SmallRun(), tmp_path)
    both = [rule for name in ("Calls", "Details") for rule in book[name].data_validations.dataValidation]
    for found in (both, book["call_log"].data_validations.dataValidation):
        rules = {TITLES.get(rule.errorTitle, rule.errorTitle): rule for rule in found}
        assert rules["outcome"].formula1 == '"unreached,no,later,yes,done,objection"'
        assert rules["birds_seen"].formula1 == '"yes,no"'
        assert rules["called on"].type == "date"
        ids = rules["retrofit"].formula1
        assert ids == "Retrofits!$A$3:$A$5"
        found = [cell.value for (cell,) in book["Retrofits"][ids.partition("!")[2].replace("$", "")]]
        assert found == ["bird_mesh", "connector_replacement", "hot_water_diverter"]


def test_an_offer_of_two_gives_an_entry_for_each_and_facts_once(tmp_path: Path) -> None:
    book = written(SmallRun(), tmp_path)
    day = datetime(2026, 6, 3)
    _fill(book, 2, called_on=day, outcome="no", birds_seen="yes", remark="rang twice")
    reckoned(book)
    found = [row for row in rows(book["call_log"]) if row["site_id"]]
    assert found == [
        {"site_id": "S1", "called_on": day, "outcome": "no", "retrofit": "bird_mesh", "leave_until": None,
         "run_id": "20260601T080000000000Z", "birds_seen": "yes", "owner_present": None, "remark": "rang twice"},
        {"site_id": "S1", "called_on": day, "outcome": "no", "retrofit": "hot_water_diverter", "leave_until": None,
         "run_id": "20260601T080000000000Z", "birds_seen": None, "owner_present": None, "remark": "rang twice"},
    ]  # fmt: skip


@pytest.mark.slow
@pytest.mark.parametrize("sheet", ["Calls", "Details"])
def test_it_does_no_harm_to_sort_or_delete_rows(tmp_path: Path, sheet: str) -> None:
    book = written(SmallRun(), tmp_path)
    _fill(book, 2, called_on=datetime(2026, 6, 3), outcome="unreached")
    book[sheet].delete_rows(header_row(book[sheet]) + 1)
    reckoned(book)
    found = [row for row in rows(book["call_log"]) if row["site_id"]]
    assert [(row["site_id"], row["retrofit"]) for row in found] == [("S1", "bird_mesh"), ("S1", "hot_water_diverter")]


@pytest.mark.slow
def test_the_filled_in_workbook_is_loaded_as_it_is(inventory: Inventory, tmp_path: Path) -> None:
    view = RunView(inventory)
    called = view.calls()
    once = called[~called["customer_id"].duplicated(keep=False)]
    first, second = once.iloc[0], once.iloc[1]
    book = written(view, tmp_path / "out")
    at = {row["site"]: number for number, row in enumerate(rows(book["Details"]), 1)}
    _fill(book, at[first["site_id"]], called_on=datetime(2026, 6, 2), outcome="yes", remark="rang twice")
    later = datetime(2026, 9, 1)
    _fill(book, at[second["site_id"]], called_on=datetime(2026, 6, 3), outcome="later", leave_until=later)
    done = load_calls(inventory, _saved(book, tmp_path), today=TODAY)
    assert (done.problems, done.rejected, done.known) == ((), 0, 0)
    log = entries(inventory, None, True)
    mine = log[log["called_on"] >= pd.Timestamp(2026, 6, 2)].sort_values("called_on")
    offered = [view.members(one)[0] for one in (first["retrofit"], second["retrofit"])]
    kept = mine.drop_duplicates("site_id")
    assert list(kept["site_id"]) == [first["site_id"], second["site_id"]]
    assert list(kept["outcome"]) == ["yes", "later"]
    assert list(kept["retrofit"]) == offered
    assert set(kept["run_id"]) == {view.run_id}
    assert kept["remark"].iloc[0] == "rang twice"
    assert kept["leave_until"].iloc[1] == pd.Timestamp(later)
    again = load_calls(inventory, _saved(book, tmp_path), today=TODAY)
    assert (again.recorded, again.rejected) == (0, 0)


@pytest.mark.slow
def test_a_filled_in_workbook_of_the_older_form_is_loaded_too(inventory: Inventory, tmp_path: Path) -> None:
    """A workbook that an earlier program wrote: one wide sheet of calls, filled in and reckoned."""
    book = openpyxl.load_workbook(WIDE)
    (runs,) = [column for column in book["call_log"].iter_cols() if column[0].value == "run_id"]
    run_id = RunView(inventory).run_id
    for cell in runs[1:]:
        cell.value = cell.value and run_id
    book.save(tmp_path / "older.xlsx")
    done = load_calls(inventory, tmp_path / "older.xlsx", today=TODAY)
    assert (done.problems, done.recorded, done.rejected) == ((), 2, 0)
    log = entries(inventory, "S0161", True)
    mine = log[log["called_on"] == pd.Timestamp(2026, 6, 3)]
    assert sorted(mine["retrofit"]) == ["bird_mesh", "hot_water_diverter"]
    assert set(mine["outcome"]) == {"later"}
    assert set(mine["leave_until"]) == {pd.Timestamp(2026, 9, 1)}
    assert done.facts == 1


@pytest.mark.slow
def test_a_workbook_saved_without_values_of_formulas_is_refused_with_the_reason(
    inventory: Inventory, tmp_path: Path
) -> None:
    book = written(RunView(inventory), tmp_path / "out")
    _fill(book, 1, called_on=datetime(2026, 6, 2), outcome="no")
    book.save(tmp_path / "filled.xlsx")  # as a program that does not calculate
    for path in (tmp_path / "out" / "call_sheet.xlsx", tmp_path / "filled.xlsx"):
        with pytest.raises(AftersunError, match="saved without the values of its formulas") as refused:
            load_calls(inventory, path, today=TODAY)
        assert "save it there" in refused.value.hint
    assert (
        load_calls(inventory, _saved(written(RunView(inventory), tmp_path / "again"), tmp_path), today=TODAY).recorded
        == 0
    )


@pytest.mark.slow
def test_every_figure_of_the_demo_is_the_stored_one(shown: Shown) -> None:
    book = shown.book
    stored = shown.inventory.connection.execute(
        "SELECT call.*, offer.npv_p90, offer.npv_p10, offer.chance_npv_positive AS chance, "
        "offer.upfront, offer.first_year_saving FROM call JOIN offer USING (run_id, site_id) "
        "WHERE position IS NOT NULL AND call.retrofit = offer.offer ORDER BY position"
    ).df()
    found = [calls | details for calls, details in zip(rows(book["Calls"]), rows(book["Details"]), strict=True)]
    first, texts = stored.drop_duplicates("customer_id"), shown.view.call_texts()
    assert [row["site"] for row in found] == list(first["site_id"])
    needed = 0
    for row, (_, one) in zip(found, first.iterrows(), strict=True):
        assert (row["call"], row["round"]) == (one["position"], one["round"])
        told = row["kind of call"] == "safety: notify, do not sell"
        several = (stored["customer_id"] == one["customer_id"]).sum() > 1
        assert texts[one["site_id"]] in row["what to say"] if several else texts[one["site_id"]] == row["what to say"]
        # parts in an expected number of pieces are fitted only if needed, and no part of the price
        (counted, whole) = shown.inventory.connection.execute(
            "SELECT coalesce(sum(price), 0), coalesce(sum(price * ceil(quantity) / quantity), 0) FROM cost_item "
            "WHERE site_id = ? AND retrofit = ? AND kind = 'material' AND quantity <> round(quantity) "
            "AND unit IN ('piece', 'pair', 'module') AND in_year = 0 AND NOT coalesce(every_year, false)",
            [one["site_id"], one["retrofit"]],
        ).fetchone() or (0, 0)
        assert row["price with tax [EUR]"] == pytest.approx(one["upfront"] - counted)
        assert row["if needed, plus [EUR]"] == (pytest.approx(whole) if whole else None)
        assert f"{one['upfront'] - counted:,.0f} EUR" in row["offer, price with tax"]
        assert (f"; if needed plus {whole:,.0f} EUR" in row["offer, price with tax"]) == bool(whole)
        needed += bool(whole)
        assert row["net benefit [EUR]"] == (None if told else pytest.approx(one["npv"]))
        weighed = row["contribution to the company if yes [EUR]"], row["chance of yes"]
        assert weighed == ((None, None) if told else pytest.approx((one["contribution"], one["chance_of_yes"])))
        for name, title in RANGE.items():
            drawn = row[f"{title} [EUR]"]
            assert drawn == ("not drawn" if pd.isna(one[name]) else pytest.approx(one[name]))
    assert needed > 5
    ranked = shown.inventory.connection.execute(
        "SELECT site_id, title, rank, status, npv, ranking.upfront, screening_reason FROM ranking JOIN run_retrofit "
        "USING (run_id, retrofit)"
    ).fetchall()
    by_place = {(row["site"], row["retrofit"]): row for row in rows(book["All retrofits"])}
    assert len(by_place) == len(ranked)
    for site, title, rank, status, npv, upfront, reason in ranked:
        row = by_place[site, title]
        assert (row["rank"], row["status"]) == (rank, api.status_text(status))
        if status in (api.Status.SUBJECT_TO_SURVEY, api.Status.NOT_APPLICABLE):
            assert (reason or "")[1:] in row["reason"]  # as a sentence its first letter is a capital
        assert row["net benefit [EUR]"] == (None if npv is None else pytest.approx(npv))
        assert row["expected price with tax [EUR]"] == (None if upfront is None else pytest.approx(upfront))


@pytest.mark.slow
def test_all_notes_of_the_demo_stand_whole_and_every_danger_in_its_row(shown: Shown) -> None:
    book = shown.book
    texts = {text for (text,) in shown.inventory.connection.execute("SELECT DISTINCT text FROM safety_note").fetchall()}
    assert {row["what can happen and what to do"] for row in rows(book["Safety notes"])} == texts
    told = shown.view.to_tell()
    called = {row["site"]: row for row in rows(book["Details"])}
    hurt = "known hazards here"
    seen = 0
    for site, text in told[["site_id", "text"]].itertuples(index=False):
        if site in called:
            assert text in called[site][hurt]
            seen += 1
    assert seen > 5
    notes = shown.inventory.connection.execute(
        "SELECT DISTINCT call.site_id, note_id FROM call JOIN safety_note n USING (run_id, site_id) "
        "JOIN offer_member m ON call.run_id = m.run_id AND call.site_id = m.site_id AND call.retrofit = m.offer "
        "WHERE position IS NOT NULL AND m.retrofit = n.retrofit"
    ).fetchall()
    for site, note_id in notes:
        if site in called:
            assert note_id in called[site]["safety notes of the work offered"]


@pytest.mark.slow
def test_without_names_the_demo_tells_none(shown: Shown, tmp_path: Path) -> None:
    numbers = {number for (number,) in shown.inventory.connection.execute("SELECT site_id FROM site").fetchall()}
    book = written(RunView(shown.inventory, personal=False), tmp_path / "out")
    texts = {str(cell.value) for sheet in book for row in sheet.iter_rows() for cell in row if cell.value is not None}
    assert not texts & numbers
    assert not [text for text in texts if "Household" in text or "@" in text]
