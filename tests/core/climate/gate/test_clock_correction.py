"""Single months with another clock: refused, moved if asked, and only where the sun and the file prove it."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from aftersun.climate.gate.checks import closure_residual
from aftersun.climate.gate.clock_correction import move
from aftersun.climate.read import ReadingOptions, read_weather
from aftersun.climate.sun import sun_position
from aftersun.model.errors import AftersunError

CORRECT = ReadingOptions(correct_clock=True)
ETR = "ETR (W/m^2)"
IRRADIANCE = ["GHI (W/m^2)", "DNI (W/m^2)", "DHI (W/m^2)"]
Write = Callable[..., Path]


@pytest.fixture(scope="module")
def extraterrestrial(pvlib_data: Path) -> np.ndarray:
    """Greensboro's own extraterrestrial irradiance on the horizontal."""
    return pd.read_csv(pvlib_data / "723170TYA.CSV", skiprows=1, usecols=[ETR])[ETR].to_numpy()


def shifted(
    by_month: dict[int, int], columns: list[str] = IRRADIANCE, extra: np.ndarray | None = None
) -> Callable[[pd.DataFrame], pd.DataFrame]:
    """Columns later by some hours in some months."""

    def change(records: pd.DataFrame) -> pd.DataFrame:
        if extra is not None:
            records[ETR] = extra
        month = records["Date (MM/DD/YYYY)"].str[:2].astype(int)
        for name in columns:
            values = records[name].to_numpy(copy=True)
            for number, hours in by_month.items():
                within = (month == number).to_numpy()
                values[within] = np.roll(values[within], hours)
            records[name] = values
        return records

    return change


def refused(path: Path, options: ReadingOptions = CORRECT) -> AftersunError:
    with pytest.raises(AftersunError) as caught:
        read_weather(path, options=options)
    return caught.value


def test_file_is_refused_with_the_way_out_named(tmy3: Write) -> None:
    error = refused(tmy3(shifted({3: -1, 8: -1})), ReadingOptions())
    assert "irradiance of Mar, Aug comes 1.0 h early against the sun" in str(error)
    assert "--correct-clock" in error.hint


def test_moved_months_are_those_of_the_sound_file(tmy3: Write, greensboro: pd.DataFrame) -> None:
    reading = read_weather(tmy3(shifted({3: -1, 8: -1, 11: 2})), options=CORRECT)
    for name, column in zip(("ghi", "dni", "dhi"), IRRADIANCE, strict=True):
        np.testing.assert_array_equal(getattr(reading.year, name), greensboro[column])
    np.testing.assert_array_equal(reading.year.temp_air, greensboro["Dry-bulb (C)"])
    what = (
        "as asked, irradiance of Nov was moved 2 h earlier and irradiance of Mar, Aug was moved 1 h later "
        "to agree with the sun"
    )
    assert reading.year.station.source == f"TMY3 file; {what}"
    assert f"{what}; temperature, wind and rain stand as they were" in reading.remarks


def test_file_s_own_extraterrestrial_irradiance_is_called_as_witness(tmy3: Write, extraterrestrial: np.ndarray) -> None:
    reading = read_weather(tmy3(shifted({6: -1}, extra=extraterrestrial)), options=CORRECT)
    assert "the sun and the file's own extraterrestrial irradiance" in reading.year.station.source


@pytest.mark.slow
def test_nothing_is_moved_where_that_witness_is_displaced_too(tmy3: Write, extraterrestrial: np.ndarray) -> None:
    # Then the labels of the month are wrong, and with them temperature and wind.
    path = tmy3(shifted({6: -1}, [*IRRADIANCE, ETR], extraterrestrial))
    assert "irradiance of Jun comes 1.0 h early" in str(refused(path))
    assert "--correct-clock" not in refused(path, ReadingOptions()).hint


def test_nothing_is_moved_where_the_whole_year_is_displaced(tmy3: Write) -> None:
    error = refused(tmy3(shifted(dict.fromkeys(range(1, 13), -1))))
    assert "the hours are labelled at their beginning instead of their end" in str(error)
    assert "--correct-clock" not in error.hint


def test_nothing_is_moved_by_part_of_an_hour(tmy3: Write) -> None:
    def half_an_hour_and_more(records: pd.DataFrame) -> pd.DataFrame:
        early = shifted({6: -1})(records.copy())
        later = shifted({6: -2})(records.copy())
        records[IRRADIANCE] = (early[IRRADIANCE] + later[IRRADIANCE]) / 2
        return records

    error = refused(tmy3(half_an_hour_and_more))
    assert "irradiance of Jun comes 1.5 h early" in str(error)
    assert "--correct-clock" not in error.hint


def test_nothing_else_is_let_through(tmy3: Write) -> None:
    def two_faults(records: pd.DataFrame) -> pd.DataFrame:
        return shifted({6: -1})(records).rename(columns={IRRADIANCE[1]: IRRADIANCE[2], IRRADIANCE[2]: IRRADIANCE[1]})

    assert "DNI and DHI are exchanged" in str(refused(tmy3(two_faults)))


@pytest.mark.slow
def test_sound_file_is_left_alone(tmy3: Write) -> None:
    plain, asked = read_weather(tmy3()), read_weather(tmy3(), options=CORRECT)
    assert asked.year.station == plain.year.station
    assert asked.remarks == plain.remarks


def test_months_turn_by_themselves() -> None:
    moves = np.zeros(12, dtype=np.int64)
    moves[1] = 1
    moved = move(np.arange(8760.0), moves)
    assert moved[31 * 24 : 31 * 24 + 2].tolist() == [59 * 24 - 1, 31 * 24]
    np.testing.assert_array_equal(
        np.delete(moved, slice(31 * 24, 59 * 24)), np.delete(np.arange(8760.0), slice(744, 1416))
    )


@pytest.mark.slow
def test_sample_year_with_two_clocks(samples: Path) -> None:
    # Honolulu's GHI sums to 1953 kWh/m2 as the file stands; moving hours keeps that. One hour's error of the clock
    # leaves 0.077 of GHI or more between the components, a sound year less than 0.02.
    year = read_weather(samples / "HI-Honolulu_Intl_Arpt.tmy3", options=CORRECT).year
    assert round(year.ghi.sum() / 1000) == 1953
    assert "irradiance of Jan, Apr, May, Jun, Jul, Aug, Oct, Nov, Dec was moved 1 h later" in year.station.source
    zenith = sun_position(year.times, year.station.latitude, year.station.longitude, 2.0)["zenith"].to_numpy()
    assert closure_residual(year.ghi, year.dni, year.dhi, zenith) < 0.02
