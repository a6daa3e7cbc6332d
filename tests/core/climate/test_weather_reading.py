"""Reading real typical years, and files that are none."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from aftersun.climate.formats.known import parse
from aftersun.climate.gate.findings import Findings
from aftersun.climate.gate.order import in_order
from aftersun.climate.read import WeatherReading, read_weather
from aftersun.model.errors import AftersunError


@pytest.fixture(scope="module")
def greensboro_reading(pvlib_data: Path) -> WeatherReading:
    return read_weather(pvlib_data / "723170TYA.CSV")


def test_station_comes_from_the_header(greensboro_reading: WeatherReading, pvlib_data: Path) -> None:
    # First line of the file: 723170,"GREENSBORO PIEDMONT TRIAD INT",NC,-5.0,36.100,-79.950,273
    station = greensboro_reading.year.station
    assert station.station_id == "723170"
    assert station.name == "GREENSBORO PIEDMONT TRIAD INT, NC"
    assert (station.latitude, station.longitude, station.elevation_m) == (36.1, -79.95, 273.0)
    assert station.utc_offset_h == -5.0
    assert station.sha256 == hashlib.sha256((pvlib_data / "723170TYA.CSV").read_bytes()).hexdigest()


def test_times_are_the_middles_of_a_non_leap_year_in_standard_time(
    greensboro_reading: WeatherReading,
) -> None:
    times = greensboro_reading.year.times
    assert times[0].utcoffset() == timedelta(hours=-5)
    assert [str(times[0])[5:16], str(times[-1])[5:16]] == ["01-01 00:30", "12-31 23:30"]
    assert ((times.month == 2) & (times.day == 29)).sum() == 0
    assert times.is_monotonic_increasing


def test_label_is_the_end_of_the_hour(greensboro_reading: WeatherReading) -> None:
    # The file: 01/01/1988 13:00 has GHI 155, so it belongs to the hour from 12 to 13, whose middle is 12:30.
    row = greensboro_reading.year.times.get_loc("2006-01-01 12:30:00-05:00")
    assert greensboro_reading.year.ghi[row] == 155


@pytest.mark.slow
def test_months_of_different_years_stand_in_calendar_order(tmy3: Callable[..., Path]) -> None:
    # Records turned upside down by month must give the same year.
    def december_first(records: pd.DataFrame) -> pd.DataFrame:
        return records.sort_values("Date (MM/DD/YYYY)", key=lambda d: -d.str[:2].astype(int), kind="stable")

    np.testing.assert_array_equal(read_weather(tmy3(december_first)).year.ghi, read_weather(tmy3()).year.ghi)


def test_rain_of_tmy3_is_in_tenths_of_mm(greensboro_reading: WeatherReading) -> None:
    # pvlib's own soiling test sums the column, headed mm, to 8345.
    rain = greensboro_reading.year.rain_mm
    assert rain is not None
    assert rain.sum() == pytest.approx(834.5)
    assert greensboro_reading.year.station.rain_basis.startswith(
        "typical-year file; one composite year, not a climate normal"
    )


def test_rain_with_gaps_and_overlapping_sums_is_not_used(pvlib_data: Path) -> None:
    # Sand Point: 1, 3, 6 and 24 h sums in 749 of 8760 records, -9900 in the others.
    reading = read_weather(pvlib_data / "703165TY.csv")
    assert reading.year.rain_mm is None
    assert reading.year.station.rain_basis == "no rain: 69 % of the hours have no rain value"
    assert any("rain of the built-in normals" in remark for remark in reading.remarks)


def test_albedo_of_the_file_is_kept_where_believable(pvlib_data: Path, greensboro_reading: WeatherReading) -> None:
    # Sand Point's column runs from 0.11 to 0.25; Greensboro's is nought throughout.
    albedo = read_weather(pvlib_data / "703165TY.csv").year.albedo
    assert (albedo.min(), albedo.max()) == (0.11, 0.25)
    assert set(greensboro_reading.year.albedo) == {0.2}
    assert any("ground reflectance 0.2" in remark for remark in greensboro_reading.remarks)


# Annual GHI in kWh/m2 and rain in tenths of mm as the files themselves sum to.
SAMPLES = [
    ("AZ-Phoenix_Sky_Harbor_Intl_Ap.tmy3", 2094, 1174),
    ("FL-Miami_Intl_Ap.tmy3", 1753, 14404),
    ("WA-Yakima_Air_Terminal.tmy3", 1487, 1401),
    ("WA-Port_Angeles_727885.epw", 1262, None),
]


@pytest.mark.parametrize(("name", "ghi_kwh", "rain_tenths"), SAMPLES)
@pytest.mark.slow
def test_sample_years(samples: Path, name: str, ghi_kwh: int, rain_tenths: int | None) -> None:
    reading = read_weather(samples / name)
    assert round(reading.year.ghi.sum() / 1000) == ghi_kwh
    if rain_tenths is None:
        assert reading.year.rain_mm is None
        assert "53 % of the hours have no rain value" in reading.year.station.rain_basis
    else:
        assert reading.year.rain_mm is not None
        assert reading.year.rain_mm.sum() == pytest.approx(rain_tenths / 10)


def test_sample_year_with_two_clocks_is_refused(samples: Path) -> None:
    # Honolulu: GHI 1953 kWh/m2; in nine months irradiance stands an hour before the file's own column of
    # extraterrestrial irradiance, in the other three it agrees with it.
    path = samples / "HI-Honolulu_Intl_Arpt.tmy3"
    ordered = in_order(parse(path.read_text(encoding="utf-8"), path.name).hours, Findings(path.name))
    assert round(ordered["ghi"].sum() / 1000) == 1953
    with pytest.raises(AftersunError, match=r"Jan, Apr, May, Jun, Jul, Aug, Oct, Nov, Dec comes 1\.0 h early"):
        read_weather(path)


def test_format_is_recognised_by_content(tmy3: Callable[..., Path]) -> None:
    path = tmy3()
    renamed = path.rename(path.with_name("notes.txt"))
    assert read_weather(renamed).year.station.source == "TMY3 file"


def test_epw(epw: Callable[..., Path], greensboro: pd.DataFrame) -> None:
    year = read_weather(epw({33: 0.15, 34: 1})).year
    assert year.station.source == "EPW file (TMY3)"
    assert (year.station.station_id, year.station.name) == ("723170", "Greensboro, NC")
    np.testing.assert_array_equal(year.ghi, greensboro["GHI (W/m^2)"])
    assert year.rain_mm is not None
    assert year.rain_mm.sum() == pytest.approx(1314.0)  # 8760 h of 0.15 mm as they stand
    assert set(year.albedo) == {0.18}


def test_station_without_number_is_called_by_its_position(epw: Callable[..., Path]) -> None:
    reading = read_weather(epw(location="LOCATION,unknown,-,-,made,unknown,36.1,-79.95,-5.0,273.0"))
    assert reading.year.station.station_id == "36.100_-79.950"
    assert any("names no station number" in remark for remark in reading.remarks)


@pytest.mark.parametrize("content", [b"", b"a,b\n1,2\n", b"\x00\xff\xfe", b"PK\x03\x04"])
def test_other_formats_are_refused_with_what_is_supported(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "year.epw"
    path.write_bytes(content)
    with pytest.raises(AftersunError, match="none of TMY2, TMY3, EPW, PVGIS, NSRDB or plain table") as caught:
        read_weather(path)
    assert "hourly values of a year as TMY2, TMY3," in caught.value.hint


def test_broken_file_of_a_known_format(tmp_path: Path) -> None:
    path = tmp_path / "year.epw"
    path.write_text("LOCATION,Somewhere,-,-,made,1,north,-79.95,-5.0,273.0\n", encoding="utf-8")
    with pytest.raises(AftersunError, match="cannot be read: could not convert string to float"):
        read_weather(path)


def test_times_that_are_not_full_hours(tmy3: Callable[..., Path]) -> None:
    def half(records: pd.DataFrame) -> pd.DataFrame:
        records["Time (HH:MM)"] = records["Time (HH:MM)"].str.replace(":00", ":30")
        return records

    with pytest.raises(AftersunError, match="not full hours"):
        read_weather(tmy3(half))


def test_missing_file(tmp_path: Path) -> None:
    with pytest.raises(AftersunError, match="cannot be read"):
        read_weather(tmp_path / "none.epw")
