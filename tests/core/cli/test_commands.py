"""The program as its three users meet it: exit codes, nothing lost, safety notes shown, no customer data leaked."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
import sys
from pathlib import Path

import duckdb
import pytest
from demo_support import CALLED_FOR_SAFETY, keep_sites
from run_support import Small, copied, plugin, small

from aftersun.cli.terminal import amount, money
from aftersun.model.change import SEVERITIES
from aftersun.scoring.run import demo as demo_module
from aftersun.scoring.run.demo import Demo
from aftersun.scoring.run.rank import rank
from aftersun.scoring.value import cohorts

BROKEN = {
    "raises": "raise RuntimeError('no such luck')",
    "not_a_number": "return api.Change(plant.replace(transmittance=plant.transmittance * np.nan), [])",
    "another_index": "return api.Change(plant.replace(availability=plant.availability[1:]), [])",
}
NO_RANGES = ("--as-of", "2026-06-01", "--no-ranges")


@pytest.fixture(scope="module")
def few_ranked(tmp_path_factory: pytest.TempPathFactory) -> Small:
    """Twelve sites, ranked without ranges."""
    made = small(tmp_path_factory.mktemp("few") / "made", 12, last="S0036")
    rank(made.inventory, made.settings(chunk_sites=100))
    return made


@pytest.fixture
def few(few_ranked: Small, tmp_path: Path) -> Small:
    return copied(few_ranked, tmp_path)


@pytest.fixture
def copy(demo_folder: Path, tmp_path: Path) -> Path:
    shutil.copytree(demo_folder, tmp_path / "demo")
    return tmp_path / "demo"


@pytest.mark.parametrize("sites", [CALLED_FOR_SAFETY, pytest.param(None, marks=pytest.mark.slow)])
@pytest.mark.slow
def test_demo_shows_ten_calls_with_reasons_and_says_where_everything_is(aftersun, tmp_path, monkeypatch, sites):
    if sites is not None:
        whole = demo_module.make_demo

        def few(*given: object, **named: object) -> Demo:
            made = whole(*given, **named)
            keep_sites(made.inventory, [f"S{number:04d}" for number in sites])
            return made

        monkeypatch.setattr(demo_module, "make_demo", few)
    ran = aftersun("demo", tmp_path / "d", "--workers", 1)
    assert ran.code == 0
    lists, notes = ran.out.split("\nSafety notes\n")
    shown = [int(n) for n in re.findall(r"^ ?(\d+)  S\d{4} ", lists, re.M)]
    assert shown == sorted(set(shown))
    assert 10 <= len(shown) <= 20  # of hazards at most ten, of calls to make at most ten
    assert lists.count("\n") <= 43  # and three to say what was made
    numbers = [int(n) for line in re.findall(r"^calls? ([\d, ]+):", notes, re.M) for n in line.split(", ")]
    assert set(shown) <= set(numbers)
    assert len(numbers) == len(set(numbers))
    assert str(tmp_path / "d" / "demo.duckdb") in ran.out
    assert "rejected" in ran.out


def test_demo_refuses_an_existing_folder(aftersun, tmp_path):
    ran = aftersun("demo", tmp_path)
    assert (ran.code, ran.out) == (2, "")
    assert "exists already" in ran.err
    assert "Traceback" not in ran.err


def test_most_retrofits_win_somewhere_and_all_lose_somewhere(demo_folder):
    with duckdb.connect(str(demo_folder / "demo.duckdb"), read_only=True) as connection:
        rows = connection.execute(
            "SELECT retrofit, max(npv) > 0, min(npv) < 0, count(*) FROM latest_ranking GROUP BY 1 ORDER BY 1"
        ).fetchall()
    assert len(rows) == 7
    # No roof of the demo soils so much that a film would pay; the one where another tilt does is not among these sites.
    assert {name for name, wins, *_ in rows if not wins} <= {"anti_soiling_coating", "tilt_mount"}
    assert all(loses for _, _, loses, _ in rows)
    assert len({count for *_, count in rows}) == 1  # losers are kept for every site


def test_do_not_call_customers_are_never_on_the_list(demo_folder):
    with duckdb.connect(str(demo_folder / "demo.duckdb"), read_only=True) as connection:
        called = connection.execute(
            "SELECT c.contact_allowed, count(*) FROM call JOIN customer c USING (customer_id) "
            "WHERE position IS NOT NULL GROUP BY 1"
        ).fetchall()
        silent = connection.execute(
            "SELECT count(*) FROM call WHERE position IS NULL AND coalesce(excluded_reason, '') = ''"
        ).fetchone()
    assert [allowed for allowed, _ in called] == [True]
    assert silent == (0,)


@pytest.mark.slow
def test_explain_shows_every_retrofit_cost_item_claim_and_safety_note_and_how_sure_it_is(aftersun, demo_folder):
    inventory = demo_folder / "demo.duckdb"
    with duckdb.connect(str(inventory), read_only=True) as connection:
        (site,) = connection.execute("SELECT site_id FROM call WHERE position = 1").fetchone()
        notes = connection.execute("SELECT severity, text FROM safety_note WHERE site_id = ?", [site]).fetchall()
        costs = connection.execute("SELECT count(*) FROM cost_item WHERE site_id = ?", [site]).fetchone()[0]
        titles = [title for (title,) in connection.execute("SELECT DISTINCT title FROM run_retrofit").fetchall()]
        claims = [text for (text,) in connection.execute("SELECT text FROM run_claim").fetchall()]
    ran = aftersun("explain", inventory, site, "--all")
    assert ran.code == 0
    flat = " ".join(ran.out.split())
    assert len(titles) == 7
    for text in [*titles, *claims, *(text for _, text in notes)]:
        assert " ".join(text.split()) in flat
    shown = len(re.findall(rf"^  (?:{'|'.join(SEVERITIES).upper()}) \[", ran.out, re.M))
    assert shown == len(set(notes)) > 0  # each text once; where it holds again it is named
    assert all(f"{title}: " in ran.out for title in titles)
    assert flat.count("Safety, as above: ") > 0
    assert len(re.findall(r"^  (?:once|every year) ", ran.out, re.M)) == costs
    assert all(len(line) <= 100 for line in ran.out.splitlines())
    assert "More than " in ran.out
    assert "most sensitive to" in ran.out
    assert "Rank again" not in ran.out  # nothing has changed since the run
    assert "most sensitive to" not in aftersun("explain", inventory, site, "--all", "--stored-only").out


def test_explain_begins_with_a_line_for_each_retrofit_and_loses_no_safety_note(aftersun, demo_folder):
    inventory = demo_folder / "demo.duckdb"
    with duckdb.connect(str(inventory), read_only=True) as connection:
        (site,) = connection.execute("SELECT site_id FROM call WHERE kind = 'offer' AND position > 0").fetchone()
        ranked = connection.execute(
            "SELECT title, npv, upfront, status FROM latest_ranking JOIN run_retrofit USING (run_id, retrofit) "
            "WHERE site_id = ? ORDER BY rank NULLS LAST",
            [site],
        ).fetchall()
        notes = connection.execute(
            "SELECT DISTINCT note_id, text, bool_or(status IN ('recommended', 'subject_to_survey', 'ask_first', "
            "'safety_remedial')) FROM safety_note JOIN latest_ranking USING (run_id, site_id, retrofit) "
            "WHERE site_id = ? GROUP BY 1, 2",
            [site],
        ).fetchall()
    ran = aftersun("explain", inventory, site)
    assert ran.code == 0
    lines = ran.out.splitlines()
    first = next(number for number, line in enumerate(lines) if line.startswith(ranked[0][0]))
    assert first < 12
    for line, (title, npv, upfront, _) in zip(lines[first:], ranked, strict=False):
        assert line.startswith(title)
        if npv is not None:
            assert f" {money(npv)} " in line
            # what is asked in any case; a plus where more comes on top, which is told below
            asked = re.search(r"  ([\d,]+)(\+?)  ", line)
            assert asked
            assert asked[1] == amount(upfront) or (asked[2] and f"+ {title}: " in ran.out)
    flat = " ".join(ran.out.split())
    assert any(may_be_done for *_, may_be_done in notes)
    for note_id, text, may_be_done in notes:
        assert note_id in flat
        assert (" ".join(text.split()) in flat) == may_be_done
    assert "most sensitive to" not in ran.out


@pytest.mark.slow
def test_one_retrofit_in_full_is_that_one_alone(aftersun, demo_folder):
    inventory = demo_folder / "demo.duckdb"
    ran = aftersun("explain", inventory, "S0010", "--retrofit", "bird_mesh", "--retrofit", "Monitoring with alerts")
    assert ran.code == 0
    assert re.findall(r"^(Bird mesh|Monitoring with alerts|Tilt mount|Hot water from surplus): ", ran.out, re.M)
    assert "Tilt mount: " not in ran.out
    assert "most sensitive to" in ran.out


def test_a_retrofit_that_the_run_does_not_have_is_a_sentence(aftersun, demo_folder):
    ran = aftersun("explain", demo_folder / "demo.duckdb", "S0010", "--retrofit", "wind_turbine")
    assert (ran.code, ran.out) == (2, "")
    assert ran.err.startswith("aftersun: The run has no retrofit 'wind_turbine'.")
    assert "bird_mesh" in ran.err


@pytest.mark.slow
def test_a_ranking_without_ranges_is_the_same_but_for_how_sure_it_is(aftersun, copy):
    inventory = copy / "demo.duckdb"
    ran = aftersun("rank", inventory, *NO_RANGES, "--workers", 1)
    assert ran.code == 0
    assert "chance of a gain" not in ran.out
    with duckdb.connect(str(inventory), read_only=True) as connection:
        query = "SELECT site_id, retrofit, npv, npv_usual, npv_p90 FROM ranking WHERE run_id = ? ORDER BY ALL"
        runs = [run for (run,) in connection.execute("SELECT run_id FROM run ORDER BY started_at").fetchall()]
        drawn, undrawn = (connection.execute(query, [run]).df() for run in (runs[0], runs[-1]))
    assert drawn["npv_usual"].equals(undrawn["npv"])
    assert undrawn["npv_usual"].equals(undrawn["npv"])
    assert drawn["npv_p90"].notna().any()
    assert undrawn["npv_p90"].isna().all()
    assert json.loads(aftersun("calls", inventory, "--json").out)["calls"][0]["npv_p90"] is None
    assert "a look without ranges" in " ".join(ran.out.split())
    written = aftersun("write", inventory, "--to", copy / "out")
    assert written.code == 2
    assert "a look without ranges" in written.err
    assert not (copy / "out").exists()


@pytest.mark.slow
def test_ask_lists_questions_of_all_sites_and_of_one(aftersun, demo_folder):
    inventory = demo_folder / "demo.duckdb"
    everywhere = aftersun("ask", inventory)
    assert everywhere.code == 0
    assert "Visits that pay before anything is offered" in everywhere.out
    data = json.loads(aftersun("ask", inventory, "--json").out)
    values = [row["value_of_phone"] for row in data["questions"]]
    assert values == sorted(values, reverse=True)
    site = data["questions"][0]["site_id"]
    flat = " ".join(aftersun("ask", inventory, site).out.split())
    assert data["questions"][0]["question"] in flat
    assert aftersun("ask", inventory, "nowhere").code == 2


@pytest.mark.slow
def test_what_if_shows_both_and_stores_nothing(aftersun, demo_folder):
    inventory = demo_folder / "demo.duckdb"
    ran = aftersun("what-if", inventory, "--if", "materials.tilt_frame=10", "--site", "S0160")
    assert ran.code == 0
    assert "Nothing is stored" in ran.out
    data = json.loads(
        aftersun("what-if", inventory, "--if", "materials.tilt_frame=10", "--site", "S0160", "--json").out
    )
    assert {note["note_id"] for note in data["safety_notes"]} >= {"dc_stays_live", "work_at_height", "mains_licensed"}
    assert "DANGER [work_at_height]" in ran.out
    assert "Local codes and licensed practice come first" in ran.out
    tilt = next(row for row in data["rows"] if row["retrofit"] == "tilt_mount")
    assert tilt["npv_supposed"] > tilt["npv_stored"]
    assert aftersun("what-if", inventory, "--if", "nonsense").code == 2


def test_ten_calls_are_at_most_forty_lines_and_no_safety_note_is_lost(aftersun, demo_folder):
    inventory = demo_folder / "demo.duckdb"
    out = aftersun("calls", inventory, "--first", 10).out
    lists, notes = out.split("\nSafety notes\n")
    assert lists.count("\n") <= 40
    assert max(map(len, out.splitlines())) <= 100
    data = json.loads(aftersun("calls", inventory, "--first", 10, "--json").out)
    flat = " ".join(notes.split())
    for call in data["to_sell"]:
        (row,) = (line for line in lists.splitlines() if f" {call['site_id']} " in line)
        letters = re.search(rf"calls? (?:\d+, )*{call['position']}(?:, \d+)*: ([A-Z]+(?: [A-Z]+)*)(?= |$)", flat)
        assert letters
        assert row.split()[0] == str(call["position"])
        for note in call["safety_notes"]:
            assert re.search(rf"\b[A-Z]+ {note['severity'].upper()} \[{note['note_id']}\] ", flat)
            assert note["text"] in flat
    for hazard in data["tell_owner"]:
        assert f"[{hazard['note_id']}] {hazard['text']}" in flat
        assert re.search(rf"Known at: [^.]*\b{hazard['site_id']}\b", flat)
    assert flat.count("[work_at_height]") == 1


def test_whom_to_notify_and_whom_to_sell_to_stand_in_lists_of_their_own(aftersun, demo_folder):
    inventory = demo_folder / "demo.duckdb"
    out = aftersun("calls", inventory, "--first", 2).out
    places = [out.index(heading) for heading in ("Hazards to notify", "Calls to make", "Safety notes\n")]
    assert places == sorted(places)
    data = json.loads(aftersun("calls", inventory, "--first", 2, "--json").out)
    notified, sold = out[places[0] : places[1]], out[places[1] : places[2]]
    hazardous = {row["site_id"] for row in data["to_warn"]}
    assert sum(site in notified for site in hazardous) == 2
    assert not any(site in sold for site in hazardous)
    assert all(row["site_id"] in sold for row in data["to_sell"])
    assert hazardous == {row["site_id"] for row in data["tell_owner"]}
    assert [row["kind"] for row in data["to_sell"]] == ["offer", "offer"]
    assert data["in_passing"]
    assert not {row["site_id"] for row in data["in_passing"]} & {row["site_id"] for row in data["calls"]}
    in_full = aftersun("calls", inventory, "--first", 2, "--all").out
    headings = (
        "What to say and to ask",
        "To mention or do in passing",
        "The month, for",
        "Not called",
        "Safety notes\n",
    )
    assert all(heading in in_full for heading in headings)


@pytest.mark.parametrize(
    "columns",
    [
        pytest.param(width, marks=pytest.mark.slow) if width in ("80", "140") else width
        for width in ("60", "80", "100", "140")
    ],
)
def test_no_line_is_wider_than_the_terminal(aftersun, demo_folder, monkeypatch, columns):
    monkeypatch.setenv("COLUMNS", columns)
    for words in (["calls", "--all"], ["explain", "S0160"], ["ask"]):
        out = aftersun(words[0], demo_folder / "demo.duckdb", *words[1:]).out
        assert max(map(len, out.splitlines())) <= int(columns)


@pytest.mark.slow
def test_json_is_read_by_a_program_and_keeps_the_safety_notes(aftersun, demo_folder):
    inventory = demo_folder / "demo.duckdb"
    data = json.loads(aftersun("calls", inventory, "--json", "--first", 5).out)
    assert len(data["calls"]) == 5
    assert all(call["safety_notes"] for call in data["calls"])
    site = data["calls"][0]["site_id"]
    explained = json.loads(aftersun("explain", inventory, site, "--json", "--all").out)
    assert {row["retrofit"] for row in explained["ranking"]} == {row["retrofit"] for row in explained["safety_note"]}
    assert {"name", "low", "high", "npv_low", "npv_high"} <= set(explained["drivers"][0])
    assert json.loads(aftersun("retrofits", "--json").out)["failures"] == []


@pytest.mark.slow
def test_broken_plugins_are_named_and_the_others_stand(aftersun, few, tmp_path):
    before = ranking(few.inventory)
    for name, body in BROKEN.items():
        folder = plugin(tmp_path / "plugins", name, change=body)
    plugin(folder, "unsafe", safety="return api.Notes.of(cohort)")
    ran = aftersun("rank", few.inventory, *NO_RANGES, "--plugins-from", folder, "--workers", 1)
    assert ran.code == 3
    for name in BROKEN:
        assert f"plugin {name} failed during change" in ran.err
    assert "plugin unsafe failed during safety" in ran.err
    assert "no note for" in ran.err
    listed = set(re.findall(r"(?m)^ ?(\d+)  S\d{4} ", ran.out))
    assert listed
    assert listed <= {n for line in re.findall(r"(?m)^calls? ([\d, ]+):", ran.out) for n in line.split(", ")}
    after = ranking(few.inventory)
    broken = {*BROKEN, "unsafe"}
    assert [row for row in after if row[1] not in broken] == before
    assert {row[1]: row[4] for row in after if row[1] in broken} == dict.fromkeys(broken, "failed")


def ranking(inventory: Path) -> list[tuple[object, ...]]:
    with duckdb.connect(str(inventory), read_only=True) as connection:
        return connection.execute(
            "SELECT site_id, retrofit, npv, energy_gain_kwh, status, reason FROM latest_ranking ORDER BY 1, 2"
        ).fetchall()


@pytest.mark.slow  # test_reproducible.py holds it always
def test_workers_change_nothing(aftersun, few, monkeypatch):
    before = ranking(few.inventory)
    whole = cohorts.read_portfolio  # in small chunks, so that there is work for two processes
    monkeypatch.setattr(
        "aftersun.scoring.run.rank.read_portfolio", lambda *a, **k: whole(*a, **{**k, "chunk_sites": 3})
    )
    assert aftersun("rank", few.inventory, *NO_RANGES, "--workers", 2).code == 0
    assert ranking(few.inventory) == before


@pytest.mark.slow
def test_load_ends_with_3_where_rows_are_rejected_and_shows_no_personal_value(aftersun, tmp_path):
    inventory = tmp_path / "c.duckdb"
    assert aftersun("inventory", "create", inventory).code == 0
    table = tmp_path / "customer.csv"
    table.write_text("customer_id,name,phone,contact_allowed\nK1,Secret Name,0123,perhaps\nK2,Other Name,0456,yes\n")
    ran = aftersun("inventory", "load", inventory, table)
    assert ran.code == 3
    assert "1 added" in ran.out
    assert "1 rejected" in ran.out
    assert not re.search("Secret|Other|0123|0456", ran.out + ran.err)
    mend = tmp_path / "mend"
    assert aftersun("inventory", "rejects", inventory, "--to", mend).code == 0
    (mend / "customer.csv").write_text((mend / "customer.csv").read_text("utf-8-sig").replace("perhaps", "no"))
    assert aftersun("inventory", "load", inventory, mend / "customer.csv").code == 0
    assert "No rejected rows are open" in aftersun("inventory", "rejects", inventory).out


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["rank", "{}/no.duckdb"], "company"),
        (["calls", "{}/no.duckdb"], "no.duckdb"),
        (["explain", "{}/no.duckdb", "S1"], "no.duckdb"),
        (["weather", "add", "{}/no.duckdb", "{}/no.epw"], "no.epw"),
        (["inventory", "load", "{}/no.duckdb", "{}/site.csv"], "no.duckdb"),
        (["company", "check", "{}/no.toml"], "no.toml"),
        (["inventory", "columns", "nothing"], "no table 'nothing'"),
        (["inventory", "create", "{}/sub/x.duckdb"], "sub"),
    ],
)
@pytest.mark.few_quick
def test_bad_input_is_one_sentence_and_exit_code_2(aftersun, tmp_path, words, says):
    ran = aftersun(*(word.format(tmp_path) for word in words))
    assert ran.code == 2
    assert says in ran.err
    assert "Traceback" not in ran.err
    assert ran.out == ""


@pytest.mark.slow
def test_a_bad_file_among_several_says_what_is_loaded(aftersun, tmp_path):
    inventory = tmp_path / "c.duckdb"
    aftersun("inventory", "create", inventory)
    (tmp_path / "customer.csv").write_text("customer_id\nK1\n")
    (tmp_path / "site.csv").write_text("site_id\n")
    ran = aftersun("inventory", "load", inventory, tmp_path / "site.csv", tmp_path / "customer.csv")
    assert ran.code == 2
    assert "1 added" in ran.out
    assert "Loaded before this: customer.csv" in ran.err


@pytest.mark.slow
def test_a_shifted_row_is_rejected_and_not_taken_apart(aftersun, tmp_path):
    inventory = tmp_path / "c.duckdb"
    aftersun("inventory", "create", inventory)
    (tmp_path / "customer.csv").write_text("customer_id,town,phone\nK1,Weg 7, Hinterhaus,\nK2,Ort,7\n")
    ran = aftersun("inventory", "load", inventory, tmp_path / "customer.csv")
    assert ran.code == 3
    assert "1 added" in ran.out
    assert "1 rejected" in ran.out


@pytest.mark.parametrize(
    "words", [["company", "new", "{}/no/c.toml"], ["demo", "{}/file/d"], ["inventory", "templates", "{}/file"]]
)
def test_a_place_that_cannot_be_written_is_one_sentence(aftersun, tmp_path, words):
    (tmp_path / "file").write_text("")
    ran = aftersun(*(word.format(tmp_path) for word in words))
    assert ran.code == 2
    assert "Traceback" not in ran.err


def test_a_damaged_inventory_is_one_sentence(aftersun, copy):
    path = copy / "demo.duckdb"
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 3])
    ran = aftersun("calls", path)
    assert ran.code == 2
    assert "Traceback" not in ran.err


@pytest.mark.slow
def test_all_retrofits_off_is_one_sentence(aftersun, copy):
    company = copy / "company.toml"
    ids = [row["id"] for row in json.loads(aftersun("retrofits", "--json").out)["retrofits"]]
    text = re.sub(r"(?m)^off = .*$", f"off = {json.dumps(ids)}", company.read_text())
    company.write_text(text)
    ran = aftersun("rank", copy / "demo.duckdb", "--as-of", "2026-06-01")
    assert ran.code == 2
    assert "no retrofit" in ran.err


@pytest.mark.slow
def test_an_inventory_in_use_ends_with_4(aftersun, copy):
    hold = "import sys, duckdb; c = duckdb.connect(sys.argv[1]); print('held', flush=True); sys.stdin.read()"
    with subprocess.Popen(
        [sys.executable, "-c", hold, str(copy / "demo.duckdb")],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    ) as holder:
        assert holder.stdout is not None
        assert holder.stdout.readline() == "held\n"
        ran = aftersun("calls", copy / "demo.duckdb")
        holder.communicate("")
    assert ran.code == 4
    assert "in use" in ran.err


@pytest.mark.parametrize("words", [[], ["inventory"], ["letter"], ["log"]])
def test_help_texts_end_whole(aftersun, words):
    out = aftersun(*words, "--help").out
    commands = out.split("Commands:\n")[1]
    assert "..." not in commands
    told = re.split(r"(?m)^  (?=[a-z])", commands)[1:]
    assert len(told) >= 4
    assert all(text.rstrip().endswith(".") for text in told)


@pytest.mark.slow
def test_what_if_of_one_site_says_why_nothing_changed(aftersun, demo_folder):
    inventory = demo_folder / "demo.duckdb"
    unfit, so = "bird_mesh.life_years=10", "site.storeys=2"
    with duckdb.connect(str(inventory), read_only=True) as connection:
        (site, title) = connection.execute(
            "SELECT site_id, title FROM latest_ranking JOIN run_retrofit USING (run_id, retrofit) "
            "JOIN site USING (site_id) WHERE retrofit = 'bird_mesh' AND status = 'not_applicable' AND npv IS NULL "
            "AND storeys = 2 "
            "ORDER BY site_id LIMIT 1"
        ).fetchone()
    printed = " ".join(aftersun("what-if", inventory, "--if", unfit, "--if", so, "--site", site).out.split())
    assert f"{unfit} changes nothing: {title} is '" in printed
    assert f"{so} changes nothing: the site is recorded so already." in printed
    moved = aftersun("what-if", inventory, "--if", "money.real_discount_rate=0.2", "--site", site).out
    assert "changes nothing" not in moved


@pytest.mark.slow
def test_help_names_an_example_for_every_command(aftersun):
    for words in (
        ["demo"],
        ["rank"],
        ["calls"],
        ["explain"],
        ["ask"],
        ["what-if"],
        ["retrofits"],
        ["company", "new"],
        ["company", "check"],
        ["weather", "add"],
        ["weather", "list"],
        ["inventory", "create"],
        ["inventory", "load"],
        ["inventory", "check"],
        ["inventory", "rejects"],
        ["inventory", "templates"],
        ["inventory", "columns"],
    ):
        ran = aftersun(*words, "--help")
        assert ran.code == 0
        assert f"Example: aftersun {' '.join(words)}" in " ".join(ran.out.split())


def test_company_template_loads_once_filled_in(aftersun, tmp_path):
    path = tmp_path / "company.toml"
    assert aftersun("company", "new", path).code == 0
    ran = aftersun("company", "check", path)
    assert ran.code == 2
    assert "currency" in ran.err
    assert aftersun("company", "new", path).code == 2


def test_version(aftersun):
    assert aftersun("--version").out.startswith("aftersun ")
