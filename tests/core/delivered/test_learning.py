"""What evidence would change: few data move little, coverage holds, nothing counts twice, and a person accepts."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import stats

import aftersun_datasets
from aftersun.delivered import learning
from aftersun.delivered.learning import _Scaled, as_toml, lessons, weigh_answers
from aftersun.delivered.pooling import factor_taken, share_delivered
from aftersun.host.registry import find_plugins
from aftersun.inventory.store.file import Inventory
from aftersun.model import tables
from aftersun.model.errors import AftersunError
from aftersun.model.ranges import Range
from aftersun.money.company import Company, Override, load_company
from aftersun.money.lessons import accept_lessons, withdraw_lessons

RANGE = Range(0.2, 0.1, 0.4, "share", "test")


@pytest.fixture(scope="module")
def retrofits():
    return {loaded.id: loaded.retrofit for loaded in find_plugins(()).retrofits}


def test_what_is_learnt_of_is_assumed_by_that_retrofit(retrofits) -> None:
    for told in tables.learnt_assumptions():
        known = retrofits[told.retrofit].assumptions if told.section == "assumptions" else tables.ranges("system.csv")
        assert known[told.name].low < known[told.name].high


def test_a_belief_in_a_factor_is_the_triangle_of_the_number() -> None:
    belief = _Scaled(RANGE, 0.2, 1.0)
    triangle = stats.triang((0.2 - 0.1) / 0.3, 0.1, 0.3)
    assert belief.ppf(0.3) * 0.2 == pytest.approx(triangle.ppf(0.3))
    values = np.linspace(0.51, 1.99, 2001)
    assert np.trapezoid(np.exp(belief.logpdf(values)), values) == pytest.approx(1.0, abs=2e-3)
    squared = _Scaled(RANGE, 0.2, 2.0)
    values = np.linspace(0.2501, 3.999, 20001)
    assert np.trapezoid(np.exp(squared.logpdf(values)), values) == pytest.approx(1.0, abs=2e-3)


@pytest.mark.parametrize("count", [3, 10, pytest.param(100, marks=pytest.mark.slow)])
def test_coverage_stays_nominal_however_few_the_work(count: int) -> None:
    """Hidden effects are drawn from today's range; 90 % of the intervals have to hold them, at any number of works."""
    rng = np.random.default_rng(count)
    belief, inside, widths = _Scaled(RANGE, 0.2, 1.0), 0, []
    trials = 150
    for _ in range(trials):
        factor = stats.triang(1 / 3, 0.5, 1.5).rvs(random_state=rng)
        truth = rng.lognormal(np.log(100.0), 0.4, count)
        promised = truth * rng.lognormal(0.0, 0.2, count)
        errors = np.full(count, 60.0)
        delivered = factor * truth + rng.normal(0.0, errors)
        share = share_delivered(promised, delivered, errors, float(np.exp(0.08) * 100 * np.exp(0.02)), belief)
        low, high = share.interval
        inside += low <= factor <= high
        widths.append(high - low)
    assert 0.84 <= inside / trials <= 0.97
    prior = belief.ppf(0.95) - belief.ppf(0.05)
    assert np.mean(widths) > 0.6 * prior if count == 3 else np.mean(widths) < prior


def test_hours_are_learnt_as_the_mean_of_ratios_and_few_move_little() -> None:
    belief = _Scaled(Range(5.0, 3.0, 8.0, "min/m", "test"), 5.0, 1.0)
    values, weights = factor_taken(np.array([]), belief)
    triangle = stats.triang(0.4, 0.6, 1.0)
    assert values @ weights == pytest.approx(triangle.mean(), abs=2e-3)
    rng = np.random.default_rng(9)
    many = rng.lognormal(np.log(1.3) - 0.3**2 / 2, 0.3, 200)
    values, weights = factor_taken(many, belief)
    assert values @ weights == pytest.approx(1.3, abs=0.06)
    values, weights = factor_taken(many[:2], belief)
    assert abs(values @ weights - triangle.mean()) < 0.2


def test_work_with_hours_makes_a_proposal_and_what_a_run_had_learnt_does_not_count_twice(
    company: Company, retrofits, tmp_path: Path
) -> None:
    with Inventory.create(tmp_path / "company.duckdb") as inventory:
        for number in range(20):
            inventory.connection.execute(
                "INSERT INTO job (entry, site_id, retrofit, done_on, hours, promised_hours, run_id, recorded_at) "
                "VALUES (?, ?, 'bird_mesh', DATE '2025-01-01', 13, 10, ?, now())",
                [number, f"S{number}", "after" if number % 2 else None],
            )
        inventory.connection.execute("UPDATE job SET promised_hours = 13 WHERE run_id = 'after'")
        settings = company.model_dump(mode="json", by_alias=True)
        settings["assumptions"] = {
            "bird_mesh": {
                name: {"value": 1.3 * retrofits["bird_mesh"].assumptions[name].mode}
                for name in ("mesh_min_per_m", "set_up_h")
            }
        }
        from aftersun.inventory.runs.stored_runs import RunRecord, write_run

        at = pd.Timestamp("2025-01-01", tz="UTC")
        write_run(inventory, RunRecord("after", at, at, "0", at.date(), 1, 0, settings={"company": settings}), {})
        found = {one.name: one for one in lessons(inventory, company, retrofits)}
    one = found["mesh_min_per_m"]
    assert set(found) == {"mesh_min_per_m", "set_up_h"}
    assert (one.count, one.old) == (20, 5.0)
    assert one.factor == pytest.approx(1.3, abs=0.03)
    assert one.old_low < one.new_low < one.new < one.new_high < one.old_high
    text = as_toml(list(found.values()), date(2026, 6, 1), {one.place: "The ranking stays."})
    assert "20 jobs with hours" in text
    assert "# The ranking stays." in text


def test_answers_are_weighed_as_they_were_given(company: Company) -> None:
    """People who care for payback twice as much as is assumed: 400 answers tell, ten do not."""
    rng = np.random.default_rng(3)
    years = rng.uniform(3.0, 15.0, 400)
    odds = -0.5 - 2.0 * np.log(years / company.calls.usual_payback_years)
    asked = pd.DataFrame(
        {
            "retrofit": rng.choice(["a", "b"], 400),
            "outcome": np.where(rng.random(400) < 1 / (1 + np.exp(-odds)), "yes", "no"),
            "called_on": pd.Timestamp("2025-03-01") + pd.to_timedelta(rng.integers(0, 365, 400), "D"),
            "upfront": 1000.0,
            "first_year_saving": 1000.0 / years,
            "npv": 0.0,
        }
    )
    _, (payback, sd) = weigh_answers(asked, company)
    assert payback == pytest.approx(2.0, abs=0.45)
    _, (few, wide) = weigh_answers(asked.head(10), company)
    assert abs(few - company.calls.payback_power) < abs(payback - company.calls.payback_power)
    assert sd < wide < 0.51


def proposal(tmp_path: Path) -> Path:
    lesson = learning.Lesson(
        "bird_mesh", "hours", ("assumptions", "bird_mesh"), "mesh_min_per_m", "min/m", 20, 5.0, 3.0, 8.0, 6.4, 5.5, 7.4,
        True, 1.3, 1.2, 1.4,
    )  # fmt: skip
    other = learning.Lesson(
        "", "answers", ("calls",), "payback_power", "1", 300, 1.0, 0.2, 1.8, 1.6, 1.3, 1.9, False, 1.6, 1.3, 1.9
    )
    path = tmp_path / "proposed.toml"
    path.write_text(as_toml([lesson, other], date(2026, 6, 1), {}))
    return path


def test_accepted_lessons_are_in_force_and_one_command_takes_them_back(tmp_path: Path) -> None:
    company = tmp_path / "company.toml"
    company.write_bytes(aftersun_datasets.path("demo/company.toml").read_bytes())
    before = load_company(company)
    file = proposal(tmp_path)
    target, kept = accept_lessons(file, company, "account manager", date(2026, 6, 2))
    assert kept is None
    known = load_company(company)
    assert known.overrides("bird_mesh")["mesh_min_per_m"] == 6.4
    assert known.calls.payback_power == 1.6
    in_force = known.range_of("bird_mesh", "mesh_min_per_m", Range(5.0, 3.0, 8.0, "min/m", "x"))
    assert (in_force.low, in_force.mode, in_force.high) == (5.5, 6.4, 7.4)
    assert known.lessons is not None
    assert known.lessons.accepted_by == "account manager"
    assert set(known.lessons.evidence) == {"bird_mesh.mesh_min_per_m", "calls.payback_power"}
    assert Company.model_validate_json(known.model_dump_json(by_alias=True)) == known  # as a run keeps it
    assert load_company(company, lessons=False) == before
    file.write_text("\n".join(line for line in file.read_text().splitlines() if not line.startswith("payback_power")))
    _, kept = accept_lessons(file, company, "account manager", date(2026, 6, 3))
    assert kept is not None
    assert set(load_company(company).lessons.evidence) == {"bird_mesh.mesh_min_per_m"}
    withdrawn = withdraw_lessons(company)
    assert load_company(company) == before
    assert withdrawn.exists()
    assert target != withdrawn
    with pytest.raises(AftersunError, match="No lessons are in force"):
        withdraw_lessons(company)


@pytest.mark.parametrize(
    "text",
    ["x = 1", "[lessons]\nproposed_on = 2026-01-01\n[work]\nroofer = 1", "[lessons", "[lessons]\nproposed_on = 1"],
)
def test_what_is_no_proposal_is_refused_and_nothing_changes(tmp_path: Path, text: str) -> None:
    company = tmp_path / "company.toml"
    company.write_bytes(aftersun_datasets.path("demo/company.toml").read_bytes())
    (tmp_path / "proposed.toml").write_text(text)
    with pytest.raises(AftersunError):
        accept_lessons(tmp_path / "proposed.toml", company, "me", date(2026, 6, 2))
    assert sorted(path.name for path in tmp_path.iterdir()) == ["company.toml", "proposed.toml"]


def test_a_range_of_ones_own_holds_the_value() -> None:
    with pytest.raises(ValueError, match="does not lie between"):
        Override(value=3.0, low=1.0, high=2.0)
    with pytest.raises(ValueError, match="belong together"):
        Override(value=3.0, low=1.0)
