"""A typical year from a public service, for a machine that is online.

What is sent is the position asked for and nothing else. The answer goes through the same gate as a file.
"""

from __future__ import annotations

import math
import re

import pvlib
import requests

from aftersun.climate.formats.pvgis import raw_pvgis_tmy
from aftersun.climate.read import AS_IT_IS, ReadingOptions, WeatherReading, checked_reading
from aftersun.climate.text import shortened
from aftersun.model.errors import AftersunError

PVGIS_URL: str = pvlib.iotools.pvgis.URL

_OFFLINE = "Check the connection and try again; without one, the built-in climate normals serve any place on land."
_FARTHEST_DEG = 0.1
"""A grid cell's middle lies nearer to the place asked for than this."""


def fetch_pvgis(
    latitude: float,
    longitude: float,
    *,
    url: str = PVGIS_URL,
    timeout_s: float = 60.0,
    options: ReadingOptions = AS_IT_IS,
) -> WeatherReading:
    """Get the typical year of a place from PVGIS with `pvlib.iotools.get_pvgis_tmy`.

    Parameters
    ----------
    latitude, longitude : float
        Degrees, north and east positive.
    url : str
        Base address of the service.
    timeout_s : float
        Seconds to wait for an answer.
    options : ReadingOptions
        What to do to it.

    Raises
    ------
    AftersunError
        If the service cannot be reached, does not answer in time, refuses, answers with something else, or its year
        does not pass the gate.
    """
    _check_request(latitude, longitude, url, timeout_s)
    try:
        frame, meta = pvlib.iotools.get_pvgis_tmy(
            latitude,
            longitude,
            url=url.rstrip("/") + "/",
            timeout=timeout_s,
            coerce_year=None,  # the stamps keep the years of their months
        )
        raw = raw_pvgis_tmy(frame, meta)
    except requests.Timeout:
        raise AftersunError(
            f"PVGIS did not answer within {timeout_s:g} s.",
            f"Try again, or wait longer with --timeout. {_OFFLINE}",
        ) from None
    except requests.HTTPError as error:
        raise AftersunError(
            f"PVGIS refused: {_reason(error)}.",
            "It covers only part of the land; the built-in climate normals serve any place on land.",
        ) from None
    except (ValueError, KeyError, TypeError, AttributeError, IndexError, StopIteration):
        raise AftersunError(
            "PVGIS answered with something that is no typical year.",
            "Try again later, or download the file in a browser and add it with 'aftersun weather add'.",
        ) from None
    except requests.RequestException:
        raise AftersunError("PVGIS cannot be reached.", _OFFLINE) from None
    if not max(abs(raw.latitude - latitude), abs(raw.longitude - longitude)) <= _FARTHEST_DEG:
        raise AftersunError("PVGIS answered for another place than asked for.", "Try again later.")
    return checked_reading(raw, "The year from PVGIS", frame.to_csv().encode(), options)


def _check_request(latitude: float, longitude: float, url: str, timeout_s: float) -> None:
    if not (-90 <= latitude <= 90 and -180 <= longitude <= 180):
        raise AftersunError(
            "There is no such place.", "Latitude runs from -90 to 90, longitude from -180 to 180 degrees."
        )
    if not re.match(r"https?://[^/\s]", url):
        raise AftersunError("The address of the service is none.", "It begins with https://.")
    if not (math.isfinite(timeout_s) and timeout_s > 0):
        raise AftersunError("The time to wait is none.", "Give --timeout in seconds, more than 0.")


def _reason(error: requests.HTTPError) -> str:
    """What the service says against the request, without addresses, on one short line."""
    text = re.sub(r" for url: .*|https?://\S+", "", str(error.args[0] if error.args else ""), flags=re.DOTALL)
    return shortened(" ".join(text.split()).rstrip(" .")) or "it gave no reason"
