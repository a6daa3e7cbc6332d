"""Looks over a loaded inventory for what is missing or cannot be right, one small check at a time.

Nothing here stops a load: these are facts to settle, with counts, a few ids as examples, and what to do.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date

import numpy as np
import pandas as pd

from aftersun.inventory.store import read
from aftersun.inventory.store.file import Inventory

WARNING = "warning"  # something is wrong, or keeps sites out of the ranking
NOTE = "note"  # an answer would make the ranking better

# Facts that change the sign or the rank of a retrofit; the export price comes with them from the tariff.
DECISIVE_FACTS = (
    "remaining_life_years",
    "annual_demand_kwh",
    "water_heat",
    "birds_seen",
    "roof_kind",
    "commissioned_on",
    "monitoring",
)
INVERTER_RATIO = (0.5, 1.6)  # AC rating / DC rating
MODULE_DENSITY = (60.0, 250.0)  # W/m2: amorphous silicon to the best crystalline modules on the market
MODULE_RATING_KW = (0.05, 0.8)  # of one module
PRICE_RATIO = 4.0  # an import price this far above or below the middle one is more often a slip in the unit
FAR_DEG = 5.0  # of latitude or longitude from the middle of all sites
AWAY_DEG = 120.0  # from the direction of the equator
NEARLY_FLAT_DEG = 10.0
_EXAMPLES = 5


@dataclass(frozen=True)
class Finding:
    """``level`` is WARNING or NOTE, ``text`` a sentence with counts, ``what_to_do`` the next step."""

    level: str
    text: str
    what_to_do: str


@dataclass(frozen=True, eq=False)
class Loaded:
    """The tables the checks look at; ``sites`` carries the prices of its tariff in force on ``as_of``."""

    customers: pd.DataFrame
    sites: pd.DataFrame
    arrays: pd.DataFrame
    as_of: date


def check_inventory(inventory: Inventory, as_of: date | None = None) -> list[Finding]:
    """Return all findings, in the order of ``CHECKS``; ``as_of`` is today unless given."""
    day = as_of or date.today()
    tariffs = read.tariffs_in_force(inventory, day)[["tariff_id", "import_price", "export_price"]]
    loaded = Loaded(
        customers=read.customers(inventory),
        sites=read.sites(inventory).merge(tariffs, on="tariff_id", how="left"),
        arrays=read.arrays(inventory),
        as_of=day,
    )
    return [finding for check in CHECKS if (finding := check(loaded)) is not None]


def _finding(level: str, rows: pd.DataFrame, total: int, what: str, what_to_do: str) -> Finding | None:
    """Return a finding on these rows, named by their first column; None if there are none."""
    if rows.empty:
        return None
    names = [str(name) for name in rows.iloc[:, 0].head(_EXAMPLES)]
    more = " and others" if len(rows) > _EXAMPLES else ""
    return Finding(level, f"{len(rows)} of {total} {what}: {', '.join(names)}{more}.", what_to_do)


def _true(flags: pd.Series) -> pd.Series:
    return flags.fillna(False).astype(bool)


def sites_without_array(loaded: Loaded) -> Finding | None:
    """Sites that cannot be computed for want of an array."""
    rows = loaded.sites[~loaded.sites["site_id"].isin(loaded.arrays["site_id"])]
    return _finding(WARNING, rows, len(loaded.sites), "sites have no array", "Load their arrays; they are left out.")


def sites_without_tariff(loaded: Loaded) -> Finding | None:
    """Sites whose energy cannot be valued."""
    rows = loaded.sites[loaded.sites["import_price"].isna()]
    what = f"sites have no tariff in force on {loaded.as_of.isoformat()}"
    return _finding(WARNING, rows, len(loaded.sites), what, "Load their tariff, or name it in tariff_id.")


def contact_permission_unknown(loaded: Loaded) -> Finding | None:
    """Customers who may not be called until it is settled."""
    rows = loaded.customers[loaded.customers["contact_allowed"].isna()]
    what = "customers: whether they may be contacted is unknown"
    return _finding(
        WARNING, rows, len(loaded.customers), what, "Settle contact_allowed; until then they are not called."
    )


def implausible_inverter(loaded: Loaded) -> Finding | None:
    """Sites whose inverter rating does not go with the rating of their arrays."""
    rating = loaded.arrays.groupby("site_id")["dc_rating_kw"].sum()
    ratio = loaded.sites["inverter_rating_kw"] / rating.reindex(loaded.sites["site_id"]).array
    low, high = INVERTER_RATIO
    rows = loaded.sites[_true((ratio < low) | (ratio > high))]
    what = f"sites: inverter rating below {low:g} or above {high:g} of the arrays' rating"
    hint = "Check inverter_rating_kw (kW, all inverters together) and dc_rating_kw of all arrays."
    return _finding(WARNING, rows, len(loaded.sites), what, hint)


def module_count_mismatch(loaded: Loaded) -> Finding | None:
    """Arrays whose rows and columns do not make up their module count."""
    arrays = loaded.arrays
    rows = arrays[_true(arrays["module_rows"] * arrays["module_columns"] != arrays["module_count"])]
    what = "arrays: module_rows x module_columns is not module_count"
    hint = "Correct the numbers; for a block with gaps leave rows and columns empty."
    return _finding(NOTE, rows, len(arrays), what, hint)


def implausible_module_area(loaded: Loaded) -> Finding | None:
    """Arrays whose rating does not go with the area of their modules."""
    arrays = loaded.arrays
    area_m2 = arrays["module_count"] * arrays["module_width_m"] * arrays["module_height_m"]
    density = 1000.0 * arrays["dc_rating_kw"] / area_m2
    low, high = MODULE_DENSITY
    rows = arrays[_true((density < low) | (density > high))]
    what = f"arrays: rating for the area of the modules outside {low:g} to {high:g} W/m2"
    hint = "Check dc_rating_kw (kW, not W), module_count and the size of a module (m)."
    return _finding(WARNING, rows, len(arrays), what, hint)


def implausible_module_rating(loaded: Loaded) -> Finding | None:
    """Arrays whose rating does not go with their number of modules."""
    arrays = loaded.arrays
    rating = arrays["dc_rating_kw"] / arrays["module_count"]
    low, high = MODULE_RATING_KW
    rows = arrays[_true((rating < low) | (rating > high))]
    what = f"arrays: rating of a module outside {low:g} to {high:g} kW"
    return _finding(WARNING, rows, len(arrays), what, "Check dc_rating_kw (kW, not W) and module_count.")


def implausible_import_price(loaded: Loaded) -> Finding | None:
    """Sites whose import price is far from that of the others."""
    price = loaded.sites["import_price"]
    middle = price.median()
    rows = loaded.sites[_true((price > PRICE_RATIO * middle) | (price < middle / PRICE_RATIO))]
    what = f"sites: import price more than {PRICE_RATIO:g} times above or below the middle one"
    hint = "Check import_price: whole currency units per kWh, not hundredths."
    return _finding(WARNING, rows, len(loaded.sites), what, hint)


def far_from_the_others(loaded: Loaded) -> Finding | None:
    """Sites that lie far from all others, as after a wrong sign or swapped position."""
    sites = loaded.sites
    away = pd.Series(False, index=sites.index)
    for name in ("latitude", "longitude"):
        away |= _true((sites[name] - sites[name].median()).abs() > FAR_DEG)
    what = f"sites lie more than {FAR_DEG:g} degrees from the middle of all"
    return _finding(WARNING, sites[away], len(sites), what, "Check the sign and order of latitude and longitude.")


def commissioned_in_future(loaded: Loaded) -> Finding | None:
    """Sites that went into operation after today."""
    rows = loaded.sites[_true(loaded.sites["commissioned_on"] > pd.Timestamp(loaded.as_of))]
    return _finding(
        WARNING, rows, len(loaded.sites), "sites are commissioned in the future", "Correct commissioned_on."
    )


def facing_away(loaded: Loaded) -> Finding | None:
    """Tilted arrays that face away from the equator."""
    latitude = loaded.sites.set_index("site_id")["latitude"].reindex(loaded.arrays["site_id"])
    equator = np.where(_true(latitude >= 0), 180.0, 0.0)
    away = 180.0 - (((loaded.arrays["azimuth_deg"] - equator) % 360.0) - 180.0).abs()
    rows = loaded.arrays[_true((away > AWAY_DEG) & (loaded.arrays["tilt_deg"] > NEARLY_FLAT_DEG))]
    what = f"arrays face more than {AWAY_DEG:g} degrees away from the equator"
    hint = "Check azimuth_deg: clockwise from north, 180 = south."
    return _finding(WARNING, rows, len(loaded.arrays), what, hint)


def decisive_facts_unknown(loaded: Loaded) -> Finding | None:
    """How much is unknown of the facts that most change a decision."""
    if loaded.sites.empty:
        return None
    shares = loaded.sites[[*DECISIVE_FACTS, "export_price"]].isna().mean().sort_values(ascending=False, kind="stable")
    missing = [f"{name} {share:.0%}".replace("%", " %") for name, share in shares.items() if share > 0]
    if not missing:
        return None
    what = f"Unknown of the facts that most change a decision, share of {len(loaded.sites)} sites"
    return Finding(
        NOTE,
        f"{what}: {', '.join(missing)}.",
        "Ask for those at the top first; assumptions stand in until then.",
    )


CHECKS: tuple[Callable[[Loaded], Finding | None], ...] = (
    sites_without_array,
    sites_without_tariff,
    contact_permission_unknown,
    implausible_inverter,
    module_count_mismatch,
    implausible_module_area,
    implausible_module_rating,
    implausible_import_price,
    far_from_the_others,
    commissioned_in_future,
    facing_away,
    decisive_facts_unknown,
)
