"""Where a roof lies, told from a plus code, a postcode or a town, and how high, without any connection.

Towns are GeoNames' places of 500 people and more (``places.parquet`` of the datasets). Postcodes come from a table in
GeoNames' format that the user has: a file a country, at download.geonames.org/export/zip.
"""

from __future__ import annotations

import re
import unicodedata
from datetime import datetime, timedelta
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple
from zoneinfo import ZoneInfo

import numpy as np
import numpy.typing as npt
import pandas as pd
from openlocationcode import openlocationcode

import aftersun_datasets
from aftersun.inventory.store.refusals import refusal
from aftersun.model.ranges import Floats
from aftersun.model.sphere import EARTH_RADIUS_KM, great_circle_km, unit_vectors
from aftersun.model.tables import mode

if TYPE_CHECKING:
    from scipy.spatial import cKDTree

_TABLE = "places_limits.csv"
_POSTCODE_COLUMNS = {0: "country", 1: "postcode", 2: "town", 9: "latitude", 10: "longitude"}
_PLUS_CODE = re.compile(r"([023456789CFGHJMPQRVWX]{2,8}\+[23456789CFGHJMPQRVWX]{0,7})", re.IGNORECASE)
_UNFOLDED = str.maketrans({"ß": "ss", "ø": "o", "æ": "ae", "œ": "oe", "ł": "l", "đ": "d", "ð": "d", "þ": "th"})
_SHORT = {"st": "saint", "ste": "sainte", "sankt": "saint", "sta": "santa"}

_APART = 0.14  # of the box, each way as 1: a tenth of its diagonal
_ZONE_YEAR = 2025  # whose rules of summer time hold

PLACED = ("latitude", "longitude", "place_error_km", "placed_by", "of_several")


class Point(NamedTuple):
    """A position in degrees, north and east positive."""

    latitude: float
    longitude: float


def folded(name: str) -> str:
    """Return a name as it is compared: without capitals, accents and punctuation, Saint written out."""
    plain = unicodedata.normalize("NFKD", name.casefold().translate(_UNFOLDED)).encode("ascii", "ignore").decode()
    return " ".join(_SHORT.get(word, word) for word in re.sub(r"[^a-z0-9]+", " ", plain).split())


def read_postcodes(path: Path) -> pd.DataFrame:
    """Return the postcodes of a table in GeoNames' format, each in the middle of its places.

    Columns country, postcode (without blanks), latitude, longitude, error_km: within which most of its places lie.

    Raises
    ------
    AftersunError
        If the file cannot be read or is not such a table.
    """
    try:
        read = pd.read_csv(path, sep="\t", header=None, dtype=str, keep_default_na=False, quoting=3, encoding="utf-8")
        table = read[list(_POSTCODE_COLUMNS)].rename(columns=_POSTCODE_COLUMNS)
        table[["latitude", "longitude"]] = table[["latitude", "longitude"]].astype(float)
    except OSError as error:
        raise refusal("unreadable_file", path=path, why=error.strerror or "damaged file") from error
    except (ValueError, KeyError) as error:
        raise refusal("no_postcodes", path=path) from error
    table["postcode"] = _postcode(table["postcode"])
    by = table.groupby(["country", "postcode"])
    middle = by[["latitude", "longitude"]].transform("mean")
    away = great_circle_km(middle["latitude"], middle["longitude"], table["latitude"], table["longitude"])
    spread = table.assign(away=away).groupby(["country", "postcode"])["away"].max()
    found = by[["latitude", "longitude"]].mean().assign(error_km=np.maximum(spread, mode(_TABLE, "postcode_error")))
    return found.reset_index()


def place(given: pd.DataFrame, near: Point | None = None, postcodes: pd.DataFrame | None = None) -> pd.DataFrame:
    """Place N rows by the best that is known of each.

    ``given`` has the columns country (two letters of ISO 3166), postcode, town, plus_code as text, NA where not known.
    A plus code counts first, then the postcode, then the town. Of several towns of one name the one nearest to
    ``near`` is taken, else the largest, and ``of_several`` is how many there are.

    Returns
    -------
    pd.DataFrame
        The columns ``PLACED``, with the rows of ``given``: degrees, km, "plus code", "postcode" or "town". NA where
        nothing is found.
    """
    placed = pd.DataFrame(
        {
            "latitude": np.nan,
            "longitude": np.nan,
            "place_error_km": np.nan,
            "placed_by": pd.Series(pd.NA, index=given.index, dtype="string"),
            "of_several": 1,
        },
        index=given.index,
    )
    _fill(placed, _by_town(given, near), "town")
    if postcodes is not None:
        _fill(placed, _by_postcode(given, postcodes), "postcode")
    _fill(placed, _by_plus_code(given["plus_code"], placed, near), "plus code")
    return placed


def zone_at(latitude: float, longitude: float) -> ZoneInfo:
    """Return the time zone of a position in degrees: that of the nearest populated place."""
    zones = _positions()
    away = great_circle_km(latitude, longitude, zones["latitude"], zones["longitude"])
    return ZoneInfo(zones["time_zone"].iloc[int(np.argmin(away))])


def standard_offset_h(latitude: float, longitude: float) -> float:
    """Return the standard time of a position in degrees, hours ahead of UTC."""
    zone = zone_at(latitude, longitude)
    offsets = [datetime(_ZONE_YEAR, month, 1, tzinfo=zone).utcoffset() for month in (1, 7)]
    return min(offset / timedelta(hours=1) for offset in offsets if offset is not None)


def country_at(point: Point) -> str:
    """Return the country, two letters of ISO 3166, of the populated place nearest to a position."""
    table = _places()
    away = great_circle_km(point.latitude, point.longitude, table["latitude"], table["longitude"])
    return str(table["country"].iloc[int(np.argmin(away))])


def countries_at(latitude: Floats, longitude: Floats) -> npt.NDArray[np.object_]:
    """Return the countries of N positions as ``country_at`` does, (N,), None where a position is not known."""
    return _of_nearest("country", latitude, longitude)


def _of_nearest(column: str, latitude: Floats, longitude: Floats) -> npt.NDArray[np.object_]:
    """Return what the nearest populated place of N positions has in a column, None where a position is not known."""
    known = np.isfinite(latitude) & np.isfinite(longitude)
    found = np.full(len(known), None, dtype=object)
    if known.any():
        _, nearest = _tree().query(unit_vectors(latitude[known], longitude[known]))
        found[known] = _positions()[column].to_numpy(dtype=object)[nearest]
    return found


def zones_at(latitude: Floats, longitude: Floats) -> npt.NDArray[np.object_]:
    """Return the names of the time zones of N positions as ``zone_at`` does, (N,), None where a position is unknown."""
    return _of_nearest("time_zone", latitude, longitude)


def heights_at(latitude: Floats, longitude: Floats) -> Floats:
    """Return the height above sea level of N positions in degrees, m (N,): that of the ground at the nearest place.

    NaN where no place of known height lies near enough or a position is not known.
    """
    known = np.isfinite(latitude) & np.isfinite(longitude)
    found = np.full(len(known), np.nan)
    if known.any():
        tree, heights = _heights()
        reach = 2 * np.sin(mode(_TABLE, "height_reach") / EARTH_RADIUS_KM / 2)
        away, nearest = tree.query(unit_vectors(latitude[known], longitude[known]), distance_upper_bound=reach)
        found[known] = np.append(heights, np.nan)[np.where(np.isfinite(away), nearest, -1)]
    return found


def found_in(country: str, towns: pd.Series) -> tuple[int, int]:
    """Return how many different towns of N a country has, and how many people live in these."""
    keys = set(towns.dropna().map(folded))
    names = _names(country)
    rows = names.loc[names["key"].isin(keys) & ~names["other"], ["key", "row"]]
    return rows["key"].nunique(), int(_places()["people"].loc[rows["row"]].sum())


def _fill(placed: pd.DataFrame, found: pd.DataFrame, by: str) -> None:
    """Write what was found over what is there: the better way comes later."""
    known = found.index[found["latitude"].notna()]
    placed.loc[known, found.columns] = found.loc[known]
    placed.loc[known, "placed_by"] = by
    if "of_several" not in found:
        placed.loc[known, "of_several"] = 1


def _by_postcode(given: pd.DataFrame, postcodes: pd.DataFrame) -> pd.DataFrame:
    wanted = pd.DataFrame({"country": given["country"], "postcode": _postcode(given["postcode"])})
    found = wanted.merge(postcodes, on=["country", "postcode"], how="left").set_axis(given.index)
    # A spreadsheet takes the leading zeros of a postcode away: so wide are those of the country.
    width = postcodes["postcode"].str.len().groupby(postcodes["country"]).max()
    short = found.index[found["latitude"].isna() & wanted["postcode"].str.fullmatch(r"\d+").fillna(False)]
    if len(short):
        full = wanted.loc[short]
        wide = full["country"].map(width).fillna(0).astype(int)
        full["postcode"] = [code.zfill(size) for code, size in zip(full["postcode"], wide, strict=True)]
        found.loc[short] = full.merge(postcodes, on=["country", "postcode"], how="left").set_axis(short)
    return found[["latitude", "longitude", "error_km"]].rename(columns={"error_km": "place_error_km"})


def _postcode(codes: pd.Series) -> pd.Series:
    return codes.astype("string").str.upper().str.replace(r"[^A-Z0-9]", "", regex=True)


def _by_town(given: pd.DataFrame, near: Point | None) -> pd.DataFrame:
    towns = given["town"].dropna().map(folded)
    wanted = pd.DataFrame({"country": given["country"].loc[towns.index], "key": towns}).astype("string")
    distinct = wanted.dropna().drop_duplicates()
    if distinct.empty:
        return pd.DataFrame({"latitude": []})
    names = pd.concat([_names(""), *(_names(country) for country in sorted(set(distinct["country"])))])
    candidates = distinct.merge(names, on=["country", "key"]).drop_duplicates(["country", "key", "row"])
    candidates = candidates.join(_places().drop(columns="country"), on="row")
    if near is None:
        order = -candidates["people"].astype(float)
    else:
        order = pd.Series(
            great_circle_km(near.latitude, near.longitude, candidates["latitude"], candidates["longitude"]),
            index=candidates.index,
        )
    # A place that bears the name itself goes before one that is only called so in another language.
    candidates = candidates.assign(order=order).sort_values(["other", "order"], kind="stable")
    own = candidates[~candidates["other"]].groupby(["country", "key"]).size()
    any_name = candidates.groupby(["country", "key"]).size()
    several = own.reindex(any_name.index).fillna(any_name).astype("int64").rename("of_several")
    best = candidates.drop_duplicates(["country", "key"]).join(several, on=["country", "key"])
    radius = np.sqrt(best["people"].clip(lower=0) / mode(_TABLE, "town_density") / np.pi)
    best = best.assign(place_error_km=mode(_TABLE, "town_error") + radius)
    found = wanted.merge(best, on=["country", "key"], how="left").set_axis(wanted.index)
    return found[["latitude", "longitude", "place_error_km", "of_several"]]


def _by_plus_code(codes: pd.Series, placed: pd.DataFrame, near: Point | None) -> pd.DataFrame:
    """Place by plus codes, short ones near where the row is placed so far, else near ``near``."""
    rows = {}
    for row in codes.index[codes.notna()]:
        text = str(codes.at[row])
        match = _PLUS_CODE.search(text)
        if match is None or not openlocationcode.isValid(match[1]):
            continue
        code = match[1].upper()
        if openlocationcode.isShort(code):
            there = Point(*placed[["latitude", "longitude"]].loc[row].astype(float))
            point = near if np.isnan(there.latitude) else there
            if point is None:
                continue
            code = openlocationcode.recoverNearest(code, *point)
        if openlocationcode.isFull(code):
            area = openlocationcode.decode(code)
            corner = great_circle_km(area.latitudeCenter, area.longitudeCenter, area.latitudeLo, area.longitudeLo)
            rows[row] = (area.latitudeCenter, area.longitudeCenter, float(corner))
    return pd.DataFrame.from_dict(rows, orient="index", columns=list(PLACED[:3]))


@cache
def _places() -> pd.DataFrame:
    return _read()


def nearest_place_km(latitude: npt.ArrayLike, longitude: npt.ArrayLike) -> Floats:
    """Return the distance in km from N positions in degrees to the nearest populated place of each."""
    chord, _ = _tree().query(unit_vectors(latitude, longitude))
    return np.asarray(2 * EARTH_RADIUS_KM * np.arcsin(np.minimum(1.0, chord / 2)))


@cache
def _tree() -> cKDTree:
    from scipy.spatial import cKDTree  # takes half a second, and most commands look for no place

    places = _positions()
    return cKDTree(unit_vectors(places["latitude"], places["longitude"]))


@cache
def _heights() -> tuple[cKDTree, Floats]:
    """Return the places of known height as a tree, and their heights in m."""
    from scipy.spatial import cKDTree

    places = _read(["latitude", "longitude", "elevation_m"]).dropna()
    return cKDTree(unit_vectors(places["latitude"], places["longitude"])), places["elevation_m"].to_numpy(np.float64)


@cache
def _positions() -> pd.DataFrame:
    return _read(["latitude", "longitude", "time_zone", "country"])


def towns_among(latitudes: Floats, longitudes: Floats, most: int = 10) -> pd.DataFrame:
    """Return the towns with most people within the box of these positions, none close to a larger one.

    Columns name, latitude, longitude, people; empty where no position is known. Degrees, NaN = not known; a box across
    the 180th meridian has none. Close = a tenth of the box's diagonal, so that names on a map do not cover one another.
    """
    towns = _read(["name", "latitude", "longitude", "people"])
    known = np.isfinite(latitudes) & np.isfinite(longitudes)
    if not known.any():
        return towns.iloc[:0]
    inside = np.ones(len(towns), dtype=bool)
    spans = []
    for name, values in (("latitude", latitudes[known]), ("longitude", longitudes[known])):
        # a few positions far away must not make the box of all the others a dot
        low, high = np.quantile(values, (0.02, 0.98))
        margin = max(0.1 * (high - low), 0.05)
        inside &= towns[name].between(low - margin, high + margin).to_numpy()
        spans.append(high - low + 2 * margin)
    found = towns[inside].sort_values(["people", "name"], ascending=[False, True], kind="stable")
    taken: list[int] = []
    for at, (latitude, longitude) in enumerate(found[["latitude", "longitude"]].to_numpy()):
        others = found.iloc[taken][["latitude", "longitude"]].to_numpy()
        apart = np.hypot((others[:, 0] - latitude) / spans[0], (others[:, 1] - longitude) / spans[1])
        if (apart > _APART).all():
            taken.append(at)
        if len(taken) == most:
            break
    return found.iloc[taken].reset_index(drop=True)


def _read(columns: list[str] | None = None) -> pd.DataFrame:
    with aftersun_datasets.path("places.parquet").open("rb") as file:
        return pd.read_parquet(file, columns=columns)


@cache
def _names(country: str) -> pd.DataFrame:
    """Return all names of a country's places: country, key, row of the place, and whether it is an other name of it."""
    table = _places()
    table = table[table["country"] == country]
    own = pd.DataFrame({"name": table["name"], "row": table.index})
    others = own.assign(name=table["other_names"].str.split("|")).explode("name")
    names = pd.concat([own.assign(other=False), others[others["name"] != ""].assign(other=True)], ignore_index=True)
    return names.assign(key=names["name"].map(folded).astype("string"), country=country).drop(columns="name")
