"""Where a roof lies, held against coordinates that are not GeoNames'.

Of principal towns: the file ``zone.tab`` of the IANA time zone database (public domain, packaged as tzdata), whose
degrees and minutes were taken from maps. Of plus codes: the worked examples of the Open Location Code specification.
"""

from __future__ import annotations

import re
from importlib.resources import files

import numpy as np
import pandas as pd
import pytest

import aftersun_datasets
from aftersun.inventory.places import (
    PLACED,
    Point,
    countries_at,
    folded,
    heights_at,
    place,
    read_postcodes,
    standard_offset_h,
)
from aftersun.model.errors import AftersunError
from aftersun.model.sphere import great_circle_km
from aftersun.scoring.value.cohorts import GridCell, year_of


def asked(*rows, columns=("country", "postcode", "town", "plus_code")):
    return pd.DataFrame([dict(zip(columns, row, strict=False)) for row in rows], columns=list(columns)).astype("string")


def towns_of_time_zones():
    text = files("tzdata").joinpath("zoneinfo", "zone.tab").read_text(encoding="utf-8")
    for line in text.splitlines():
        if line.startswith("#"):
            continue
        country, position, zone = line.split("\t")[:3]
        north, east = re.findall(r"[+-]\d+", position)
        yield country, zone.split("/")[-1].replace("_", " "), degrees(north, 2), degrees(east, 3)


def degrees(text, digits):
    sign, whole = (-1 if text[0] == "-" else 1), text[1:].ljust(digits + 4, "0")
    return sign * (int(whole[:digits]) + int(whole[digits:][:2]) / 60 + int(whole[digits + 2 :][:2]) / 3600)


@pytest.mark.slow
def test_towns_are_where_the_time_zone_database_has_them():
    countries, at_sea = {"AT", "BE", "ES", "GB", "IE", "NL", "PT"}, {"Canary", "Azores", "Madeira"}
    rows = [row for row in towns_of_time_zones() if row[0] in countries and row[1] not in at_sea]
    assert len(rows) >= 8
    found = place(asked(*((country, None, town, None) for country, town, *_ in rows)))
    away = great_circle_km([row[2] for row in rows], [row[3] for row in rows], found["latitude"], found["longitude"])
    assert np.max(away) < 10
    assert (found["placed_by"] == "town").all()


@pytest.mark.slow
def test_towns_of_the_world_are_where_the_time_zone_database_has_them():
    """Its islands and stations are no towns; of the others it sets some by the region: nine in ten lie within 10 km."""
    rows = list(towns_of_time_zones())
    found = place(asked(*((country, None, town, None) for country, town, *_ in rows)))
    away = great_circle_km([row[2] for row in rows], [row[3] for row in rows], found["latitude"], found["longitude"])
    known = away[found["latitude"].notna().to_numpy()]
    assert len(known) > 310
    assert np.mean(known < 10) > 0.9


def test_a_thousand_places_are_found_by_their_own_names():
    with aftersun_datasets.path("places.parquet").open("rb") as file:
        table = pd.read_parquet(file).query("country in ('ES', 'FR', 'GB')").sample(1000, random_state=1)
    found = place(asked(*table[["country", "name"]].assign(code=None)[["country", "code", "name"]].to_numpy().tolist()))
    away = great_circle_km(table["latitude"], table["longitude"], found["latitude"], found["longitude"])
    alone = (found["of_several"] == 1).to_numpy()
    assert alone.sum() > 800
    assert np.max(away[alone]) < 10
    assert found["latitude"].notna().all()


@pytest.mark.slow
def test_of_a_thousand_places_those_of_one_name_are_found_from_nearby():
    """The base, a few km off, tells towns of one name apart: then every one of the sample lies within 10 km."""
    with aftersun_datasets.path("places.parquet").open("rb") as file:
        table = pd.read_parquet(file).query("country in ('ES', 'FR', 'GB')").sample(1000, random_state=1)
    rows = table[["country", "name"]].assign(code=None)[["country", "code", "name"]].to_numpy().tolist()
    found = place(asked(*rows))
    several = np.flatnonzero((found["of_several"] > 1).to_numpy())
    for n in several:
        near = Point(table["latitude"].iloc[n] + 0.01, table["longitude"].iloc[n])
        one = place(asked(rows[n]), near)
        found.loc[found.index[n], ["latitude", "longitude"]] = one[["latitude", "longitude"]].to_numpy()[0]
    away = great_circle_km(table["latitude"], table["longitude"], found["latitude"], found["longitude"])
    assert len(several) > 20
    assert np.max(away) < 10


@pytest.mark.parametrize(
    ("latitude", "longitude", "offset_h"),
    [
        (40.4, -3.7, 1),  # Madrid: by the sun it would be UTC
        (48.85, 2.35, 1),  # Paris
        (50.94, 6.96, 1),  # Cologne
        (51.5, -0.1, 0),  # London
        (53.35, -6.26, 0),  # Dublin, whose own name for standard time is that of summer
        (40.0, -105.2, -7),  # Boulder
        (28.6, 77.2, 5.5),  # Delhi
        (-33.9, 151.2, 10),  # Sydney, whose summer is in January
        (30.0, 31.2, 2),  # Cairo
    ],
)
def test_the_standard_time_is_the_countrys_and_not_the_suns(latitude, longitude, offset_h):
    """As stated by the countries' laws, from memory."""
    assert standard_offset_h(latitude, longitude) == offset_h


def test_of_two_towns_of_one_name_the_nearer_is_taken_and_it_says_so():
    """Germany has several towns called Neustadt, one in Holstein and one below the Palatinate Forest (any atlas)."""
    north = place(asked(("DE", None, "Neustadt", None)), Point(54.1, 10.8))
    south = place(asked(("DE", None, "Neustadt", None)), Point(49.3, 8.1))
    assert north["of_several"].item() == south["of_several"].item() > 2
    assert north["latitude"].item() - south["latitude"].item() > 2


@pytest.mark.parametrize(
    ("country", "town"),
    [
        ("DE", "MÜNCHEN"),
        ("DE", "Munich"),
        ("DE", "munchen"),
        ("ES", "La Coruña"),
        ("FR", "St Etienne"),
        ("PT", "Lisboa"),
    ],
)
def test_a_town_is_known_by_other_spellings(country, town):
    assert place(asked((country, None, town, None)))["placed_by"].item() == "town"


def test_a_town_of_another_country_is_not_taken():
    assert place(asked(("ES", None, "Hamburg", None), (None, None, "Hamburg", None)))["latitude"].isna().all()


@pytest.mark.parametrize(
    ("code", "near", "latitude", "longitude", "km"),
    [
        ("8FVC9G8F+6X", None, 47.365562, 8.524813, 0.02),  # specification: "8FVC9G8F+6X", decoded to Zurich
        ("9G8F+6X", Point(47.4, 8.6), 47.365562, 8.524813, 0.02),  # "9G8F+6X" beside 47.4, 8.6
        ("7FG49Q00+", None, 20.375, 2.775, 4.0),  # test vector: 20.35, 2.75, 20.4, 2.8
    ],
)
def test_plus_codes_are_those_of_the_specification(code, near, latitude, longitude, km):
    found = place(asked((None, None, None, f"{code} somewhere")), near)
    assert found["placed_by"].item() == "plus code"
    assert great_circle_km(latitude, longitude, found["latitude"], found["longitude"]) < 0.02
    assert found["place_error_km"].item() < km


def test_a_short_plus_code_counts_near_its_town_and_an_impossible_one_not_at_all():
    found = place(
        asked(("CH", None, "Zürich", "9G8F+6X"), ("CH", None, "Zürich", "the red house"), (None, None, None, "9G8F+6X"))
    )
    assert found["placed_by"].tolist()[:2] == ["plus code", "town"]
    assert found["latitude"].isna().tolist() == [False, False, True]


POSTCODES = """\
DE\t01067\tDresden Altstadt\tSachsen\tSN\t\t00\tDresden\t14612\t51.0600\t13.7200\t
DE\t01067\tDresden Friedrichstadt\tSachsen\tSN\t\t00\tDresden\t14612\t51.0500\t13.7000\t
DE\t79098\tFreiburg\tBaden\tBW\t\t00\tFreiburg\t08311\t47.9960\t7.8490\t
GB\tAB1 0AA\tQuay\tScotland\tSCT\t\t\t\t\t57.1000\t-2.2500\t4
"""


def test_a_postcode_goes_before_the_town_and_keeps_its_zeros(tmp_path):
    path = tmp_path / "codes.txt"
    path.write_text(POSTCODES, encoding="utf-8")
    rows = asked(
        ("DE", "01067", None, None),
        ("DE", "1067", None, None),  # as a spreadsheet leaves it
        ("DE", "D-79098", "Hamburg", None),
        ("GB", "ab10aa", None, None),
        ("DE", "99999", "Freiburg", None),
    )
    rows.loc[2, "postcode"] = "79098"
    found = place(rows, None, read_postcodes(path))
    assert found["placed_by"].tolist() == ["postcode"] * 4 + ["town"]
    assert found["latitude"].tolist()[:4] == pytest.approx([51.055, 51.055, 47.996, 57.1])
    assert found["place_error_km"].iloc[0] == pytest.approx(2.0)


def test_a_postcode_table_of_another_kind_is_one_sentence(tmp_path):
    path = tmp_path / "codes.txt"
    path.write_text("postcode,town\n01067,Dresden\n", encoding="utf-8")
    with pytest.raises(AftersunError, match="no table of postcodes"):
        read_postcodes(path)


def test_names_are_compared_without_capitals_accents_and_points():
    assert folded("St.-Étienne") == folded("SAINT ETIENNE") == "saint etienne"
    assert folded("Łódź") == "lodz"
    assert folded("Gießen") == "giessen"


def test_nothing_known_is_nothing_placed():
    found = place(asked((None, None, None, None)))
    assert list(found.columns) == list(PLACED)
    assert found["latitude"].isna().all()


def test_a_year_from_normals_keeps_the_clock_of_the_country():
    assert year_of(GridCell(40.25, -3.75)).station.utc_offset_h == 1


def test_countries_of_positions() -> None:
    latitude = np.array([52.09, 40.42, np.nan, 51.51, 35.97])
    longitude = np.array([5.12, -3.70, 0.0, -0.13, -79.99])  # Utrecht, Madrid, nowhere, London, Guilford County
    assert countries_at(latitude, longitude).tolist() == ["NL", "ES", None, "GB", "US"]


def test_heights_of_positions() -> None:
    """Towns in valleys, which the mean of a climate cell puts 1,100 to 1,900 m too high; their heights from memory."""
    latitude = np.array([39.742, 47.27, 46.85, 46.23, 45.737, 48.14, np.nan, -40.0])
    longitude = np.array([-105.18, 11.40, 9.53, 7.36, 7.32, 11.58, 0.0, -120.0])
    heights = heights_at(latitude, longitude)
    # Golden, Innsbruck, Chur, Sion, Aosta, Munich; nowhere and the open sea have none
    assert heights[:6] == pytest.approx([1730, 574, 593, 500, 583, 519], abs=60)
    assert np.isnan(heights[6:]).all()
