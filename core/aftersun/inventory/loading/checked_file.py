"""A file under the column rules: text and values of its rows, and what is wrong with them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from aftersun.inventory.loading.bad_rows import of_wrong_width
from aftersun.inventory.loading.header import Header, match_header
from aftersun.inventory.loading.raw_table import RawTable
from aftersun.inventory.store import rules
from aftersun.inventory.store.dictionary import columns, key_columns
from aftersun.model import tables
from aftersun.model.price_times import PRICES, SLOTS, by_tariff, nearby, slots_of

FURTHEST_PRICE = 30.0  # times the middle one of a tariff's periods; beyond, a slip of the unit (assumption)


@dataclass(frozen=True, eq=False)
class CheckedFile:
    """A file for a table of the dictionary, rows by their position; those of wrong width are only in ``problems``."""

    table: str
    source: str
    raw: RawTable
    header: Header
    text: pd.DataFrame
    values: pd.DataFrame
    problems: pd.DataFrame

    @property
    def given_ids(self) -> pd.Series:
        """The reject_id of each row that comes back from an export of rejects, NA for the others."""
        if self.header.reject_id is None:
            return pd.Series(pd.NA, index=self.raw.cells.index, dtype="string")
        return self.raw.cells[self.header.reject_id].str.strip()


def check_file(table: str, source: str, raw: RawTable) -> CheckedFile:
    """Apply all rules that need nothing but the file.

    Raises
    ------
    AftersunError
        If the header lacks required columns or repeats some.
    """
    header = match_header(columns(table), raw.header, source, table, may_name=bool(raw.fits.any()))
    cells = header.cells(raw)
    given = [column for column in columns(table) if column.name in cells]
    text, values, problems = rules.read(given, cells, raw.decimal_comma)
    keys = {key: values[key] for key in key_columns(table)}
    repeated = rules.repeated_keys(list(keys), text.assign(**keys), raw.lines[cells.index])
    contradictions = _reading_problems(text, values) if table == "reading" else []
    if table == "tariff_period":
        contradictions = _period_problems(values, raw.lines[cells.index])
    elif table == "tariff_hour":
        contradictions = [rules.where(text.reindex(columns=[*PRICES, "spot_price"]).isna().all(axis=1), "no_price")]
    problems = [of_wrong_width(raw), *problems, repeated, *contradictions]
    return CheckedFile(table, source, raw, header, text, values, rules.gather(problems))


def _reading_problems(text: pd.DataFrame, values: pd.DataFrame) -> list[pd.DataFrame]:
    """Return the problems of meter readings whose columns contradict each other, whatever the other rows say.

    A row is either the energy of an interval (``kwh`` from ``starts_at`` to ``ends_at``) or what a counter showed at
    one moment (``register_kwh`` at ``starts_at``). What only a whole series shows is judged when readings are used.
    ``text`` and ``values`` have the same rows; a column may be missing from both. Whether a cell is filled is
    told by its text, so that an unreadable number is not called missing as well.
    """
    given = text.reindex(columns=["ends_at", "kwh", "register_kwh"]).notna()
    kwh_end, energy, counter = given["ends_at"], given["kwh"], given["register_kwh"]
    problems = [
        rules.where(~energy & ~counter, "no_reading"),
        rules.where(energy & counter, "two_readings"),
        rules.where(energy & ~counter & ~kwh_end, "energy_without_end"),
        rules.where(counter & ~energy & kwh_end, "counter_with_end"),
    ]
    if "ends_at" in values:
        days = (values["ends_at"] - values["starts_at"]).dt.total_seconds() / 86400
        longest = tables.mode("readings_limits.csv", "longest_interval")
        problems += [
            rules.where(days <= 0, "interval_backward"),
            rules.where(days > longest, "interval_too_long", longest=longest),
        ]
    return problems


def _period_problems(values: pd.DataFrame, lines: npt.NDArray[np.int64]) -> list[pd.DataFrame]:
    """Return the problems of periods that say nothing, that price an hour twice, or one price in another unit."""
    rows = values.reindex(columns=[column.name for column in columns("tariff_period")])
    empty = rows["from_hour"] == rows["until_hour"]
    problems = [rules.where(rows[list(PRICES)].isna().all(axis=1), "no_price"), rules.where(empty, "empty_period")]
    whole = rows.drop(columns=list(PRICES)).notna().all(axis=1) & ~empty.fillna(True)
    line = pd.Series(lines, index=rows.index)
    for _, tariff in by_tariff(rows[whole]):
        far = nearby(tariff["import_price"].to_numpy(dtype=np.float64, na_value=np.nan))
        apart = pd.Series((far > FURTHEST_PRICE) | (far < 1 / FURTHEST_PRICE), index=tariff.index)
        problems.append(rules.where(apart, "price_far_off", most=FURTHEST_PRICE))
        for price in PRICES:
            problems += _priced_twice(tariff[tariff[price].notna()], line, price)
    return problems


def _priced_twice(periods: pd.DataFrame, line: pd.Series, price: str) -> list[pd.DataFrame]:
    """Return the rows of one tariff that price hours which an earlier row prices; rows of one key clash anyway."""
    first, problems = np.full(SLOTS, -1, dtype=np.int64), []
    for row, period in zip(periods.index, periods.to_dict("records"), strict=True):
        slots = slots_of(period)
        taken = first[slots & (first >= 0)]
        if len(taken):
            other = int(line[taken[0]])
            problems.append(rules.problem(pd.Index([row]), "priced_twice", column=price, line=other))
        first[slots & (first < 0)] = row
    return problems
