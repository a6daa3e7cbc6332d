"""The formats that are known, told apart by content.

A further format is one function from text to `RawWeather` and one row in `FORMATS`. A reader settles names,
units, codes for missing values and the hour that each row stands for; what the values are worth is judged by
the gate.
"""

from __future__ import annotations

import csv
import re
import warnings
from collections.abc import Callable
from dataclasses import dataclass

import pandas as pd

from aftersun.climate.formats.epw import read_epw
from aftersun.climate.formats.nsrdb import read_nsrdb
from aftersun.climate.formats.plain import read_plain
from aftersun.climate.formats.pvgis import read_pvgis_hourly, read_pvgis_tmy
from aftersun.climate.formats.raw import RawWeather
from aftersun.climate.formats.tmy import read_tmy2, read_tmy3
from aftersun.climate.text import Unusable, shortened
from aftersun.model.errors import AftersunError


@dataclass(frozen=True)
class Format:
    """A format: its name, a pattern that the beginning of its files matches, and its reader."""

    name: str
    opening: re.Pattern[str]
    read: Callable[[str], RawWeather]


_PVGIS_PLACE = r"Latitude \(decimal degrees\):[^\n]*\nLongitude[^\n]*\nElevation[^\n]*\n"

FORMATS = (
    Format("TMY2", re.compile(r" ?\d{5} .{22} .. +-?\d+ [NS] +\d+ +\d+ [EW] +\d+ +\d+ +-?\d+ *\n"), read_tmy2),
    Format("TMY3", re.compile(r'[^\n]*\n"?Date \(MM/DD/YYYY\)"?,"?Time \(HH:MM\)'), read_tmy3),
    Format("EPW", re.compile(r"LOCATION,"), read_epw),
    Format("PVGIS", re.compile(_PVGIS_PLACE + r"(Irradiance Time Offset[^\n]*\n)?month,year"), read_pvgis_tmy),
    Format("PVGIS", re.compile(_PVGIS_PLACE + "Radiation database:"), read_pvgis_hourly),
    Format("PVGIS", re.compile(r'\s*\{(?s:.*?)"tmy_hourly"\s*:\s*\['), read_pvgis_tmy),
    Format("PVGIS", re.compile(r'\s*\{(?s:.*?)"hourly"\s*:\s*\['), read_pvgis_hourly),
    Format("NSRDB", re.compile(r"Source,Location ID,[^\n]*\n[^\n]*\nYear,Month,Day,Hour,Minute"), read_nsrdb),
    Format("plain table", re.compile(r"(#[^\n]*\n)*# *[a-z_]+ *="), read_plain),
)

# What the readers, pvlib's and those below them, raise over a broken file.
_BROKEN = (ArithmeticError, AttributeError, LookupError, RecursionError, StopIteration, TypeError, ValueError)
_OF_NO_USE = (RuntimeWarning, pd.errors.DtypeWarning, pd.errors.ParserWarning)


def parse(text: str, file_name: str) -> RawWeather:
    """Recognise the format by the file's content and read it.

    Raises
    ------
    AftersunError
        If the format is unknown, or known and the file is broken.
    """
    for known in FORMATS:
        if not known.opening.match(text):
            continue
        try:
            with warnings.catch_warnings():
                for category in _OF_NO_USE:  # what the values are worth is judged by the gate
                    warnings.simplefilter("ignore", category)
                return known.read(text)
        except Unusable as error:
            raise AftersunError(
                f"{file_name} looks like {known.name} but cannot be used: {error}.", error.hint
            ) from error
        except (*_BROKEN, csv.Error) as error:
            reason = shortened((str(error).strip() or type(error).__name__).splitlines()[0])
            raise AftersunError(
                f"{file_name} looks like {known.name} but cannot be read: {reason}.",
                "Get the file again from its source, unchanged by a spreadsheet program.",
            ) from error
    *others, last = dict.fromkeys(known.name for known in FORMATS)
    names = f"{', '.join(others)} or {last}"
    raise AftersunError(
        f"{file_name} is not a weather file that can be read: it is none of {names}.",
        f"Get hourly values of a year as {names} (core/README.md shows it); only the file's content counts.",
    )
