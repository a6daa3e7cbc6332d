"""Typical years from public services, for a machine that is online.

What is sent is the position asked for and nothing else; the second service wants a key and an e-mail address of its
user besides. The answer goes through the same gate as a file.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from typing import Any

import pandas as pd
import pvlib
import requests

from aftersun.climate.formats import RawWeather
from aftersun.climate.formats.nsrdb import raw_nsrdb
from aftersun.climate.formats.pvgis import raw_pvgis_tmy
from aftersun.climate.read import NO_WISHES, WeatherReading, Wishes, checked_reading
from aftersun.model.errors import AftersunError

PVGIS_URL: str = pvlib.iotools.pvgis.URL
NSRDB_URL: str = pvlib.iotools.psm4.PSM4_TMY_URL

_OFFLINE = "Check the connection and try again; without one, the built-in climate normals serve any place on land."
_FARTHEST_DEG = 0.1
"""A grid cell's middle lies nearer to the place asked for than this."""

_LONGEST_REASON = 160

Answer = tuple[pd.DataFrame, dict[str, Any]]


def fetch_pvgis(
    latitude: float,
    longitude: float,
    *,
    url: str = PVGIS_URL,
    timeout_s: float = 60.0,
    wishes: Wishes = NO_WISHES,
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
    wishes : Wishes
        What to do to it.

    Raises
    ------
    AftersunError
        If the service cannot be reached, does not answer in time, refuses, answers with something else, or its year
        does not pass the gate.
    """
    _check_request(latitude, longitude, url, timeout_s)
    base = url.rstrip("/") + "/"

    def ask() -> Answer:
        # Without a year to be coerced to, the stamps keep the years of their months.
        answer: Answer = pvlib.iotools.get_pvgis_tmy(latitude, longitude, url=base, timeout=timeout_s, coerce_year=None)
        return answer

    return _reading("PVGIS", ask, raw_pvgis_tmy, (latitude, longitude), timeout_s, wishes)


def fetch_nsrdb(
    latitude: float,
    longitude: float,
    *,
    api_key: str,
    email: str,
    url: str = NSRDB_URL,
    timeout_s: float = 60.0,
    wishes: Wishes = NO_WISHES,
) -> WeatherReading:
    """Get the typical year of a place from the NSRDB with `pvlib.iotools.get_nsrdb_psm4_tmy`.

    ``api_key`` and ``email`` are those the user registered with at the service; all else as in `fetch_pvgis`.

    Raises
    ------
    AftersunError
        As `fetch_pvgis`, and if key or address is missing.
    """
    _check_request(latitude, longitude, url, timeout_s)
    if not (api_key and email):
        raise AftersunError(
            "The NSRDB answers only with a key and the e-mail address it was given to.",
            "Register at the service for a free key; give both with --api-key and --email, or take PVGIS.",
        )

    def ask() -> Answer:
        answer: Answer = pvlib.iotools.get_nsrdb_psm4_tmy(
            latitude, longitude, api_key, email, url=url, timeout=timeout_s
        )
        return answer

    return _reading("NSRDB", ask, raw_nsrdb, (latitude, longitude), timeout_s, wishes, secrets=(api_key, email))


def _check_request(latitude: float, longitude: float, url: str, timeout_s: float) -> None:
    if not (-90 <= latitude <= 90 and -180 <= longitude <= 180):
        raise AftersunError(
            "There is no such place.", "Latitude runs from -90 to 90, longitude from -180 to 180 degrees."
        )
    if not re.match(r"https?://[^/\s]", url):
        raise AftersunError("The address of the service is none.", "It begins with https://.")
    if not (math.isfinite(timeout_s) and timeout_s > 0):
        raise AftersunError("The time to wait is none.", "Give --timeout in seconds, more than 0.")


def _reason(error: requests.HTTPError, secrets: tuple[str, ...]) -> str:
    """What a service says against a request, without addresses and secrets, on one short line."""
    text = re.sub(r"\s+", " ", str(error.args[0] if error.args else "")).strip()
    text = re.sub(r" for url: .*|https?://\S+", "", text)
    for secret in secrets:
        text = text.replace(secret, "***")
    return text[:_LONGEST_REASON].rstrip(" .") or "it gave no reason"


def _ask(
    service: str, ask: Callable[[], tuple[RawWeather, bytes]], timeout_s: float, secrets: tuple[str, ...]
) -> tuple[RawWeather, bytes]:
    """Ask a service, with what can go wrong said in one sentence. No text of an exception is passed on unseen: it
    would show the key.
    """
    try:
        return ask()
    except requests.Timeout:
        raise AftersunError(
            f"{service} did not answer within {timeout_s:g} s.", f"Try again, or wait longer with --timeout. {_OFFLINE}"
        ) from None
    except requests.HTTPError as error:
        raise AftersunError(
            f"{service} refused: {_reason(error, secrets)}.",
            "It covers only part of the land; the built-in climate normals serve any place on land.",
        ) from None
    except (ValueError, KeyError, TypeError, AttributeError, IndexError, StopIteration):
        raise AftersunError(
            f"{service} answered with something that is no typical year.",
            "Try again later, or download the file in a browser and add it with 'aftersun weather add'.",
        ) from None
    except requests.RequestException:
        raise AftersunError(f"{service} cannot be reached.", _OFFLINE) from None


def _reading(
    service: str,
    ask: Callable[[], Answer],
    raw_of: Callable[[pd.DataFrame, dict[str, Any]], RawWeather],
    place: tuple[float, float],
    timeout_s: float,
    wishes: Wishes,
    secrets: tuple[str, ...] = (),
) -> WeatherReading:
    def answer() -> tuple[RawWeather, bytes]:
        frame, meta = ask()
        return raw_of(frame, meta), frame.to_csv().encode()

    raw, content = _ask(service, answer, timeout_s, secrets)
    if not max(abs(raw.latitude - place[0]), abs(raw.longitude - place[1])) <= _FARTHEST_DEG:
        raise AftersunError(f"{service} answered for another place than asked for.", "Try again later.")
    return checked_reading(raw, f"The year from {service}", content, wishes=wishes)
