"""Planted faults in a real typical year: each must be found and called by its name."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from aftersun.climate.read import read_weather
from aftersun.model.errors import AftersunError

GHI, DNI, DHI = "GHI (W/m^2)", "DNI (W/m^2)", "DHI (W/m^2)"
Write = Callable[..., Path]


def refused(path: Path) -> str:
    with pytest.raises(AftersunError) as caught:
        read_weather(path)
    assert caught.value.hint
    return str(caught.value)


def shifted(hours: int) -> Callable[[pd.DataFrame], pd.DataFrame]:
    """Irradiance later by some hours."""

    def change(records: pd.DataFrame) -> pd.DataFrame:
        for name in (GHI, DNI, DHI):
            records[name] = np.roll(records[name], hours)
        return records

    return change


def scaled(factor: float) -> Callable[[pd.DataFrame], pd.DataFrame]:
    def change(records: pd.DataFrame) -> pd.DataFrame:
        records[[GHI, DNI, DHI]] = records[[GHI, DNI, DHI]] * factor
        return records

    return change


def with_value(column: str, rows: object, value: object) -> Callable[[pd.DataFrame], pd.DataFrame]:
    def change(records: pd.DataFrame) -> pd.DataFrame:
        records[column] = records[column].astype(object)
        records.loc[rows, column] = value
        return records

    return change


def test_sound_file_passes(tmy3: Write) -> None:
    assert all("clock" not in remark and "GHI" not in remark for remark in read_weather(tmy3()).remarks)


# --- complete hours -----------------------------------------------------------------------------------------


def test_a_few_missing_hours_are_interpolated(tmy3: Write, greensboro: pd.DataFrame) -> None:
    # Rows 4500-4501 (7 July, 12-14 h) are dropped; a third and two thirds of the way are expected.
    reading = read_weather(tmy3(lambda records: records.drop(index=[4500, 4501])))
    before, after = greensboro["Dry-bulb (C)"][4499], greensboro["Dry-bulb (C)"][4502]
    assert reading.year.temp_air[4500] == pytest.approx((2 * before + after) / 3)
    assert reading.year.temp_air[4501] == pytest.approx((before + 2 * after) / 3)
    assert any("2 missing hours were interpolated" in r and "7 Jul 12-13 h" in r for r in reading.remarks)


def test_missing_code_counts_as_missing(tmy3: Write) -> None:
    reading = read_weather(tmy3(with_value("Wspd (m/s)", [100], -9900)))
    assert any("1 missing hours were interpolated (wind_speed)" in remark for remark in reading.remarks)


def test_hole_at_the_turn_of_the_year_is_filled_round_it(tmy3: Write, greensboro: pd.DataFrame) -> None:
    year = read_weather(tmy3(lambda records: records.drop(index=[0]))).year
    ends = greensboro["Dry-bulb (C)"][[1, 8759]]
    assert year.temp_air[0] == pytest.approx(ends.mean())


@pytest.mark.parametrize("rows", [range(4500, 4504), range(0, 25 * 50, 50)], ids=["4 h run", "25 h in all"])
def test_more_missing_hours_are_refused(tmy3: Write, rows: range) -> None:
    message = refused(tmy3(lambda records: records.drop(index=list(rows))))
    assert f"{len(rows)} hours are missing" in message
    assert ("7 Jul 12-13 h" if rows[0] else "1 Jan 00-01 h") in message


def test_column_without_values_is_refused_by_name(epw: Write) -> None:
    assert "8760 hours are missing or lack a value (dni;" in refused(epw({14: 9999}))


def test_hours_twice_are_refused(tmy3: Write) -> None:
    message = refused(tmy3(lambda records: pd.concat([records, records.iloc[[30]]])))
    assert "1 hours occur more than once, first 2 Jan 06-07 h" in message


def test_leap_day_is_dropped_and_said_so(tmy3: Write, greensboro: pd.DataFrame) -> None:
    def leap(records: pd.DataFrame) -> pd.DataFrame:
        february = records["Date (MM/DD/YYYY)"].str[:2] == "02"
        records.loc[february, "Date (MM/DD/YYYY)"] = records["Date (MM/DD/YYYY)"].str[:6] + "1988"
        day = records[records["Date (MM/DD/YYYY)"].str[:5] == "02/28"].assign(
            **{"Date (MM/DD/YYYY)": "02/29/1988", "Dry-bulb (C)": 33.0}
        )
        return pd.concat([records, day])

    reading = read_weather(tmy3(leap))
    assert "29 February was dropped (24 hours)" in reading.remarks
    np.testing.assert_array_equal(reading.year.temp_air, greensboro["Dry-bulb (C)"])


# --- values and units ---------------------------------------------------------------------------------------


def test_slightly_negative_irradiance_is_set_to_nought(tmy3: Write) -> None:
    reading = read_weather(tmy3(with_value(GHI, [0, 1], -3)))
    assert reading.year.ghi[0] == 0
    assert "ghi was slightly negative in 2 hours and set to 0" in reading.remarks


def test_negative_irradiance_is_refused(tmy3: Write) -> None:
    assert "dni is negative, down to -90 W/m2, first 1 Jan 01-02 h" in refused(tmy3(with_value(DNI, [1], -90)))


@pytest.mark.parametrize(
    ("column", "value", "words"),
    [
        ("Dry-bulb (C)", 99, "temp_air is 99"),
        ("Dry-bulb (C)", -99, "temp_air is -99"),
        ("Wspd (m/s)", 99, "wind_speed is 99"),
        ("Wspd (m/s)", -1, "wind_speed is -1"),
        (DNI, 1600, "dni is 1600"),
    ],
)
@pytest.mark.few_quick
def test_unbelievable_values_are_refused(tmy3: Write, column: str, value: float, words: str) -> None:
    message = refused(tmy3(with_value(column, [36], value)))
    assert words in message
    assert "2 Jan 12-13 h" in message


@pytest.mark.parametrize(("factor", "unit"), [(3.6, "kJ/m2 an hour"), (0.001, "kW/m2"), (0.0036, "MJ/m2 an hour")])
def test_wrong_unit_is_named(tmy3: Write, factor: float, unit: str) -> None:
    assert f"the unit is probably {unit} instead of W/m2" in refused(tmy3(scaled(factor)))


def test_unexplained_sum_is_refused_without_a_guess(tmy3: Write) -> None:
    message = refused(tmy3(scaled(0.01)))
    assert "ghi sums to 15.66 kWh/m2 a year" in message
    assert "probably" not in message


@pytest.mark.parametrize("entry", [{"latitude": "136.1"}, {"longitude": "-279.95"}, {"zone": "-15.0"}])
def test_impossible_place_is_refused(tmy3: Write, entry: dict[str, str]) -> None:
    assert "the header gives" in refused(tmy3(**entry))


# --- the clock ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("hours", "words"),
    [
        (-1, "1.0 h early against the sun: the hours are labelled at their beginning instead of their end"),
        (1, "1.0 h late against the sun: the clock runs in daylight-saving time"),
        (5, "5.0 h late against the sun: the hours are UTC, not the station's standard time"),
        (2, "the time zone or the longitude in the header is wrong by about 2 h"),
        (-7, "the time zone or the longitude in the header is wrong by about 7 h"),
        (12, "the time zone or the longitude in the header is wrong by about 12 h"),
    ],
)
@pytest.mark.few_quick
@pytest.mark.slow
def test_shifted_clock_is_refused(tmy3: Write, hours: int, words: str) -> None:
    assert words in refused(tmy3(shifted(hours)))


@pytest.mark.parametrize(("entry", "name"), [({"longitude": "79.950"}, "longitude"), ({"zone": "5.0"}, "time zone")])
def test_wrong_sign_of_longitude_or_zone_is_named(tmy3: Write, entry: dict[str, str], name: str) -> None:
    assert refused(tmy3(**entry)).endswith(f": the {name} in the header has the wrong sign.")


def test_wrong_sign_of_latitude_is_named(tmy3: Write) -> None:
    assert "the latitude has the wrong sign" in refused(tmy3(latitude="-36.100"))


def test_missing_time_zone_is_named(tmy3: Write) -> None:
    assert "the header gives no time zone (0), but the hours are local" in refused(tmy3(zone="0.0"))


def test_wrong_time_zone_is_refused(tmy3: Write) -> None:
    assert "the time zone or the longitude in the header is wrong by about 2 h" in refused(tmy3(zone="-7.0"))


def test_daylight_saving_time_left_in_is_named(tmy3: Write) -> None:
    def summer_time(records: pd.DataFrame) -> pd.DataFrame:
        summer = records["Date (MM/DD/YYYY)"].str[:2].astype(int).between(4, 10)
        for name in (GHI, DNI, DHI):
            records[name] = np.where(summer, np.roll(records[name], 1), records[name])
        return records

    message = refused(tmy3(summer_time))
    assert "Apr, May, Jun, Jul, Aug, Sep, Oct comes 1.0 h late" in message
    assert "daylight-saving time was left in" in message


def test_hours_out_of_order_are_refused(tmy3: Write) -> None:
    def shuffled(records: pd.DataFrame) -> pd.DataFrame:
        order = np.random.default_rng(1).permutation(len(records))
        for name in (GHI, DNI, DHI):
            records[name] = records[name].to_numpy()[order]
        return records

    assert "irradiance does not follow the sun" in refused(tmy3(shuffled))


def test_offset_at_night_is_remarked(tmy3: Write) -> None:
    def offset(records: pd.DataFrame) -> pd.DataFrame:
        records[GHI] += 2
        records[DHI] += 2
        return records

    # 2 W/m2 in about 4100 hours without sun, of 1584 kWh/m2.
    assert any(
        remark.startswith("0.5 % of the year's irradiance falls in hours without sun")
        for remark in read_weather(tmy3(offset)).remarks
    )


# --- closure ------------------------------------------------------------------------------------------------


def test_exchanged_columns_are_named(tmy3: Write) -> None:
    def exchanged(records: pd.DataFrame) -> pd.DataFrame:
        return records.rename(columns={DNI: DHI, DHI: DNI})

    message = refused(tmy3(exchanged))
    assert "GHI differs from DHI + DNI cos(zenith)" in message
    assert "DNI and DHI are exchanged" in message


def test_beam_on_the_horizontal_is_named(tmy3: Write) -> None:
    def horizontal(records: pd.DataFrame) -> pd.DataFrame:
        records[DNI] = records[GHI] - records[DHI]
        return records

    assert "the DNI column holds the beam on the horizontal" in refused(tmy3(horizontal))


def test_broken_closure_is_refused(tmy3: Write) -> None:
    def brighter(records: pd.DataFrame) -> pd.DataFrame:
        records[DHI] *= 1.2
        return records

    # A fifth more of a diffuse share of 44 % is 8.7 % of GHI.
    message = refused(tmy3(brighter))
    assert "by 8." in message
    assert "the three do not come from one measurement or model" in message


def test_small_lack_of_closure_is_remarked(tmy3: Write) -> None:
    def brighter(records: pd.DataFrame) -> pd.DataFrame:
        records[DHI] *= 1.1
        return records

    assert any("GHI differs from DHI + DNI cos(zenith) by 4." in r for r in read_weather(tmy3(brighter)).remarks)


# --- rain ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("depth", "period", "words"),
    [
        (0, 1, "nought throughout, which means no data, not a dry year"),
        (999, 99, "the file has no rain values"),
        (0.0004, 1, "3.504 mm of rain a year is not believable"),
        (1.3, 1, None),
        (1.4, 1, "1.226e+04 mm of rain a year is not believable"),
    ],
)
@pytest.mark.slow
def test_rain_that_is_not_believable_is_not_used(epw: Write, depth: float, period: int, words: str | None) -> None:
    reading = read_weather(epw({33: depth, 34: period}))
    if words is None:
        assert reading.year.rain_mm is not None
        return
    assert reading.year.rain_mm is None
    assert words in reading.year.station.rain_basis
    assert any(words in remark for remark in reading.remarks)


def test_rain_ten_times_too_high_shows_in_its_hardest_hour(epw: Write, greensboro: pd.DataFrame) -> None:
    # Tenths of mm given as mm: 8345 mm a year would pass, 500 mm in an hour does not.
    reading = read_weather(epw({33: greensboro["Lprecip depth (mm)"], 34: 1}))
    assert "500 mm of rain in one hour is not believable" in reading.year.station.rain_basis


def test_rain_without_periods_is_taken_hour_by_hour_and_said_so(epw: Write) -> None:
    reading = read_weather(epw({33: 0.1, 34: 0}))
    assert reading.year.rain_mm is not None
    assert reading.year.rain_mm.sum() == pytest.approx(876.0)
    assert "the file states no period" in reading.year.station.rain_basis


@pytest.mark.slow
def test_part_of_the_rain_missing_counts_as_dry_and_is_said(epw: Write) -> None:
    depth = np.where(np.arange(8760) % 4 == 0, 999, 0.1)
    reading = read_weather(epw({33: depth, 34: np.where(depth > 99, 99, 1)}))
    assert reading.year.rain_mm is not None
    assert reading.year.rain_mm.sum() == pytest.approx(657.0)
    assert "25.0 % of the hours have no value and count as dry" in reading.year.station.rain_basis


@pytest.mark.slow
def test_single_year_is_not_called_typical(epw: Write) -> None:
    reading = read_weather(epw({0: 2019, 33: 0.1, 34: 1}))
    assert reading.year.station.rain_basis.startswith("file of a single year, not a climate normal")
