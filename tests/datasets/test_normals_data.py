"""The file of climate normals against measured and typical years, rain gauges, the sun, and its own duties."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pvlib
import pytest

import aftersun_datasets
from aftersun.climate.normals import Normals, ghi_sd_shares, normals_at

DAYS = np.array([31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31])
ROWS = {row["name"]: row for row in aftersun_datasets.rows("normals.csv")}
PVLIB_DATA = Path(pvlib.__file__).parent / "data"

# Yearly irradiation on the horizontal, kWh/m2: sums over the files of
# TMY3 and TMY2 (Wilcox & Marion 2008, NREL/TP-581-43156; Marion & Urban 1995, NREL/SP-463-7668),
# a PVGIS typical year 2005-2023 ((c) European Union), and
# the test reference years 2010 of Deutscher Wetterdienst (mean year, 1988-2007): direct and diffuse on the horizontal.
YEARS = {
    "Yakima TMY3": (46.57, -120.55, 1487),
    "Miami TMY3": (25.82, -80.30, 1753),
    "Miami TMY2": (25.80, -80.27, 1793),
    "Honolulu TMY3": (21.32, -157.93, 1953),
    "Phoenix TMY3": (33.45, -111.98, 2094),
    "Sand Point TMY3": (55.32, -160.52, 829),
    "Greensboro TMY3": (36.10, -79.95, 1566),
    "Port Angeles TMY3": (48.12, -123.50, 1262),
    "45 N 8 E PVGIS": (45.00, 8.00, 1436),
    "Bremerhaven TRY": (53.53, 8.58, 963),
    "Rostock TRY": (54.18, 12.08, 1050),
    "Hamburg TRY": (53.63, 10.00, 944),
    "Potsdam TRY": (52.38, 13.07, 1075),
    "Essen TRY": (51.40, 6.97, 960),
    "Bad Marienberg TRY": (50.67, 7.97, 972),
    "Kassel TRY": (51.30, 9.45, 1003),
    "Braunlage TRY": (51.73, 10.60, 994),
    "Chemnitz TRY": (50.80, 12.87, 1058),
    "Hof TRY": (50.32, 11.88, 1039),
    "Fichtelberg TRY": (50.43, 12.95, 985),
    "Mannheim TRY": (49.52, 8.55, 1089),
    "Muehldorf TRY": (48.28, 12.50, 1073),
    "Stoetten TRY": (48.67, 9.87, 1063),
    "Garmisch-Partenkirchen TRY": (47.48, 11.07, 1111),
}


def yearly(normals: Normals) -> float:
    return float((normals.ghi_kwh_m2_day * DAYS).sum())


def extraterrestrial(latitude: np.ndarray) -> np.ndarray:
    """Monthly mean daily extraterrestrial irradiation, kWh/m2, after FAO Irrigation and Drainage Paper 56, 21-25."""
    day = np.arange(1, 366)
    distance = 1 + 0.033 * np.cos(2 * np.pi * day / 365)
    declination = 0.409 * np.sin(2 * np.pi * day / 365 - 1.39)
    phi = np.radians(latitude)[:, None]
    sunset = np.arccos(np.clip(-np.tan(phi) * np.tan(declination), -1, 1))
    height = sunset * np.sin(phi) * np.sin(declination) + np.cos(phi) * np.cos(declination) * np.sin(sunset)
    daily = 24 / np.pi * 1.3667 * distance * height  # 0.0820 MJ/m2 a minute
    return np.stack([part.mean(axis=1) for part in np.split(daily, np.cumsum(DAYS)[:-1], axis=1)], axis=1)


@pytest.fixture(scope="module")
def file() -> dict[str, np.ndarray]:
    with aftersun_datasets.path("normals.npz").open("rb") as handle, np.load(handle, allow_pickle=False) as arrays:
        return dict(arrays)


@pytest.fixture(scope="module")
def cell_latitude(file) -> np.ndarray:
    return -59.75 + 0.5 * np.nonzero(file["land"])[0]


@pytest.mark.parametrize(("latitude", "longitude", "kwh_m2"), YEARS.values(), ids=YEARS)
def test_year_of_irradiation_is_near_each_known_year(latitude, longitude, kwh_m2):
    assert yearly(normals_at(latitude, longitude)) == pytest.approx(kwh_m2, rel=0.10)


def test_stated_uncertainty_is_what_the_known_years_show():
    ratio = np.array([yearly(normals_at(latitude, longitude)) / known for latitude, longitude, known in YEARS.values()])
    assert ratio.mean() == pytest.approx(1, abs=0.01)
    assert ratio.std(ddof=1) == pytest.approx(float(ROWS["ghi_sd_checked"]["mode"]), abs=0.002)
    assert ghi_sd_shares(52.38, 13.07) == float(ROWS["ghi_sd_checked"]["mode"])


@pytest.mark.parametrize(("name", "place"), [("723170TYA.CSV", "Greensboro TMY3"), ("703165TY.csv", "Sand Point TMY3")])
def test_known_years_are_those_of_the_typical_years_that_pvlib_carries(name, place):
    hours = pd.read_csv(PVLIB_DATA / name, skiprows=1)
    assert hours["GHI (W/m^2)"].sum() / 1000 == pytest.approx(YEARS[place][2], abs=1)


def test_known_year_of_miami_is_that_of_the_tmy2_file_that_pvlib_carries():
    # field positions 18 to 21 (Marion & Urban 1995, table 3-2)
    hours = pd.read_fwf(PVLIB_DATA / "12839.tm2", colspecs=[(17, 21)], names=["ghi"], skiprows=1)
    assert hours["ghi"].sum() / 1000 == pytest.approx(YEARS["Miami TMY2"][2], abs=1)


@pytest.mark.parametrize(
    ("name", "place"),
    [
        ("AZ-Phoenix_Sky_Harbor_Intl_Ap.tmy3", "Phoenix TMY3"),
        ("FL-Miami_Intl_Ap.tmy3", "Miami TMY3"),
        ("HI-Honolulu_Intl_Arpt.tmy3", "Honolulu TMY3"),
        ("WA-Yakima_Air_Terminal.tmy3", "Yakima TMY3"),
    ],
)
def test_known_years_are_those_of_the_sample_files(samples, name, place):
    hours = pd.read_csv(samples / name, skiprows=1)
    assert hours["GHI (W/m^2)"].sum() / 1000 == pytest.approx(YEARS[place][2], abs=1)


def test_seasons_of_irradiation_follow_a_typical_year(samples):
    hours = pd.read_csv(samples / "WA-Yakima_Air_Terminal.tmy3", skiprows=1)
    month = hours["Date (MM/DD/YYYY)"].str[:2].astype(int)
    known = hours["GHI (W/m^2)"].groupby(month).sum().to_numpy() / 1000 / DAYS
    ours = normals_at(46.57, -120.55).ghi_kwh_m2_day
    assert ours / ours.mean() == pytest.approx(known / known.mean(), abs=0.06)


def test_rain_of_the_year_is_that_of_the_source():
    # ERA5 2000-2025 at the node nearest each city: London 716, Phoenix 232, Mumbai 2030 mm a year
    assert normals_at(51.51, -0.13).rain_mm.sum() == pytest.approx(716, rel=0.05)
    assert normals_at(33.45, -111.98).rain_mm.sum() == pytest.approx(232, rel=0.05)
    # Mumbai lies in two cells on a steep coast
    island, suburbs = normals_at(18.93, 72.83).rain_mm.sum(), normals_at(19.08, 72.88).rain_mm.sum()
    assert (island + suburbs) / 2 == pytest.approx(2030, rel=0.05)


@pytest.mark.parametrize(
    ("latitude", "longitude", "mm"),
    [(51.5, -0.12, 642), (38.72, -9.14, 665), (40.42, -3.7, 387), (19.08, 72.88, 2458), (1.35, 103.82, 2311)],
    ids=["London", "Lisbon", "Madrid", "Mumbai", "Singapore"],
)
def test_rain_of_the_year_is_near_that_of_another_climatology(latitude, longitude, mm):
    # CHELSA 2.1, 1981-2010, corrected with rain gauges (GHCN-M); over 270 cities ours scatter by a third around it
    assert normals_at(latitude, longitude).rain_mm.sum() == pytest.approx(mm, rel=0.35)


@pytest.mark.parametrize(
    ("place", "deg_c"),
    [
        ("Phoenix TMY3", 23.8),
        ("Miami TMY3", 24.5),
        ("Greensboro TMY3", 14.4),
        ("Hamburg TRY", 9.5),
        ("Kassel TRY", 9.3),
    ],
)
def test_temperature_of_the_year_is_near_that_of_typical_years(place, deg_c):
    latitude, longitude, _ = YEARS[place]  # means over the same files as YEARS
    assert normals_at(latitude, longitude).temp_air_c @ DAYS / 365 == pytest.approx(deg_c, abs=1.5)


@pytest.mark.parametrize(
    ("place", "m_s"),
    [
        ("Phoenix TMY3", 2.8),
        ("Miami TMY3", 4.1),
        ("Greensboro TMY3", 3.1),
        ("Sand Point TMY3", 5.1),
        ("Rostock TRY", 4.6),
    ],
)
def test_wind_of_the_year_is_near_that_of_typical_years(place, m_s):
    latitude, longitude, _ = YEARS[place]  # means over the same files as YEARS
    assert normals_at(latitude, longitude).wind_speed_m_s.mean() == pytest.approx(m_s, rel=0.25)


def test_every_month_on_land_is_as_clear_as_skies_can_be(file, cell_latitude):
    # In months with next to no sun the ratio means nothing.
    rows, row = np.unique(cell_latitude, return_inverse=True)
    sun = extraterrestrial(rows)[row]
    clearness = file["ghi"].T / 1000 / np.where(sun > 0.3, sun, np.nan)
    assert np.nanmin(clearness) > 0.1
    assert np.nanmax(clearness) < 0.85


def test_every_land_cell_has_values_within_the_climates_of_the_earth(file):
    cells = int(file["land"].sum())
    for name in ("ghi", "temp_air", "rain"):
        assert file[name].shape == (12, cells), name
        assert file[name].dtype.kind in "iu", name  # whole numbers: no NaN can hide
    for name in ("ghi_basis", "wind_speed", "elevation"):
        assert file[name].shape == (cells,), name
    year = DAYS @ file["ghi"] / 1000
    assert 400 < year.min() < year.max() < 2800  # the highest measured means, in the Atacama, are near 2700
    assert -55 < file["temp_air"].min() / 10 < file["temp_air"].max() / 10 < 45
    assert file["rain"].sum(axis=0).max() < 12010  # from memory: the rainiest places on record have about 11900 mm
    assert file["ghi_basis"].max() == 3
    assert 0.3 < file["wind_speed"].min() / 100 < file["wind_speed"].max() / 100 < 13
    assert -450 < file["elevation"].min() < file["elevation"].max() < 6500


def test_hemispheres_have_their_summers(file, cell_latitude):
    june, december = file["ghi"][5].astype(int), file["ghi"][11].astype(int)
    assert (june > december)[cell_latitude > 35].all()
    assert (june < december)[cell_latitude < -30].all()


def test_land_is_where_it_should_be(file):
    land = file["land"]
    assert land.shape == (300, 720)
    # 29 % of the globe is land; without what lies south of 60 S, and with every cell that touches a coast
    weight = np.cos(np.radians(-59.75 + 0.5 * np.arange(300)))
    assert (land.mean(axis=1) * weight).sum() / weight.sum() == pytest.approx(0.31, abs=0.04)


def test_file_is_small_and_names_its_sources_and_licences(file):
    with aftersun_datasets.path("normals.npz").open("rb") as handle:
        assert len(handle.read()) < 6_000_000
    metadata = json.loads(str(file["metadata"]))
    for entry in metadata["sources"]:
        assert all(entry[key] for key in ("gives", "source", "package", "licence", "attribution")), entry["gives"]
    text = json.dumps(metadata["sources"])
    for duty in (
        "CC BY 4.0",
        "Contains modified Copernicus Climate Change Service information",
        "MIT, Copyright",
        "NASA",
    ):
        assert duty in text
    assert "this permission notice shall be included" in metadata["MIT"]
    assert set(metadata["units"]) == set(file) - {"metadata"}


def test_assumptions_have_ranges_and_sources():
    for row in ROWS.values():
        assert float(row["low"]) <= float(row["mode"]) <= float(row["high"]), row["name"]
        assert row["unit"], row["name"]
        assert row["source"], row["name"]
    # (pi / 4) ** 0.5: mean over root mean square of a Rayleigh distribution
    assert float(ROWS["wind_mean_over_rms"]["mode"]) == pytest.approx(0.8862, abs=0.0005)
