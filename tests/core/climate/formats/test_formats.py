"""Each format's hours, units, clock and codes for missing values, and faults planted in it."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from weather_support import (
    Sky,
    as_json,
    nsrdb,
    nsrdb_records,
    pvgis_hourly,
    pvgis_hourly_csv,
    pvgis_tmy,
    pvgis_tmy_csv,
)

from aftersun.climate.formats.known import parse
from aftersun.climate.gate.checks import closure_residual
from aftersun.climate.read import AS_IT_IS, ReadingOptions, WeatherReading, read_weather
from aftersun.climate.sun import hours_table, sun_position
from aftersun.model.errors import AftersunError
from aftersun.model.weather import WeatherYear

Write = Callable[[str], Path]


@pytest.fixture
def file(tmp_path: Path) -> Write:
    """Write a text to a file whose name says nothing of its format."""

    def write(text: str) -> Path:
        path = tmp_path / "year.txt"
        path.write_text(text, encoding="utf-8", newline="")
        return path

    return write


def refused(path: Path, options: ReadingOptions = AS_IT_IS) -> AftersunError:
    with pytest.raises(AftersunError) as caught:
        read_weather(path, options=options)
    assert caught.value.hint
    assert str(caught.value).count(". ") == 0  # one sentence
    return caught.value


def closure(year: WeatherYear) -> float:
    place = year.station
    zenith = sun_position(year.times, place.latitude, place.longitude, place.elevation_m)["zenith"].to_numpy()
    return closure_residual(year.ghi, year.dni, year.dhi, zenith)


def agree(year: WeatherYear, truth: pd.DataFrame) -> None:
    """The year is the truth at mid-hour but for rounding, and for the first and last sun."""
    for name in ("ghi", "dni", "dhi"):
        values, true = getattr(year, name), truth[name].to_numpy()
        assert values.sum() == pytest.approx(true.sum(), rel=0.003)
        day = truth["height"].to_numpy() > 5
        assert np.abs(values - true)[day].mean() < 0.01 * true[day].mean()
    np.testing.assert_allclose(year.temp_air, truth["temp_air"], atol=0.11)
    np.testing.assert_allclose(year.wind_speed, truth["wind_speed"], atol=0.06)


# --- TMY2 ---------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def miami(pvlib_data: Path, tmp_path_factory: pytest.TempPathFactory) -> WeatherReading:
    """Miami under a name of two words, with the code for missing in the first hour of 1 January."""
    text = (pvlib_data / "12839.tm2").read_text(encoding="ascii")
    lines = text.replace("MIAMI     ", "MIAMI EAST", 1).splitlines()
    assert lines[1][67:71] == "0200"
    lines[1] = lines[1][:67] + "9999" + lines[1][71:]
    path = tmp_path_factory.mktemp("tmy2") / "year.dat"
    path.write_text("\n".join(lines) + "\n", encoding="ascii")
    return read_weather(path)


@pytest.mark.slow
def test_tmy2(miami: WeatherReading) -> None:
    # First line: 12839 MIAMI FL -5 N 25 48 W 80 16 2. Columns 18-21 of all lines sum to 1792618. The line of
    # 1 January, 13 h: GHI 145, DNI 9, DHI 137, dry bulb 0189, wind 041.
    station = miami.year.station
    assert (station.station_id, station.name, station.source) == ("12839", "MIAMI EAST, FL", "TMY2 file")
    assert (station.latitude, station.utc_offset_h, station.elevation_m) == (25.8, -5.0, 2.0)
    assert station.longitude == pytest.approx(-80.2667, abs=1e-4)
    assert miami.year.ghi.sum() == 1792618
    assert [getattr(miami.year, name)[12] for name in ("ghi", "dni", "dhi", "temp_air", "wind_speed")] == [
        145,
        9,
        137,
        18.9,
        4.1,
    ]
    assert miami.year.rain_mm is None
    assert closure(miami.year) < 0.02


@pytest.mark.slow
def test_tmy2_code_for_missing(miami: WeatherReading) -> None:
    assert any("1 missing hours were interpolated (temp_air): 1 Jan 00-01 h" in r for r in miami.remarks)


def test_broken_tmy2(file: Write) -> None:
    first = " 12839 MIAMI                  FL  -5 N 25 48 W  80 16     2\n"
    assert "looks like TMY2 but cannot be read" in str(refused(file(first + " 62010101 no numbers here\n")))


# --- PVGIS --------------------------------------------------------------------------------------------------


@pytest.mark.slow
def test_pvgis_sample(samples: Path) -> None:
    # The file's own GHI sums to 1436 kWh/m2 and its components close to 0.0012 of GHI at the 0.1761 h it states;
    # taken as hourly means they would to 0.035 only.
    path = samples / "tmy_45.000_8.000_2005_2023.csv"
    raw = parse(path.read_text(encoding="utf-8"), path.name)
    assert round(raw.hours["ghi"].sum() / 1000) == 1436
    reading = read_weather(path)
    assert reading.year.ghi.sum() == pytest.approx(raw.hours["ghi"].sum(), rel=0.0005)
    assert closure(reading.year) < 0.0015
    assert reading.year.station.station_id == "45.000_8.000"
    assert reading.year.station.utc_offset_h == 1.0
    assert not any("against the sun" in remark for remark in reading.remarks)


@pytest.mark.parametrize("write", [as_json, pvgis_tmy_csv], ids=["json", "csv"])
@pytest.mark.slow
def test_pvgis_typical_year_is_brought_to_mid_hour(file: Write, write: Callable[[dict[str, object]], str]) -> None:
    reading = read_weather(file(write(pvgis_tmy())))
    agree(reading.year, Sky().mid_hours(1.0))
    assert closure(reading.year) < 0.002
    assert "its hours were turned from UTC to UTC+1" in reading.remarks
    assert any("irradiance of 11 min past the hour was brought to mid-hour" in r for r in reading.remarks)
    database = " (PVGIS-SARAH3)" if write is as_json else ""
    assert reading.year.station.source == f"PVGIS typical year{database}"


@pytest.mark.slow
def test_hourly_means_of_a_reanalysis_are_only_turned(file: Write) -> None:
    answer = pvgis_tmy(offset_h=0.5)
    rows = pd.DataFrame(answer["outputs"]["tmy_hourly"])  # type: ignore[index]
    year = read_weather(file(as_json(answer))).year
    # 00:00 UTC is the hour from 1 to 2 at UTC+1.
    np.testing.assert_array_equal(year.ghi, np.roll(rows["G(h)"], 1))


@pytest.mark.parametrize(
    ("longitude", "zone", "wish"), [(-120.0, -8.0, None), (77.0, 5.0, None), (77.0, 5.5, 5.5), (8.0, 0.0, 0.0)]
)
@pytest.mark.slow
def test_standard_time_is_that_of_the_longitude_or_as_asked(
    file: Write, longitude: float, zone: float, wish: float | None
) -> None:
    sky = Sky(longitude=longitude)
    year = read_weather(file(as_json(pvgis_tmy(sky))), options=ReadingOptions(utc_offset_h=wish)).year
    assert year.station.utc_offset_h == zone
    agree(year, sky.mid_hours(zone))


@pytest.mark.slow
def test_standard_time_belongs_to_the_fingerprint(file: Write) -> None:
    path = file(as_json(pvgis_tmy()))
    plain, turned = read_weather(path), read_weather(path, options=ReadingOptions(utc_offset_h=2.0))
    assert plain.year.station.sha256 != turned.year.station.sha256


@pytest.mark.parametrize("write", [as_json, pvgis_hourly_csv], ids=["json", "csv"])
@pytest.mark.slow
def test_pvgis_hourly_series(file: Write, write: Callable[[dict[str, object]], str]) -> None:
    reading = read_weather(file(write(pvgis_hourly())))
    agree(reading.year, Sky().mid_hours(1.0))
    assert reading.year.station.source == "PVGIS hourly series (PVGIS-SARAH3)"


def test_pvgis_hourly_series_on_a_tilted_plane(file: Write) -> None:
    error = refused(file(as_json(pvgis_hourly(slope=30))))
    assert "its irradiance is that of a plane of 30 deg slope" in str(error)
    assert "slope 0" in error.hint


def test_pvgis_hourly_series_without_components(file: Write) -> None:
    answer = pvgis_hourly()
    for row in answer["outputs"]["hourly"]:  # type: ignore[index]
        row["G(i)"] = row.pop("Gb(i)") + row.pop("Gd(i)") + row.pop("Gr(i)")
    assert "without its components" in str(refused(file(pvgis_hourly_csv(answer))))


@pytest.mark.slow
def test_pvgis_hourly_series_of_several_years(file: Write) -> None:
    error = refused(file(as_json(pvgis_hourly(years=2))))
    assert "8760 hours occur more than once" in str(error)
    assert "one year a file" in error.hint


def with_offset(offset_h: float) -> str:
    answer = pvgis_tmy()
    answer["inputs"]["location"]["irradiance_time_offset"] = offset_h  # type: ignore[index]
    return as_json(answer)


def exchanged() -> str:
    answer = pvgis_tmy()
    for row in answer["outputs"]["tmy_hourly"]:  # type: ignore[index]
        row["Gb(n)"], row["Gd(h)"] = row["Gd(h)"], row["Gb(n)"]
    return as_json(answer)


def without_last_hours(text: str) -> str:
    return "".join(text.splitlines(True)[:-12])


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (lambda: with_offset(0.7), "0.5 h late against the sun"),
        (lambda: with_offset(-0.3239), "0.5 h early against the sun"),
        (exchanged, "DNI and DHI are exchanged"),
        (lambda: as_json(pvgis_tmy(offset_h=None)), "does not say at which minute its irradiance stands"),
        (lambda: pvgis_tmy_csv(pvgis_tmy(offset_h=None)), "does not say at which minute its irradiance stands"),
        (lambda: as_json(pvgis_tmy(Sky(), **{"G(h)": np.zeros(8760)})), "ghi sums to 0 kWh/m2 a year"),
        (lambda: as_json(pvgis_tmy(Sky(), **{"Gb(n)": np.full(8760, -5.2)})), "dni is negative"),
        (lambda: as_json(pvgis_tmy())[:-300000], "looks like PVGIS but cannot be read"),
        (lambda: pvgis_tmy_csv(pvgis_tmy())[:-200003], "PVGIS but cannot be read: "),
        (lambda: without_last_hours(pvgis_tmy_csv(pvgis_tmy())), "PVGIS but cannot be read: it holds 8750 complete"),
        (lambda: pvgis_hourly_csv(pvgis_hourly())[:-200000], "PVGIS but cannot be read: an hour is cut short"),
        (lambda: as_json(pvgis_tmy()).replace('"T2m"', '"T9m"'), "lack a value (temp_air;"),
        (lambda: as_json(pvgis_tmy()).replace('"longitude": 8.0', '"longitude": 98.0'), "6.0 h late against the sun"),
    ],
)
@pytest.mark.few_quick
@pytest.mark.slow
def test_faults_in_a_pvgis_year(file: Write, text: Callable[[], str], words: str) -> None:
    assert words in str(refused(file(text())))


def test_epw_of_pvgis_is_refused_with_what_to_take_instead(file: Write) -> None:
    # The header of PVGIS's own file for 45 N 8 E: zone 1, though its hours are UTC.
    head = [
        "LOCATION,unknown,-,unknown,ECMWF/ERA,unknown,45.000000,8.000000,1,250",
        "DESIGN CONDITIONS,0",
        "TYPICAL/EXTREME PERIODS,0",
        "GROUND TEMPERATURES,0",
        "HOLIDAYS/DAYLIGHT SAVING,No,0,0,0",
        "COMMENTS 1,Weather Analytics - Sensor Point System data - based on the ECMWF-ERA",
        "COMMENTS 2,Irradiance Time Offset (h):-0.8239",
        "DATA PERIODS,1,1,Data,Thursday, 1/ 1,12/31",
    ]
    error = refused(file("\n".join(head) + "\n2018,1,1,1,0\n"))
    assert "it is an EPW file of PVGIS" in str(error)
    assert "CSV or JSON" in error.hint


# --- NSRDB --------------------------------------------------------------------------------------------------

EAST = Sky(36.1, -79.95, 273.0, -5.0)


def test_nsrdb_hours_are_taken_as_they_stand(file: Write) -> None:
    year = read_weather(file(nsrdb(EAST))).year
    np.testing.assert_array_equal(year.ghi, nsrdb_records(EAST)["GHI"])
    assert (year.station.station_id, year.station.source) == ("1234567-2006", "NSRDB file")
    assert (year.station.utc_offset_h, year.station.elevation_m) == (-5.0, 273.0)
    assert set(year.albedo) == {0.17}
    assert closure(year) < 0.005  # of whole W/m2


@pytest.mark.parametrize(("step", "first"), [(30, 0), (15, 0), (60, 0)])
@pytest.mark.slow
def test_nsrdb_steps_other_than_mid_hour(file: Write, step: int, first: int) -> None:
    agree(read_weather(file(nsrdb(EAST, step, first))).year, EAST.mid_hours(-5.0))


def test_nsrdb_zone_and_height_need_not_be_whole(file: Write) -> None:
    sky = Sky(28.6, 77.2, 216.5, 5.5)
    year = read_weather(file(nsrdb(sky))).year
    assert (year.station.utc_offset_h, year.station.elevation_m) == (5.5, 216.5)


@pytest.mark.slow
def test_nsrdb_by_utc_is_turned_to_local_standard_time(file: Write) -> None:
    utc = Sky(36.1, -79.95, 273.0, 0.0)
    reading = read_weather(file(nsrdb(utc, local_zone=-5.0)))
    assert reading.year.station.utc_offset_h == -5.0
    agree(reading.year, utc.mid_hours(-5.0))
    assert "its hours were turned from UTC to UTC-5" in reading.remarks


@pytest.mark.slow
def test_a_few_steps_missing_are_interpolated(file: Write) -> None:
    records = nsrdb_records(EAST, 30, 0).drop(index=[9000])
    reading = read_weather(file(nsrdb(EAST, records=records)))
    assert any("1 missing hours were interpolated" in r and "7 Jul 12-13 h" in r for r in reading.remarks)


def nsrdb_with(change: Callable[[pd.DataFrame], pd.DataFrame], **header: str) -> Callable[[], str]:
    return lambda: nsrdb(EAST, records=change(nsrdb_records(EAST)), **header)


def same(records: pd.DataFrame) -> pd.DataFrame:
    return records


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (nsrdb_with(lambda r: r.drop(index=range(4500, 4510))), "10 hours are missing"),
        (nsrdb_with(lambda r: pd.concat([r, r.iloc[[30]]])), "1 hours occur more than once, first 2 Jan 06-07 h"),
        (nsrdb_with(lambda r: r.assign(GHI=r.GHI * 3.6, DNI=r.DNI * 3.6, DHI=r.DHI * 3.6)), "probably kJ/m2"),
        (nsrdb_with(lambda r: r.assign(DHI=r.DHI * 1.5)), "the three do not come from one measurement"),
        (nsrdb_with(lambda r: r.assign(Temperature=r.Temperature + 273)), "temp_air is 27"),
        (nsrdb_with(same, **{"Time Zone": "0", "Local Time Zone": "0"}), "no time zone (0), but the hours are local"),
        (nsrdb_with(same, Latitude="-36.1"), "the latitude has the wrong sign"),
        (nsrdb_with(same, Latitude="north"), "cannot be read: could not convert string to float"),
        (nsrdb_with(lambda r: r.drop(columns="DNI")), "8760 hours are missing or lack a value (dni;"),
    ],
)
@pytest.mark.few_quick
def test_faults_in_an_nsrdb_year(file: Write, text: Callable[[], str], words: str) -> None:
    assert words in str(refused(file(text())))


def test_nsrdb_header_cut_short(file: Write) -> None:
    head = "Source,Location ID,City\nNSRDB,1,-\nYear,Month,Day,Hour,Minute,GHI\n2006,1,1,0,30,0\n"
    assert "looks like NSRDB but cannot be read" in str(refused(file(head)))


# --- our own plain table ------------------------------------------------------------------------------------

HEAD = {
    "station_id": "depot",
    "name": "Roof of the depot",
    "latitude": "36.1",
    "longitude": "-79.95",
    "elevation_m": "273",
    "utc_offset_h": "-5",
    "source": "own pyranometer",
}


def plain(table: pd.DataFrame, without: str = "", **entries: str) -> str:
    lines = [f"# {name} = {value}" for name, value in (HEAD | entries).items() if name != without]
    return "\n".join(lines) + "\n" + table.to_csv(index=False, lineterminator="\n")


@pytest.fixture(scope="module")
def table(pvlib_data: Path) -> pd.DataFrame:
    """Greensboro's hours as they are stored."""
    return hours_table(read_weather(pvlib_data / "723170TYA.CSV").year)


@pytest.mark.slow
def test_plain_table_gives_back_what_was_stored(file: Write, table: pd.DataFrame) -> None:
    year = read_weather(file(plain(table))).year
    pd.testing.assert_frame_equal(hours_table(year), table)
    station = year.station
    assert (station.station_id, station.name, station.source) == ("depot", "Roof of the depot", "own pyranometer")
    assert station.year is None
    assert station.rain_basis.startswith("file that does not say of which years")


@pytest.mark.slow
def test_plain_table_of_one_year_without_rain_and_albedo(file: Write, table: pd.DataFrame) -> None:
    shuffled = table.drop(columns=["rain_mm", "albedo"]).sample(frac=1, random_state=1)
    reading = read_weather(file(plain(shuffled, without="station_id", year="2024")))
    np.testing.assert_array_equal(reading.year.ghi, table["ghi"])
    assert reading.year.rain_mm is None
    assert (reading.year.station.station_id, reading.year.station.year) == ("36.100_-79.950-2024", 2024)
    next_year = read_weather(file(plain(shuffled, without="station_id", year="2025")))
    assert next_year.year.station.station_id == "36.100_-79.950-2025"


@pytest.mark.slow
def test_plain_table_says_whose_year_its_rain_is(file: Write, table: pd.DataFrame) -> None:
    year = read_weather(file(plain(table, year="2024"))).year
    assert year.station.rain_basis.startswith("file of a single year, not a climate normal; 834 mm in it")


@pytest.mark.slow
def test_empty_cell_is_a_missing_value(file: Write, table: pd.DataFrame) -> None:
    changed = table.copy()
    changed.loc[100, "temp_air"] = np.nan
    assert any("1 missing hours were interpolated (temp_air)" in r for r in read_weather(file(plain(changed))).remarks)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (lambda t: plain(t, without="utc_offset_h"), "it has no line '# utc_offset_h = ...'"),
        (lambda t: plain(t, latitude="36,1"), "its line '# latitude = ...' holds no number"),
        (lambda t: plain(t, year="next"), "its line '# year = ...' holds no number"),
        (lambda t: plain(t, latitude="136.1"), "the header gives 136.1 as the latitude"),
        (lambda t: plain(t.drop(columns="dhi")), "its header lacks dhi"),
        (lambda t: plain(t.rename(columns={"rain_mm": "rain"})), "its header has 1 unknown names"),
        (lambda t: plain(t).replace("ghi,dni", "ghi,ghi,dni", 1), "names a column twice"),
        (lambda t: plain(t).replace(",", ";"), "its header lacks hour"),
        (lambda t: plain(t) + "1,2,3\n", "line 8769 has 3 cells instead of 8"),
        (lambda t: plain(t.assign(hour=t["hour"] + 1)), "its hour column does not run from 0 to 8759"),
        (lambda t: plain(t.head(8000)), "760 hours are missing"),
        (lambda t: plain(t.astype({"ghi": object}).replace({"ghi": {0.0: "none"}})), "line 9 has no number in the"),
        (lambda t: plain(t.assign(ghi=t["ghi"] / 1000)), "the unit is probably kW/m2"),
        (lambda t: plain(t.head(0)), "8760 hours are missing"),
    ],
)
@pytest.mark.few_quick
@pytest.mark.few_quick
def test_faults_in_a_plain_table(
    file: Write, table: pd.DataFrame, text: Callable[[pd.DataFrame], str], words: str
) -> None:
    assert words in str(refused(file(text(table))))


def test_plain_table_in_the_readme_is_read(file: Write) -> None:
    text = (Path(__file__).parents[4] / "core" / "README.md").read_text(encoding="utf-8")
    (shown,) = re.findall(r"```\n(# station_id.*?)```", text, re.DOTALL)
    raw = parse(shown, "shown.csv")
    assert (raw.station_id, raw.utc_offset_h, raw.hours["temp_air"][0]) == ("depot", 1.0, 2.1)


# --- what holds for all -------------------------------------------------------------------------------------


def test_standard_time_is_asked_only_of_files_by_utc(tmy3: Callable[..., Path]) -> None:
    error = refused(tmy3(), ReadingOptions(utc_offset_h=-5.0))
    assert "states its own time zone, UTC-5" in str(error)


@pytest.mark.parametrize("offset", [30.0, float("nan")])
def test_impossible_standard_time(file: Write, offset: float) -> None:
    assert "no such standard time" in str(refused(file(as_json(pvgis_tmy())), ReadingOptions(utc_offset_h=offset)))


@pytest.mark.parametrize("text", ["{}", "[1, 2]", '{"type": "FeatureCollection", "features": []}'])
def test_other_json_is_no_weather(file: Write, text: str) -> None:
    assert json.loads(text) is not None
    assert "is not a weather file that can be read" in str(refused(file(text)))
