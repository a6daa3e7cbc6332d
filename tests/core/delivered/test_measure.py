"""What meters say of work, followed from loaded tables: planted gains are found, and what cannot be told is said."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from aftersun.delivered.events import events_of
from aftersun.delivered.measure import measure, store, stored
from aftersun.inventory.loading.load import load_file
from aftersun.inventory.log.call_log import record_call
from aftersun.inventory.store.file import Inventory
from aftersun.model.codes import Basis, Unmeasured
from aftersun.money.company import Company

AS_OF = date(2026, 6, 1)
WORK = pd.Timestamp("2025-03-15")
SITES = 14
GAIN = 0.08


def rows(header: str, lines: list[str]) -> str:
    return "\n".join([header, *lines, ""])


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Fourteen alike homes on built-in weather; S01 gains 8 % by a mesh, S02 has no readings after the work, S03 none
    before, S04 two works in a month, S05 an export meter. Months are dull or bright for all, besides 1 % of noise.
    """
    folder = tmp_path_factory.mktemp("delivered")
    names = [f"S{number:02d}" for number in range(1, SITES + 1)]
    months = pd.date_range("2023-01-01", "2026-06-01", freq="MS")
    rng = np.random.default_rng(7)
    season = 300.0 + 220.0 * np.sin((months.month[:-1] - 4) / 12 * 2 * np.pi)
    common = season * np.exp(rng.normal(0.0, 0.10, len(season)))  # a dull month is dull for all
    readings = []
    for at, name in enumerate(names):
        kwh = common * (0.9 + 0.02 * at) * np.exp(rng.normal(0.0, 0.01, len(season)))
        if name == "S01":
            kwh = np.where(months[:-1] >= WORK, kwh * (1 + GAIN), kwh)
        if name == "S02":
            kwh = np.where(months[:-1] >= WORK, np.nan, kwh)
        if name == "S03":
            kwh = np.where(months[:-1] < "2024-12-01", np.nan, kwh)
        readings += [
            f"{name},production,{start:%Y-%m-%d},{end:%Y-%m-%d},{value:.1f}"
            for start, end, value in zip(months[:-1], months[1:], kwh, strict=True)
            if value == value
        ]
    tables = {
        "customer": rows("customer_id", [f"C{name}" for name in names]),
        "tariff": "tariff_id,valid_from,import_price,export_price\nT,2023-01-01,0.3,0.1\n",
        "site": rows(
            "site_id,customer_id,latitude,longitude,tariff_id,commissioned_on,roof_kind",
            [f"{name},C{name},48.0,{11 + at / 1000:.3f},T,2018-01-01,pitched tile" for at, name in enumerate(names)],
        ),
        "array": rows(
            "array_id,site_id,tilt_deg,azimuth_deg,dc_rating_kw", [f"A{name},{name},30,180,4" for name in names]
        ),
        "reading": rows("site_id,meter,starts_at,ends_at,kwh", readings),
    }
    path = folder / "company.duckdb"
    with Inventory.create(path) as inventory:
        for table, text in tables.items():
            (folder / f"{table}.csv").write_text(text)
            report = load_file(inventory, table, folder / f"{table}.csv")
            assert report.rejected == 0, report.problems
        work = {"S01": "bird_mesh", "S02": "bird_mesh", "S03": "bird_mesh", "S04": "bird_mesh"}
        for name, retrofit in work.items():
            entry = {"site_id": name, "called_on": f"{WORK:%Y-%m-%d}", "outcome": "done", "retrofit": retrofit}
            record_call(inventory, {**entry, "promised_kwh": "150"}, {}, AS_OF)
        late = {"site_id": "S04", "called_on": "2025-03-28", "outcome": "done", "retrofit": "connector_replacement"}
        record_call(inventory, late, {}, AS_OF)
        diverter = {"site_id": "S05", "called_on": "2025-03-15", "outcome": "done", "retrofit": "hot_water_diverter"}
        record_call(inventory, {**diverter, "meter": "export", "promised_kwh": "400"}, {}, AS_OF)
    return path


@pytest.fixture(scope="module")
def found(made: Path, company_of_tests: Company) -> pd.DataFrame:
    with Inventory.open(made) as inventory:
        delivered = measure(inventory, company_of_tests, AS_OF)
        store(inventory, delivered)
        store(inventory, delivered)  # measured again, it takes the place
        again = stored(inventory)
    pd.testing.assert_frame_equal(again, delivered, check_dtype=False)
    return delivered.set_index("site_id")


@pytest.fixture(scope="module")
def company_of_tests() -> Company:
    import aftersun_datasets
    from aftersun.money.company import load_company

    return load_company(aftersun_datasets.path("demo/company.toml"))


def test_a_planted_gain_is_found_against_neighbours_without_work(found: pd.DataFrame) -> None:
    row = found.loc["S01"]
    assert pd.isna(row["obstacle"])
    assert (row["basis"], row["seen"], row["jobs"]) == (Basis.NEIGHBOURS, True, 1)
    assert row["neighbours"] == SITES - 5  # the others have work in that time
    truth = GAIN * row["year_kwh"]
    assert row["gain_low_kwh"] < truth < row["gain_high_kwh"]
    assert row["gain_kwh"] == pytest.approx(truth, rel=0.15)
    assert row["gain_high_kwh"] - row["gain_low_kwh"] < truth
    assert row["year_kwh"] == pytest.approx(12 * 300 * 0.9, rel=0.15)


@pytest.mark.parametrize(
    ("site", "obstacle"),
    [("S02", Unmeasured.STOPPED), ("S03", Unmeasured.SHORT_BEFORE), ("S05", Unmeasured.NO_READINGS)],
)
def test_what_cannot_be_measured_says_why(found: pd.DataFrame, site: str, obstacle: str) -> None:
    assert found.loc[site, "obstacle"] == obstacle
    assert pd.isna(found.loc[site, "gain_kwh"])


def test_two_works_in_a_month_share_one_interval_and_nothing_is_found_where_nothing_is(found: pd.DataFrame) -> None:
    row = found.loc["S04"]
    assert (row["retrofit"], row["jobs"], row["shared"]) == ("bird_mesh+connector_replacement", 2, True)
    assert pd.isna(row["promised_kwh"])  # of one of them nothing was promised
    assert abs(row["gain_kwh"]) < 0.01 * row["year_kwh"]


def test_neighbours_are_found_in_whatever_chunk_they_are(
    made: Path, found: pd.DataFrame, company_of_tests, monkeypatch
) -> None:
    monkeypatch.setattr("aftersun.delivered.measure.CHUNK_SITES", 2)
    with Inventory.open(made) as inventory:
        again = measure(inventory, company_of_tests, AS_OF).set_index("site_id")
    pd.testing.assert_frame_equal(again.drop(columns="measured_at"), found.drop(columns="measured_at"), rtol=1e-6)


def test_light_that_is_loaded_takes_the_place_of_neighbours(made: Path, tmp_path: Path, company_of_tests) -> None:
    import shutil

    path = Path(shutil.copy(made, tmp_path / "with-light.duckdb"))
    with Inventory.open(path) as inventory:
        months = pd.date_range("2023-01-01", "2026-06-01", freq="MS")
        typical = [30, 50, 90, 130, 160, 170, 175, 150, 105, 65, 35, 25]
        light = [f"Base,{month:%Y-%m-%d},48,11,{typical[month.month - 1]}" for month in months]
        table = tmp_path / "past_weather.csv"
        table.write_text(rows("place,month,latitude,longitude,irradiation_kwh_m2", light))
        assert load_file(inventory, "past_weather", table).rejected == 0
        row = measure(inventory, company_of_tests, AS_OF).set_index("site_id").loc["S01"]
    assert row["basis"] == Basis.WEATHER


def test_work_within_two_months_is_one_event_and_later_work_ends_the_time_after() -> None:
    days = pd.to_datetime(["2024-01-10", "2024-02-20", "2025-02-20"])
    jobs = pd.DataFrame({"site_id": "S", "retrofit": ["b", "a", "a"], "done_on": days})
    first, second = events_of(jobs)["S"]
    assert (first.name, first.first_on, first.last_on, first.until) == ("a+b", days[0], days[1], days[2])
    assert (second.name, second.from_) == ("a", days[1])
