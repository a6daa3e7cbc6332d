"""Typical years from public services, for a machine that is online.

What is sent is the position asked for and nothing else; the second service wants a key and an e-mail address of its
user besides. The answer goes through the same gate as a file.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from typing import Any

import pandas as pd
import pvlib
import requests

from aftersun.climate.formats.nsrdb import raw_nsrdb
from aftersun.climate.formats.pvgis import raw_pvgis_tmy
from aftersun.climate.formats.raw import RawWeather
from aftersun.climate.read import AS_IT_IS, ReadingOptions, WeatherReading, checked_reading
from aftersun.model.errors import AftersunError

PVGIS_URL: str = pvlib.iotools.pvgis.URL
NSRDB_URL: str = pvlib.iotools.psm4.PSM4_TMY_URL

_OFFLINE = "Check the connection and try again; without one, the built-in climate normals serve any place on land."
_FARTHEST_DEG = 0.1
"""A grid cell's middle lies nearer to the place asked for than this."""

_LONGEST_REASON = 160

Answer = tuple[pd.DataFrame, dict[str, Any]]


@dataclass(frozen=True)
class _Request:
    """What is asked of whom: a place in degrees, the service's address, seconds to wait, what no message may show."""

    service: str
    latitude: float
    longitude: float
    url: str
    timeout_s: float
    secrets: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        if not (-90 <= self.latitude <= 90 and -180 <= self.longitude <= 180):
            raise AftersunError(
                "There is no such place.", "Latitude runs from -90 to 90, longitude from -180 to 180 degrees."
            )
        if not re.match(r"https?://[^/\s]", self.url):
            raise AftersunError("The address of the service is none.", "It begins with https://.")
        if not (math.isfinite(self.timeout_s) and self.timeout_s > 0):
            raise AftersunError("The time to wait is none.", "Give --timeout in seconds, more than 0.")

    def reason(self, error: requests.HTTPError) -> str:
        """What the service says against the request, without addresses and secrets, on one short line."""
        text = re.sub(r"\s+", " ", str(error.args[0] if error.args else "")).strip()
        text = re.sub(r" for url: .*|https?://\S+", "", text)
        for secret in self.secrets:
            text = text.replace(secret, "***")
        return text[:_LONGEST_REASON].rstrip(" .") or "it gave no reason"


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
    request = _Request("PVGIS", latitude, longitude, url.rstrip("/") + "/", timeout_s)
    # Without a year to be coerced to, the stamps keep the years of their months.
    ask = partial(pvlib.iotools.get_pvgis_tmy, url=request.url, timeout=timeout_s, coerce_year=None)
    return _reading(request, ask, raw_pvgis_tmy, options)


def fetch_nsrdb(
    latitude: float,
    longitude: float,
    *,
    api_key: str,
    email: str,
    url: str = NSRDB_URL,
    timeout_s: float = 60.0,
    options: ReadingOptions = AS_IT_IS,
) -> WeatherReading:
    """Get the typical year of a place from the NSRDB with `pvlib.iotools.get_nsrdb_psm4_tmy`.

    ``api_key`` and ``email`` are those the user registered with at the service; all else as in `fetch_pvgis`.

    Raises
    ------
    AftersunError
        As `fetch_pvgis`, and if key or address is missing.
    """
    request = _Request("NSRDB", latitude, longitude, url, timeout_s, (api_key, email))
    if not (api_key and email):
        raise AftersunError(
            "The NSRDB answers only with a key and the e-mail address it was given to.",
            "Register at the service for a free key; give both with --api-key and --email, or take PVGIS.",
        )
    ask = partial(pvlib.iotools.get_nsrdb_psm4_tmy, api_key=api_key, email=email, url=url, timeout=timeout_s)
    return _reading(request, ask, raw_nsrdb, options)


def _reading(
    request: _Request,
    ask: Callable[[float, float], Answer],
    raw_of: Callable[[pd.DataFrame, dict[str, Any]], RawWeather],
    options: ReadingOptions,
) -> WeatherReading:
    """Ask a service, with what can go wrong said in one sentence. No text of an exception is passed on unseen: it
    would show the key.
    """
    service = request.service
    try:
        frame, meta = ask(request.latitude, request.longitude)
        raw, content = raw_of(frame, meta), frame.to_csv().encode()
    except requests.Timeout:
        raise AftersunError(
            f"{service} did not answer within {request.timeout_s:g} s.",
            f"Try again, or wait longer with --timeout. {_OFFLINE}",
        ) from None
    except requests.HTTPError as error:
        raise AftersunError(
            f"{service} refused: {request.reason(error)}.",
            "It covers only part of the land; the built-in climate normals serve any place on land.",
        ) from None
    except (ValueError, KeyError, TypeError, AttributeError, IndexError, StopIteration):
        raise AftersunError(
            f"{service} answered with something that is no typical year.",
            "Try again later, or download the file in a browser and add it with 'aftersun weather add'.",
        ) from None
    except requests.RequestException:
        raise AftersunError(f"{service} cannot be reached.", _OFFLINE) from None
    if not max(abs(raw.latitude - request.latitude), abs(raw.longitude - request.longitude)) <= _FARTHEST_DEG:
        raise AftersunError(f"{service} answered for another place than asked for.", "Try again later.")
    return checked_reading(raw, f"The year from {service}", content, options)
