"""The National Solar Radiation Database, physical solar model, versions 3 and 4."""

from __future__ import annotations

import csv
from io import StringIO

import pvlib

from aftersun.climate.formats.raw import COLUMNS, Instants, RawWeather, numbers, place_name, station_number

_CLOCK = ["Year", "Month", "Day", "Hour"]
_WHOLE = ("Time Zone", "Local Time Zone", "Elevation")
"""Entries of the header that pvlib takes as whole numbers, which they are not everywhere."""


def read_nsrdb(text: str) -> RawWeather:
    """Read a CSV file with `pvlib.iotools.read_nsrdb_psm4`, which serves both versions.

    Values stand for the instant of their stamp. Of finer steps than an hour the mean of the hour's values is taken,
    which stands for the middle of their times. There is no rain in the format.
    """
    first, second, rest = text.split("\n", 2)
    names, values = next(csv.reader([first])), next(csv.reader([second]))
    header = dict(zip(names, values, strict=False))
    plain = StringIO()
    csv.writer(plain, lineterminator="\n").writerow("0" if n in _WHOLE else v for n, v in header.items())
    frame, _ = pvlib.iotools.read_nsrdb_psm4(StringIO(f"{first}\n{plain.getvalue()}{rest}"))
    minutes = frame["Minute"].unique()
    hours = numbers(frame)
    clock = frame[_CLOCK].reset_index(drop=True)
    if len(minutes) > 1:
        groups = hours.groupby([clock[name] for name in _CLOCK])
        complete = groups.size() == len(minutes)
        hours = groups.mean().where(complete)
        clock = hours.index.to_frame(index=False)
        hours = hours.reset_index(drop=True)[list(COLUMNS)]
    hours = hours.assign(**{name.lower(): clock[name] for name in _CLOCK})
    at = float(minutes.mean()) / 60
    zone, local = float(header["Time Zone"]), float(header["Local Time Zone"])
    # A few regions come in UTC with a local time zone that is given as 0 too; the gate judges what is stated.
    return RawWeather(
        station_id=station_number(header.get("Location ID", "")),
        name=place_name(*(header.get(part, "") for part in ("City", "State", "Country"))),
        latitude=float(header["Latitude"]),
        longitude=float(header["Longitude"]),
        elevation_m=float(header["Elevation"]),
        utc_offset_h=zone,
        source=f"{str(header['Source']).strip() or 'NSRDB'} file",
        hours=hours,
        instants=Instants(at, at),
        standard_offset_h=None if local == zone else local,
    )
