"""Splits the rows of a list, each a customer with site, arrays and tariff, into the tables of the inventory."""

from __future__ import annotations

import re
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, field

import pandas as pd
from rapidfuzz import fuzz

from aftersun.inventory.office_list.placing import Placing, Where, place_sites
from aftersun.inventory.office_list.reading import Column
from aftersun.inventory.office_list.said import angle
from aftersun.inventory.office_list.vocabulary import LIST, TABLES, Target, of, plain
from aftersun.inventory.store.dictionary import columns

PRICES_FROM = "2000-01-01"
"""First day of prices of which a list does not say since when they hold (assumption: long ago)."""
_ONE_PERSON = 85  # of 100: names so nearly alike are of one person if the number is the same (assumption)
_SPLIT = re.compile(r"\s*[;/|]\s*|,\s+|\s+(?=[-+NSEW]?[0-9])|,(?=[^,]*$)")
_TARIFF_PRICES = tuple(c.name for c in columns("tariff") if c.name not in ("tariff_id", "valid_from"))


@dataclass(frozen=True)
class Known:
    """What the inventory knows that ids and references go by: ``make`` turns what identifies somebody into an id."""

    make: Callable[[str], str]
    sites: Collection[str] = ()
    tariffs: Collection[str] = ()
    where: Where = field(default_factory=Where)


@dataclass(frozen=True)
class Doubt:
    """Cells of a column that are doubtful for one cause: ``rows`` are positions in the list."""

    target: Target
    cause: str
    rows: tuple[int, ...]


@dataclass(frozen=True, eq=False)
class Tables:
    """Rows by table, columns by the dictionary's names as text, the index the position in the list; and new doubts.

    ``customers`` has the id given to each row of the list, NA where nothing identifies anybody.
    """

    frames: Mapping[str, pd.DataFrame]
    doubts: tuple[Doubt, ...]
    customers: pd.Series
    placing: Placing | None = None


@dataclass
class _Work:
    cells: Mapping[Target, pd.Series]
    rows: pd.Index
    known: Known
    language: str = "en"
    doubts: list[Doubt] = field(default_factory=list)
    placing: Placing | None = None

    def get(self, table: str, column: str, number: int = 1) -> pd.Series:
        """Return a column of the list, all unknown if there is none."""
        found = self.cells.get(Target(table, column, number))
        return pd.Series(pd.NA, index=self.rows, dtype="string") if found is None else found

    def frame(self, table: str, number: int = 1) -> pd.DataFrame:
        """Return the columns of a table that the list has."""
        given = [c.name for c in columns(table) if Target(table, c.name, number) in self.cells]
        return pd.DataFrame({name: self.get(table, name, number) for name in given}, index=self.rows)

    def doubt(self, target: Target, cause: str, rows: pd.Series) -> None:
        """Note the rows that are flagged."""
        if rows.any():
            self.doubts.append(Doubt(target, cause, tuple(map(int, rows.index[rows]))))


def split(
    read: Mapping[Target, Column],
    rows: pd.Index,
    known: Known,
    merged: Mapping[str, str] | None = None,
    language: str = "en",
) -> Tables:
    """Split the columns of a list into tables; ``merged`` has by customer's id the one who it really is."""
    work = _Work({target: column.text for target, column in read.items()}, rows, known, language)
    for target, column in read.items():
        if "module_count" in column.extra and Target("array", "module_count", target.number) not in work.cells:
            work.cells = {**work.cells, Target("array", "module_count", target.number): column.extra["module_count"]}
    customers = _people(work)
    ids = _customer_ids(work, customers)
    if merged:
        ids = ids.map(lambda one: merged.get(one, one), na_action="ignore").astype("string")
    customers.insert(0, "customer_id", ids)
    tariffs, tariff_ids = _tariffs(work)
    sites = _sites(work, customers, tariff_ids)
    arrays = _arrays(work, sites["site_id"])
    at_home = (sites["site_id"] == customers["customer_id"]).fillna(False)
    people = customers.loc[[*customers.index[at_home], *customers.index[~at_home]]]  # whose street is their own first
    frames = {
        "customer": _once(work, people, "customer", ["customer_id"], _two_people(merged or {})),
        "tariff": tariffs,
        "site": _once(work, sites, "site", ["site_id"], _two_places(customers)) if _has_sites(work) else sites[:0],
        "array": arrays,
    }
    return Tables(
        {table: frames[table] for table in TABLES if len(frames[table])}, tuple(work.doubts), ids, work.placing
    )


def _has_sites(work: _Work) -> bool:
    """Tell whether a list says anything of systems; one of customers alone makes no sites."""
    of_a_place = {Target(LIST, "position"), Target(LIST, "plus_code")}
    return any(target.table in ("site", "array") or target in of_a_place for target in work.cells)


def _people(work: _Work) -> pd.DataFrame:
    """Return the customers of all rows, without ids: parts of names, streets and towns put together."""
    frame = work.frame("customer").drop(columns="customer_id", errors="ignore")
    frame["name"] = work.get("customer", "name").fillna(
        _joined(work.get(LIST, "first_name"), work.get(LIST, "last_name"))
    )
    frame["street"] = _joined(work.get("customer", "street"), work.get(LIST, "house_number"))
    frame["town"] = work.get("customer", "town").fillna(_joined(work.get(LIST, "postcode"), work.get(LIST, "town")))
    refused = work.get(LIST, "no_contact") == "yes"
    if refused.any():
        frame["contact_allowed"] = work.get("customer", "contact_allowed").mask(refused.fillna(False), "no")
    return frame.loc[:, [c.name for c in columns("customer") if c.name in frame and frame[c.name].notna().any()]]


def _joined(first: pd.Series, second: pd.Series) -> pd.Series:
    both = (first + " " + second).fillna(first).fillna(second)
    return both.astype("string")


def _flat(texts: pd.Series) -> pd.Series:
    return texts.fillna("").map(lambda text: plain(text).replace(" ", "")).astype(str)


def _customer_ids(work: _Work, people: pd.DataFrame) -> pd.Series:
    """Return the office's own number of each customer, else one made of what identifies the row."""
    own = work.get("customer", "customer_id")
    if own.notna().all():
        return own
    flat = {name: _flat(people[name]) if name in people else _flat(work.get("customer", name)) for name in _IDENTIFYING}
    where = flat["street"] + "|" + flat["town"]
    identity = ("name|" + flat["name"] + "|" + where).where((flat["name"] != "") & (where != "|"), "")
    for name in ("email", "phone"):
        identity = identity.mask((identity == "") & (flat[name] != ""), name + "|" + flat[name])
    identity = identity.mask((identity == "") & (flat["name"] != ""), "name|" + flat["name"])
    identity = identity.mask((identity == "") & (where != "|"), "at|" + where)
    site = work.get("site", "site_id")
    identity = identity.mask((identity == "") & site.notna(), "site|" + site.fillna(""))
    made = identity.map({text: work.known.make(text) for text in identity[own.isna()].unique() if text})
    return own.fillna(made.astype("string")).astype("string")


_IDENTIFYING = ("name", "street", "town", "email", "phone")


def _tariffs(work: _Work) -> tuple[pd.DataFrame, pd.Series]:
    """Return the tariffs of a list and that of each row; a tariff whose price cannot be read takes no site with it."""
    prices = work.frame("tariff").reindex(columns=[n for n in _TARIFF_PRICES if Target("tariff", n) in work.cells])
    named = work.get("tariff", "tariff_id").fillna(work.get("site", "tariff_id"))
    if "import_price" in prices:
        said = prices.iloc[:, 0].str.cat(prices.iloc[:, 1:], sep="/", na_rep="")
        named = named.fillna(("tariff " + said.str.strip("/")).where(prices["import_price"].notna())).astype("string")
        frame = prices.assign(tariff_id=named, valid_from=work.get("tariff", "valid_from").fillna(PRICES_FROM))
        frame = frame[frame["tariff_id"].notna() & frame["import_price"].notna()]
        frame = _once(work, frame, "tariff", ["tariff_id", "valid_from"], None)
        frame = frame[["tariff_id", "valid_from", *prices.columns]]
    else:
        frame = pd.DataFrame(columns=["tariff_id"])
    there = set(frame["tariff_id"]) | set(work.known.tariffs)
    lost = named.notna() & ~named.isin(there)
    target = (
        Target("tariff", "tariff_id") if Target("tariff", "tariff_id") in work.cells else Target("site", "tariff_id")
    )
    work.doubt(target, "tariff_without_price" if "import_price" in prices else "tariff_not_loaded", lost)
    return frame, named.mask(lost)


def _sites(work: _Work, customers: pd.DataFrame, tariff_ids: pd.Series) -> pd.DataFrame:
    frame = work.frame("site").drop(columns=["site_id", "customer_id", "tariff_id"], errors="ignore")
    own = work.get("site", "site_id")
    frame.insert(0, "site_id", own.fillna(_made_sites(customers, own, work.known)).astype("string"))
    frame.insert(1, "customer_id", customers["customer_id"])
    if tariff_ids.notna().any():
        frame["tariff_id"] = tariff_ids
    for name in ("latitude", "longitude"):
        if name not in frame:
            frame[name] = pd.Series(pd.NA, index=work.rows, dtype="string")
    _from_positions(work, frame)
    places = pd.DataFrame({name: work.get(LIST, name) for name in ("country", "postcode", "town", "plus_code")})
    places["town"] = places["town"].fillna(work.get("customer", "town"))
    placed, work.placing = place_sites(frame, places, work.known.where, work.language)
    if work.placing:
        lost = pd.Series(frame.index.isin(work.placing.lost), index=frame.index)
        work.doubt(_place_target(work), "no_such_place", lost)
    return placed


def _place_target(work: _Work) -> Target:
    """Return the column of the list that says most of where somebody lives."""
    said = (Target(LIST, "town"), Target("customer", "town"), Target(LIST, "postcode"), Target(LIST, "plus_code"))
    return next(target for target in said if target in work.cells)


def _made_sites(customers: pd.DataFrame, own: pd.Series, known: Known) -> pd.Series:
    """Return the number of each row's site where there is none: the customer's, with an ending for further streets.

    A street that has got an ending in the inventory keeps it, whatever the order of the rows.
    """
    ids = customers["customer_id"]
    made = ids.copy()
    if "street" not in customers:
        return made
    several = ids.notna() & own.isna() & ids.duplicated(keep=False)
    streets = _flat(customers["street"])
    held = set(known.sites)
    for customer, rows in ids[several].groupby(ids[several]).groups.items():
        first = ""
        for row in rows:
            street = streets[row]
            ending = f"{customer}-{known.make(f'street|{street}')[-6:]}"
            if not street or (ending not in held and first in ("", street)):
                first = first or street
            else:
                made[row] = ending
    return made


def _from_positions(work: _Work, sites: pd.DataFrame) -> None:
    """Take latitude and longitude from a cell that has both."""
    said = work.get(LIST, "position")
    wanted = said.notna() & (sites["latitude"].isna() | sites["longitude"].isna())
    found: dict[str, tuple[str | None, str | None]] = {}
    for text in said[wanted].unique():
        parts = _SPLIT.split(str(text).strip())
        reads = [angle(of(Target("site", n)), part) for n, part in zip(("latitude", "longitude"), parts, strict=False)]
        good = len(parts) == 2 and all(read.text for read in reads)
        found[text] = (reads[0].text, reads[1].text) if good else (None, None)
    for n, name in enumerate(("latitude", "longitude")):
        values = said.map({text: pair[n] for text, pair in found.items()}).astype("string")
        sites[name] = sites[name].mask(wanted, values)
    work.doubt(Target(LIST, "position"), "no_position", wanted & sites["latitude"].isna())


def _arrays(work: _Work, site_ids: pd.Series) -> pd.DataFrame:
    """Return the arrays of all rows, one after another; a plane that stands there already is not taken again."""
    numbers = sorted({target.number for target in work.cells if target.table == "array"})
    parts = []
    for number in numbers:
        frame = work.frame("array", number).drop(columns=["array_id", "site_id"], errors="ignore")
        frame = frame.assign(site_id=site_ids, array_id=work.get("array", "array_id", number), number=number)
        said = frame.drop(columns=["site_id", "array_id", "number"]).notna().any(axis=1)
        parts.append(frame[said if number > numbers[0] else said | ~site_ids.duplicated()])
    if not parts:
        return pd.DataFrame()
    found = pd.concat(parts)
    found["row"] = found.index
    found = found.sort_values(["row", "number"], kind="stable")
    plane = found.reindex(columns=["site_id", "tilt_deg", "azimuth_deg"]).astype("string").fillna("")
    earlier_row = found["row"] != found.groupby("site_id")["row"].transform("first")
    again = plane.duplicated() & earlier_row & found["array_id"].isna() & found["site_id"].notna()
    for row, number in zip(found["row"][again], found["number"][again], strict=True):
        target = next(t for t in sorted(work.cells) if t.table == "array" and t.number == number)
        work.doubts.append(Doubt(target, "repeated_array", (int(row),)))
    found = found[~again]
    count = (found.groupby("site_id").cumcount() + 1).astype("string")
    found["array_id"] = found["array_id"].fillna(found["site_id"] + "-A" + count)
    names = [c.name for c in columns("array") if c.name in found]
    required = [name for name in ("tilt_deg", "azimuth_deg", "dc_rating_kw") if name not in names]
    return found.assign(**{n: pd.Series(pd.NA, index=found.index, dtype="string") for n in required})[
        [*names, *required]
    ]


_Apart = Callable[[pd.DataFrame, pd.Series], set[int]]


def _once(work: _Work, frame: pd.DataFrame, table: str, keys: list[str], apart: _Apart | None) -> pd.DataFrame:
    """Return rows with one for each key: the first cell that says anything; those that say otherwise are doubtful.

    Groups of rows that ``apart`` finds to be of two stay as they are, to be rejected for their doubled key.
    """
    keyed = frame[frame[keys].notna().all(axis=1)]
    doubled = keyed[keyed.duplicated(keys, keep=False)]
    if doubled.empty:
        return frame
    group = doubled.groupby(keys, sort=False).ngroup()
    together = doubled[~group.isin(apart(doubled, group))] if apart else doubled
    rest = [name for name in frame.columns if name not in keys]
    first = together[rest].groupby(group[together.index]).transform("first")
    for name in rest:
        target = Target(table, name)
        if target in work.cells:
            work.doubt(target, "differs", (together[name] != first[name]).fillna(False).astype(bool))
    kept = together.assign(**{name: first[name] for name in rest})
    kept = kept[~kept.duplicated(keys)]
    return pd.concat([frame.drop(index=together.index), kept]).sort_index()


def _two_people(merged: Mapping[str, str]) -> _Apart:
    """Return what finds the groups of rows with one customer's number whose names are too far apart for one person.

    Those who were merged on a yes are one whatever their names.
    """

    def apart(rows: pd.DataFrame, group: pd.Series) -> set[int]:
        if "name" not in rows:
            return set()
        names = rows["name"][~rows["customer_id"].isin(set(merged.values()))].dropna().map(plain)
        varied = names.groupby(group[names.index]).unique()
        return {number for number, said in zip(varied.index, varied, strict=True) if not _one_person(list(said))}

    return apart


def _one_person(names: list[str]) -> bool:
    return all(fuzz.token_sort_ratio(names[0], name) >= _ONE_PERSON for name in names[1:])


def _two_places(customers: pd.DataFrame) -> _Apart:
    """Return what finds the groups of rows with one site's number that are of several customers or streets."""
    streets = _flat(customers["street"]).replace("", pd.NA) if "street" in customers else None

    def apart(rows: pd.DataFrame, group: pd.Series) -> set[int]:
        several = rows["customer_id"].groupby(group).nunique() > 1
        if streets is not None:
            several |= streets[rows.index].groupby(group).nunique() > 1
        return set(several.index[several])

    return apart
