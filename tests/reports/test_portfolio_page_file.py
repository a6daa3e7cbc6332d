"""The portfolio page as a file: what it holds, and that it can ask no network for anything."""

from __future__ import annotations

import base64
import hashlib
import re
from collections.abc import Iterator
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from plotly.offline import get_plotlyjs
from reports.portfolio_page_support import HOSTILE, FakeRun, embedded, renamed, stored, without_ranges

from aftersun import api
from aftersun.documents.run_view import RunView
from aftersun.inventory.store.file import Inventory
from aftersun.scoring.run.demo import Demo
from aftersun_reports import portfolio_page
from aftersun_reports.portfolio_page import PortfolioPage
from aftersun_reports.portfolio_page.coding import by_site, coded, number, packed, sentences
from aftersun_reports.portfolio_page.page import page
from aftersun_reports.portfolio_page.portfolio import page_data

CLOSE = 1e-5  # numbers are written with six digits


@pytest.fixture(scope="module")
def run(demo: Demo) -> FakeRun:
    return stored(demo.inventory)


@pytest.fixture(scope="module")
def text(run: FakeRun) -> str:
    return page(run)


@pytest.fixture(scope="module")
def data(text: str) -> dict[str, Any]:
    return embedded(text)


class Parsed(HTMLParser):
    """The elements of a page, its scripts and the texts of its headings."""

    def __init__(self, text: str) -> None:
        super().__init__(convert_charrefs=True)
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.open: list[str] = []
        self.scripts: list[str] = []
        self.feed(text)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag == "script":
            self.scripts.append("")
        if tag not in ("meta", "input", "br", "link", "img"):
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if self.open and self.open[-1] == "script":
            self.scripts[-1] += data

    def all(self, tag: str) -> list[dict[str, str | None]]:
        return [attributes for name, attributes in self.tags if name == tag]


@pytest.mark.slow
def test_every_element_is_closed_and_the_landmarks_are_there(text: str) -> None:
    parsed = Parsed(text)
    assert parsed.open == []
    for landmark in ("header", "nav", "main", "footer", "h1"):
        assert len(parsed.all(landmark)) == 1
    named = {attributes.get("id") for attributes in parsed.all("h2")}
    assert all(section["aria-labelledby"] in named for section in parsed.all("section"))
    assert parsed.all("html") == [{"lang": "en"}]


@pytest.mark.slow
def test_the_policy_forbids_all_loading_and_lets_the_pages_own_scripts_run(text: str) -> None:
    parsed = Parsed(text)
    policy = next(one["content"] for one in parsed.all("meta") if one.get("http-equiv") == "Content-Security-Policy")
    assert policy is not None
    rules = dict(rule.strip().split(" ", 1) for rule in policy.split(";"))
    assert rules["default-src"] == "'none'"
    assert rules["base-uri"] == rules["form-action"] == "'none'"
    assert rules["img-src"] == "data:"
    assert set(rules) == {"default-src", "script-src", "style-src", "img-src", "base-uri", "form-action"}
    data, *scripts = parsed.scripts
    assert data.startswith("{")
    hashes = [base64.b64encode(hashlib.sha256(script.encode()).digest()).decode() for script in scripts]
    assert rules["script-src"].split() == [f"'sha256-{one}'" for one in hashes]


@pytest.mark.slow
def test_nothing_refers_to_a_network_outside_the_charts_library(text: str) -> None:
    assert text.count(get_plotlyjs()) == 1
    own = text.replace(get_plotlyjs(), "")
    assert not re.search(r"https?:|//[a-z]+\.|@import|url\(", own)
    for tag, attributes in Parsed(own).tags:
        assert "src" not in attributes
        assert tag not in ("link", "iframe", "img", "object", "form")
        assert attributes.get("href", "#").startswith("#")  # type: ignore[union-attr]


def test_every_safety_text_is_whole_in_it_worst_first(data: dict[str, Any], run: FakeRun) -> None:
    notes = run.table("safety_note")
    assert {(note["text"], note["who"]) for note in data["notes"]} == {
        (text, who) for text, who in zip(notes["text"], notes["who"], strict=True)
    }
    severities = [note["severity"] for note in data["notes"]]
    assert severities == sorted(severities, key=["danger", "warning", "caution"].index)
    texts = [(note["text"], note["who"]) for note in data["notes"]]
    assert len(texts) == len(set(texts))


def test_each_line_of_the_table_names_all_notes_of_its_offer(data: dict[str, Any], run: FakeRun) -> None:
    notes = run.table("safety_note")
    tell = run.to_tell()
    sites, offers = data["sites"], _words(data["sites"]["offer"])
    checked = 0
    for place, site in enumerate(sites["id"]):
        if not offers[place]:
            continue
        mine = notes[(notes["site_id"] == site) & notes["retrofit"].isin(run.members(offers[place]))]
        told = {data["notes"][one]["note_id"] for one in sites["note_sets"][sites["notes"][place]]}
        assert {*mine["note_id"], *tell.loc[tell["site_id"] == site, "note_id"]} <= told
        checked += len(mine)
    assert checked > 100


def test_known_dangers_are_told_with_all_their_sites(data: dict[str, Any], run: FakeRun) -> None:
    tell = run.to_tell()
    found = {
        (data["notes"][one["note"]]["note_id"], data["sites"]["id"][site])
        for one in data["known"]
        for site in one["sites"]
    }
    assert found == set(zip(tell["note_id"], tell["site_id"], strict=True))
    assert {data["sites"]["id"][n] for n, danger in enumerate(data["sites"]["danger"]) if danger} == set(
        tell["site_id"]
    )


def test_the_offer_of_a_site_is_that_of_its_call_else_the_one_of_the_highest_net_present_value(
    data: dict[str, Any], run: FakeRun
) -> None:
    offers = run.table("offer")
    best = offers.loc[offers.groupby("site_id")["npv"].idxmax()].set_index("site_id")
    about = run.calls().set_index("site_id")["retrofit"]
    called = offers[offers["site_id"].map(about) == offers["offer"]].set_index("site_id")
    best = pd.concat([called, best.drop(called.index)])
    sites = data["sites"]
    assert sites["id"] == sorted(run.sites()["site_id"])
    expected = best.reindex(sites["id"])
    assert _words(sites["offer"]) == list(expected["offer"].fillna(""))
    pairs = {"npv": "npv", "p90": "npv_p90", "p10": "npv_p10", "chance": "chance_npv_positive", "price": "upfront"}
    for name, column in pairs.items():
        _equal(sites[name], expected[column])
    calls = run.table("call").set_index("site_id").reindex(sites["id"])
    _equal(sites["call"], calls["position"])
    reasons = zip(calls["excluded_reason"].fillna(""), calls["excluded_detail"].fillna(""), strict=True)
    told = {"notice": "notify by letter or in person: ", "in_passing": "good for the owner, in passing: "}
    before = [told.get(kind, "") for kind in calls["kind"].fillna("")]
    said = [
        where + why for where, why in zip(before, (api.not_called_text(*reason) for reason in reasons), strict=True)
    ]
    assert _words(sites["not_called"]) == said
    assert any(before)


def test_sums_of_the_portfolio_are_those_stored(data: dict[str, Any], run: FakeRun) -> None:
    stored_sums = run.table("run_value").set_index("retrofit")
    assert {row["retrofit"] for row in data["value"]} == set(stored_sums.index)
    for row in data["value"]:
        assert row["offers"] == stored_sums.loc[row["retrofit"], "offers"]
        assert row["npv"] == pytest.approx(stored_sums.loc[row["retrofit"], "npv"], rel=CLOSE)
        for name in ("p90", "p10"):
            assert row[name] == pytest.approx(stored_sums.loc[row["retrofit"], f"npv_{name}"], rel=CLOSE)


def test_pages_of_sites_hold_the_stored_rows(data: dict[str, Any], run: FakeRun) -> None:
    ids, details = data["sites"]["id"], data["details"]
    ranking = run.table("ranking").set_index(["site_id", "retrofit"])
    rows = list(_rows(details["retrofits"], ids))
    assert len(rows) == len(ranking)
    for site, row in rows:
        found = ranking.loc[(site, row["retrofit"])]
        assert (row["status"], row["reason"]) == (api.status_text(found["status"]), api.reason_text(found, "EUR"))
        for name in ("npv", "npv_p90", "npv_p10", "upfront", "energy_gain_kwh"):
            assert row[name] is None if pd.isna(found[name]) else row[name] == pytest.approx(found[name], rel=CLOSE)
    question = run.table("question")
    assert sorted((site, row["question"]) for site, row in _rows(details["questions"], ids)) == sorted(
        zip(question["site_id"], question["question"], strict=True)
    )
    member = run.table("offer_member")
    assert [row["npv_added"] for _, row in _rows(details["members"], ids)] == pytest.approx(
        list(member["npv_added"]), rel=CLOSE
    )
    loss = run.table("site_loss").set_index(["site_id", "step"])["kwh"]
    generated = {site: row["kwh"] for site, row in _rows(details["losses"], ids) if row["step"] == "Generated"}
    _equal(list(generated.values()), loss.xs("generated_kwh", level="step")[list(generated)])


@pytest.mark.slow
def test_hours_and_months_are_those_stored(data: dict[str, Any], run: FakeRun) -> None:
    picture = run.table("site_picture").set_index("site_id")["mean_w"]
    months = run.table("offer_month").set_index(["site_id", "offer"]).sort_index()
    names = ["generated_kwh", "used_kwh", "to_water_kwh", "exported_kwh", "imported_kwh"]
    ids, details = data["sites"]["id"], data["details"]
    offers = _words(data["sites"]["offer"])
    for place, site in enumerate(ids):
        watts = _unpacked(details["picture"], place)
        assert (watts is None) == (site not in picture.index)
        if watts is not None:
            assert watts.tolist() == list(picture[site])
        for block, offer in (("months", ""), ("offer_months", offers[place] or None)):
            found = _unpacked(details[block], place)
            if found is None:
                assert offer is None or (site, offer) not in months.index
                continue
            expected = months.loc[[(site, offer)]].sort_values("month")[names].to_numpy(dtype=float).ravel()
            step = max(0.1, expected.max() / 65535)  # kWh: sixteen bits from 0 to the greatest month
            assert np.abs(found - expected).max() <= 0.51 * step


@pytest.mark.slow
def test_without_ranges_nothing_stands_where_nothing_was_drawn(run: FakeRun) -> None:
    data = embedded(page(without_ranges(run)))
    assert not data["drawn"]
    assert data["value"] == []
    assert set(data["sites"]["chance"]) == set(data["sites"]["p90"]) == {None}
    assert any(value is not None for value in data["sites"]["npv"])


@pytest.mark.slow
def test_hostile_texts_end_nothing_and_come_back_whole(run: FakeRun) -> None:
    ids = sorted(run.sites()["site_id"])[: len(HOSTILE)]
    hostile = renamed(run, dict(zip(ids, HOSTILE, strict=True)))
    names = [HOSTILE[n % len(HOSTILE)] for n in range(len(run.people))]
    hostile = replace(
        hostile,
        people=run.people.assign(name=names, town=names[::-1]),
        letterhead=replace(run.letterhead, name=HOSTILE[1], accent_colour="red;}</style>"),
    )
    text = page(hostile)
    parsed = Parsed(text)
    assert parsed.open == []
    assert len(parsed.scripts) == 3
    assert parsed.all("img") == []
    data = embedded(text)
    assert set(HOSTILE) <= set(data["sites"]["id"])
    assert data["company"] == HOSTILE[1]
    assert set(HOSTILE) <= set(data["sites"]["name"]["words"])
    assert "\u2028" not in text.replace(get_plotlyjs(), "")


@pytest.mark.slow
def test_without_names_no_name_number_or_address_is_in_it(demo: Demo, run: FakeRun) -> None:
    with Inventory.open(demo.inventory, read_only=True) as opened:
        text = page(RunView(opened, personal=False))
    data = embedded(text)
    assert not data["personal"]
    assert "name" not in data["sites"]
    own = text.replace(get_plotlyjs(), "")
    personal = {
        *run.people[["name", "street", "town", "phone", "email"]].stack().dropna().astype(str),
        *run.sites()["site_id"],
        *run.sites()["customer_id"],
        *run.arrays()["array_id"],
    }
    assert len(personal) > 300
    words = set(re.findall(r'"((?:[^"\\]|\\.)*)"', own))
    assert not {one for one in personal if len(one) > 2 and one in words}
    assert len(data["sites"]["id"]) == len(run.sites())
    assert {note["text"] for note in data["notes"]} == set(run.table("safety_note")["text"])


@pytest.mark.slow
def test_with_names_the_real_view_shows_those_on_the_list(demo: Demo) -> None:
    with Inventory.open(demo.inventory, read_only=True) as opened:
        view = RunView(opened)
        data, calls, contacts = embedded(page(view)), view.calls(), view.contacts()
    called = calls.merge(contacts, on="customer_id").set_index("site_id")["name"].dropna()
    names = dict(zip(data["sites"]["id"], _words(data["sites"]["name"]), strict=True))
    assert len(called) > 0
    assert {site: names[site] for site in called.index} == called.to_dict()


def test_it_is_an_output_of_the_whole_run_and_has_no_settings(run: FakeRun, tmp_path: Path) -> None:
    (output,) = portfolio_page.aftersun_outputs()
    assert isinstance(output, PortfolioPage)
    assert (output.id, output.of, output.personal) == ("portfolio_page", api.OF_RUN, False)
    with pytest.raises(api.AftersunError, match="no setting colour"):
        output.write(run, tmp_path, {"colour": "blue"})
    assert list(tmp_path.iterdir()) == []


def test_numbers_keep_six_digits() -> None:
    assert [number(value) for value in (1.0, -17901.031204, 0.71, 1234567.8, np.nan, None, pd.NA)] == [
        1, -17901, 0.71, 1234570, None, None, None,
    ]  # fmt: skip


def test_sentences_that_differ_in_numbers_alone_share_their_words() -> None:
    found = sentences(["Costs 1,021 EUR.", "Costs 9.83 EUR.", None])
    assert found["words"] == ["Costs \x1f EUR."]
    assert found["numbers"] == ["1,021", "9.83", ""]
    assert found["of"] == [0, 0, -1]


def test_texts_are_written_once() -> None:
    assert coded(["a", None, "b", "a", True]) == {"words": ["a", "b", "yes"], "of": [0, -1, 1, 0, 2]}


def test_rows_go_to_their_site_and_strangers_are_left_out() -> None:
    frame = pd.DataFrame({"site_id": ["b", "x", "a", "b"], "kwh": [1.0, 2.0, 3.0, 4.0]})
    assert by_site(frame, ["a", "b", "c"], ("kwh",)) == {
        "count": [1, 2, 0], "numbers": {"kwh": [3, 1, 4]}, "texts": {}, "told": {},
    }  # fmt: skip


def test_great_numbers_of_a_packed_row_get_a_scale() -> None:
    found = packed([[1.0, 2.0, 65535.0], None, [0.0, 131070.0, 2.0]], 3, 1.0)
    assert found["row"] == [0, -1, 1]
    assert found["scale"] == [1.0, 2]
    assert np.frombuffer(base64.b64decode(found["bytes"]), "<u2").tolist() == [1, 2, 65535, 0, 65535, 1]


@pytest.mark.parametrize("row", [[1.0, 2.0], [1.0, -1.0, 0.0], [np.nan, 0.0, 0.0]])
def test_a_packed_row_of_other_width_or_below_zero_is_refused(row: list[float]) -> None:
    with pytest.raises(ValueError, match="needs 3 numbers"):
        packed([row], 3, 1.0)


def _words(column: dict[str, Any]) -> list[str]:
    return ["" if place < 0 else column["words"][place] for place in column["of"]]


def _told(column: dict[str, Any]) -> list[str]:
    result = []
    for word, found in zip(_words(column), column["numbers"], strict=True):
        parts, numbers = word.split(column["hole"]), found.split(column["hole"])
        result.append(parts[0] + "".join(n + part for n, part in zip(numbers, parts[1:], strict=False)))
    return result


def _rows(table: dict[str, Any], ids: list[str]) -> Iterator[tuple[str, dict[str, Any]]]:
    columns = dict(table["numbers"])
    columns |= {name: _words(column) for name, column in table["texts"].items()}
    columns |= {name: _told(column) for name, column in table["told"].items()}
    place = 0
    for site, count in zip(ids, table["count"], strict=True):
        for _ in range(count):
            yield site, {name: column[place] for name, column in columns.items()}
            place += 1


def _unpacked(block: dict[str, Any], place: int) -> np.ndarray | None:
    row = block["row"][place]
    if row < 0:
        return None
    values = np.frombuffer(base64.b64decode(block["bytes"]), "<u2").reshape(-1, block["width"])[row]
    scaled: np.ndarray = values * block["scale"][row]
    return scaled


def _equal(found: list[Any], expected: pd.Series) -> None:
    left = np.array([np.nan if value is None else value for value in found], dtype=float)
    np.testing.assert_allclose(left, expected.astype(float).to_numpy(dtype=float, na_value=np.nan), rtol=CLOSE)


def test_the_band_of_hazards_and_the_calls_stand_above_all_else(text: str) -> None:
    places = [text.index(f'id="{name}"') for name in ("hazard-band", "month", "sites", "totals", "hazards", "notes")]
    assert places == sorted(places)


def test_hashes_of_inputs_stand_in_the_manifest_alone(text: str, run: FakeRun) -> None:
    digests = set(run.made_from["input_hashes"].values())
    assert digests
    assert not [digest for digest in digests if digest in text]


def test_towns_of_the_map_lie_among_the_sites_and_apart(data: dict[str, Any], run: FakeRun) -> None:
    towns, sites = pd.DataFrame(data["places"]), run.sites()
    assert 3 <= len(towns) <= 10
    assert "Greensboro" in set(towns["name"])  # the demo's real weather station stands there
    for name in ("latitude", "longitude"):
        spread = sites[name].max() - sites[name].min()
        assert towns[name].between(sites[name].min() - spread, sites[name].max() + spread).all()


@pytest.mark.slow
def test_losses_that_are_averages_have_a_mark_unless_the_fact_is_known(run: FakeRun) -> None:
    loss = run.table("site_loss")
    site = str(loss.loc[loss["step"] == "excess_degradation_kwh", "site_id"].iloc[0])
    for fact, marked in ((None, True), (0.04, False)):
        facts = run.site_facts.copy()
        facts.loc[facts["site_id"] == site, "measured_excess_loss"] = fact
        losses = page_data(replace(run, site_facts=facts))["details"]["losses"]
        place = sorted(facts["site_id"]).index(site)
        start = sum(losses["count"][:place])
        step = losses["texts"]["step"]
        mine = [step["words"][of] for of in step["of"][start : start + losses["count"][place]]]
        assert ("Excess degradation *" in mine) == marked
        assert ("Excess degradation" in mine) != marked
