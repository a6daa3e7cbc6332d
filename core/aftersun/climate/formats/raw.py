"""What every reader hands over: a file's records under our names and units, not yet checked."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import pandas as pd

COLUMNS = ("ghi", "dni", "dhi", "temp_air", "wind_speed", "albedo", "ghi_extra", "rain_mm", "rain_period_h")


@dataclass(frozen=True)
class Instants:
    """At which instant of its hour, in h from its beginning, a value stands; a mean of the hour in its middle."""

    irradiance_h: float = 0.5
    air_h: float = 0.5


@dataclass(frozen=True, eq=False)
class RawWeather:
    """What a file says, not yet checked.

    ``hours`` has one row a record: ``year`` (NaN if not stated), ``month``, ``day`` and ``hour`` (0..23, the
    beginning of the hour) by the file's clock, which is ``utc_offset_h`` hours ahead of UTC; ``ghi``, ``dni``,
    ``dhi`` in W/m2 as hourly mean; ``temp_air`` in degrees C; ``wind_speed`` in m/s; ``albedo`` 0..1;
    ``ghi_extra``, the file's own extraterrestrial irradiance on the horizontal in W/m2; ``rain_mm``, the rain in
    mm that fell in the ``rain_period_h`` hours up to the end of the hour. Missing values are NaN.

    ``instants`` are others than mid-hours where the values are no hourly means; ``standard_offset_h`` is given where
    the file's clock is not the station's standard time. ``station_id`` is empty where the file names none.
    """

    station_id: str
    name: str
    latitude: float
    longitude: float
    elevation_m: float
    utc_offset_h: float
    source: str
    hours: pd.DataFrame
    instants: Instants = Instants()
    standard_offset_h: float | None = None
    typical: bool = False  # by its maker's word, whatever years its months have

    @property
    def zone_h(self) -> float:
        """The station's standard time, hours ahead of UTC."""
        return self.utc_offset_h if self.standard_offset_h is None else self.standard_offset_h


def numbers(frame: pd.DataFrame, names: Mapping[str, str] | None = None) -> pd.DataFrame:
    """Pick `COLUMNS` as numbers; ``names`` maps ours to the frame's where they differ from pvlib's.

    A column that the frame lacks, and what is not a number, is missing.
    """
    ours = {theirs: ours for ours, theirs in (names or {}).items()}
    picked = frame.rename(columns=ours).reindex(columns=list(COLUMNS)).reset_index(drop=True)
    read: pd.DataFrame = picked.apply(pd.to_numeric, errors="coerce").astype(float)
    return read


def position(meta: Mapping[str, Any]) -> dict[str, Any]:
    """Return where a station is and its clock, from a header as pvlib reads it."""
    names = {"latitude": "latitude", "longitude": "longitude", "elevation_m": "altitude", "utc_offset_h": "TZ"}
    return {ours: meta[theirs] for ours, theirs in names.items()}


def place_name(*parts: object) -> str:
    """Join the parts of a place's name, leaving out what stands for nothing."""
    cleaned = (str(part).strip("\"' -") for part in parts)
    return ", ".join(part for part in cleaned if part and part.lower() not in ("none", "unknown", "nan"))


def station_number(number: object) -> str:
    """A station's number as text, empty where it holds no digit other than 0."""
    text = str(number).strip()
    return text if any(digit in text for digit in "123456789") else ""
