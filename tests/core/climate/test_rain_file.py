"""Rain from files of days and of months: sums kept, rule as stated, and everything a table can have wrong."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from aftersun.climate.rain import Rain
from aftersun.climate.rain_file import read_rain, spread_month
from aftersun.climate.read import ReadingOptions, read_weather
from aftersun.model.errors import AftersunError
from aftersun.model.weather import DAYS_IN_MONTH

MONTHS = [60.0, 50.0, 55.0, 70.0, 90.0, 120.0, 130.0, 110.0, 80.0, 60.0, 40.0, 0.0]


@pytest.fixture
def file(tmp_path: Path) -> Callable[[str], Path]:
    def write(text: str) -> Path:
        path = tmp_path / "rain.csv"
        path.write_text(text, encoding="utf-8")
        return path

    return write


def days(year: str = "2023", mm: float = 2.0, **changed: str) -> str:
    """A year of days with the same rain; ``changed`` gives other cells by date, d20230517."""
    dates = pd.date_range(f"{year}-01-01", f"{year}-12-31").strftime("%Y-%m-%d")
    return "date,rain_mm\n" + "".join(f"{d},{changed.get('d' + d.replace('-', ''), mm)}\n" for d in dates)


def months(rain_days: list[object] | None = None, mm: list[float] = MONTHS) -> str:
    if rain_days is None:
        return "month,rain_mm\n" + "".join(f"{n},{total}\n" for n, total in enumerate(mm, 1))
    rows = (f"{n},{total},{wet}\n" for n, (total, wet) in enumerate(zip(mm, rain_days, strict=True), 1))
    return "month,rain_mm,rain_days\n" + "".join(rows)


def by_day(rain: Rain) -> np.ndarray:
    assert rain.mm is not None
    return rain.mm.reshape(365, 24).sum(axis=1)


def by_month(rain: Rain) -> np.ndarray:
    return np.add.reduceat(by_day(rain), np.cumsum(DAYS_IN_MONTH) - DAYS_IN_MONTH)


def test_sum_of_a_day_falls_evenly_over_its_hours(file: Callable[[str], Path]) -> None:
    rain = read_rain(file(days(d20230517="12.0")))
    day = 31 + 28 + 31 + 30 + 16
    assert rain.mm is not None
    np.testing.assert_allclose(rain.mm[24 * day : 24 * day + 24], 0.5)
    assert rain.mm.sum() == pytest.approx(364 * 2 + 12)
    assert rain.basis == (
        "daily sums of a separate file, 2023, a single year and not a climate normal; 740 mm in it, each day's sum "
        "spread evenly over its hours"
    )


def test_leap_day_is_left_out(file: Callable[[str], Path]) -> None:
    rain = read_rain(file(days("2024", d20240229="99")))
    assert rain.mm is not None
    assert rain.mm.sum() == pytest.approx(365 * 2)


def test_days_without_a_value_count_as_dry_and_are_said(file: Callable[[str], Path]) -> None:
    rain = read_rain(file(days(d20230517="", d20230518="")))
    assert by_day(rain).sum() == pytest.approx(363 * 2)
    assert "2 days without a value count as dry" in rain.basis


def test_year_of_days_may_begin_in_any_month(file: Callable[[str], Path]) -> None:
    dates = pd.date_range("2022-07-01", "2023-06-30").strftime("%Y-%m-%d")
    rain = read_rain(file("date,rain_mm\n" + "".join(f"{d},{1 + (d[:4] == '2023')}\n" for d in dates)))
    assert by_month(rain)[[0, 11]] == pytest.approx([62, 31])
    assert "2022 to 2023" in rain.basis


def test_rule_for_a_month_by_hand() -> None:
    # Three rain days of a month of 30: days 5, 15, 25 (from 0). Quantiles of the exponential distribution at 1/6, 1/2
    # and 5/6: 0.18232, 0.69315, 1.79176, together 2.66723. The fractions of 0, 1 and 2 golden ratios are 0, 0.618,
    # 0.236: the first day has the smallest, the second the largest sum.
    daily = spread_month(100.0, 3, 30)
    np.testing.assert_array_equal(np.flatnonzero(daily), [5, 15, 25])
    np.testing.assert_allclose(daily[[5, 15, 25]], [6.8356, 67.1768, 25.9875], atol=0.0001)


@settings(max_examples=50)
@given(total=st.floats(0.1, 2000), wet=st.integers(1, 31), length=st.sampled_from([28, 30, 31]))
def test_spread_keeps_total_and_count(total: float, wet: int, length: int) -> None:
    wet = min(wet, length)
    daily = spread_month(total, wet, length)
    assert daily.sum() == pytest.approx(total)
    assert (daily > 0).sum() == wet
    assert daily.min() >= 0


def test_months_with_their_rain_days(file: Callable[[str], Path]) -> None:
    wet = [10, 9, 9, 10, 12, 13, 14, 12, 9, 8, 7, 0]
    rain = read_rain(file(months(wet)))  # type: ignore[arg-type]
    np.testing.assert_allclose(by_month(rain), MONTHS)
    counts = [int((part > 0).sum()) for part in np.split(by_day(rain), np.cumsum(DAYS_IN_MONTH)[:-1])]
    assert counts == wet
    assert rain.basis == (
        "monthly totals of a separate file, laid on 113 rain days (as given) by rule, not on real days; 865 mm in it, "
        "each day's sum spread evenly over its hours"
    )


def test_months_without_their_rain_days(file: Callable[[str], Path]) -> None:
    rain = read_rain(file(months()))
    np.testing.assert_allclose(by_month(rain), MONTHS)
    wet = (by_day(rain) > 0).sum()
    assert 60 < wet < 180  # 865 mm fall on 75 to 137 days in the typical years of Greensboro and Miami
    assert f"laid on {wet} rain days (as many as usual with so much rain)" in rain.basis
    again = read_rain(file(months()))
    np.testing.assert_array_equal(by_day(rain), by_day(again))


def test_order_of_rows_and_lines_of_remark_do_not_matter(file: Callable[[str], Path]) -> None:
    head, *rows = months().splitlines()
    upside_down = "\n".join(["# from the gauge on the roof", head, *reversed(rows)]) + "\n"
    np.testing.assert_array_equal(by_day(read_rain(file(upside_down))), by_day(read_rain(file(months()))))


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "its header names neither date nor month"),
        ("day,mm\n1,2\n", "its header names neither date nor month"),
        (days().replace(",", ";"), "its header names neither date nor month"),
        (days().replace("rain_mm", "rain"), "its header lacks rain_mm and has 1 unknown names"),
        (days() + "2023-12-31\n", "line 367 has 1 cells instead of 2"),
        (days() + "2023-12-31,1\n", "more than one record for a day of the year"),
        (days() + days("2022").split("\n", 1)[1], "more than one record for a day of the year"),
        (days(d20230517="wet"), "line 138 has no number in the column rain_mm"),
        (days(d20230517="-9999"), "line 138 has negative rain"),
        (days(d20230517="1900"), "1900 mm of rain in one day is not believable"),
        (days().replace("2023-05-17", "17.05.2023"), "line 138 has no date"),
        (days().replace("2023-05-17", "2023-05-37"), "line 138 has no date"),
        ("\n".join(days().splitlines()[:201]), "165 of the 365 days have no value"),
        (days(mm=0.0), "the rain column is nought throughout"),
        (days(mm=40.0), "1.46e+04 mm of rain a year is not believable"),
        (days(mm=0.01), "3.65 mm of rain a year is not believable"),
        (months()[:-7], "its months are not 1 to 12, each once"),
        (months().replace("3,55.0", "4,55.0"), "its months are not 1 to 12, each once"),
        (months().replace("3,55.0", "3,"), "Mar has no rain value"),
        (months().replace("3,55.0", "3,-55.0"), "line 4 has negative rain"),
        (months([10] * 12), None),
        (months([10] * 11 + [""]), None),
        (months([0, *[10] * 11]), "Jan has an impossible number of rain days"),
        (months([10, 29, *[10] * 10]), "Feb has an impossible number of rain days"),
        (months([10, 9.5, *[10] * 10]), "Feb has an impossible number of rain days"),
        (months([1] * 12, [900.0] * 11 + [2000.0]), "2000 mm of rain in one day is not believable"),
    ],
)
def test_what_a_rain_file_can_have_wrong(file: Callable[[str], Path], text: str, words: str | None) -> None:
    if words is None:
        assert read_rain(file(text)).mm is not None
        return
    with pytest.raises(AftersunError) as caught:
        read_rain(file(text))
    assert words in str(caught.value)
    assert str(caught.value).startswith("The rain in rain.csv cannot be used: ")
    assert caught.value.hint


def test_missing_rain_file(tmp_path: Path) -> None:
    with pytest.raises(AftersunError, match=r"none\.csv cannot be read"):
        read_rain(tmp_path / "none.csv")


@pytest.mark.slow
def test_rain_takes_the_place_of_the_weather_file_s(
    file: Callable[[str], Path], tmy3: Callable[..., Path], greensboro: pd.DataFrame
) -> None:
    rain = read_rain(file(days()))
    path = tmy3()
    own, other = read_weather(path), read_weather(path, options=ReadingOptions(rain=rain))
    assert own.year.rain_mm is not None
    assert own.year.rain_mm.sum() == pytest.approx(834.5)
    assert other.year.rain_mm is not None
    assert other.year.rain_mm.sum() == pytest.approx(730.0)
    assert other.year.station.rain_basis == rain.basis
    np.testing.assert_array_equal(other.year.ghi, greensboro["GHI (W/m^2)"])
    # Another content, so that it replaces what was stored before.
    assert other.year.station.sha256 != own.year.station.sha256
