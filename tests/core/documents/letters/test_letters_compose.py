"""Letters: figures from the stored tables, moved by the price that was set; who may be written to; what is refused."""

from __future__ import annotations

import shutil
from datetime import date, timedelta

import duckdb
import numpy as np
import numpy_financial as npf
import pytest

from aftersun import wording
from aftersun.documents.letters.compose import Choices, compose, compose_notices
from aftersun.documents.letters.facts import fact, losses_of
from aftersun.documents.letters.options import MOST_ASSUMPTIONS, chance_of_gain, computed_of, plain_meaning
from aftersun.documents.run_view import RunView
from aftersun.inventory.log.call_log import learn, record_call
from aftersun.inventory.runs import bulk_reading
from aftersun.inventory.store.file import Inventory
from aftersun.model.codes import ContactRule, NotCalled, Status
from aftersun.model.errors import AftersunError
from aftersun.wording import not_called_text, status_text

DAY = date(2026, 6, 2)
RATE, TAX = 0.03, 0.19  # of the demo's company
OTHER_REASON, *OTHERS = NotCalled


@pytest.fixture
def opened(demo):
    with Inventory.open(demo.inventory, read_only=True) as inventory:
        yield inventory


@pytest.fixture
def changed(demo, tmp_path):
    path = tmp_path / "demo.duckdb"
    shutil.copy(demo.inventory, path)
    return path


def letter_of(inventory, site_id, **choices):
    return compose(inventory, RunView(inventory), [site_id], Choices(**choices), DAY).letters[0]


def stored(inventory, query, *parameters):
    return inventory.connection.execute(query, list(parameters)).df()


def some_offer(inventory, offer):
    """Return site, and its stored row, of somebody on the call list who is offered this."""
    rows = stored(
        inventory,
        "SELECT offer.* FROM offer JOIN call USING (site_id) WHERE offer = ? AND position IS NOT NULL "
        "AND offer.npv > 0 AND chance_npv_positive < 0.999 ORDER BY position LIMIT 1",
        offer,
    )
    return rows["site_id"].iloc[0], rows.iloc[0]


def test_a_letter_may_hold_for_its_own_day_alone(opened):
    site, _ = some_offer(opened, "bird_mesh")
    assert letter_of(opened, site, valid_until=DAY).valid_until == DAY
    with pytest.raises(AftersunError, match="end before it is made"):
        letter_of(opened, site, valid_until=DAY - timedelta(days=1))


def test_as_computed_the_figures_are_those_of_the_run(opened):
    site, row = some_offer(opened, "bird_mesh")
    option = letter_of(opened, site, options=("bird_mesh",)).options[0]
    for name in ("npv", "npv_p90", "npv_p10", "first_year_saving"):
        assert getattr(option, name) == pytest.approx(row[name], abs=0.005)
    assert option.chance_npv_positive == pytest.approx(row["chance_npv_positive"], abs=1e-4)
    assert option.price == option.price_before == pytest.approx(row["upfront"], abs=0.005)
    assert option.sales_tax == pytest.approx(row["upfront"] / (1 + TAX) * TAX, abs=0.01)
    assert sum(line.price for line in option.price_lines) == pytest.approx(option.price, abs=1e-9)
    assert not any(line.kind == "other" for line in option.price_lines)
    ranked = stored(opened, "SELECT * FROM ranking WHERE site_id = ? AND retrofit = 'bird_mesh'", site).iloc[0]
    assert option.discounted_payback_years == pytest.approx(ranked["discounted_payback_years"], abs=0.005)
    flow = stored(opened, "SELECT net FROM cash_flow WHERE site_id = ? AND retrofit = 'bird_mesh' ORDER BY year", site)
    assert [year.net for year in option.cash] == pytest.approx(list(flow["net"]), abs=0.005)
    assert option.cash[-1].cumulative == pytest.approx(option.npv, abs=0.01)
    assert npf.npv(RATE, flow["net"]) == pytest.approx(option.npv, abs=0.01)
    assert option.years == row["years"] == len(option.cash) - 1
    assert [month.month for month in option.months] == list(range(1, 13))


def test_yearly_is_what_it_brings_before_its_price_as_an_even_amount(opened):
    site, row = some_offer(opened, "bird_mesh")
    option = letter_of(opened, site, options=("bird_mesh",)).options[0]
    assert option.yearly == pytest.approx(-npf.pmt(RATE, row["years"], row["npv"] + option.price), abs=0.01)
    assert option.yearly_p90 == pytest.approx(-npf.pmt(RATE, row["years"], row["npv_p90"] + option.price), abs=0.01)


def test_what_is_no_energy_stands_apart_in_the_letter_as_in_the_run(opened):
    site, _ = some_offer(opened, "bird_mesh")
    items = stored(opened, "SELECT * FROM cost_item WHERE site_id = ? AND retrofit = 'bird_mesh'", site)
    avoided = items[items["kind"].isin(["avoided nuisance", "avoided work", "avoided risk"])]
    apart = letter_of(opened, site, options=("bird_mesh",)).options[0].apart
    assert "bird_clean_up" in {line.item for line in apart}
    assert {line.item: line.price for line in apart} == pytest.approx(
        dict(zip(avoided["item"], avoided["price"], strict=True)), abs=0.005
    )


@pytest.mark.slow
def test_what_may_be_needed_is_no_part_of_the_price_and_counts_at_its_chance(opened):
    """Every second store lacks a mixing valve (chance 0.5): of its price half is in the run's expected price."""
    (site,) = stored(
        opened,
        "SELECT site_id FROM cost_item JOIN offer USING (run_id, site_id) JOIN call USING (run_id, site_id) "
        "WHERE item = 'mixing_valve' AND quantity = 0.5 AND cost_item.retrofit = 'hot_water_diverter' "
        "AND offer = 'hot_water_diverter' AND chance_allowed = 1 ORDER BY site_id LIMIT 1",
    )["site_id"]
    row = stored(opened, "SELECT * FROM offer WHERE site_id = ? AND offer = 'hot_water_diverter'", site).iloc[0]
    items = stored(
        opened,
        "SELECT item, price FROM cost_item WHERE site_id = ? AND retrofit = 'hot_water_diverter' "
        "AND quantity < 1 AND unit = 'piece' AND NOT every_year",
        site,
    )
    option = letter_of(opened, site, options=("hot_water_diverter",), asked_for=True).options[0]
    counted = items["price"].sum()
    assert option.price == option.price_before == pytest.approx(row["upfront"] - counted, abs=0.005)
    assert sum(line.price for line in option.price_lines) == pytest.approx(option.price, abs=1e-9)
    valve = next(line for line in option.if_needed if line.item == "mixing_valve")
    assert valve.quantity == 1.0
    assert valve.price == pytest.approx(2 * items.set_index("item").loc["mixing_valve", "price"], abs=0.005)
    assert option.if_needed_counted == pytest.approx(counted, abs=0.005)
    assert option.npv == pytest.approx(row["npv"], abs=0.005)
    worth = row["npv"] + option.price + option.if_needed_counted
    assert option.yearly == pytest.approx(-npf.pmt(RATE, row["years"], worth), abs=0.01)
    assert option.cash[0].net == pytest.approx(-option.price - option.if_needed_counted, abs=0.01)
    # a price that is set takes the place of what is decided, and what may be needed comes on top of it all the same
    fixed = letter_of(
        opened, site, options=("hot_water_diverter",), prices={"hot_water_diverter": 500.0}, asked_for=True
    ).options[0]
    assert fixed.price == 500.0
    assert (fixed.if_needed, fixed.if_needed_counted) == (option.if_needed, option.if_needed_counted)
    assert fixed.npv == pytest.approx(option.npv + option.price - 500.0, abs=0.01)
    assert fixed.yearly == pytest.approx(option.yearly, abs=0.01)


@pytest.mark.slow
def test_a_fixed_price_moves_worth_and_range_by_the_difference_and_nothing_else(opened):
    site, row = some_offer(opened, "bird_mesh")
    before = letter_of(opened, site, options=("bird_mesh",)).options[0]
    after = letter_of(opened, site, options=("bird_mesh",), prices={"bird_mesh": 1000.0}, discount=0.5).options[0]
    saved = row["upfront"] - 1000.0
    assert after.price == 1000.0
    assert after.price_before == before.price
    assert after.sales_tax == pytest.approx(1000 - 1000 / 1.19, abs=0.005)
    for name in ("npv", "npv_p90", "npv_p10"):
        assert getattr(after, name) == pytest.approx(getattr(before, name) + saved, abs=0.01)
    assert (after.yearly, after.yearly_p90, after.years) == pytest.approx(
        (before.yearly, before.yearly_p90, before.years), abs=0.01
    )
    assert after.cash[0].net == -1000.0
    assert after.cash[1:][0].net == before.cash[1].net
    assert after.cash[-1].cumulative == pytest.approx(before.cash[-1].cumulative + saved, abs=0.02)
    assert after.discounted_payback_years < before.discounted_payback_years
    # the year in which the discounted savings reach 1,000, by adding them up
    savings = np.cumsum([year.net / (1 + RATE) ** year.year for year in after.cash[1:]])
    assert int(np.argmax(savings >= 1000.0)) < after.discounted_payback_years <= int(np.argmax(savings >= 1000.0)) + 1
    assert (after.months, after.notes, after.assumptions) == (before.months, before.notes, before.assumptions)


def test_a_discount_is_taken_off_the_price_in_year_0(opened):
    site, row = some_offer(opened, "bird_mesh")
    option = letter_of(opened, site, options=("bird_mesh",), discount=0.1).options[0]
    assert option.price == pytest.approx(0.9 * row["upfront"], abs=0.005)
    assert option.npv == pytest.approx(row["npv"] + 0.1 * row["upfront"], abs=0.01)
    assert sum(line.price for line in option.price_lines) == pytest.approx(option.price_before, abs=1e-9)


def test_the_chance_of_a_gain_is_read_between_the_moved_percentiles():
    # P0 .. P100 = -1000, -900 .. 1000: half are below 0
    offer = {"npv_percentiles": np.linspace(-1000, 1000, 21), "chance_npv_positive": 0.47}
    assert chance_of_gain(offer, None) == 0.47  # the share of the draws themselves
    assert chance_of_gain(offer, 0.0) == 0.5
    assert chance_of_gain(offer, 100.0) == pytest.approx(0.55)
    assert chance_of_gain(offer, -250.0) == pytest.approx(0.375)
    assert chance_of_gain(offer, 5000.0) == 1.0
    assert chance_of_gain(offer, -5000.0) == 0.0
    assert chance_of_gain({"npv_percentiles": None, "chance_npv_positive": np.nan}, 100.0) is None


@pytest.mark.slow
def test_it_tells_the_best_first_and_doing_nothing_last(opened):
    rows = stored(
        opened,
        "SELECT site_id FROM offer JOIN call USING (site_id) WHERE position IS NOT NULL AND chance_allowed = 1 "
        "GROUP BY ALL HAVING count(*) >= 2 AND count(*) FILTER (offer.must_call) = 0 LIMIT 1",
    )
    if rows.empty:
        sure = "SELECT site_id FROM offer WHERE chance_allowed = 1 GROUP BY ALL HAVING count(*) >= 2 ORDER BY 1 LIMIT 1"
        rows = stored(opened, sure)
    site = rows["site_id"].iloc[0]
    mine = stored(
        opened,
        "SELECT offer FROM offer WHERE site_id = ? AND chance_allowed = 1 ORDER BY NOT must_call, npv DESC",
        site,
    )["offer"]
    letter = letter_of(opened, site, asked_for=True)
    assert [option.offer for option in letter.options] == [*mine[:2], ""]
    assert len(letter_of(opened, site, asked_for=True, most_options=1).options) == 2
    nothing = letter.options[-1]
    assert (nothing.price, nothing.npv, nothing.cash, nothing.notes) == (0.0, 0.0, (), ())


def test_all_safety_notes_of_an_option_stand_in_it_worst_first(opened):
    site, _ = some_offer(opened, "bird_mesh")
    notes = letter_of(opened, site, options=("bird_mesh",)).options[0].notes
    there = stored(
        opened, "SELECT DISTINCT note_id, text FROM safety_note WHERE site_id = ? AND retrofit = 'bird_mesh'", site
    )
    assert {(note.note_id, note.text) for note in notes} == set(there.itertuples(index=False, name=None))
    severities = [note.severity for note in notes]
    assert severities == sorted(severities, key=["danger", "warning", "caution"].index)


@pytest.mark.slow
def test_a_danger_that_stands_is_told_whatever_is_proposed(opened):
    rows = stored(
        opened,
        "SELECT site_id, offer FROM offer WHERE NOT must_call AND chance_allowed = 1 "
        "AND site_id IN (SELECT site_id FROM safety_note WHERE tell_owner) ORDER BY site_id LIMIT 1",
    )
    site, offer = rows.iloc[0]
    letter = letter_of(opened, site, options=(offer,), asked_for=True)
    known = stored(opened, "SELECT DISTINCT text FROM safety_note WHERE tell_owner AND site_id = ?", site)
    assert {note.text for note in letter.dangers} == set(known["text"])
    default = letter_of(opened, site, asked_for=True)
    assert default.options[0].safety_remedial
    assert [option.offer for option in default.options if option.safety_remedial] == ["connector_replacement"]


def test_assumptions_come_by_what_they_move_and_twelve_at_most(opened):
    site, _ = some_offer(opened, "bird_mesh")
    option = letter_of(opened, site, options=("bird_mesh",)).options[0]
    drivers = stored(
        opened,
        "SELECT name, abs(npv_high - npv_low) AS swing, turns FROM driver WHERE site_id = ? AND retrofit = 'bird_mesh' "
        "AND name IN (SELECT name FROM run_assumption WHERE retrofit = 'bird_mesh') ORDER BY swing DESC, name",
        site,
    )
    meanings = stored(opened, "SELECT name, meaning FROM run_assumption WHERE retrofit = 'bird_mesh'").set_index("name")
    assert len(option.assumptions) == min(MOST_ASSUMPTIONS, len(meanings))
    shown = [assumption.meaning for assumption in option.assumptions]
    moving = drivers[drivers["swing"] > 0].head(MOST_ASSUMPTIONS)
    assert shown[: len(moving)] == list(meanings["meaning"].reindex(moving["name"]))
    assert [assumption.turns for assumption in option.assumptions][: len(moving)] == list(moving["turns"])


def test_questions_are_about_what_is_proposed(opened):
    site, _ = some_offer(opened, "bird_mesh")
    asked = stored(
        opened,
        "SELECT question FROM question WHERE site_id = ? AND value_of_phone > 0 AND 'bird_mesh' IN retrofits",
        site,
    )
    letter = letter_of(opened, site, options=("bird_mesh",))
    assert {question.question for question in letter.questions} <= set(asked["question"])


@pytest.mark.slow
def test_who_is_written_to_stands_by_the_customer_of_the_site(opened):
    site, _ = some_offer(opened, "bird_mesh")
    person = stored(
        opened, "SELECT name, street, town FROM contact JOIN site USING (customer_id) WHERE site_id = ?", site
    ).iloc[0]
    letter = letter_of(opened, site)
    assert letter.customer == tuple(person)
    assert letter.valid_until == date(2026, 7, 2)
    assert (letter.currency, letter.sales_tax_rate, letter.price_date) == ("EUR", TAX, date(2026, 5, 1))
    assert letter_of(opened, site, valid_until=date(2026, 9, 1)).valid_until == date(2026, 9, 1)


@pytest.mark.slow
def test_meter_readings_and_largest_losses_are_told(changed):
    with Inventory.open(changed) as inventory:
        site, _ = some_offer(inventory, "bird_mesh")
        assert fact("finding_no_meters") in letter_of(inventory, site).findings
        run_id = RunView(inventory).run_id
        inventory.connection.execute(
            "INSERT INTO site_evidence (run_id, site_id, factor, factor_se, shortfall, years_of_data, periods) "
            "VALUES (?, ?, 0.84, 0.03, 0.07, 2.0, 24)",
            [run_id, site],
        )
        found = letter_of(inventory, site).findings
    assert fact("finding_meters", n=2.0, share=0.84, se_share=0.03) in found
    assert fact("finding_shortfall", share=0.07) in found
    assert any(finding.code == "finding_largest_losses" for finding in found)


@pytest.mark.parametrize(
    ("choices", "what"),
    [
        ({"prices": {"bird_mesh": -1.0}}, "not a number of at least 0"),
        ({"prices": {"bird_mesh": float("nan")}}, "not a number of at least 0"),
        ({"discount": 1.1}, "share between 0 and 1"),
        ({"discount": float("nan")}, "share between 0 and 1"),
        ({"valid_until": date(2026, 6, 1)}, "end before it is made"),
        ({"options": ("nonsense",)}, "has no offer 'nonsense'"),
        ({"prices": {"tilt_mount": 5.0}}, "none of the letters"),
    ],
)
@pytest.mark.few_quick
@pytest.mark.few_quick
def test_what_cannot_be_is_one_sentence(opened, choices, what):
    site, _ = some_offer(opened, "bird_mesh")
    with pytest.raises(AftersunError, match=what):
        letter_of(opened, site, **choices)


@pytest.mark.parametrize("status", [Status.TOO_UNCERTAIN, Status.NOT_COST_EFFECTIVE])
def test_what_is_not_worth_it_is_never_for_sale(opened, status):
    row = stored(
        opened,
        "SELECT site_id, retrofit FROM ranking WHERE status = ? AND site_id IN (SELECT site_id FROM call) "
        "ORDER BY ALL LIMIT 1",
        status,
    )
    site, retrofit = row.iloc[0]
    with pytest.raises(AftersunError, match=f"'{status_text(status)}' .*never for sale"):
        letter_of(opened, site, options=(retrofit,), asked_for=True)


@pytest.mark.slow
def test_unknown_sites_and_sites_without_any_offer_are_refused(opened):
    with pytest.raises(AftersunError, match="no such site"):
        letter_of(opened, "nowhere")
    nothing = stored(
        opened, "SELECT site_id FROM site_energy WHERE site_id NOT IN (SELECT site_id FROM offer) ORDER BY 1 LIMIT 1"
    )["site_id"].iloc[0]
    with pytest.raises(AftersunError, match="nothing is cost-effective"):
        letter_of(opened, nothing, asked_for=True)
    with pytest.raises(AftersunError, match="no site"):
        compose(opened, RunView(opened), [], Choices(), DAY)


@pytest.mark.slow
def test_who_may_not_be_contacted_gets_a_letter_only_where_he_asked(opened):
    rows = stored(
        opened,
        "SELECT DISTINCT site_id, excluded_reason FROM call JOIN offer USING (run_id, site_id) "
        "WHERE chance_allowed = 1",
    )
    rows = rows[rows["excluded_reason"].isin(list(ContactRule))]
    assert len(set(rows["excluded_reason"])) > 2
    for site, rule in rows.itertuples(index=False):
        with pytest.raises(AftersunError, match=not_called_text(rule, "90")):
            letter_of(opened, site)
        assert letter_of(opened, site, asked_for=True).options


@pytest.mark.parametrize("rule", ContactRule)
@pytest.mark.slow
def test_a_letter_is_refused_by_the_rule_however_it_is_worded(changed, rule, monkeypatch):
    english = wording._texts("en")
    reworded = {section: {key: f"In other words {key}" for key in texts} for section, texts in english.items()}
    reworded["no_letter"] = english["no_letter"]  # the sentence that the rule stands in
    with Inventory.open(changed) as inventory:
        site, _ = some_offer(inventory, "bird_mesh")
        with inventory.transaction() as connection:
            connection.execute("UPDATE call SET excluded_reason = ? WHERE site_id = ?", [rule, site])
        for texts in (english, reworded):
            monkeypatch.setattr(wording, "_texts", lambda _language, texts=texts: texts)
            with pytest.raises(AftersunError) as refused:
                letter_of(inventory, site)
            assert texts["not_called"][rule].partition("{")[0] in str(refused.value)


@pytest.mark.parametrize("reason", [OTHER_REASON, *(pytest.param(code, marks=pytest.mark.slow) for code in OTHERS)])
def test_a_site_that_is_left_out_for_other_reasons_may_be_written_to(changed, reason):
    with Inventory.open(changed) as inventory:
        site, _ = some_offer(inventory, "bird_mesh")
        with inventory.transaction() as connection:
            connection.execute("UPDATE call SET position = NULL, excluded_reason = ? WHERE site_id = ?", [reason, site])
        assert letter_of(inventory, site).options


@pytest.mark.slow
def test_an_objection_after_the_run_holds_at_once(changed):
    with Inventory.open(changed) as inventory:
        site, _ = some_offer(inventory, "bird_mesh")
        assert letter_of(inventory, site).options
        record_call(inventory, {"site_id": site, "called_on": "2026-06-02", "outcome": "objection"})
        with pytest.raises(AftersunError, match="objected"):
            letter_of(inventory, site)
        assert letter_of(inventory, site, asked_for=True).options


@pytest.mark.slow
def test_facts_learnt_after_the_run_are_said_to_the_company(changed):
    with Inventory.open(changed) as inventory:
        site, _ = some_offer(inventory, "bird_mesh")
        view = RunView(inventory)
        assert compose(inventory, view, [site], Choices(), DAY).remarks == ()
        learn(inventory, site, {"storeys": "3"}, "visit")
        (remark,) = compose(inventory, view, [site], Choices(), DAY).remarks
        assert "after the run" in remark


@pytest.mark.slow
def test_a_price_below_cost_is_allowed_and_told_to_the_company(opened):
    site, row = some_offer(opened, "bird_mesh")
    view = RunView(opened)
    # the contribution is what is left of the price before tax; of a lower price 2 % less reserve are put by
    reserve = view.company["calls"]["warranty_reserve_share"]
    edge = row["upfront"] - row["contribution"] * (1 + TAX) / (1 - reserve)
    for price, told in ((edge + 0.5, 0), (edge - 0.5, 1)):
        choices = Choices(options=("bird_mesh",), prices={"bird_mesh": price})
        found = compose(opened, view, [site], choices, DAY)
        assert len(found.remarks) == told
        assert found.letters[0].options[0].price == pytest.approx(price, abs=0.005)


@pytest.mark.slow
def test_an_older_run_is_asked_to_be_ranked_again(changed):
    with duckdb.connect(str(changed)) as connection:
        connection.execute("UPDATE offer SET years = NULL")
    with Inventory.open(changed) as inventory, pytest.raises(AftersunError, match="older program") as caught:
        letter_of(inventory, some_offer(inventory, "bird_mesh")[0])
    assert caught.value.hint == "Rank again."


@pytest.mark.slow
def test_a_hundred_letters_read_each_table_once(opened, monkeypatch):
    view, asked = RunView(opened), []
    read_some, read_run_table = bulk_reading.read_table, bulk_reading.read_run_table
    monkeypatch.setattr(bulk_reading, "read_table", lambda *a, **k: asked.append(a[1].name) or read_some(*a, **k))
    monkeypatch.setattr(bulk_reading, "read_run_table", lambda *a, **k: asked.append(a[1]) or read_run_table(*a, **k))
    sellable = set(view.table("offer").query("chance_allowed == 1")["site_id"])
    sites = [site for site in view.table("call").query("position.notna()")["site_id"] if site in sellable]
    asked.clear()
    letters = compose(opened, view, sites, Choices(), DAY).letters
    assert [letter.site_id for letter in letters] == sites
    assert len(letters) > 20
    assert len(asked) == len(set(asked))


@pytest.mark.slow
def test_a_letter_of_a_batch_is_the_letter_alone(opened):
    view = RunView(opened)
    sites = list(view.calls_to_write()["site_id"])
    together = compose(opened, view, sites, Choices(), DAY).letters
    assert together[3] == letter_of(opened, sites[3])


@pytest.mark.slow
def test_hostile_names_go_into_the_letter_as_they_are(changed):
    name = "=HYPERLINK(1) <b>../../x</b> \u202eabc \"' é"
    with Inventory.open(changed) as inventory:
        site, _ = some_offer(inventory, "bird_mesh")
        inventory.connection.execute(
            "UPDATE contact SET name = ? WHERE customer_id = (SELECT customer_id FROM site WHERE site_id = ?)",
            [name, site],
        )
        assert letter_of(inventory, site).customer[0] == name


def known_dangers(inventory):
    return stored(inventory, "SELECT DISTINCT site_id FROM safety_note WHERE tell_owner ORDER BY 1")["site_id"]


@pytest.mark.slow
def test_a_notice_tells_the_dangers_known_and_nothing_else_whatever_the_contact_rules(changed):
    with Inventory.open(changed) as inventory:
        site = known_dangers(inventory).iloc[0]
        record_call(inventory, {"site_id": site, "called_on": "2026-06-02", "outcome": "objection"})
        (notice,) = compose_notices(inventory, RunView(inventory), [site], DAY).letters
        texts = stored(inventory, "SELECT DISTINCT text FROM safety_note WHERE tell_owner AND site_id = ?", site)
        assert {note.text for note in notice.dangers} == set(texts["text"])
        assert notice.customer
        for part in (notice.options, notice.system, notice.findings, notice.losses, notice.questions, notice.today):
            assert part == ()
        assert notice.notice


@pytest.mark.slow
def test_a_site_without_a_known_danger_gets_no_notice(opened):
    dangers = set(known_dangers(opened))
    site = next(
        str(site_id)
        for site_id in stored(opened, "SELECT site_id FROM site ORDER BY 1")["site_id"]
        if site_id not in dangers
    )
    with pytest.raises(AftersunError, match="the run knows of no hazard there"):
        compose_notices(opened, RunView(opened), [site], DAY)
    with pytest.raises(AftersunError, match="no such site"):
        compose_notices(opened, RunView(opened), ["nowhere"], DAY)
    found = compose_notices(opened, RunView(opened), [site, *dangers], DAY, batch=True)
    assert len(found.letters) == len(dangers)
    assert len(found.remarks) == 1


def test_what_has_to_be_looked_at_is_kept_of_safety_matters_and_all_of_it(opened):
    rows = stored(
        opened,
        "SELECT site_id, retrofit, screening_reason AS why FROM ranking "
        "WHERE status = 'safety_remedial' AND contains(screening_reason, ';') AND (site_id, retrofit) IN "
        "(SELECT (site_id, offer) FROM offer) AND site_id IN (SELECT site_id FROM call) ORDER BY 1",
    )
    assert len(rows)
    for site, retrofit, why in rows.itertuples(index=False, name=None):
        option = letter_of(opened, site, options=(retrofit,), asked_for=True).options[0]
        assert option.safety_remedial
        assert option.survey_first == (fact("survey", text=why),)


def test_a_survey_condition_of_two_sentences_is_told_whole(changed):
    with Inventory.open(changed) as inventory:
        site, _ = some_offer(inventory, "bird_mesh")
        why = "whether the roof bears it. Ask a structural engineer"
        with inventory.transaction() as connection:
            connection.execute(
                "UPDATE ranking SET screening_reason = ? WHERE site_id = ? AND retrofit = 'bird_mesh'", [why, site]
            )
        assert letter_of(inventory, site, options=("bird_mesh",)).options[0].survey_first == (fact("survey", text=why),)


def test_unknown_demand_is_told_as_assumed_and_never_as_a_fact(opened):
    row = stored(
        opened,
        "SELECT site_id FROM site JOIN offer USING (site_id) WHERE annual_demand_kwh IS NULL AND site_id NOT IN "
        "(SELECT site_id FROM site_evidence) ORDER BY 1 LIMIT 1",
    )
    system = letter_of(opened, row["site_id"].iloc[0], asked_for=True).system
    assert fact("fact_demand", assumed=fact("demand_assumed", kwh=3500)) in system


def test_losses_by_chance_are_marked_unless_the_fact_is_known():
    losses = [{"step": "open_strings_kwh", "kwh": 9.0}, {"step": "soiling_kwh", "kwh": 9.0}]
    assert [loss.by_chance for loss in losses_of({"open_string": None}, losses)] == [True, False]
    assert [loss.by_chance for loss in losses_of({"open_string": False}, losses)] == [False, False]


@pytest.mark.parametrize(
    ("row", "less", "computed"),
    [
        (
            {"energy_gain_kwh": 0.0, "to_water_kwh": 1749.0},
            1749.0,
            fact("computed_no_gain", heat=fact("heat_of_surplus", kwh=1749.0)),
        ),
        (
            {"energy_gain_kwh": 50.0, "to_water_kwh": None},
            None,
            fact("computed_gain", share=0.0125, kwh=50.0),
        ),
        (
            {"energy_gain_kwh": 0.0, "to_water_kwh": 1882.0},
            720.0,
            fact(
                "computed_no_gain",
                heat=fact("heat", kwh=1882.0, less_exported_kwh=720.0),
            ),
        ),
        ({}, None, fact("computed_nothing")),
    ],
)
def test_of_heat_only_the_fall_of_export_is_surplus(row, less, computed):
    assert computed_of(row, 4000.0, less) == computed


def test_assumptions_are_told_without_names_of_the_program():
    assert plain_meaning("part of it (the plant's shunt share) that counts") == "part of it that counts"
    assert plain_meaning("loss (open_string) a year (as new)") == "loss a year (as new)"


@pytest.mark.slow
def test_ages_are_counted_to_the_day_of_the_letter(opened):
    site, _ = some_offer(opened, "bird_mesh")
    view = RunView(opened)
    later = DAY.replace(year=DAY.year + 1)
    ages = []
    for day in (DAY, later):
        (letter,) = compose(opened, view, [site], Choices(asked_for=True), day).letters
        ages.append(next(known.values["n"] for known in letter.system if known.code == "fact_age"))
    assert ages[1] == ages[0] + 1


@pytest.mark.slow
def test_what_has_to_be_asked_first_is_in_no_letter(opened):
    alone = stored(
        opened,
        "SELECT site_id, min(offer) AS offer FROM offer GROUP BY site_id "
        "HAVING bool_and(chance_allowed < 1) ORDER BY site_id LIMIT 1",
    )
    site, offer = alone.iloc[0]
    with pytest.raises(AftersunError, match="before the customer is asked"):
        letter_of(opened, site, asked_for=True)
    with pytest.raises(AftersunError, match="ask first"):
        letter_of(opened, site, options=(offer,), asked_for=True)


@pytest.mark.slow
def test_what_nobody_has_measured_of_the_modules_is_said_to_be_assumed(changed):
    with Inventory.open(changed) as inventory:
        site, _ = some_offer(inventory, "bird_mesh")
        inventory.connection.execute(
            'UPDATE "array" SET azimuth_deg = NULL, dc_rating_kw = NULL WHERE site_id = ?', [site]
        )
    with Inventory.open(changed, read_only=True) as inventory:
        said = {one.code: one.values for one in letter_of(inventory, site).system}
    assert said["fact_size"] == {"assumed": fact("size_assumed")}
    assert said["fact_faces"] == {"faces": (fact("face_assumed"),)}
