"""Build ``load_shapes.csv`` from the table of standard load profiles in a wheel of demandlib.

    python build_load_shapes.py demandlib-0.2.2-py3-none-any.whl ../aftersun_datasets/load_shapes.csv

The wheel's table has quarter hours of one week for three seasons. Kept are the profiles that a use of a site names in
``uses.csv``, one day a day type (the table repeats Monday to Friday), and hourly means.
"""

from __future__ import annotations

import argparse
import zipfile
from pathlib import Path

import pandas as pd

TABLE = "demandlib/bdew/bdew_data/selp_series.csv"
PROFILES = ("H0", "G0", "G1", "G4", "L0")
DAY_TYPES = {1: "workday", 6: "saturday", 7: "sunday"}  # ISO weekdays
SOURCE = (
    "BDEW/VDEW standard load profile {profile} (VDEW 1999, 1209 measured low-voltage customers), "
    "table in demandlib 0.2.2 (MIT licence, Copyright (c) oemof developer group)"
)
UNIT = "kW at 1000 kWh/a"


def load_shapes(wheel: Path) -> pd.DataFrame:
    """Return one row a profile, season, day type and hour: mean power, of H0 before the day-of-year factor."""
    with zipfile.ZipFile(wheel) as archive, archive.open(TABLE) as handle:
        quarters = pd.read_csv(handle, parse_dates=[0])
    quarters = quarters[quarters["weekday"].isin(DAY_TYPES)]
    quarters = quarters.assign(day=quarters["weekday"].map(DAY_TYPES), hour=quarters.iloc[:, 0].dt.hour)
    means = quarters.groupby(["period", "day", "hour"], sort=False)[[name.lower() for name in PROFILES]].mean()
    parts = []
    for name in PROFILES:
        hours = means[name.lower()].round(6).rename("value").reset_index().rename(columns={"period": "season"})
        hours.insert(0, "shape", name)
        parts.append(hours.assign(unit=UNIT, source=SOURCE.format(profile=name)))
    return pd.concat(parts, ignore_index=True)


def main() -> None:
    """Read the wheel and write the CSV file named on the command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("wheel", type=Path)
    parser.add_argument("csv", type=Path)
    arguments = parser.parse_args()
    load_shapes(arguments.wheel).to_csv(arguments.csv, index=False, lineterminator="\n")


if __name__ == "__main__":
    main()
