"""Faults planted in clean readings are found, named and set aside, and nothing gets lost."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import meter_years
import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from readings_support import from_hours, grid, readings

import aftersun_datasets
from aftersun.climate.read import read_weather
from aftersun.energy.balance import simulate
from aftersun.energy.baseline import baseline
from aftersun.energy.readings.checks import FINDINGS
from aftersun.energy.readings.quality import FINDING_COLUMNS, INTERVAL_COLUMNS, Checked, check_readings
from aftersun.model.cohort import Cohort
from aftersun.model.ranges import Range
from aftersun.testing import build_cohort
from aftersun.wording import finding_text


@pytest.fixture(scope="module")
def cohort(make_cohort: Any) -> Cohort:
    """Two sites of 4 kW, the second facing east; the run stands for 2025-01-01."""
    return make_cohort(
        {"annual_demand_kwh": 4000.0, "commissioned_on": pd.Timestamp("2022-03-01")},
        {"annual_demand_kwh": 4000.0, "arrays": [{"azimuth_deg": 90.0}]},
    )


@pytest.fixture(scope="module")
def output(cohort: Cohort) -> np.ndarray:
    return simulate(cohort, baseline(cohort)).generated.astype(np.float64)


@pytest.fixture
def daily(output: np.ndarray) -> pd.DataFrame:
    """A clean year of days."""
    return from_hours("S0", "production", output[0], "D", "2023-01-01", "2024-01-01")


@pytest.fixture
def half_hours(output: np.ndarray) -> pd.DataFrame:
    """A clean year of half hours."""
    return from_hours("S0", "production", output[0], "30min", "2023-01-01", "2024-01-01")


def reasons(checked: Checked) -> dict[str, int]:
    return checked.set_aside["finding"].value_counts().to_dict()


def findings_of(checked: Checked) -> list[str]:
    return checked.findings["finding"].tolist()


def said(checked: Checked) -> str:
    """What is printed for the first finding."""
    return finding_text(checked.findings.iloc[0].to_dict())


def only(checked: Checked, check: str, count: int) -> bool:
    """Whether one check alone set readings aside, this many."""
    return set(reasons(checked)) <= {check} and len(checked.set_aside) == count


def test_limits_have_ranges_and_sources() -> None:
    rows = aftersun_datasets.rows("readings_limits.csv")
    assert len({row["name"] for row in rows}) == len(rows)
    for row in rows:
        assert Range.from_row(row).meaning


@pytest.mark.slow
def test_clean_readings_stay_as_they_are(cohort: Cohort, daily: pd.DataFrame, half_hours: pd.DataFrame) -> None:
    for clean in (daily, half_hours):
        checked = check_readings(cohort, clean.sample(frac=1, random_state=1))
        assert checked.set_aside.empty
        assert checked.findings.empty
        assert list(checked.intervals.columns) == list(INTERVAL_COLUMNS)
        assert checked.intervals["kwh"].to_numpy() == pytest.approx(clean["kwh"].to_numpy(dtype=float))
    assert checked.intervals["hours"].eq(0.5).all()


def test_no_readings_at_all(cohort: Cohort, daily: pd.DataFrame) -> None:
    checked = check_readings(cohort, daily.iloc[:0])
    assert checked.intervals.empty
    assert checked.set_aside.empty
    assert list(checked.findings.columns) == list(FINDING_COLUMNS)


def test_counters_become_intervals_and_a_reset_is_set_aside(cohort: Cohort) -> None:
    moments = ["2023-01-01", "2023-04-01", "2023-07-01", "2023-10-01", "2024-01-01"]
    rows = readings("S0", "production", moments, register=[90.0, 990.0, 2600.0, 40.0, 700.0])
    checked = check_readings(cohort, rows)
    assert checked.intervals["kwh"].tolist() == [900.0, 1610.0, 660.0]
    assert checked.intervals["ends_at"].tolist() == [pd.Timestamp(moments[n]) for n in (1, 2, 4)]
    assert only(checked, "counter", 1)
    assert checked.set_aside["starts_at"].tolist() == [pd.Timestamp("2023-07-01")]


def test_later_than_the_run_and_before_the_system(cohort: Cohort, output: np.ndarray) -> None:
    rows = from_hours("S0", "production", output[0], "D", "2024-12-01", "2025-01-11")
    assert only(check_readings(cohort, rows), "later", 9)  # the day of the run itself counts
    rows = from_hours("S0", "production", output[0], "D", "2022-02-19", "2022-04-01")
    assert only(check_readings(cohort, rows), "commissioning", 10)


@pytest.mark.slow
def test_of_overlapping_readings_the_shorter_stay(cohort: Cohort, daily: pd.DataFrame, output: np.ndarray) -> None:
    months = from_hours("S0", "production", output[0], "MS", "2023-01-01", "2024-01-01")
    checked = check_readings(cohort, pd.concat([daily, months[months["starts_at"].dt.day_of_year > 31]]))
    assert only(checked, "overlap", 11)
    assert len(checked.intervals) == 365
    both = pd.concat([daily[daily["starts_at"].dt.month != 5], months[months["starts_at"].dt.month == 5]])
    assert check_readings(cohort, both).set_aside.empty  # a month fills the gap between days
    shifted = daily.iloc[[100]].assign(starts_at=lambda rows: rows["starts_at"] + pd.Timedelta(hours=1))
    checked = check_readings(cohort, pd.concat([daily, shifted]))
    assert reasons(checked) == {"overlap": 1}


@settings(max_examples=25)
@given(
    st.lists(st.tuples(st.integers(0, 60), st.integers(1, 20)), min_size=1, max_size=12, unique_by=lambda pair: pair[0])
)
@pytest.mark.slow
def test_what_stays_never_overlaps_and_nothing_is_lost(cohort: Cohort, spans: list[tuple[int, int]]) -> None:
    starts = pd.Series(pd.Timestamp("2023-05-01") + pd.to_timedelta([first for first, _ in spans], unit="D"))
    ends = starts + pd.to_timedelta([length for _, length in spans], unit="D")
    rows = readings("S0", "import", starts, ends, np.arange(len(spans)) + 1.0)
    checked = check_readings(cohort, rows)
    kept = checked.intervals
    assert len(kept) + len(checked.set_aside) == len(rows)
    assert (kept["starts_at"].to_numpy()[1:] >= kept["ends_at"].to_numpy()[:-1]).all()
    assert kept["hours"].min() == 24 * min(length for _, length in spans)  # the shortest always stays


@pytest.mark.slow
def test_watt_hours_are_named(cohort: Cohort, daily: pd.DataFrame) -> None:
    all_of_it = daily.assign(kwh=daily["kwh"] * 1000)
    assert only(check_readings(cohort, all_of_it), "watt_hours", 365)
    later = daily.assign(kwh=daily["kwh"].where(daily["starts_at"] < "2023-07-01", daily["kwh"] * 1000))
    checked = check_readings(cohort, later)
    assert only(checked, "watt_hours", 184)
    assert "Wh in place of kWh; they cover 184.0 days" in said(checked)
    assert "Divide by 1000" in said(checked)
    taken = readings("S0", "import", *grid("MS", "2023-01-01", "2024-01-01"), np.full(12, 250_000.0))
    assert only(check_readings(cohort, taken), "watt_hours", 12)


def test_megawatt_hours_are_named(cohort: Cohort, daily: pd.DataFrame) -> None:
    assert only(check_readings(cohort, daily.assign(kwh=daily["kwh"] / 1000)), "megawatt_hours", 365)


@pytest.mark.slow
def test_more_than_the_rating_allows(cohort: Cohort, half_hours: pd.DataFrame) -> None:
    noon = half_hours["starts_at"] == pd.Timestamp("2023-05-05 12:00")
    # 4 kW give at most 4 x 0.5 x 1.2 = 2.4 kWh in half an hour
    assert only(check_readings(cohort, half_hours.assign(kwh=half_hours["kwh"].mask(noon, 2.41))), "rating", 1)
    assert check_readings(cohort, half_hours.assign(kwh=half_hours["kwh"].mask(noon, 2.39))).set_aside.empty
    battery = cohort.sites.assign(battery_kwh=10.0)
    export = readings("S0", "export", ["2023-05-05 12:00"], ["2023-05-05 12:30"], [9.0])
    with_battery = Cohort(battery, cohort.arrays, cohort.weather, cohort.load_shapes, cohort.as_of)
    assert only(check_readings(cohort, export), "rating", 1)
    assert check_readings(with_battery, export).set_aside.empty


@pytest.mark.slow
def test_below_zero(cohort: Cohort, half_hours: pd.DataFrame) -> None:
    night = half_hours["starts_at"].dt.hour < 3
    standby = check_readings(cohort, half_hours.assign(kwh=half_hours["kwh"].mask(night, -0.005)))  # 10 W
    assert standby.set_aside.empty
    assert (standby.intervals["kwh"] >= 0).all()
    assert findings_of(standby) == ["standby"]
    assert standby.findings["readings"].tolist() == [365 * 6]
    wrong_sign = check_readings(cohort, half_hours.assign(kwh=half_hours["kwh"].mask(half_hours["kwh"] > 0.1, -0.5)))
    assert set(reasons(wrong_sign)) == {"negative"}


@pytest.mark.slow
def test_stuck_values(cohort: Cohort, daily: pd.DataFrame, half_hours: pd.DataFrame, output: np.ndarray) -> None:
    days = daily["starts_at"].between("2023-06-10", "2023-06-14")
    assert only(check_readings(cohort, daily.assign(kwh=daily["kwh"].mask(days, 17.3))), "stuck", 5)
    four = daily["starts_at"].between("2023-06-10", "2023-06-13")
    coarse = daily.assign(kwh=(daily["kwh"] / 2).round() * 2)  # 2 kWh: four days alike are chance
    assert check_readings(cohort, coarse.assign(kwh=coarse["kwh"].mask(four, 18.0))).set_aside.empty
    assert only(check_readings(cohort, daily.assign(kwh=daily["kwh"].mask(four, 17.3))), "stuck", 4)  # ten digits
    two = daily["starts_at"].between("2023-06-10", "2023-06-11")
    assert check_readings(cohort, daily.assign(kwh=daily["kwh"].mask(two, 17.3))).set_aside.empty
    zero = daily.assign(kwh=daily["kwh"].mask(days, 0.0))  # a stop, not a stuck meter
    assert check_readings(cohort, zero).set_aside.empty
    held = half_hours["starts_at"].between("2023-06-10 10:00", "2023-06-11 11:00")
    checked = check_readings(cohort, half_hours.assign(kwh=half_hours["kwh"].mask(held, 0.7)))
    assert only(checked, "stuck", 51)
    clipped = half_hours.assign(kwh=half_hours["kwh"].clip(upper=0.6))  # the same value for hours, but by day only
    assert check_readings(cohort, clipped).set_aside.empty
    months = from_hours("S0", "production", output[0], "MS", "2023-01-01", "2024-01-01")
    estimates = months.assign(kwh=months["kwh"].mask(months["starts_at"].dt.month.between(3, 5), 400.0))
    assert only(check_readings(cohort, estimates), "stuck", 3)


@pytest.mark.slow
def test_a_value_that_stays_through_a_cloudy_afternoon_is_stuck(cohort: Cohort, half_hours: pd.DataFrame) -> None:
    held = half_hours["starts_at"].between("2023-06-10 10:00", "2023-06-10 16:30")
    checked = check_readings(cohort, half_hours.assign(kwh=half_hours["kwh"].mask(held, 0.3)))
    assert only(checked, "stuck", 14)
    short = half_hours["starts_at"].between("2023-06-10 10:00", "2023-06-10 14:00")
    assert check_readings(cohort, half_hours.assign(kwh=half_hours["kwh"].mask(short, 0.3))).set_aside.empty
    finding = checked.findings.iloc[0]
    assert finding["days"] == pytest.approx(7 / 24)
    assert finding["kwh"] == pytest.approx(14 * 0.3)
    assert "they cover 0.3 days and 4 kWh, 0." in said(checked)
    assert "% of what this meter shows, and only the rest is used" in said(checked)


@pytest.mark.slow
@pytest.mark.parametrize("digits", [2, 3, 9])
def test_gaps_that_were_filled_by_a_straight_line(cohort: Cohort, half_hours: pd.DataFrame, digits: int) -> None:
    rounded = half_hours.assign(kwh=half_hours["kwh"].astype(float).round(digits))
    assert check_readings(cohort, rounded).set_aside.empty
    ends = rounded["starts_at"].isin(pd.to_datetime(["2023-06-10 11:00", "2023-06-12 15:00"]))
    inside = rounded["starts_at"].between("2023-06-10 11:30", "2023-06-12 14:30")
    line = rounded["kwh"].where(~inside).mask(ends, pd.Series([1.31, 0.28], index=rounded.index[ends]))
    filled = rounded.assign(kwh=line.astype(float).interpolate().round(digits))
    checked = check_readings(cohort, filled)
    assert set(reasons(checked)) <= {"interpolated"}
    assert len(checked.set_aside) == pytest.approx(inside.sum() + 2, abs=4)  # two digits tell a little less


def test_days_that_were_filled_by_a_straight_line(cohort: Cohort, daily: pd.DataFrame) -> None:
    rounded = daily.assign(kwh=daily["kwh"].astype(float).round(1))
    assert check_readings(cohort, rounded).set_aside.empty
    inside = rounded["starts_at"].between("2023-06-11", "2023-06-24")
    kwh = rounded["kwh"].where(~inside).mask(rounded["starts_at"] == "2023-06-10", 4.0).interpolate().round(1)
    assert reasons(check_readings(cohort, rounded.assign(kwh=kwh))) == {"interpolated": 16}


@pytest.mark.slow
def test_a_day_that_is_the_day_before_times_a_factor(cohort: Cohort, half_hours: pd.DataFrame) -> None:
    rounded = half_hours.assign(kwh=half_hours["kwh"].astype(float).round(3))
    assert check_readings(cohort, rounded).set_aside.empty
    day = rounded["starts_at"].dt.floor("D")
    source = rounded.loc[day == "2023-06-10", "kwh"].to_numpy()
    filled = rounded.copy()
    for name, factor in (("2023-06-11", 0.8), ("2023-06-12", 0.93)):
        filled.loc[day == name, "kwh"] = np.round(factor * source, 3)
    assert only(check_readings(cohort, filled), "scaled_copy", 96)
    stopped = rounded.assign(kwh=rounded["kwh"].mask(day == "2023-06-10", 0.0))
    assert check_readings(cohort, stopped).set_aside.empty  # a day after a stop is nobody's copy


@pytest.mark.slow
def test_more_than_the_inverter_or_the_clearest_sky_can_give(cohort: Cohort, half_hours: pd.DataFrame) -> None:
    dawn = half_hours["starts_at"] == pd.Timestamp("2023-03-01 06:30")
    assert only(check_readings(cohort, half_hours.assign(kwh=half_hours["kwh"].mask(dawn, 2.2))), "sky", 1)
    smaller = Cohort(
        cohort.sites.assign(inverter_rating_kw=3.0), cohort.arrays, cohort.weather, cohort.load_shapes, cohort.as_of
    )
    noon = half_hours["starts_at"] == pd.Timestamp("2023-05-05 12:00")
    clipped = half_hours.assign(kwh=half_hours["kwh"].clip(upper=1.5))
    # 3 kW give at most 3 x 0.5 x 1.1 = 1.65 kWh in half an hour
    assert only(check_readings(smaller, clipped.assign(kwh=clipped["kwh"].mask(noon, 1.66))), "rating", 1)
    assert check_readings(smaller, clipped.assign(kwh=clipped["kwh"].mask(noon, 1.64))).set_aside.empty


def test_copied_days(cohort: Cohort, half_hours: pd.DataFrame) -> None:
    day = half_hours["starts_at"].dt.floor("D")
    source = half_hours.loc[day == "2023-06-10", "kwh"].to_numpy()
    copied = half_hours.copy()
    for name in ("2023-06-11", "2023-06-12"):
        copied.loc[day == name, "kwh"] = source
    checked = check_readings(cohort, copied)
    assert only(checked, "repeat", 2 * 48)
    assert set(checked.set_aside["starts_at"].dt.day) == {11, 12}


def test_output_in_the_night(cohort: Cohort, half_hours: pd.DataFrame) -> None:
    night = half_hours["starts_at"].isin(pd.to_datetime(["2023-01-05 01:00", "2023-06-05 23:30"]))
    checked = check_readings(cohort, half_hours.assign(kwh=half_hours["kwh"].mask(night, 0.4)))
    assert only(checked, "night", 2)


@pytest.mark.parametrize("site", ["S0", "S1"])  # the direction of the modules is not taken for a wrong clock
@pytest.mark.parametrize(("hours", "word"), [(1, "late"), (-1, "early"), (5, "late"), (-8, "early"), (0, "")])
@pytest.mark.slow
def test_wrong_time_zone(cohort: Cohort, output: np.ndarray, site: str, hours: int, word: str) -> None:
    rows = from_hours(site, "production", output[int(site[1])], "30min", "2023-02-01", "2023-12-01")
    moved = rows.assign(**{name: rows[name] + pd.Timedelta(hours=hours) for name in ("starts_at", "ends_at")})
    checked = check_readings(cohort, moved)
    assert checked.set_aside.empty  # what seems to be the night is the clock's fault
    assert findings_of(checked) == (["clock"] if word else [])
    assert checked.sites_with("clock") == ({site} if word else set())
    if word:
        text = said(checked)
        assert f"too {word}" in text
        assert float(text.split("lies ")[1].split(" h")[0]) == pytest.approx(abs(hours), abs=0.25)


def test_summer_time(cohort: Cohort, half_hours: pd.DataFrame) -> None:
    summer = half_hours["starts_at"].between("2023-03-26 02:00", "2023-10-29 01:30")
    moved = half_hours.copy()
    for name in ("starts_at", "ends_at"):
        moved[name] = moved[name].mask(summer, moved[name] + pd.Timedelta(hours=1))
    checked = check_readings(cohort, moved.drop_duplicates("starts_at"))
    assert "summer_time" in findings_of(checked)


def test_gaps_are_counted(cohort: Cohort, daily: pd.DataFrame) -> None:
    there = ~daily["starts_at"].between("2023-03-01", "2023-03-10") & (daily["starts_at"] != "2023-08-01")
    checked = check_readings(cohort, daily[there])
    assert checked.set_aside.empty
    assert checked.findings[["finding", "readings"]].to_numpy().tolist() == [["gap", 2]]
    assert said(checked).startswith("Gaps: 2, together 11.0 days, 3.0 % of the time. Load what is missing")


def test_series_do_not_touch_each_other(cohort: Cohort, daily: pd.DataFrame) -> None:
    other = daily.assign(site_id="S1", kwh=daily["kwh"] * 1000)
    foreign = daily.assign(site_id="X")
    checked = check_readings(cohort, pd.concat([other, daily, foreign]))
    assert set(checked.set_aside["site_id"]) == {"S1"}
    assert set(checked.intervals["site_id"]) == {"S0"}


@settings(max_examples=30)
@given(
    kwh=st.lists(st.floats(-1, 1e5, allow_nan=False), min_size=1, max_size=40),
    meter=st.sampled_from(["production", "import", "export"]),
    freq=st.sampled_from(["h", "D", "MS"]),
)
@pytest.mark.slow
def test_nothing_is_lost_whatever_is_read(cohort: Cohort, kwh: list[float], meter: str, freq: str) -> None:
    edges = pd.Series(pd.date_range("2022-04-01", periods=len(kwh) + 1, freq=freq))
    starts, ends = edges[:-1].reset_index(drop=True), edges[1:].reset_index(drop=True)
    rows = readings("S0", meter, starts, ends, kwh)
    checked = check_readings(cohort, rows)
    assert len(checked.intervals) + len(checked.set_aside) == len(rows)
    assert (checked.set_aside["finding"] != "").all()
    assert all(finding_text(row) for row in checked.findings.to_dict("records"))
    if meter == "production":
        assert (checked.intervals["kwh"] <= 4 * checked.intervals["hours"] * 1.2).all()


def test_each_finding_has_its_text_and_what_to_do() -> None:
    figures = {"readings": 3, "gap_days": 2.0, "gap_share": 0.1, "late_h": -1.0}
    assert all(finding_text({"finding": code, **figures}).count(".") > 0 for code in FINDINGS)
    assert finding_text({"finding": "clock", **figures}).startswith(
        "The producing time lies 1.0 h too early for the sun."
    )


@pytest.mark.slow
@pytest.mark.parametrize("name", list(meter_years.FILES))
@pytest.mark.parametrize("digits", [1, 2, 3])
def test_in_measured_weather_no_sound_reading_is_called_made_up(samples: Path, name: str, digits: int) -> None:
    year = read_weather(samples / name).year
    facts = {"latitude": year.station.latitude, "longitude": year.station.longitude, "inverter_rating_kw": 5.0}
    cohort = build_cohort([facts], [{"site": 0, "dc_rating_kw": 6.0, "tilt_deg": 30.0, "azimuth_deg": 180.0}], year)
    hourly = simulate(cohort, baseline(cohort)).generated[0].astype(np.float64)
    rows = from_hours("S0", "production", hourly, "h", "2023-01-01", "2024-01-01")
    found = reasons(check_readings(cohort, rows.assign(kwh=rows["kwh"].astype(float).round(digits))))
    assert set(found) <= {"repeat"}  # a file of typical months may hold a day twice in a dark December
    assert sum(found.values()) <= 24
