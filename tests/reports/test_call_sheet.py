"""The call sheet as a salesperson gets it: every figure and text is that of the run, and nothing is cut."""

from __future__ import annotations

import re
import zipfile
from dataclasses import replace
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import openpyxl
import pytest
from call_sheet_support import ARC, FALL, SCALD, TABLES, SmallRun, header_row, rows, typed, written
from hypothesis import given
from hypothesis import strategies as st

from aftersun import api
from aftersun_reports.call_sheet import CallSheet, aftersun_outputs, book
from aftersun_reports.call_sheet.text import CONTINUED, CONTINUES, LARGEST_CELL, pieces, plain

SHEETS = [
    "Calls", "Details", "How to read this", "call_log", "Hazard register", "Safety notes", "Questions", "Offers",
    "All retrofits", "Not called", "Month", "Assumptions", "Claims of the trade", "Retrofits", "Run",
]  # fmt: skip


@pytest.fixture(scope="module")
def small(tmp_path_factory: pytest.TempPathFactory) -> Any:
    return written(SmallRun(), tmp_path_factory.mktemp("small"))


def test_it_is_brought_by_the_hook() -> None:
    (output,) = aftersun_outputs()
    assert (output.id, output.of, output.personal) == ("call_sheet", api.OF_RUN, False)


def test_what_is_written_on_the_way_lies_in_the_folder_that_goes_after_a_kill(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    made: list[Path] = []
    monkeypatch.setattr("aftersun_reports.call_sheet._make", lambda _path, _run, scratch: made.append(scratch))
    CallSheet().write(SmallRun(), tmp_path, {})  # type: ignore[arg-type]
    assert [scratch.parent for scratch in made] == [tmp_path]
    assert not list(tmp_path.iterdir())


def test_sheets_with_frozen_header_filter_over_all_rows_and_print_setup(small: Any) -> None:
    assert small.sheetnames == SHEETS
    for sheet in small:
        header = header_row(sheet)
        assert sheet.freeze_panes[-len(str(header + 1)) :] == str(header + 1)
        last = sheet.max_row
        assert sheet.auto_filter.ref == f"A{header}:{sheet.cell(1, sheet.max_column).column_letter}{last}"
        assert sheet.page_setup.orientation == "landscape"
        assert sheet.sheet_properties.pageSetUpPr.fitToPage
        assert sheet.page_setup.fitToHeight == 0
        assert sheet.print_title_rows == f"${header}:${header}"
        assert "Page &P of &N" in f"{sheet.oddFooter.right.text}".replace("&[Page]", "&P").replace("&[Pages]", "&N")


def test_the_first_sheet_has_ten_columns_with_the_cells_to_fill_in_beside_the_phone(small: Any) -> None:
    sheet = small["Calls"]
    assert [cell.value for cell in sheet[header_row(sheet)]] == [
        "call", "customer", "phone", "called on", "outcome", "call back on", "remark", "offer, price with tax",
        "what to say", "net benefit [NOK]",
    ]  # fmt: skip
    first, second = rows(sheet)
    assert (second["call"], second["customer"], second["phone"]) == (2, "Household 1", "000 0001")
    assert second["offer, price with tax"] == "Bird mesh and Hot water from surplus, 1,840 NOK"
    assert second["what to say"] == "In one visit with one way up."
    assert second["net benefit [NOK]"] == 500
    assert [second[title] for title in ("called on", "outcome", "call back on", "remark")] == [None] * 4
    # of a hazard nobody is to weigh what it brings
    assert (first["call"], first["net benefit [NOK]"]) == (1, None)


def test_the_details_have_all_else_by_the_same_number(small: Any) -> None:
    first, second = rows(small["Details"])
    assert (second["call"], second["round"], second["site"]) == (2, 1, "S1")
    assert (second["customer"], second["town"], second["e-mail"]) == (
        "Household 1",
        "LK 01 Larkmoor",
        "none recorded",
    )
    assert second["kind of call"] == "offer"
    assert second["what to ask"] == "1. Do birds nest there? [birds_seen]\n2. Do you live there? [owner_present]"
    assert second["known hazards here"] == "no hazard is known here"
    assert second["safety notes of the work offered"] == "DANGER fall\nWARNING scald"
    assert (
        second["before the price is firm"]
        == "Hot water from surplus, subject to survey: whether the element has its own cut-out is not known"
    )
    assert second["price with tax [NOK]"] == 1840
    assert [second[f"net benefit {name} [NOK]"] for name in ("P90", "P10")] == [120, 910]
    assert (second["chance of a gain"], second["first-year saving [NOK]"]) == (0.93, 212)
    assert (second["chance of yes"], second["contribution to the company if yes [NOK]"]) == (0.2, 321)
    assert "No objection" in second["contact rule"]
    assert "90 days" in second["contact rule"]
    assert (second["retrofit"], second["retrofit_2"]) == ("bird_mesh", "hot_water_diverter")
    assert first["kind of call"] == "safety: notify, do not sell"


def test_one_row_a_customer_with_all_dangers_and_further_sites(small: Any) -> None:
    call, _ = rows(small["Calls"])
    assert call["what to say"] == "At S2: A danger is known to stand here.\nAt S3: Heats water from surplus."
    assert call["offer, price with tax"] == (
        "At S2: Connector replacement, 910 NOK\nAt S3: Hot water from surplus, 640 NOK"
    )
    first, second = rows(small["Details"])
    told = first["known hazards here"]
    assert told == f"At S2: DANGER [arc] {ARC} Who: licensed electrician.\nAt S3: no hazard is known here"
    assert first["safety notes of the work offered"] == "At S2: DANGER fall, arc\nAt S3: WARNING scald"
    assert first["same customer, further sites"] == "S3, number 3 on the list, offer"
    assert second["same customer, further sites"] is None


def test_a_recorded_basis_is_the_contact_rule(tmp_path: Path) -> None:
    people = [{"customer_id": "C1", "contact_basis": "agreed on 2025-03-01", "on_register": False}]
    _, second = rows(written(SmallRun(people=people), tmp_path)["Details"])
    assert "Basis: agreed on 2025-03-01." in second["contact rule"]
    assert "Not on a do-not-call register." in second["contact rule"]


def test_what_is_told_for_safety_weighs_no_sale(small: Any) -> None:
    first, _ = rows(small["Details"])
    assert (first["chance of yes"], first["contribution to the company if yes [NOK]"]) == (None, None)
    assert first["price with tax [NOK]"] == 910


@pytest.mark.slow
def test_what_has_to_be_looked_at_stands_with_safety_matters_too(tmp_path: Path) -> None:
    said = {"screening_reason": "see which plugs are old. See the roof, too", "for_safety": True}
    ranking = [{**row, **said} if row["site_id"] == "S2" else row for row in TABLES["ranking"]]
    first, _ = rows(written(SmallRun().with_rows("ranking", ranking), tmp_path)["Details"])
    assert first["before the price is firm"] == "subject to survey: see which plugs are old. See the roof, too"


def test_number_formats_and_wrapping(small: Any) -> None:
    wanted = {
        "Calls": {"net benefit [NOK]": "#,##0", "what to say": ""},
        "Details": {
            "chance of a gain": '[>0.99]"over 99 %";[<0.01]"under 1 %";0%',
            "known hazards here": "",
            "what to ask": "",
        },
    }
    for name, titles in wanted.items():
        sheet = small[name]
        at = {cell.value: cell.column for cell in sheet[header_row(sheet)]}
        for title, number_format in titles.items():
            cell = sheet.cell(header_row(sheet) + 2, at[title])
            assert cell.number_format == number_format if number_format else cell.alignment.wrap_text


def test_every_safety_note_stands_whole_worst_first(small: Any) -> None:
    sheet = small["Safety notes"]
    assert "Local codes and licensed practice come first" in sheet["A2"].value
    found = rows(sheet)
    assert [(row["note"], row["what can happen and what to do"]) for row in found] == [
        ("arc", ARC),
        ("fall", FALL),
        ("scald", SCALD),
    ]
    assert [row["sites"] for row in found] == [2, 2, 2]
    assert found[2]["who may do it"] == "licensed plumber"
    assert found[1]["holds for"] == "Bird mesh, Connector replacement"


def test_known_dangers_of_those_not_called_too(small: Any) -> None:
    found = rows(small["Hazard register"])
    assert [(row["site"], row["customer number"], row["position on the call list"]) for row in found] == [
        ("S2", "C2", 1),
        ("S4", "C3", None),
    ]
    assert [row["what it is and what to do"] for row in found] == [ARC, ARC]
    assert (found[0]["name"], found[0]["phone"], found[0]["address"]) == ("Household 2", "0002", "LK 02 Sallowby")
    assert [found[0][title] for title in ("notified on", "by", "acknowledged")] == [None] * 3  # to be filled in
    assert found[1]["why not on the call list"] == "the customer may not be called"
    assert [row["how to notify"] for row in found] == ["call", "letter or in person"]


def test_what_is_good_for_the_owner_and_not_called_stands_first_with_whose_money_it_is(tmp_path: Path) -> None:
    passing = {"site_id": "S3", "customer_id": "C2", "retrofit": "hot_water_diverter", "npv": 77.0}
    passing |= {"kind": "in_passing", "contribution": 0.5, "excluded_reason": "call_costs_more"}
    barred = {"site_id": "S1", "customer_id": "C3", "excluded_reason": "not_allowed", "npv": 500.0, "kind": ""}
    first, second = rows(written(SmallRun().with_rows("call", [barred, passing]), tmp_path)["Not called"])
    assert (first["site"], first["to mention or do in passing"]) == ("S3", "Hot water from surplus")
    assert [value for title, value in first.items() if "net benefit" in title or "contribution" in title] == [77.0, 0.5]
    assert (second["site"], second["to mention or do in passing"]) == ("S1", None)
    assert 500.0 not in second.values()


@pytest.mark.slow
def test_a_text_too_long_for_a_row_is_continued_and_says_so(tmp_path: Path) -> None:
    text = " ".join(f"word{number}" for number in range(6000))  # 50,000 characters
    long = [{**row, "text": text} if row["note_id"] == "arc" else row for row in TABLES["safety_note"]]
    workbook = written(SmallRun().with_rows("safety_note", long), tmp_path)
    for name, column in (
        ("Safety notes", "what can happen and what to do"),
        ("Hazard register", "what it is and what to do"),
    ):
        mine = [row for row in rows(workbook[name]) if row["note"] in ("arc", None) and row.get("site", "S2") == "S2"]
        parts = [row[column] for row in mine if row[column] and "word" in row[column]]
        assert all(CONTINUES in part for part in parts[:-1])
        assert all(len(part) < 32_767 for part in parts)
        whole = "".join(part.removeprefix(CONTINUED).removesuffix(CONTINUES) for part in parts)
        assert whole == text
    row = rows(workbook["Details"])
    told = "".join(
        (one["known hazards here"] or "").removeprefix(CONTINUED).removesuffix(CONTINUES)
        for one in row
        if one["call"] == 1
    )
    assert text in told


@pytest.mark.slow
@given(st.text(max_size=3000), st.integers(5, 90))
def test_pieces_lose_nothing(text: str, width: int) -> None:
    found = pieces(text, width)
    assert "".join(found) == text
    assert all(len(piece) <= LARGEST_CELL and piece.count("\n") <= 24 for piece in found)


HOSTILE = [
    "=1+1", "+43 1 234", "-5", "@SUM(A1)", "\tTab first", "=HYPERLINK(\"http://x.invalid\",\"x\")", "{=1}",
    "http://x.invalid/", "mailto:x@x.invalid", "<b>&amp;\"quoted\" 'single'</b>", "../../etc/passwd",
    "Łukasz Çelik-Ñandú", "שלום עולם", "😀" * 20, "x" * 200, "0012", "1e5", "TRUE", "_x0041_", "#N/A",
]  # fmt: skip


@pytest.mark.slow
def test_hostile_text_stays_the_text_it_is(tmp_path: Path) -> None:
    people, calls, texts = [], [], {}
    for number, text in enumerate(HOSTILE, 1):
        fields = dict.fromkeys(("name", "town", "phone", "email"), text)
        people.append({"customer_id": f"C{number}", **fields})
        own = {"position": number, "site_id": f"S{number}", "customer_id": f"C{number}"}
        texts[f"S{number}"] = text
        calls.append({**TABLES["call"][1], **own})
    workbook = written(SmallRun(people=people, texts=texts).with_rows("call", calls), tmp_path)
    sheet = workbook["Calls"]
    at = {cell.value: cell.column for cell in sheet[header_row(sheet)]}
    for number, text in enumerate(HOSTILE, 1):
        shown = text.replace("_x0041_", "_x005F_x0041_")  # how the format writes these letters down
        details = workbook["Details"]
        in_details = {cell.value: cell.column for cell in details[header_row(details)]}
        cells = [sheet.cell(header_row(sheet) + number, at[title]) for title in ("customer", "phone", "what to say")]
        cells += [details.cell(header_row(details) + number, in_details[title]) for title in ("town", "e-mail")]
        for cell in cells:
            assert (cell.value, cell.data_type) == (shown, "s")
            assert cell.hyperlink is None
    for one in workbook:
        formulas = [cell for row in one.iter_rows() for cell in row if cell.data_type == "f"]
        assert not formulas or one.title == "call_log"


@pytest.mark.slow
def test_characters_that_xml_forbids_are_shown_and_markup_of_the_library_is_not_taken(tmp_path: Path) -> None:
    people = [
        {
            "customer_id": "C1",
            "name": "a\x00b\x1b\x7f\rc\ufffe",
            "town": "<r><t>x</t></r></is></c><c><f>1+1</f></c><r></r>",
            "phone": "\r=1",
            "email": "abc\u202egnp.exe",
        }
    ]
    written(SmallRun(people=people), tmp_path)
    with zipfile.ZipFile(tmp_path / "call_sheet.xlsx") as archive:
        for part in archive.namelist():
            ElementTree.fromstring(archive.read(part))
    workbook = openpyxl.load_workbook(tmp_path / "call_sheet.xlsx")
    second = rows(workbook["Calls"])[1] | rows(workbook["Details"])[1]
    assert second["customer"] == "a␀b␛␡␍c\ufffd"
    assert plain("\ud800\x85") == "\ufffd\ufffd"
    assert second["town"].rstrip(" ") == "<r><t>x</t></r></is></c><c><f>1+1</f></c><r></r>"
    assert second["phone"] == "␍=1"
    assert second["e-mail"] == "abcgnp.exe"


def test_nobody_to_call_still_makes_a_useful_workbook(tmp_path: Path) -> None:
    nobody = [{"site_id": "S4", "customer_id": "C3", "excluded_reason": "not_allowed"}]
    run = SmallRun().with_rows("call", nobody).with_rows("run_plan", []).with_rows("run_capacity", [])
    workbook = written(run, tmp_path)
    assert workbook.sheetnames == SHEETS
    sheet = workbook["Calls"]
    assert "Nobody is to be called" in sheet.cell(header_row(sheet) + 1, 1).value
    assert len(rows(workbook["All retrofits"])) == 4
    assert len(rows(workbook["Hazard register"])) == 2
    assert rows(workbook["Not called"])[0]["why not"] == "the customer may not be called"


def test_a_run_with_nothing_in_it_makes_a_workbook(tmp_path: Path) -> None:
    workbook = written(SmallRun(tables={name: typed(name, []) for name in TABLES}), tmp_path)
    assert workbook.sheetnames == SHEETS
    assert "no safety note" in workbook["Safety notes"].cell(header_row(workbook["Safety notes"]) + 1, 1).value


@pytest.mark.slow
def test_what_was_not_drawn_is_said_and_not_nought(tmp_path: Path) -> None:
    blank = dict.fromkeys(("npv_p90", "npv_p10", "chance_npv_positive"))
    run = SmallRun()
    for name in ("offer", "ranking"):
        run = run.with_rows(name, [{**row, **blank} for row in TABLES[name]])
    workbook = written(run, tmp_path)
    titles = ("net benefit P90 [NOK]", "net benefit P10 [NOK]", "chance of a gain")
    for name in ("Details", "Offers"):
        for row in rows(workbook[name]):
            assert [row[title] for title in titles] == ["not drawn"] * 3
    ranked = rows(workbook["All retrofits"])
    assert [ranked[0][title] for title in titles] == ["not drawn"] * 3
    assert [ranked[3][title] for title in titles] == [None] * 3  # does not fit: nothing was reckoned


def test_other_sheets_hold_the_stored_tables(small: Any) -> None:
    ranked = rows(small["All retrofits"])
    assert [(row["site"], row["rank"], row["retrofit"], row["status"]) for row in ranked] == [
        ("S1", 1, "Hot water from surplus", "subject to survey"),
        ("S1", 2, "Bird mesh", "recommended"),
        ("S2", 1, "Connector replacement", "safety remedial"),
        ("S4", 1, "Bird mesh", "not applicable"),
    ]
    assert ranked[1]["net benefit P90 [NOK]"] == "not drawn"
    assert ranked[1]["energy gain [kWh a year]"] == 130
    assert [row["safety notes"] for row in ranked] == ["WARNING scald", "DANGER fall", "DANGER fall, arc", None]
    assert ranked[3]["reason"] == "A flat roof."
    asked = rows(small["Questions"])
    assert [row["fact"] for row in asked] == ["birds_seen", "owner_present", "open_string"]
    assert (asked[0]["value of an answer by phone [NOK]"], asked[0]["a visit costs us [NOK]"]) == (70, 110)
    offered = {row["site"]: row for row in rows(small["Offers"])}
    assert offered["S3"]["position on the call list"] == 3
    assert offered["S2"]["safety matter"] == "yes"
    (hours,) = rows(small["Month"])
    assert (hours["capacity"], hours["bookable"], hours["expected"], hours["next job fits"]) == (
        "roofer hours",
        4.5,
        3.25,
        "no",
    )
    month = small["Month"]
    assert month.cell(header_row(month) + 1, 2).number_format == "#,##0.0"
    assert "1,234 NOK" in small["Month"]["A2"].value
    (assumed,) = rows(small["Assumptions"])
    assert (assumed["about"], assumed["used"], assumed["usual"]) == ("Bird mesh", 12, 15)
    assert assumed["replaced by the company"] == "by the company; steel rusts here"
    (claim,) = rows(small["Claims of the trade"])
    assert claim["claim"] == "Up to 20 % more energy."
    facts = {(row["what"], row["name"]): (row["value"], row["remark"]) for row in rows(small["Run"])}
    assert facts["run", "id"][0] == "20260601T080000000000Z"
    assert facts["run", "made at"][0] == "2026-06-01 08:00 UTC"
    assert facts["run", "as of"][0] == "2026-06-01"
    assert facts["hash of an input", "sites"][0] == "abc123"
    assert facts["version", "bird_mesh"][0] == "1.0"
    less_certain = {name: value for (what, name), (value, _) in facts.items() if what == "less certain energy"}
    assert less_certain == {"S1": "the weather station is 52 km away"}
    assert facts["failure", "tilt_mount"] == ("it fell over", "change")
    assert facts["replaced by the company", "assumed of every system: rain threshold mm"] == (
        "15",
        "workshop; dust of the quarry",
    )
    assert facts["not called", "the customer may not be called"][0] == "1 site"
    uncertain = {name: value for (what, name), (value, _) in facts.items() if what == "less certain energy"}
    assert uncertain == {"S1": "the weather station is 52 km away"}


def test_without_names_their_columns_are_left_out(tmp_path: Path) -> None:
    workbook = written(SmallRun(personal=False), tmp_path)
    assert "call_log" not in workbook.sheetnames
    header = [cell.value for cell in workbook["Calls"][header_row(workbook["Calls"])]]
    assert not {"customer", "phone", "called on", "outcome", "remark"} & set(header)
    assert header[1] == "site"
    assert not {"customer", "town", "e-mail"} & set(rows(workbook["Details"])[0])
    with zipfile.ZipFile(tmp_path / "call_sheet.xlsx") as archive:
        text = "".join(archive.read(part).decode() for part in archive.namelist())
    for told in ("Household", "Larkmoor<", "000 0001", "Sallowby", ">C1<", ">C3<", "workshop;"):
        assert told not in text


@pytest.mark.slow
def test_properties_name_nobody_and_the_same_run_gives_the_same_file(tmp_path: Path) -> None:
    made = written(SmallRun(), tmp_path / "a").properties
    assert (made.title, made.creator or "", made.lastModifiedBy or "") == ("Call sheet", "", "")
    assert f"{made.created:%Y-%m-%d %H:%M}" == "2026-06-01 08:00"
    written(SmallRun(), tmp_path / "b")
    assert (tmp_path / "a/call_sheet.xlsx").read_bytes() == (tmp_path / "b/call_sheet.xlsx").read_bytes()


@pytest.mark.slow
def test_paper_is_that_of_the_letterhead(tmp_path: Path) -> None:
    run = SmallRun()
    for paper, code in (("a4", 9), ("letter", 1)):
        workbook = written(replace(run, letterhead=replace(run.letterhead, paper=paper)), tmp_path / paper)
        assert {int(sheet.page_setup.paperSize) for sheet in workbook} == {code}


@pytest.mark.slow
def test_more_rows_than_a_sheet_holds_go_on_in_another(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(book, "LARGEST_SHEET", 103)  # two lines and a header above 100 rows
    many = [{"site_id": f"S{number:03}", "rank": 1, "retrofit": "bird_mesh"} for number in range(250)]
    workbook = written(SmallRun().with_rows("ranking", [{**row, "status": "not_applicable"} for row in many]), tmp_path)
    names = ["All retrofits", "All retrofits 2", "All retrofits 3"]
    assert [len(rows(workbook[name])) for name in names] == [100, 100, 50]
    sites = [row["site"] for name in names for row in rows(workbook[name])]
    assert sites == [f"S{number:03}" for number in range(250)]


def test_a_folder_that_cannot_be_written_is_one_sentence_and_nothing_is_left(tmp_path: Path) -> None:
    with pytest.raises(api.AftersunError, match="cannot be written"):
        CallSheet().write(SmallRun(), tmp_path / "missing", {})
    assert list(tmp_path.iterdir()) == []


def test_a_failure_half_way_leaves_nothing(tmp_path: Path) -> None:
    run = SmallRun()
    broken = replace(run, tables={name: table for name, table in run.tables.items() if name != "run_claim"})
    with pytest.raises(KeyError):
        CallSheet().write(broken, tmp_path, {})
    assert list(tmp_path.iterdir()) == []


def test_settings_are_refused(tmp_path: Path) -> None:
    with pytest.raises(api.AftersunError, match="no setting colour"):
        CallSheet().write(SmallRun(), tmp_path, {"colour": "red"})


def test_every_column_of_the_calls_is_explained(small: Any) -> None:
    for name in ("Calls", "Details"):
        explained = {row["column"] for row in rows(small["How to read this"]) if row["sheet"] == name}
        assert {cell.value for cell in small[name][header_row(small[name])]} <= explained
    sheets = {row["sheet"] for row in rows(small["How to read this"])}
    assert sheets == set(SHEETS) - {"How to read this"}


def test_no_text_of_ours_names_an_amount_without_its_currency(small: Any) -> None:
    for sheet in small:
        for cell in sheet[header_row(sheet)]:
            if re.match(r"(price|net benefit|value (of|if)|contribution|first-year)", str(cell.value)):
                assert str(cell.value).endswith("[NOK]"), cell.value


@pytest.mark.slow
def test_a_call_where_a_danger_stands_is_of_that_kind_whatever_it_is_about(tmp_path: Path) -> None:
    call = {**TABLES["call"][1], "kind": "warn_and_offer", "must_call": False}
    (row,) = rows(written(SmallRun().with_rows("call", [call]), tmp_path)["Details"])
    assert row["kind of call"] == "safety, and an offer"
