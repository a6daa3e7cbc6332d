"""A file under the column rules: text and values of its rows, and what is wrong with them."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from aftersun.inventory.loading import readings
from aftersun.inventory.loading.bad_rows import of_wrong_width
from aftersun.inventory.loading.header import Header, match_header
from aftersun.inventory.loading.raw_table import RawTable
from aftersun.inventory.store import rules
from aftersun.inventory.store.dictionary import columns, key_columns


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
    contradictions = readings.row_problems(text, values) if table == "reading" else []
    problems = [of_wrong_width(raw), *problems, repeated, *contradictions]
    return CheckedFile(table, source, raw, header, text, values, rules.gather(problems))
