"""Weather files for the climate tests: a real typical year that comes with pvlib, and faults."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
import pvlib
import pytest

HEADER = {
    "id": "723170",
    "name": '"GREENSBORO"',
    "state": "NC",
    "zone": "-5.0",
    "latitude": "36.100",
    "longitude": "-79.950",
    "height": "273",
}
COLUMNS = [
    "Date (MM/DD/YYYY)",
    "Time (HH:MM)",
    "GHI (W/m^2)",
    "DNI (W/m^2)",
    "DHI (W/m^2)",
    "Dry-bulb (C)",
    "Wspd (m/s)",
    "Alb (unitless)",
    "Lprecip depth (mm)",
    "Lprecip quantity (hr)",
]
IRRADIANCE = ["GHI (W/m^2)", "DNI (W/m^2)", "DHI (W/m^2)"]

Change = Callable[[pd.DataFrame], pd.DataFrame]


@pytest.fixture(scope="session")
def pvlib_data() -> Path:
    """Folder of the data that pvlib installs, with the TMY3 files 723170TYA.CSV and 703165TY.csv."""
    return Path(pvlib.__file__).parent / "data"


@pytest.fixture(scope="session")
def greensboro(pvlib_data: Path) -> pd.DataFrame:
    """The columns of Greensboro's TMY3 file that matter here, as the file has them. Copy before changing."""
    return pd.read_csv(pvlib_data / "723170TYA.CSV", skiprows=1, usecols=COLUMNS)


@pytest.fixture
def tmy3(tmp_path: Path, greensboro: pd.DataFrame) -> Callable[..., Path]:
    """Write a TMY3 file: Greensboro's records after ``change``, under a header with some entries replaced."""

    def write(change: Change | None = None, **header: str) -> Path:
        records = greensboro.copy() if change is None else change(greensboro.copy())
        path = tmp_path / "year.csv"
        first = ",".join((HEADER | header).values())
        path.write_text(first + "\n" + records.to_csv(index=False, lineterminator="\n"), encoding="utf-8")
        return path

    return write


@pytest.fixture
def epw(tmp_path: Path, greensboro: pd.DataFrame) -> Callable[..., Path]:
    """Write an EPW file with Greensboro's weather; ``columns`` replace the fields by position (from 0)."""

    def write(columns: dict[int, object] | None = None, location: str | None = None) -> Path:
        date = greensboro["Date (MM/DD/YYYY)"].str.split("/", expand=True).astype(int)
        hour = greensboro["Time (HH:MM)"].str[:2].astype(int)
        table = pd.DataFrame(0, index=greensboro.index, columns=range(35))
        table[[0, 1, 2, 3]] = np.column_stack([date[2], date[0], date[1], hour])
        table[5] = "?"
        for position, name in {
            6: "Dry-bulb (C)",
            13: IRRADIANCE[0],
            14: IRRADIANCE[1],
            15: IRRADIANCE[2],
            21: "Wspd (m/s)",
        }.items():
            table[position] = greensboro[name]
        table[32], table[33], table[34] = 0.18, 999, 99
        for position, values in (columns or {}).items():
            table[position] = values
        opening = location or "LOCATION,Greensboro,NC,USA,TMY3,723170,36.1,-79.95,-5.0,273.0"
        path = tmp_path / "year.epw"
        head = [
            opening,
            *(f"LINE {number}" for number in range(2, 8)),
            "DATA PERIODS,1,1,Data,Sunday, 1/ 1,12/31",
        ]
        body = table.to_csv(index=False, header=False, lineterminator="\n")
        path.write_text("\n".join(head) + "\n" + body, encoding="utf-8")
        return path

    return write
