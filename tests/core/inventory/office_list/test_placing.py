"""Sites of a list are placed by what an office knows of them. The lists are invented; the towns are real."""

from __future__ import annotations

import pandas as pd
import pytest

from aftersun.inventory.office_list.placing import Where, country_code, place_sites
from aftersun.inventory.places import Point
from aftersun.model.sphere import great_circle_km

EXETER, PLYMOUTH = (50.72, -3.53), (50.37, -4.14)  # any atlas, to a kilometre or two


def placed(*towns, where=None, language="en", **columns):
    places = pd.DataFrame({"town": towns}).reindex(columns=["country", "postcode", "town", "plus_code"])
    places = places.assign(**columns).astype("string")
    sites = pd.DataFrame({"site_id": [f"S{n}" for n in range(len(places))]}, dtype="string")
    found, placing = place_sites(sites, places, where or Where(), language)
    return found.set_index("site_id").astype({"latitude": float, "longitude": float}), placing


def away(found, site_id, position):
    return great_circle_km(*found.loc[site_id, ["latitude", "longitude"]].astype(float), *position)


@pytest.mark.slow
def test_the_country_is_that_of_the_language_where_most_of_the_towns_are():
    found, placing = placed("Exeter", "Plymouth", "Taunton", "Torquay", "Nowhere-on-Sea")
    assert placing.country == "GB"
    assert placing.by == {"town": 4}
    assert placing.lost == (4,)
    assert away(found, "S0", EXETER) < 5
    assert away(found, "S1", PLYMOUTH) < 5
    assert 2 < placing.within_km < 12


@pytest.mark.slow
def test_a_country_whose_language_is_nowhere_written_down_counts_too():
    """English is official in no law of the United States."""
    _, placing = placed("Sacramento", "Fresno", "Springfield")
    assert placing.country == "US"
    assert placing.by == {"town": 3}


@pytest.mark.slow
def test_or_that_of_the_companys_base():
    _, placing = placed("Plymouth", where=Where(near=Point(42.0, -70.7)))
    assert placing.country == "US"


@pytest.mark.slow
def test_or_the_one_that_the_row_names_in_any_language():
    found, _ = placed("Valencia", "Colonia", country=["Spanien", "Germania"], where=Where(country="FR"))
    assert away(found, "S0", (39.47, -0.38)) < 6
    assert away(found, "S1", (50.94, 6.96)) < 6


@pytest.mark.parametrize("town", ["79098 Freiburg", "D-79098 Freiburg", "Freiburg 79098", "Freiburg"])
def test_a_postcode_before_or_behind_the_town_is_no_part_of_its_name(town):
    found, placing = placed(town, where=Where(country="DE"))
    assert placing.by == {"town": 1}
    assert away(found, "S0", (47.99, 7.85)) < 6


@pytest.mark.parametrize(("name", "code"), [("UK", "GB"), ("de", "DE"), ("Países Bajos", "NL"), ("Nowhere", None)])
def test_countries_have_names_in_seven_languages(name, code):
    assert country_code(name) == code


def test_a_position_that_was_surveyed_or_is_known_better_stays():
    surveyed, by_code, by_town = (50.7, -3.5, None), (50.701, -3.501, 0.5), (51.0, -3.0, 30.0)
    held = {"S0": surveyed, "S1": by_code, "S2": by_town}
    found, _ = placed("Exeter", "Exeter", "Exeter", where=Where(country="GB", held=held))
    assert found.loc["S0", ["latitude", "longitude"]].tolist() == [50.7, -3.5]
    assert pd.isna(found.loc["S0", "placed_within_km"])
    assert found.loc["S1"].astype(float).tolist() == [50.701, -3.501, 0.5]
    assert away(found, "S2", EXETER) < 5


def test_nobody_is_placed_where_the_list_has_positions():
    places = pd.DataFrame(
        {"country": ["GB"], "postcode": [None], "town": ["Exeter"], "plus_code": [None]}, dtype="string"
    )
    sites = pd.DataFrame({"site_id": ["S0"], "latitude": ["50.1"], "longitude": ["-3.2"]}, dtype="string")
    found, placing = place_sites(sites, places, Where(), "en")
    assert placing is None
    assert found[["latitude", "longitude"]].to_numpy().tolist() == [["50.1", "-3.2"]]
