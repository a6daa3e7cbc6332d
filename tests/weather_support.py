"""Weather files in several formats, written from a made sky whose values are known at every instant.

The sky has a beam that follows the air mass, a diffuse part that follows Haurwitz' clear sky, and clouds that come and
go in three days, so slowly that values of one instant an hour say all. Figures here are inputs only.
"""

from __future__ import annotations

import csv
import io
import json
from dataclasses import dataclass
from functools import cache

import numpy as np
import pandas as pd
import pvlib

HOURS = 8760
YEAR = 2006


@dataclass(frozen=True)
class Sky:
    """Where the sky is, and how far the file's clock is ahead of UTC."""

    latitude: float = 45.0
    longitude: float = 8.0
    elevation_m: float = 250.0
    zone_h: float = 0.0

    @cache  # noqa: B019 - skies are few
    def at(self, past_h: float, step_h: float = 1.0) -> pd.DataFrame:
        """What is seen ``past_h`` after the beginning of each step of the year, by the file's clock.

        ``clock`` is that instant; GHI, DNI, DHI in W/m2, ``height`` of the sun in degrees, air temperature in degrees C
        and wind speed in m/s. Copy before changing.
        """
        clock = pd.date_range(f"{YEAR}-01-01", periods=round(HOURS / step_h), freq=pd.Timedelta(hours=step_h))
        clock += pd.Timedelta(hours=past_h)
        utc = (clock - pd.Timedelta(hours=self.zone_h)).tz_localize("UTC")
        sun = pvlib.solarposition.get_solarposition(
            utc, self.latitude, self.longitude, altitude=self.elevation_m, method="nrel_numpy"
        )
        cosine = np.maximum(np.cos(np.radians(sun["zenith"].to_numpy())), 0.0)
        airmass = pvlib.atmosphere.get_relative_airmass(sun["apparent_zenith"].to_numpy())
        # The year is a circle: what turns in it turns a whole number of times.
        day = ((utc - pd.Timestamp(f"{YEAR}-01-01", tz="UTC")) / pd.Timedelta(days=1)).to_numpy() % 365
        cloud = 0.6 + 0.4 * np.sin(2 * np.pi * day * 122 / 365)
        dni = np.where(cosine > 0, np.nan_to_num(1300 * 0.7 ** (airmass**0.678)) * cloud, 0.0)
        dhi = 0.15 * pvlib.clearsky.haurwitz(sun["apparent_zenith"])["ghi"].to_numpy() * (1.6 - cloud)
        return pd.DataFrame(
            {
                "clock": clock,
                "ghi": dhi + dni * cosine,
                "dni": dni,
                "dhi": dhi,
                "height": sun["elevation"].to_numpy(),
                "temp_air": 12 + 8 * np.sin(2 * np.pi * (day - 0.4)),
                "wind_speed": 3 + np.sin(2 * np.pi * day),
            }
        )

    def mid_hours(self, zone_h: float) -> pd.DataFrame:
        """The truth at the middles of the hours by another clock."""
        return Sky(self.latitude, self.longitude, self.elevation_m, zone_h).at(0.5)


def pvgis_tmy(sky: Sky = Sky(), offset_h: float | None = 0.1761, **columns: np.ndarray) -> dict[str, object]:
    """A typical year as PVGIS gives it in JSON; ``columns`` replace its own by name."""
    light, air = sky.at(offset_h or 0.0), sky.at(0.0)
    table = pd.DataFrame(
        {
            "time(UTC)": air["clock"].dt.strftime("%Y%m%d:%H%M"),
            "T2m": air["temp_air"].round(2).to_numpy(),
            "G(h)": light["ghi"].round(1).to_numpy(),
            "Gb(n)": light["dni"].round(2).to_numpy(),
            "Gd(h)": light["dhi"].round(1).to_numpy(),
            "WS10m": air["wind_speed"].round(2).to_numpy(),
        }
    ).assign(**columns)
    place: dict[str, float] = {
        "latitude": sky.latitude,
        "longitude": sky.longitude,
        "elevation": sky.elevation_m,
    }
    if offset_h is not None:
        place["irradiance_time_offset"] = offset_h
    return {
        "inputs": {"location": place, "meteo_data": {"radiation_db": "PVGIS-SARAH3"}},
        "outputs": {
            "months_selected": [{"month": month, "year": YEAR} for month in range(1, 13)],
            "tmy_hourly": table.to_dict("records"),
        },
        "meta": {"inputs": {}},
    }


def pvgis_tmy_csv(answer: dict[str, object]) -> str:
    """The same as PVGIS gives it in CSV."""
    inputs, outputs = answer["inputs"], answer["outputs"]
    place = inputs["location"]  # type: ignore[index]
    head = [
        f"Latitude (decimal degrees): {place['latitude']:.3f}",
        f"Longitude (decimal degrees): {place['longitude']:.3f}",
        f"Elevation (m): {place['elevation']}",
    ]
    if "irradiance_time_offset" in place:
        head.append(f"Irradiance Time Offset (h): {place['irradiance_time_offset']}")
    head += ["month,year", *(f"{month},{YEAR}" for month in range(1, 13))]
    table = pd.DataFrame(outputs["tmy_hourly"])  # type: ignore[index]
    return "\r\n".join(head) + "\r\n" + table.to_csv(index=False, lineterminator="\r\n") + "\r\nPVGIS (c)\r\n"


def pvgis_hourly(sky: Sky = Sky(), slope: int = 0, minute: int = 10, years: int = 1) -> dict[str, object]:
    """An hourly series as PVGIS gives it in JSON."""
    light = sky.at(minute / 60)
    beam = light["dni"] * np.sin(np.radians(np.maximum(light["height"], 0)))
    table = pd.DataFrame(
        {
            "Gb(i)": beam.round(2).to_numpy(),
            "Gd(i)": light["dhi"].round(2).to_numpy(),
            "Gr(i)": 0.0,
            "H_sun": np.maximum(light["height"], 0).round(2).to_numpy(),
            "T2m": light["temp_air"].round(2).to_numpy(),
            "WS10m": light["wind_speed"].round(2).to_numpy(),
            "Int": 0.0,
        }
    )
    rows = []
    for year in range(YEAR, YEAR + years):
        stamps = pd.Index(light["clock"].dt.strftime(f"{year}%m%d:%H%M"), name="time")
        rows += table.set_index(stamps).reset_index().to_dict("records")
    place = {"latitude": sky.latitude, "longitude": sky.longitude, "elevation": sky.elevation_m}
    mounting = {"fixed": {"slope": {"value": slope, "optimal": False}, "azimuth": {"value": 0, "optimal": False}}}
    return {
        "inputs": {
            "location": place,
            "meteo_data": {"radiation_db": "PVGIS-SARAH3"},
            "mounting_system": mounting,
        },
        "outputs": {"hourly": rows},
        "meta": {"inputs": {}},
    }


def pvgis_hourly_csv(answer: dict[str, object]) -> str:
    """The same as PVGIS gives it in CSV."""
    inputs, outputs = answer["inputs"], answer["outputs"]
    place = inputs["location"]  # type: ignore[index]
    slope = inputs["mounting_system"]["fixed"]["slope"]["value"]  # type: ignore[index]
    head = [
        f"Latitude (decimal degrees):\t{place['latitude']:.3f}",
        f"Longitude (decimal degrees):\t{place['longitude']:.3f}",
        f"Elevation (m):\t{place['elevation']}",
        "Radiation database:\tPVGIS-SARAH3",
        "",
        "",
        f"Slope: {slope} deg. ",
        "Azimuth: 0 deg. ",
    ]
    table = pd.DataFrame(outputs["hourly"])  # type: ignore[index]
    return "\r\n".join(head) + "\r\n" + table.to_csv(index=False, lineterminator="\r\n") + "\r\n\r\nPVGIS (c)\r\n"


def nsrdb(
    sky: Sky = Sky(36.1, -79.95, 273.0, -5.0),
    step_min: int = 60,
    first_min: int = 30,
    local_zone: float | None = None,
    records: pd.DataFrame | None = None,
    **header: str,
) -> str:
    """A year as the NSRDB gives it in CSV; ``records`` replace its table, ``header`` its entries."""
    table = nsrdb_records(sky, step_min, first_min) if records is None else records
    entries = {
        "Source": "NSRDB",
        "Location ID": "1234567",
        "City": "-",
        "State": "-",
        "Country": "-",
        "Latitude": f"{sky.latitude:.2f}",
        "Longitude": f"{sky.longitude:.2f}",
        "Time Zone": f"{sky.zone_h:g}",
        "Elevation": f"{sky.elevation_m:g}",
        "Local Time Zone": f"{sky.zone_h if local_zone is None else local_zone:g}",
        "GHI Units": "w/m2",
        "Version": "4.1.2",
    } | header
    text = io.StringIO()
    csv.writer(text, lineterminator="\n").writerows([entries.keys(), entries.values()])
    return text.getvalue() + table.to_csv(index=False, lineterminator="\n")


def nsrdb_records(sky: Sky, step_min: int = 60, first_min: int = 30) -> pd.DataFrame:
    """The table of such a file."""
    now = sky.at(first_min / 60, step_min / 60)
    clock = now["clock"].dt
    return pd.DataFrame(
        {
            "Year": clock.year,
            "Month": clock.month,
            "Day": clock.day,
            "Hour": clock.hour,
            "Minute": clock.minute,
            "Temperature": now["temp_air"].round(1).to_numpy(),
            "DHI": now["dhi"].round().to_numpy(),
            "DNI": now["dni"].round().to_numpy(),
            "GHI": now["ghi"].round().to_numpy(),
            "Surface Albedo": 0.17,
            "Wind Speed": now["wind_speed"].round(1).to_numpy(),
        }
    )


def as_json(answer: dict[str, object]) -> str:
    """Text of an answer."""
    return json.dumps(answer)
