"""Per retrofit over the company: what was promised, what came, how good the ranges were, and what it means in money."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
import pandas as pd
from scipy import stats

from aftersun.delivered.measure import stored
from aftersun.delivered.pooling import (
    Mean,
    Share,
    by_group,
    calibration,
    expected_shortfall,
    random_effects,
    share_delivered,
)
from aftersun.inventory.log.jobs import jobs
from aftersun.inventory.store.file import Inventory
from aftersun.inventory.store.sql import typed_frame
from aftersun.inventory.store.tables import NEWEST_FIRST
from aftersun.model.codes import Basis
from aftersun.model.ranges import Floats

SHARE_PRIOR = stats.norm(1.0, 0.5)  # assumption: what comes is half to one and a half of what was promised
BANDS = ("below P90", "P90 to promise", "promise to P10", "above P10")
BAND_COLUMNS = ("below_p90", "p90_to_promise", "promise_to_p10", "above_p10")
TABLE_COLUMNS = (
    *("retrofit", "works", "unmeasured", "promised_kwh", "delivered_kwh", "came", "came_low", "came_high"),
    *("all_roofs", "all_roofs_low", "all_roofs_high", "bias_kwh", "bias_money", *BAND_COLUMNS),
)
GOOD_BANDS = (0.1, 0.4, 0.4, 0.1)  # of ranges that hold what they say
_P10 = float(stats.norm.ppf(0.9))


@dataclass(frozen=True, eq=False)
class Delivered:
    """What the work of one retrofit delivered against its promises, kWh a typical year.

    ``works`` are the rows of table ``delivered`` of this retrofit alone that were measured and had a promise, with
    ``value`` of a kWh. ``came`` is the mean of delivered over promised at the roofs that were chosen, ``share`` what is
    believed of roofs as they are. ``bands`` counts results by ``BANDS`` of those with a range, None = none has one.
    ``bias_kwh`` is the mean of delivered less promised and ``bias_money`` what it comes to a year, with the promise's
    own value of a kWh. ``groups`` is the share by kind of roof, partly pooled; empty = of one kind.
    """

    retrofit: str
    unmeasured: int
    works: pd.DataFrame
    came: Mean
    share: Share
    usual_known: bool
    bands: tuple[int, int, int, int] | None
    bias_kwh: float
    bias_money: float | None
    groups: pd.DataFrame = field(default_factory=pd.DataFrame)

    @property
    def promised_kwh(self) -> float:
        """Mean promise of the work measured."""
        return float(self.works["promised_kwh"].mean())

    @property
    def mean_kwh(self) -> float:
        """Mean delivered, each as uncertain as it is."""
        return self.came.mean * self.promised_kwh


def delivered_by_retrofit(inventory: Inventory) -> list[Delivered]:
    """Return what each retrofit delivered that has any work measured and promised, in alphabetical order.

    Work that shares an interval with another retrofit tells of neither and is left out.
    """
    found, usual, worth = stored(inventory), usual_promises(inventory), _worth(inventory)
    alone = found[~found["shared"].fillna(False)]
    return [
        one
        for name, rows in alone.groupby("retrofit", sort=True)
        if (one := _of_retrofit(str(name), rows, usual.get(str(name)), worth)) is not None
    ]


def _of_retrofit(name: str, rows: pd.DataFrame, usual: Usual | None, worth: pd.DataFrame) -> Delivered | None:
    told = rows[rows["obstacle"].isna() & (rows["promised_kwh"] > 0.0).fillna(False)]
    if told.empty:
        return None
    keys = ["site_id", "retrofit", "done_on"]
    told = told.merge(worth, how="left", on=keys).sort_values(keys, ignore_index=True)
    promised, gain, error = (told[c].to_numpy(np.float64) for c in ("promised_kwh", "gain_kwh", "gain_se_kwh"))
    alike = shared_error(told)
    ranged = told["promised_p90_kwh"].notna() & told["promised_p10_kwh"].notna()
    bands = None
    if ranged.any():
        of = told[ranged]
        columns = ("promised_kwh", "promised_p90_kwh", "promised_p10_kwh", "gain_kwh", "gain_se_kwh")
        bands = calibration(*(of[column].to_numpy(np.float64) for column in columns))
    roofs = told["roof_kind"].fillna("not known")
    groups = by_group(gain / promised, error / promised, roofs) if roofs.nunique() > 1 else pd.DataFrame()
    value = told["value"].to_numpy(np.float64, na_value=np.nan)
    money = (gain - promised) * value
    return Delivered(
        retrofit=name,
        unmeasured=int(len(rows) - len(told)),
        works=told,
        came=random_effects(gain / promised, error / promised, shared=float((alike / promised).mean())),
        share=share_delivered(
            promised, gain, error, usual_of(told, promised, usual), SHARE_PRIOR, spread_of(usual), alike
        ),
        usual_known=usual is not None,
        bands=bands,
        bias_kwh=float(np.average(gain - promised, weights=error**-2.0)),
        bias_money=float(np.nanmean(money)) if np.isfinite(money).any() else None,
        groups=groups,
    )


def shared_error(works: pd.DataFrame) -> Floats:
    """Return the part of the errors of ``works`` that comes of their neighbours' level, kWh a year (N,).

    It is that of the median of as many neighbours as there were; work held against the same ones has it alike.
    """
    of_level = np.pi / 2.0 / np.maximum(works["neighbours"].fillna(0).to_numpy(np.float64), 1.0)
    share = np.where((works["basis"] == Basis.NEIGHBOURS).fillna(False), of_level / (1.0 + of_level), 0.0)
    return np.asarray(works["gain_se_kwh"].to_numpy(np.float64) * np.sqrt(share))


def as_table(found: Sequence[Delivered]) -> pd.DataFrame:
    """Return one row a retrofit: how many works, what was promised and came, shares, and results by ``BANDS``."""
    rows = []
    for one in found:
        low, high = one.share.interval
        bands = one.bands or (None,) * len(BANDS)
        rows.append(
            {
                "retrofit": one.retrofit,
                "works": one.came.count,
                "unmeasured": one.unmeasured,
                "promised_kwh": one.promised_kwh,
                "delivered_kwh": one.mean_kwh,
                "came": one.came.mean,
                "came_low": one.came.low,
                "came_high": one.came.high,
                "all_roofs": one.share.mean,
                "all_roofs_low": low,
                "all_roofs_high": high,
                "bias_kwh": one.bias_kwh,
                "bias_money": one.bias_money,
                **dict(zip(BAND_COLUMNS, bands, strict=True)),
            }
        )
    numbers = dict.fromkeys(TABLE_COLUMNS[3:-4], "Float64")
    counts = dict.fromkeys(("works", "unmeasured", *BAND_COLUMNS), "Int64")
    return pd.DataFrame(rows, columns=list(TABLE_COLUMNS)).astype({"retrofit": "string", **counts, **numbers})


class Usual(NamedTuple):
    """What was promised of a retrofit over all roofs: as a share of their year, and the spread of its logarithm."""

    share: float
    spread: float


def usual_promises(inventory: Inventory) -> dict[str, Usual]:
    """Return by retrofit what the newest run promised over all roofs that it valued.

    Of what sends energy to water that of what they export, else of what they generate.
    """
    query = f"""
        WITH said AS (
            SELECT retrofit, greatest(energy_gain_kwh, coalesce(ranking.to_water_kwh, 0)) AS gain,
                CASE WHEN ranking.to_water_kwh > energy_gain_kwh THEN exported_kwh ELSE generated_kwh END AS year
            FROM ranking JOIN site_energy USING (run_id, site_id)
            WHERE run_id = (SELECT run_id FROM run ORDER BY {NEWEST_FIRST} LIMIT 1) AND energy_gain_kwh IS NOT NULL
        )
        SELECT retrofit, sum(gain) / sum(year) AS usual,
            coalesce(stddev_pop(ln(gain / year)) FILTER (gain > 0), 0) AS spread
        FROM said WHERE year > 0 GROUP BY retrofit HAVING usual > 0
    """
    found = typed_frame(inventory.connection, query, {"retrofit": "str", "usual": "float64", "spread": "float64"})
    return {str(name): Usual(float(share), float(spread)) for name, share, spread in found.itertuples(index=False)}


def spread_of(usual: Usual | None) -> float:
    """Return how far promises spread over all roofs, 0 where that is not known."""
    return 0.0 if usual is None else usual.spread


def usual_of(works: pd.DataFrame, promised: Floats, usual: Usual | None) -> Floats:
    """Return the usual promise of roofs as large as those of ``works``, kWh a year (N,).

    Where it is not known, the mean of what was promised in proportion to size.
    """
    year = works["year_kwh"].to_numpy(np.float64, na_value=np.nan)
    if not np.isfinite(year).all():
        return np.full(len(promised), float(promised.mean()))
    return year * (float(promised.sum() / year.sum()) if usual is None else usual.share)


def _worth(inventory: Inventory) -> pd.DataFrame:
    """Return what a kWh of each job is worth in the first year by the run that promised it.

    Columns site_id, retrofit, done_on, run_id, value.
    """
    query = """
        SELECT job.site_id, job.retrofit, job.done_on::TIMESTAMP AS done_on, any_value(job.run_id) AS run_id,
            any_value(first_year_saving / nullif(greatest(energy_gain_kwh, coalesce(to_water_kwh, 0)), 0)) AS value
        FROM job LEFT JOIN ranking ON ranking.run_id = job.run_id AND ranking.site_id = job.site_id
            AND ranking.retrofit = job.retrofit
        GROUP BY job.site_id, job.retrofit, job.done_on
    """
    dtypes = {"site_id": "string", "retrofit": "string", "done_on": "datetime64[us]", "run_id": "string"}
    dtypes["value"] = "Float64"
    return typed_frame(inventory.connection, query, dtypes)


@dataclass(frozen=True)
class Guarantee:
    """What it costs a year, in energy, to guarantee a gain to the owner of a usual roof, and how often it is short.

    ``promised_p90`` is what runs name so, None = not known; ``calibrated_p90`` is exceeded with 90 % by what was
    delivered. Each with the chance that less comes, and the mean of what is missing over all contracts, kWh a year.
    """

    promised_kwh: float
    expected_kwh: float
    sd_kwh: float
    promised_p90: float | None
    promised_p90_short: float | None
    promised_p90_missing: float | None
    calibrated_p90: float
    calibrated_p90_missing: float


def guarantee(one: Delivered) -> Guarantee:
    """Return what a guarantee of P90 would cost on a roof whose promise is the mean of those done."""
    promise = one.promised_kwh
    expected = float(one.share.expected(promise))
    sd = one.share.sd_of_one * expected
    p90 = one.works["promised_p90_kwh"].dropna()
    named = None if p90.empty else float((p90 / one.works.loc[p90.index, "promised_kwh"]).mean() * promise)
    safe = expected - _P10 * sd
    return Guarantee(
        promised_kwh=promise,
        expected_kwh=expected,
        sd_kwh=sd,
        promised_p90=named,
        promised_p90_short=None if named is None else float(stats.norm.cdf((named - expected) / max(sd, 1e-9))),
        promised_p90_missing=None if named is None else float(expected_shortfall(named, expected, sd)),
        calibrated_p90=safe,
        calibrated_p90_missing=float(expected_shortfall(safe, expected, sd)),
    )


def hours_taken(inventory: Inventory) -> pd.DataFrame:
    """Return hours taken and hours reckoned with: retrofit, run_id, hours, promised_hours.

    Work of several retrofits in one visit shares its hours and is left out.
    """
    done = jobs(inventory)
    alone = ~done.duplicated(["site_id", "done_on"], keep=False)
    told = alone & (done["hours"] > 0).fillna(False) & (done["promised_hours"] > 0).fillna(False)
    return done.loc[told, ["retrofit", "run_id", "hours", "promised_hours"]].reset_index(drop=True)
