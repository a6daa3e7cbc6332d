"""How single values of tables are shown to people, whatever shows them: a terminal, a page."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, is_dataclass
from datetime import date, datetime, time
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import pandas as pd

_IN_HUNDREDS = 10_000  # amounts of money from here on


def records(frame: pd.DataFrame) -> list[dict[str, Any]]:
    """Return the rows of a table by column name."""
    return [{str(name): value for name, value in row.items()} for row in frame.to_dict("records")]


def cell(value: Any) -> str:
    """Return a value as text: nothing for what is unknown, yes or no, a day, a number without needless digits."""
    value = plain(value)
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, date):
        return f"{value:%Y-%m-%d}"
    return "" if value is None else f"{value:.10g}" if isinstance(value, float) else str(value)


def amount(value: float | None) -> str:
    """Return an amount of money or energy in whole units; nothing for what is unknown."""
    from aftersun.model.figures import ENGLISH

    return "" if value is None or value != value else ENGLISH.number(value)


def money(value: float | None) -> str:
    """Return an amount of money as it is read in lists: whole units, hundreds above 10,000; nothing for none."""
    known: float | None = plain(value)  # of a nullable column, too
    return amount(known if known is None or abs(known) < _IN_HUNDREDS else round(known, -2))


def money_range(low: float | None, high: float | None) -> str:
    """Return a range of money; nothing where none was drawn."""
    return f"{money(low)} to {money(high)}" if money(low) else ""


def in_words(name: Any) -> str:
    """Return the name of a column or a retrofit as words; nothing for none."""
    return cell(name).replace("_", " ")


def counted(number: int, what: str) -> str:
    """Return a number of things, as 1 row or 2,000 rows."""
    return f"{number:,} {what}{'' if number == 1 else 's'}"


def plain(value: Any) -> Any:
    """Return a value as JSON can hold it, a mere day without its midnight."""
    import numpy as np
    import pandas as pd

    if isinstance(value, pd.DataFrame):
        return [plain(row) for row in value.to_dict("records")]
    if is_dataclass(value) and not isinstance(value, type):
        value = asdict(value)
    if isinstance(value, Mapping):
        return {str(name): plain(item) for name, item in value.items()}
    if isinstance(value, list | tuple | np.ndarray):
        return [plain(item) for item in value]
    if value is None or pd.isna(value):
        return None
    if isinstance(value, np.generic):
        return value.item()
    if isinstance(value, datetime) and value.tzinfo is None and value.time() == time():
        return value.date()
    return value
