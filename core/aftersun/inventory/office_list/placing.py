"""Places the sites of a list by plus code, postcode or town, where it gives no latitude and longitude."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cache

import numpy as np
import pandas as pd
from babel import Locale
from babel.languages import get_official_languages

from aftersun.inventory.office_list.vocabulary import LANGUAGES, plain
from aftersun.inventory.places import Point, country_at, found_in, place

POSITION = ("latitude", "longitude", "placed_within_km")
_OTHER_NAMES = {"uk": "GB", "great britain": "GB", "england": "GB", "scotland": "GB", "wales": "GB", "holland": "NL"}
_CODE_FIRST = re.compile(r"^\s*(?:[A-Z]{1,3}-)?(?P<code>(?=\S*\d)\S+(?:\s\d\S*)?)[\s,]+(?P<town>\D.*)$")
_CODE_LAST = re.compile(r"^(?P<town>\D*\S)[\s,]+(?P<code>(?=\S*\d)\S+(?:\s\d\S*)?)\s*$")


@dataclass(frozen=True)
class Where:
    """What the places of a list go by.

    ``near`` is the company's base, ``country`` two letters of ISO 3166, empty if it is to be told from the base or the
    towns; ``held`` has the position of each site that has one in the inventory: degrees, and within how many km it is
    right, None if it was surveyed.
    """

    near: Point | None = None
    country: str = ""
    postcodes: pd.DataFrame | None = None
    held: Mapping[str, tuple[float, float, float | None]] = field(default_factory=dict)


@dataclass(frozen=True)
class Placing:
    """How many sites were placed by what, in which country, within how many km the middle one is right.

    ``lost`` are the positions in the list of rows whose place is not known here, ``several`` how many bear the name of
    several places.
    """

    by: Mapping[str, int]
    country: str
    within_km: float
    several: int
    lost: tuple[int, ...]


def place_sites(
    sites: pd.DataFrame, places: pd.DataFrame, where: Where, language: str
) -> tuple[pd.DataFrame, Placing | None]:
    """Return sites with their positions as text, and how they were placed; None if nobody had to be.

    ``places`` has country, postcode, town and plus_code of each row, as the list says them. A position that the list
    gives stays; one that the inventory holds stays unless the list knows it better.
    """
    sites = sites.assign(**{name: sites.get(name, pd.Series(pd.NA, index=sites.index)) for name in POSITION})
    sites = sites.astype(dict.fromkeys(POSITION, "string"))
    wanted = sites.index[sites["latitude"].isna() | sites["longitude"].isna()]
    wanted = wanted[places.loc[wanted, ["postcode", "town", "plus_code"]].notna().any(axis=1)]
    if not len(wanted):
        return sites, None
    said = _parted(places.loc[wanted])
    codes = said["country"].map(country_code, na_action="ignore").astype("string")
    country = where.country or _country(said["town"], where, language)
    found = place(said.assign(country=codes.fillna(country or pd.NA)), where.near, where.postcodes)
    positions = found[["latitude", "longitude", "place_error_km"]].to_numpy(dtype=float).tolist()
    for row, site_id, (north, east, within) in zip(wanted, sites.loc[wanted, "site_id"], positions, strict=True):
        held = where.held.get(str(site_id))
        if held and (held[2] is None or not held[2] > within):
            north, east, within = held[0], held[1], np.nan if held[2] is None else held[2]
        for name, value in zip(POSITION, (north, east, within), strict=True):
            sites.at[row, name] = pd.NA if np.isnan(value) else f"{value:.4f}".rstrip("0").rstrip(".")
    lost = sites.loc[wanted, "latitude"].isna()
    return sites, Placing(
        {str(how): int(count) for how, count in found["placed_by"].value_counts().items()},
        country,
        float(found["place_error_km"].median()),
        int((found["of_several"] > 1).sum()),
        tuple(map(int, wanted[lost])),
    )


@cache
def country_code(name: str) -> str | None:
    """Return the two letters of a country by its name in one of the seven languages, or by the letters themselves."""
    word = plain(name)
    return _countries().get(word) or _OTHER_NAMES.get(word)


@cache
def _countries() -> Mapping[str, str]:
    codes: dict[str, str] = {}
    for language in LANGUAGES:
        codes |= {plain(name): code for code, name in _territories(language)}
    return codes | {code.lower(): code for code, _ in _territories("en")}


def _territories(language: str) -> list[tuple[str, str]]:
    """Return the countries with their two letters and their names in a language."""
    named = [(str(code), str(name)) for code, name in Locale(language).territories.items()]
    return [(code, name) for code, name in named if code.isalpha() and len(code) == 2]


def _parted(places: pd.DataFrame) -> pd.DataFrame:
    """Return places with the postcode taken out of a town that has it too, as in ``46001 Nowhere``."""
    town = places["town"]
    parts = town.str.extract(_CODE_FIRST).fillna(town.str.extract(_CODE_LAST)[["code", "town"]])
    return places.assign(
        postcode=places["postcode"].fillna(parts["code"]), town=parts["town"].fillna(town).astype("string")
    )


def _country(towns: pd.Series, where: Where, language: str) -> str:
    """Return the country of the company's base, else the one of the list's language where most of the towns are."""
    if where.near is not None:
        return country_at(where.near)
    spoken = [code for code, _ in _territories("en") if language in get_official_languages(code, de_facto=True)]
    found = {code: found_in(code, towns) for code in spoken}
    best = max(found, key=lambda code: found[code], default="")
    return best if best and found[best][0] else ""
