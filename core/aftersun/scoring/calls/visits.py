"""Which sites can be done in one day's round, and what the way of such a round takes.

Rounds are clusters by complete linkage: any two sites of a round are no farther apart than ``visit_km`` in a straight
line. Distances are great-circle ones, taken as chords through the sphere, which keep their order. Complete linkage
needs all pairs, so more than ``_MOST_AT_ONCE`` sites are first halved at the median along their longer side, again and
again; a round never reaches across such a cut. Exact routing would be wasted as long as nobody has said yes.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd
from scipy.cluster.hierarchy import fcluster, linkage
from scipy.sparse.csgraph import minimum_spanning_tree
from scipy.spatial.distance import pdist, squareform

from aftersun.model.ranges import Floats, Ints
from aftersun.model.sphere import EARTH_RADIUS_KM, unit_vectors
from aftersun.money.company import Company
from aftersun.money.prices import trip
from aftersun.scoring.calls.booking import HOURS

DRIVERS = "drivers_"  # a column of sites is this and the skill
_MOST_AT_ONCE = 1000  # sites; half a million pairs
_LEAST_KM = 1e-6  # sites at the same place are together whatever visit_km


def rounds_of(sites: pd.DataFrame, visit_km: float) -> pd.Series:
    """Return the number of the round by site_id, counted from 0 in the order of each round's first site_id.

    Parameters
    ----------
    sites
        Columns site_id, latitude, longitude (degrees, north and east positive); the order of rows does not matter.
    visit_km
        Two sites farther apart in a straight line are never in one round.
    """
    ordered = sites.sort_values("site_id", ignore_index=True)
    points = _on_the_sphere(ordered)
    reach_km = max(visit_km, _LEAST_KM)
    # a chord through the earth that is as long as half its circumference or more joins any two sites
    chord = 2.0 * EARTH_RADIUS_KM * np.sin(min(reach_km / (2.0 * EARTH_RADIUS_KM), np.pi / 2.0))
    number = np.zeros(len(ordered), dtype=np.int64)
    used = 0
    for part in _parts(points, np.arange(len(ordered))):
        if len(part) == 1:
            labels = np.ones(1, dtype=np.int64)
        else:
            labels = fcluster(linkage(pdist(points[part]), method="complete"), chord, criterion="distance")
        number[part] = used + labels
        used += int(labels.max())
    codes, _ = pd.factorize(number)  # in the order of first appearance, that is of site_id
    return pd.Series(codes.astype(np.int64), index=pd.Index(ordered["site_id"], name="site_id"), name="round")


def round_trips(sites: pd.DataFrame, rounds: pd.Series, company: Company) -> pd.DataFrame:
    """Return what the way of one day's round takes, one row a round.

    A round goes out to its sites and back (the mean of the single trips) and from stop to stop: the mean edge of the
    shortest tree that joins all its sites, by road, for each stop after the first. There are as many stops as their
    mean hours on site fit into ``day_hours`` of the company file, at least one, at most all.

    Parameters
    ----------
    sites
        Columns site_id, latitude, longitude, work_hours (hours on site, the mean of what may be done there), and
        ``drivers_<skill>``: people of the skill on the road, the mean likewise.
    rounds
        Number of the round by site_id, from :func:`rounds_of`.

    Returns
    -------
    Columns round, sites, stops, km by road, cost (money), and a column ``hours_<skill>`` of each skill that drives: the
    hours of everybody in the van, a mean over the sites.
    """
    ordered = sites.sort_values("site_id", ignore_index=True)
    travel = company.travel
    way = trip(ordered, company)
    drivers = [name for name in ordered.columns.astype("str") if name.startswith(DRIVERS)]
    table = pd.DataFrame(
        {
            "round": ordered["site_id"].map(rounds).to_numpy(),
            "sites": 1,
            "km": 2.0 * way.distance_km,
            "work_hours": ordered["work_hours"],
            **{name: ordered[name] for name in drivers},
        }
    )
    means = dict.fromkeys(("km", "work_hours", *drivers), "mean")
    trips = table.groupby("round", as_index=False).agg({"sites": "sum", **means})
    fitting = company.month.day_hours / trips["work_hours"].clip(lower=1e-9)
    trips["stops"] = fitting.clip(lower=1.0).clip(upper=trips["sites"])
    points = _on_the_sphere(ordered)
    edges = [_mean_edge_km(points[rows]) for rows in table.groupby("round").indices.values()]
    trips["km"] += np.array(edges, dtype=np.float64) * travel.road_factor * (trips["stops"] - 1.0)
    trips["cost"] = trips["km"] * travel.cost_per_km
    for name in drivers:
        skill = name.removeprefix(DRIVERS)
        trips[HOURS + skill] = trips["km"] / travel.average_speed_km_h * trips[name]
        trips["cost"] += trips[HOURS + skill] * company.work[skill]
    return trips.drop(columns=["work_hours", *drivers])


def _on_the_sphere(sites: pd.DataFrame) -> Floats:
    """Return points of shape (S, 3) in km from the centre of the earth."""
    degrees = (sites[name].to_numpy(dtype=np.float64) for name in ("latitude", "longitude"))
    return np.asarray(EARTH_RADIUS_KM * unit_vectors(*degrees))


def _parts(points: Floats, rows: Ints) -> Iterator[Ints]:
    """Yield the rows in parts that are small enough, each in its own order."""
    if len(rows) <= _MOST_AT_ONCE:
        if len(rows):
            yield rows
        return
    side = int(np.argmax(np.ptp(points[rows], axis=0)))
    along = np.argsort(points[rows, side], kind="stable")  # equal ones by site_id
    half = len(rows) // 2
    yield from _parts(points, np.sort(rows[along[:half]]))
    yield from _parts(points, np.sort(rows[along[half:]]))


def _mean_edge_km(points: Floats) -> float:
    """Return the mean straight edge of the shortest tree that joins the sites; 0 of a single one."""
    apart = np.unique(points, axis=0)  # in the matrix of pairs 0 would mean that there is no way
    if len(apart) < 2:
        return 0.0
    tree = minimum_spanning_tree(squareform(pdist(apart)))
    return float(tree.sum()) / (len(points) - 1)
