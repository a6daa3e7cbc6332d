"""What leaves the office: letters with number, version and kept bytes; the folder of a run, whole or not at all."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import duckdb
import pytest
from office_support import write_plugins

from aftersun.documents import placing
from aftersun.documents.letters.compose import Choices, compose
from aftersun.documents.letters.facts import fact
from aftersun.documents.output_folder import Order, letter_again, make_letters, make_notices, write_folder
from aftersun.documents.run_view import RunView
from aftersun.host.asking import plugin_limit
from aftersun.inventory.log.call_log import learn, offers, record_call
from aftersun.inventory.log.letters import files_of, listing
from aftersun.inventory.store import private
from aftersun.inventory.store.file import Inventory
from aftersun.model.errors import AftersunError
from aftersun.scoring.run.rank import Settings, rank

DAY = date(2026, 6, 2)


@pytest.fixture
def office(demo, tmp_path):
    """A copy of the demo with plugins whose outputs are invented."""
    folder = tmp_path / "demo"
    shutil.copytree(demo.inventory.parent, folder)
    write_plugins(tmp_path / "plugins")
    return folder


@pytest.fixture
def inventory(office):
    return office / "demo.duckdb"


@pytest.fixture
def order(office, tmp_path):
    return Order(("note",), (), office / "company.toml", tmp_path / "plugins")


@pytest.fixture
def site(inventory):
    """The first on the call list who is offered a bird mesh."""
    with Inventory.open(inventory, read_only=True) as opened:
        calls = RunView(opened).calls()
        return str(calls.loc[calls["retrofit"] == "bird_mesh", "site_id"].iloc[0])


def make(inventory, order, folder, site, day=DAY, **choices):
    return make_letters(inventory, [site], Choices(**choices), order, folder, day)


def only_letter(report):
    (letter,) = report.letters.letters
    return letter


def issued(inventory):
    with Inventory.open(inventory, read_only=True) as opened:
        table = listing(opened)
        return list(zip(table["number"], table["version"], strict=True))


def offered(inventory, site):
    with Inventory.open(inventory, read_only=True) as opened:
        table = offers(opened, site)
        return list(zip(table["retrofit"], table["price"].round(2), table["state"], strict=True))


def all_files(folder):
    return {path.relative_to(folder).as_posix(): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


@pytest.mark.slow
def test_the_first_letter_has_number_one_and_is_an_offer_made(inventory, order, tmp_path, site):
    report = make(inventory, order, tmp_path / "out", site, options=("bird_mesh",), prices={"bird_mesh": 990.0})
    letter = only_letter(report)
    assert (letter.number, letter.version, letter.changes) == ("2026-000001", 1, ())
    assert [path for _, path in report.files] == [f"{site}_2026-000001-v1.txt"]
    text = (tmp_path / "out" / f"{site}_2026-000001-v1.txt").read_text(encoding="utf-8")
    assert "Larkmoor Roofs & Light (invented)|2026-000001 v1|" in text
    assert "bird_mesh=990.00; =0.00" in text
    assert offered(inventory, site) == [("bird_mesh", 990.0, "open")]


@pytest.mark.slow
def test_the_same_again_is_the_same_letter_byte_for_byte(inventory, order, tmp_path, site):
    make(inventory, order, tmp_path / "one", site, options=("bird_mesh",))
    later = make(inventory, order, tmp_path / "two", site, DAY + timedelta(days=9), options=("bird_mesh",))
    assert only_letter(later).made_on == DAY
    assert later.letters.new_letters == ()
    assert all_files(tmp_path / "one") == all_files(tmp_path / "two")
    assert issued(inventory) == [("2026-000001", 1)]
    assert len(offered(inventory, site)) == 1
    # and into the same folder: the file is there
    make(inventory, order, tmp_path / "one", site, options=("bird_mesh",))


@pytest.mark.slow
def test_another_price_is_the_next_version_and_says_so(inventory, order, tmp_path, site):
    make(inventory, order, tmp_path / "out", site, options=("bird_mesh",), prices={"bird_mesh": 1000.0})
    report = make(inventory, order, tmp_path / "out", site, options=("bird_mesh",), prices={"bird_mesh": 1200.0})
    letter = only_letter(report)
    assert (letter.number, letter.version) == ("2026-000001", 2)
    assert letter.changes[0] == fact("change_price", option=("Bird mesh",), before=1000.0, after=1200.0, currency="EUR")
    assert letter.changes[1] == fact("change_other")
    assert offered(inventory, site) == [("bird_mesh", 1000.0, "withdrawn"), ("bird_mesh", 1200.0, "open")]
    assert len(all_files(tmp_path / "out")) == 2


@pytest.mark.slow
def test_a_changed_fact_is_the_next_version(inventory, order, tmp_path, site):
    make(inventory, order, tmp_path / "out", site)
    with Inventory.open(inventory) as opened:
        learn(opened, site, {"battery_kwh": "7.5"}, "visit")
    report = make(inventory, order, tmp_path / "out", site)
    assert only_letter(report).version == 2
    assert fact("fact_battery", kwh=7.5) in only_letter(report).system
    assert only_letter(report).changes == (fact("change_other"),)
    assert any("after the run" in remark for remark in report.remarks)


@pytest.mark.slow
def test_a_new_run_with_the_same_result_makes_no_new_version(inventory, order, office, demo, tmp_path, site):
    make(inventory, order, tmp_path / "out", site)
    rank(inventory, Settings(office / "company.toml", demo.as_of))
    assert only_letter(make(inventory, order, tmp_path / "out", site)).version == 1
    rank(inventory, Settings(office / "company.toml", demo.as_of.replace(month=7)))
    letter = only_letter(make(inventory, order, tmp_path / "out", site, DAY.replace(month=7), asked_for=True))
    assert letter.version == 2
    assert fact("change_other") in letter.changes


@pytest.mark.slow
def test_another_letterhead_is_the_next_version(inventory, order, office, tmp_path, site):
    make(inventory, order, tmp_path / "out", site)
    company = office / "company.toml"
    company.write_text(company.read_text(encoding="utf-8").replace("Slate Lane 3", "Slate Lane 4"), encoding="utf-8")
    letter = only_letter(make(inventory, order, tmp_path / "out", site))
    assert (letter.version, letter.changes) == (2, (fact("change_letterhead"),))


@pytest.mark.slow
def test_texts_that_the_language_file_lacks_are_named(inventory, order, office, tmp_path, site):
    assert make(inventory, order, tmp_path / "out", site).remarks == ()  # English needs no file
    company = office / "company.toml"
    (office / "words.toml").write_text('language = "sv"\n[words]\ngreeting = "God dag,"\n', encoding="utf-8")
    own = company.read_text(encoding="utf-8").replace('language = "en"', 'language = "words.toml"')
    company.write_text(own, encoding="utf-8")
    (remark,) = make(inventory, order, tmp_path / "out", site).remarks
    assert remark == (
        "note: the language file lacks texts, which stay English: not_in_any_file, text_0, text_1, text_2, text_3, "
        "text_4, text_5, text_6 and 2 more."
    )


@pytest.mark.slow
def test_a_letter_that_ran_out_or_is_to_hold_longer_is_the_next_version(inventory, order, tmp_path, site):
    make(inventory, order, tmp_path / "out", site)
    day = DAY + timedelta(days=31)  # the day after the last one
    letter = only_letter(make(inventory, order, tmp_path / "out", site, day))
    assert (letter.version, letter.made_on) == (2, day)
    assert letter.changes == (fact("change_valid_until", before="2026-07-02", after="2026-08-02"),)
    assert only_letter(make(inventory, order, tmp_path / "out", site, day, valid_until=date(2026, 12, 1))).version == 3
    assert only_letter(make(inventory, order, tmp_path / "out", site, day)).version == 3


@pytest.mark.slow
def test_after_a_yes_another_letter_has_another_number(inventory, order, tmp_path, site):
    make(inventory, order, tmp_path / "out", site, options=("bird_mesh",))
    with Inventory.open(inventory) as opened:
        record_call(opened, {"site_id": site, "called_on": "2026-06-03", "outcome": "yes", "retrofit": "bird_mesh"})
    same = make(inventory, order, tmp_path / "out", site, DAY, options=("bird_mesh",))
    assert (only_letter(same).number, only_letter(same).version) == ("2026-000001", 1)
    other = make(inventory, order, tmp_path / "out", site, options=("bird_mesh",), discount=0.1)
    assert (only_letter(other).number, only_letter(other).version) == ("2026-000002", 1)
    assert [state for _, _, state in offered(inventory, site)] == ["taken", "open"]


@pytest.mark.slow
def test_a_batch_keeps_to_what_was_chosen_for_the_last_letter(inventory, order, tmp_path, site):
    make(
        inventory,
        order,
        tmp_path / "one",
        site,
        options=("bird_mesh",),
        prices={"bird_mesh": 900.0},
        remark="As agreed",
    )
    report = make_letters(inventory, 99, Choices(), order, tmp_path / "many", DAY)
    mine = next(letter for letter in report.letters.letters if letter.site_id == site)
    assert (mine.number, mine.version, mine.options[0].price) == ("2026-000001", 1, 900.0)
    assert ("bird_mesh", 900.0, "open") in offered(inventory, site)
    folder = write_folder(inventory, tmp_path / "folder", 99, order, DAY)
    mine = next(letter for letter in folder.letters.letters if letter.site_id == site)
    assert (mine.version, mine.remark) == (1, "As agreed")
    # what is chosen now holds for all
    report = make_letters(inventory, 99, Choices(discount=0.05), order, tmp_path / "many", DAY)
    assert next(letter for letter in report.letters.letters if letter.site_id == site).version == 2


@pytest.mark.slow
def test_a_batch_leaves_out_who_may_not_be_written_to_and_says_so(inventory, order, tmp_path, site):
    with Inventory.open(inventory) as opened:
        calls = len(RunView(opened).calls_to_write())
        record_call(opened, {"site_id": site, "called_on": "2026-06-02", "outcome": "objection"})
        left_out = compose(opened, RunView(opened), [site], Choices(), DAY, batch=True)
    assert left_out.letters == ()
    assert left_out.remarks == (f"No letter: Site {site}: the customer objected to being called.",)
    for report in (
        make_letters(inventory, calls, Choices(), order, tmp_path / "many", DAY),
        write_folder(inventory, tmp_path / "folder", calls, order, DAY),
    ):
        assert report.failures == ()
        assert len(report.letters.letters) == calls - 1
        assert site not in [letter.site_id for letter in report.letters.letters]
    with pytest.raises(AftersunError, match="objected"):
        make(inventory, order, tmp_path / "one", site)
    assert only_letter(make(inventory, order, tmp_path / "one", site, asked_for=True)).version == 1


@pytest.mark.slow
def test_a_notice_and_a_letter_of_a_site_follow_each_other_without_becoming_versions(inventory, order, tmp_path):
    with Inventory.open(inventory, read_only=True) as opened:
        view = RunView(opened)
        told = set(view.to_tell()["site_id"])
        mine = opened.connection.execute(
            "SELECT site_id FROM offer WHERE NOT must_call AND npv > 0 AND chance_allowed = 1"
        ).fetchall()
        site = min(site for (site,) in mine if site in told)

    def tell(day=DAY):
        return only_letter(make_notices(inventory, [site], False, order, tmp_path / "out", day))

    with Inventory.open(inventory) as opened:
        record_call(opened, {"site_id": site, "called_on": "2026-06-01", "outcome": "objection"})
    first = tell()
    assert (first.number, first.version, first.options) == ("2026-000001", 1, ())
    assert first.dangers
    assert offered(inventory, site) == []
    letter = only_letter(make(inventory, order, tmp_path / "out", site, asked_for=True))
    assert (letter.number, letter.version) == ("2026-000002", 1)
    open_before = offered(inventory, site)
    assert tell(DAY + timedelta(days=200)) == first
    assert offered(inventory, site) == open_before
    assert only_letter(make(inventory, order, tmp_path / "out", site, asked_for=True)) == letter
    cheaper = only_letter(make(inventory, order, tmp_path / "out", site, asked_for=True, discount=0.1))
    assert (cheaper.number, cheaper.version) == ("2026-000002", 2)
    with Inventory.open(inventory) as opened:  # another danger is known now
        opened.connection.execute(
            "UPDATE safety_note SET text = text || ' More.' WHERE site_id = ? AND tell_owner", [site]
        )
    second = tell()
    assert (second.number, second.version) == ("2026-000001", 2)
    assert second.changes[0].code == "change_danger_added"
    with Inventory.open(inventory, read_only=True) as opened:
        assert {file.name for file in files_of(opened, "2026-000001", 2)} == {
            f"{site}_2026-000001-v2_safety-notice.txt"
        }


@pytest.mark.slow
def test_a_batch_after_a_notice_keeps_to_what_was_chosen_for_the_letter_before(inventory, order, tmp_path):
    with Inventory.open(inventory, read_only=True) as opened:
        view = RunView(opened)
        calls = view.calls()
        site = str(calls.loc[calls["site_id"].isin(view.to_tell()["site_id"]), "site_id"].iloc[0])
    letter = only_letter(make(inventory, order, tmp_path / "one", site, remark="As agreed"))
    notice = only_letter(make_notices(inventory, [site], False, order, tmp_path / "one", DAY))
    assert notice.number > letter.number
    report = make_letters(inventory, len(calls), Choices(), order, tmp_path / "many", DAY)
    assert letter in report.letters.letters


@pytest.mark.slow
def test_again_writes_the_very_bytes(inventory, order, tmp_path, site):
    make(inventory, order, tmp_path / "out", site)
    make(inventory, order, tmp_path / "out", site, discount=0.2)
    (path,) = letter_again(inventory, "2026-000001", 1, tmp_path / "copy")
    assert path.read_bytes() == (tmp_path / "out" / path.name).read_bytes()
    (path,) = letter_again(inventory, "2026-000001", None, tmp_path / "copy")
    assert path.name.endswith("-v2.txt")
    with pytest.raises(AftersunError, match="no letter"):
        letter_again(inventory, "2026-000009", None, tmp_path / "copy")
    with Inventory.open(inventory, read_only=True) as opened:
        (kept,) = files_of(opened, "2026-000001", 1)
    assert hashlib.sha256(kept.data).hexdigest() == kept.sha256


@pytest.mark.slow
def test_a_letter_that_cannot_be_written_is_stored_nowhere(inventory, office, tmp_path, site):
    order = Order(("note",), ("fail=yes",), office / "company.toml", tmp_path / "plugins")
    report = make(inventory, order, tmp_path / "out", site)
    (failure,) = report.failures
    assert (failure.plugin, failure.during) == ("note", "write")
    # what the error says holds a customer's name: it is not handed on
    assert failure.reason.startswith("RuntimeError (fakes.py, line ")
    assert not (tmp_path / "out").exists()
    assert issued(inventory) == []
    assert offered(inventory, site) == []


@pytest.mark.slow
def test_a_file_in_the_way_stops_letters_before_anything_is_stored(inventory, order, tmp_path, site):
    folder = tmp_path / "out"
    folder.mkdir()
    (folder / f"{site}_2026-000001-v1.txt").write_text("somebody else's")
    with pytest.raises(AftersunError, match="exists already"):
        make(inventory, order, folder, site)
    assert issued(inventory) == []
    assert list(all_files(folder).values()) == [b"somebody else's"]


@pytest.mark.slow
def test_what_is_placed_is_taken_back_if_it_cannot_be_stored(inventory, order, tmp_path, site, monkeypatch):
    def fail(*_arguments):
        raise RuntimeError("the disk is full")

    monkeypatch.setattr("aftersun.inventory.log.letters.keep", fail)
    with pytest.raises(RuntimeError):
        make(inventory, order, tmp_path / "out", site)
    with pytest.raises(RuntimeError):
        write_folder(inventory, tmp_path / "folder", 3, order, DAY)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["demo", "plugins"]
    assert issued(inventory) == []


@pytest.mark.slow
def test_the_folder_of_a_run_is_told_by_its_manifest(inventory, order, office, tmp_path):
    order = Order(
        ("sheet", "several", "note"),
        ("sheet.fonts=/home/somebody/fonts",),
        office / "company.toml",
        order.plugin_folder,
    )
    report = write_folder(inventory, tmp_path / "june", 3, order, DAY)
    assert report.failures == ()
    files = all_files(tmp_path / "june")
    letters = [name for name in files if name.startswith("letters/")]
    assert len(letters) == 3
    assert set(files) - set(letters) == {"sheet.txt", "several/index.txt", "several/parts/one.txt", "manifest.json"}
    manifest = json.loads(files.pop("manifest.json"))
    assert {one["path"]: (one["sha256"], one["bytes"]) for one in manifest["files"]} == {
        name: (hashlib.sha256(data).hexdigest(), len(data)) for name, data in files.items()
    }
    with Inventory.open(inventory, read_only=True) as opened:
        view = RunView(opened)
        assert manifest["run"]["run_id"] == view.run_id
        assert manifest["run"]["inputs_sha256"] == view.made_from["input_hashes"]
        assert manifest["run"]["plugin_versions"] == view.made_from["plugin_versions"]
        told = json.dumps(manifest)
        contacts = view.contacts().drop(columns="customer_id")
        assert not [value for value in contacts.stack() if str(value) in told]
    assert str(tmp_path) not in told
    assert manifest["written"]["settings"] == {"sheet": {"fonts": "fonts"}}
    assert manifest["written"]["letters"] == 3


@pytest.mark.slow
def test_only_their_owner_may_read_the_files(inventory, order, office, tmp_path, site):
    order = Order(("sheet", "several", "note"), (), office / "company.toml", order.plugin_folder)
    write_folder(inventory, tmp_path / "june", 2, order, DAY)
    make(inventory, order, tmp_path / "out", site)
    for folder in (tmp_path / "june", tmp_path / "out"):
        assert folder.stat().st_mode & 0o777 == 0o700
        for path in folder.rglob("*"):
            assert path.stat().st_mode & 0o777 == (0o700 if path.is_dir() else 0o600), path


@pytest.mark.slow
def test_without_names_nobody_can_be_found_in_the_folder(inventory, order, office, tmp_path):
    order = Order(("sheet", "note"), (), office / "company.toml", order.plugin_folder, without_names=True)
    report = write_folder(inventory, tmp_path / "open", 5, order, DAY)
    assert report.skipped == ("note",)
    assert issued(inventory) == []
    text = (tmp_path / "open" / "sheet.txt").read_text(encoding="utf-8")
    with Inventory.open(inventory, read_only=True) as opened:
        named = RunView(opened)
        assert not [site for site in named.sites()["site_id"] if site in text]
        assert not [name for name in named.contacts()["name"].dropna() if name in text]
    assert len(text.splitlines()) > 5


@pytest.mark.slow
def test_nothing_that_is_there_is_overwritten_unasked(inventory, order, tmp_path):
    folder = tmp_path / "june"
    write_folder(inventory, folder, 1, order, DAY)
    before = all_files(folder)
    with pytest.raises(AftersunError, match="exists already"):
        write_folder(inventory, folder, 2, order, DAY)
    assert all_files(folder) == before
    write_folder(inventory, folder, 2, order, DAY, replace_folder=True)
    assert len(all_files(folder)) == 3
    assert sorted(path.name for path in tmp_path.iterdir()) == ["demo", "june", "plugins"]


def test_a_folder_of_other_things_is_not_replaced_even_when_asked(inventory, order, tmp_path):
    (tmp_path / "photos").mkdir()
    (tmp_path / "photos" / "one.jpg").write_bytes(b"x")
    (tmp_path / "file").write_text("x")
    (tmp_path / "link").symlink_to(tmp_path / "photos")
    for name, what in (("photos", "something else"), ("file", "no folder"), ("link", "no folder")):
        with pytest.raises(AftersunError, match=what):
            write_folder(inventory, tmp_path / name, 1, order, DAY, replace_folder=True)
    assert (tmp_path / "photos" / "one.jpg").read_bytes() == b"x"
    assert issued(inventory) == []


@pytest.mark.skipif(os.geteuid() == 0, reason="root may write everywhere")
def test_a_folder_that_may_not_be_written_to_is_a_sentence(inventory, order, tmp_path):
    closed = tmp_path / "closed"
    closed.mkdir(mode=0o500)
    with pytest.raises(AftersunError, match="cannot be written"):
        write_folder(inventory, closed / "june", 1, order, DAY)


@pytest.mark.slow
def test_a_place_that_cannot_be_written_to_leaves_nothing(inventory, order, tmp_path, site, monkeypatch):
    with pytest.raises(AftersunError, match="no folder"):
        write_folder(inventory, tmp_path / "missing" / "june", 1, order, DAY)

    def refuse(self, *_arguments, **_named):
        raise PermissionError(13, "Permission denied", str(self))

    real = Path.rename
    monkeypatch.setattr(Path, "rename", lambda self, to: refuse(self) if Path(to).name == "june" else real(self, to))
    with pytest.raises(AftersunError, match="june cannot be written \\(Permission denied\\)"):
        write_folder(inventory, tmp_path / "june", 0, replace(order, only=("sheet",)), DAY)
    with monkeypatch.context() as patched:
        patched.setattr(private, "_give_name", refuse)
        with pytest.raises(AftersunError, match="cannot be written") as error:
            make(inventory, order, tmp_path / "out", site)
    assert "Letters are kept in the inventory" in error.value.hint
    assert sorted(path.name for path in tmp_path.iterdir()) == ["demo", "plugins"]
    assert issued(inventory) == [("2026-000001", 1)]
    assert only_letter(make(inventory, order, tmp_path / "out", site)).number == "2026-000001"
    assert issued(inventory) == [("2026-000001", 1)]


@pytest.mark.slow
def test_files_are_placed_where_the_file_system_has_no_hard_links(inventory, order, tmp_path, site, monkeypatch):
    def refuse(*_arguments):
        raise PermissionError(1, "Operation not permitted")

    monkeypatch.setattr(os, "link", refuse)
    make(inventory, order, tmp_path / "out", site)
    ((name, data),) = all_files(tmp_path / "out").items()
    assert data.startswith(b"Larkmoor")
    assert (tmp_path / "out" / name).stat().st_mode & 0o777 == 0o600
    (tmp_path / "out" / name).write_text("somebody else's")
    with pytest.raises(AftersunError, match="exists already"):
        make(inventory, order, tmp_path / "out", site)


@pytest.mark.parametrize(
    ("body", "reason"),
    [
        ("raise KeyError('x')", "KeyError (worse.py, line "),
        ("raise SystemExit(3)", "SystemExit (worse.py, line "),
        ("raise api.AftersunError('No such font.', 'Name another.')", "No such font. Name another."),
        ("return []", "it wrote no file"),
        pytest.param("return None", "TypeError (writing.py, line ", marks=pytest.mark.slow),
        pytest.param("return [folder / 'x.txt']", "it names a file that it did not write", marks=pytest.mark.slow),
        pytest.param("return [Path(__file__)]", "it names a file outside of its folder", marks=pytest.mark.slow),
        ("p = folder / '../up.txt'; p.write_text(''); return [p]", "it names a file outside of its folder"),
        ("p = folder / 'a b;c.txt'; p.write_text(''); return [p]", "it gave a file a name with other characters"),
        ("p = folder / 'a.txt'; p.symlink_to(__file__); return [p]", "it names a file that it did not write"),
        ("p = folder / 'a.txt'; p.write_text(''); return [p, p]", "it names a file twice"),
    ],
)
@pytest.mark.slow
def test_an_output_that_misbehaves_stops_no_other(inventory, office, tmp_path, body, reason):
    plugins = write_plugins(tmp_path / "more", body)
    report = write_folder(
        inventory, tmp_path / "june", 0, Order(("bad", "sheet"), (), office / "company.toml", plugins), DAY
    )
    (failure,) = report.failures
    assert failure.plugin == "bad"
    assert failure.reason.startswith(reason)
    assert set(all_files(tmp_path / "june")) == {"sheet.txt", "manifest.json"}
    manifest = json.loads((tmp_path / "june" / "manifest.json").read_text(encoding="utf-8"))
    assert manifest["written"]["failed"] == [{"plugin": "bad", "during": "write"}]
    assert sorted(path.name for path in tmp_path.iterdir()) == ["demo", "june", "more", "plugins"]


ENDS = "ended the process that it ran in "


@pytest.mark.parametrize(
    ("body", "reason"),
    [
        ("import os; os._exit(0)", f"{ENDS}(exit code 0)"),
        ("(folder / 'half.txt').write_text('x'); import ctypes; ctypes.string_at(0)", f"{ENDS}(SIGSEGV)"),
        ("import os; os.fork(); p = folder / 'a.txt'; p.write_text(''); return [p]", "forks the process that it runs"),
        ("(folder / 'half.txt').write_text('x'); import time; time.sleep(600)", "has not answered for 8 s"),
    ],
)
@pytest.mark.slow
def test_an_output_that_ends_or_holds_its_process_stops_no_other(inventory, office, tmp_path, body, reason):
    plugins = write_plugins(tmp_path / "more", body)
    order = Order(("bad", "sheet", "several"), (), office / "company.toml", plugins)
    with plugin_limit(8.0):
        report = write_folder(inventory, tmp_path / "june", 0, order, DAY)
    (failure,) = report.failures
    assert (failure.plugin, failure.during) == ("bad", "write")
    assert failure.reason.startswith(reason)
    written = {"sheet.txt", "several/index.txt", "several/parts/one.txt", "manifest.json"}
    assert set(all_files(tmp_path / "june")) == written
    assert sorted(path.name for path in tmp_path.iterdir()) == ["demo", "june", "more", "plugins"]


@pytest.mark.slow
def test_an_output_of_letters_that_ends_its_process_keeps_no_letter(inventory, office, tmp_path, site):
    plugins = write_plugins(tmp_path / "more")
    text = (plugins / "fakes.py").read_text(encoding="utf-8")
    broken = text.replace('if "fail" in settings:', 'if "fail" in settings:\n            __import__("os")._exit(0)')
    (plugins / "fakes.py").write_text(broken, encoding="utf-8")
    order = Order(("note", "offer_letter"), ("note.fail=yes",), office / "company.toml", plugins)
    report = make(inventory, order, tmp_path / "out", site)
    assert [(one.plugin, one.during) for one in report.failures] == [("note", "write")]
    assert [output for output, _ in report.files] == ["offer_letter"]
    with Inventory.open(inventory, read_only=True) as opened:
        assert list(listing(opened)["output"]) == ["offer_letter"]


@pytest.mark.slow
def test_what_came_with_the_program_writes_in_its_process(inventory, office, tmp_path, monkeypatch):
    monkeypatch.setattr("aftersun.host.workers._Worker.begin", None)  # nothing is handed to another
    report = write_folder(inventory, tmp_path / "june", 0, Order(("call_sheet",), (), office / "company.toml"), DAY)
    assert report.failures == ()
    assert "call_sheet" in [output for output, _ in report.files]


@pytest.mark.slow
def test_if_every_output_fails_there_is_no_folder(inventory, office, tmp_path):
    plugins = write_plugins(tmp_path / "more", "raise KeyError('x')")
    report = write_folder(inventory, tmp_path / "june", 0, Order(("bad",), (), office / "company.toml", plugins), DAY)
    assert report.files == ()
    assert not (tmp_path / "june").exists()


@pytest.mark.slow
def test_what_an_output_prints_goes_nowhere(inventory, order, office, tmp_path, capsys):
    write_folder(
        inventory, tmp_path / "june", 0, Order(("sheet",), (), office / "company.toml", order.plugin_folder), DAY
    )
    assert capsys.readouterr().out == ""


@pytest.mark.parametrize(
    ("only", "settings", "what"),
    [
        (("nothing",), (), "no output 'nothing'"),
        (("note",), ("fonts",), "not written as name=value"),
        (("note",), ("sheet.fonts=x",), "not written as name=value"),
        (("note",), ("a=1", "a=2"), "given twice"),
        (("sheet",), (), "No output that writes letters"),
    ],
)
@pytest.mark.few_quick
@pytest.mark.slow
def test_orders_that_cannot_be_are_a_sentence(inventory, office, tmp_path, site, only, settings, what):
    order = Order(only, settings, office / "company.toml", tmp_path / "plugins")
    with pytest.raises(AftersunError, match=what):
        make(inventory, order, tmp_path / "out", site)


def test_letters_to_nobody_are_a_sentence(inventory, order, tmp_path):
    with pytest.raises(AftersunError, match="no site to write to"):
        make_letters(inventory, [], Choices(), order, tmp_path / "out", DAY)


@pytest.mark.slow
def test_the_letterhead_is_that_of_the_file_given_the_run_or_what_the_run_stored(
    inventory, order, office, tmp_path, site
):
    company = office / "company.toml"
    own = tmp_path / "own.toml"
    text = company.read_text(encoding="utf-8").replace("Larkmoor Roofs & Light (invented)", "Other name")
    own.write_text(text.replace('logo = "logo.svg"', ""), encoding="utf-8")
    given = Order(order.only, (), own, order.plugin_folder)
    plain = Order(order.only, (), None, order.plugin_folder)

    def name_and_remarks(order, number):
        report = make(inventory, order, tmp_path / f"out{number}", site)
        (path,) = (tmp_path / f"out{number}").iterdir()
        return path.read_text(encoding="utf-8").partition("|")[0], report.remarks

    assert name_and_remarks(given, 1) == ("Other name", ())
    assert name_and_remarks(plain, 2) == ("Larkmoor Roofs & Light (invented)", ())
    with Inventory.open(inventory) as opened:  # the copy's run still names the file that it was made with
        opened.connection.execute("UPDATE run SET settings = replace(settings::VARCHAR, 'company.toml', 'gone.toml')")
    name, remarks = name_and_remarks(plain, 3)
    assert name == "Larkmoor Roofs & Light (invented)"
    assert "no longer where it was" in remarks[0]


def test_site_numbers_that_are_paths_make_harmless_file_names():
    assert placing.harmless("../../etc/pass wd;$(x)", "site") == "etc-pass-wd-x"
    assert placing.harmless("\u202e..", "site") == "site"
    assert len(placing.harmless("x" * 300, "site")) == 60
    assert placing.is_harmless("a_b-1.pdf")
    assert not any(map(placing.is_harmless, ["../a", ".hidden", "a b", "a/b", "-x", "", "a.b.c", "é.pdf", "a\n"]))


@pytest.mark.slow
def test_a_hostile_site_number_stays_in_the_folder(inventory, order, tmp_path, site):
    hostile = "../../=x \u202e<b>"
    with Inventory.open(inventory) as opened:
        tables = opened.connection.execute(
            "SELECT table_name FROM information_schema.columns WHERE column_name = 'site_id' AND table_name IN "
            "(SELECT table_name FROM duckdb_tables())"
        ).fetchall()
        for (table,) in tables:
            opened.connection.execute(f'UPDATE "{table}" SET site_id = ? WHERE site_id = ?', [hostile, site])
    report = make(inventory, order, tmp_path / "out", hostile)
    assert [path for _, path in report.files] == ["x-b_2026-000001-v1.txt"]
    assert list(all_files(tmp_path / "out")) == ["x-b_2026-000001-v1.txt"]


@pytest.mark.slow
def test_a_number_is_given_once_though_its_letter_was_not_kept(inventory, order, tmp_path, site, monkeypatch):
    def fails(*_):
        raise RuntimeError("as if killed")

    with monkeypatch.context() as patched:
        patched.setattr("aftersun.inventory.log.letters.keep", fails)
        with pytest.raises(RuntimeError):
            make(inventory, order, tmp_path / "one", site)
    assert only_letter(make(inventory, order, tmp_path / "two", site)).number == "2026-000002"


@pytest.mark.slow
def test_drafts_have_no_number_and_nothing_is_kept_of_them(inventory, order, tmp_path):
    report = write_folder(inventory, tmp_path / "june", 2, order, DAY, drafts=True, notices=True)
    assert {(letter.number, letter.version) for letter in report.letters.letters} == {("", 0)}
    names = [path for _, path in report.files if path.startswith("letters/")]
    assert len(names) == 2
    assert all(name.endswith("_draft.txt") for name in names)
    assert issued(inventory) == []
    again = write_folder(inventory, tmp_path / "july", 2, order, DAY)
    assert [letter.number for letter in again.letters.letters] == ["2026-000001", "2026-000002"]


@pytest.mark.slow
def test_the_folder_has_a_notice_for_every_known_hazard_whoever_may_be_called(inventory, order, tmp_path):
    report = write_folder(inventory, tmp_path / "june", 1, order, DAY, notices=True)
    with Inventory.open(inventory, read_only=True) as opened:
        hazards = set(RunView(opened).to_tell()["site_id"])
        forbidden = set(RunView(opened).may_not_be_called())
    assert hazards & forbidden
    notices = [letter for letter in report.letters.letters if letter.notice]
    assert {letter.site_id for letter in notices} == hazards
    assert sum(path.startswith("notices/") for _, path in report.files) == len(hazards)
    assert len(issued(inventory)) == len(hazards) + 1


@pytest.mark.slow
def test_nothing_is_offered_from_an_old_run_or_old_prices_without_a_word_and_notices_are_written(
    inventory, order, tmp_path, site
):
    with Inventory.open(inventory, read_only=True) as opened:
        made = RunView(opened).made_at.date()
    late = made + timedelta(days=31)
    make(inventory, order, tmp_path / "fresh", site, made + timedelta(days=30))
    with pytest.raises(AftersunError, match="31 days old") as refused:
        make(inventory, order, tmp_path / "old", site, late)
    assert "--although-old" in refused.value.hint
    make(inventory, replace(order, although_old=True), tmp_path / "old", site, late)
    report = write_folder(inventory, tmp_path / "june", 2, order, late, drafts=True, notices=True)
    assert all(letter.notice for letter in report.letters.letters)
    assert report.letters.letters
    assert "The last run is 31 days old." in report.remarks
    price = 'json_merge_patch(settings, \'{"company": {"company": {"price_date": "2025-05-01"}}}\')'
    with duckdb.connect(str(inventory)) as connection:
        connection.execute(f"UPDATE run SET settings = {price}")
    with pytest.raises(AftersunError, match="more than a year old: 2025-05-01"):
        make(inventory, order, tmp_path / "prices", site, made)
