"""What is decided of a file of readings as a whole, and what has to be asked because it cannot be."""

from __future__ import annotations

from dataclasses import dataclass

from aftersun.inventory.office_list.vocabulary import LANGUAGES

PRODUCTION, IMPORT, EXPORT = METERS = ("production", "import", "export")
ENERGY, POWER, COUNTER = QUANTITIES = ("energy", "power", "counter")
UNITS = {"wh": 0.001, "kwh": 1.0, "mwh": 1000.0, "w": 0.001, "kw": 1.0, "mw": 1000.0}
"""Words for units of energy and power, with what makes kWh or kW of them."""
STANDARD_TIME, SUMMER_TIME = "standard time", "summer time"
START, END = "start", "end"

ALLOWED: dict[str, tuple[str, ...]] = {
    "language": LANGUAGES,
    "decimal": (",", "."),
    "dates": ("day first", "month first"),
    "clock": (STANDARD_TIME, SUMMER_TIME),
    "labels": (START, END),
    "meter": METERS,
    "quantity": QUANTITIES,
    "unit": tuple(UNITS),
}
"""By the name of a setting what it may be; ``site`` may be whatever calls a site, ``year`` four digits."""


@dataclass(frozen=True)
class Settings:
    """What holds for a whole file of readings; empty = by what its headings and cells show.

    ``clock`` is "standard time" or "summer time" (of clocks that are put forward), ``labels`` whether a time stands for
    the "start" or "end" of its interval, ``meter``, ``quantity`` and ``unit`` what a column is that does not say so, or
    says what cannot be. ``site`` is the one that all rows are of, ``year`` that of months which name none.
    """

    language: str = ""
    decimal: str = ""
    dates: str = ""
    clock: str = ""
    labels: str = ""
    meter: str = ""
    quantity: str = ""
    unit: str = ""
    site: str = ""
    year: str = ""


class Undecided(Exception):
    """What cannot be told of a file: ``setting`` would settle it, ``figures`` say what was seen."""

    def __init__(self, setting: str, **figures: object) -> None:
        super().__init__(setting)
        self.setting, self.figures = setting, figures
