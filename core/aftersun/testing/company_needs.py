"""What a company file lacks for the retrofits that are installed, or says of them and nobody would hear."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cache

from aftersun.host.asking import asking
from aftersun.host.assumed import unusual
from aftersun.host.registry import Loaded, Registry
from aftersun.model.change import ACCESS, LABOUR
from aftersun.model.cohort import Cohort
from aftersun.model.errors import AftersunError
from aftersun.model.ranges import Range
from aftersun.money.company import Company
from aftersun.money.template import SECTIONS
from aftersun.testing.answers import ask, unread_assumptions
from aftersun.testing.builders import sample_cohort, shipped_prices
from aftersun.testing.sites import odd_sites


@dataclass(frozen=True)
class Missing:
    """A price that the company file lacks: its key, the section that it stands in, what is counted, what is usual."""

    key: str
    section: str
    unit: str  # "per ..."
    usual: Range | None  # None = the retrofit does not say


@dataclass(frozen=True)
class Unusual:
    """An override outside the range that the retrofit declares."""

    retrofit: str
    name: str
    value: float
    usual: Range


def missing_prices(registry: Registry, company: Company) -> list[Missing]:
    """Return each price that a retrofit needs and the company file lacks, once, by section and key."""
    found = {(one.section, one.key): one for loaded in registry.retrofits for one in _missing_of(loaded, company)}
    return [found[place] for place in sorted(found)]


def unusual_overrides(registry: Registry, company: Company) -> list[Unusual]:
    """Return the overrides that are outside what a retrofit calls usual, which is allowed and worth a look."""
    return [
        Unusual(loaded.id, *one)
        for loaded in registry.retrofits
        for one in unusual(loaded.retrofit, company.overrides(loaded.id))
    ]


def check_heard(registry: Registry, company: Company) -> None:
    """Refuse an override that nothing of its retrofit would read.

    Raises
    ------
    AftersunError
        Naming it.
    """
    for loaded in registry.retrofits:
        given = company.overrides(loaded.id)
        if given:
            with asking(loaded.id, "change"):
                unread = set(unread_assumptions(loaded.retrofit, _cohort()))
            if unheard := sorted(unread & set(given)):
                raise AftersunError(
                    f"The company file sets {', '.join(unheard)} for '{loaded.id}', which never looks at it.",
                    "Take it out; whoever wrote the retrofit can correct it.",
                )


def _missing_of(loaded: Loaded, company: Company) -> Iterator[Missing]:
    """Yield what is not priced; a retrofit that does not say of what kind its items are is asked for its lines."""
    about = loaded.retrofit.about
    declared = {item.key: (item.kind, item.usual.unit, item.usual) for item in about.prices}
    declared = {**_shipped(), **declared}
    unknown = [key for key in about.priced_items if key not in company.prices]
    for key in unknown:
        if key in declared:
            kind, unit, usual = declared[key]
            yield Missing(key, SECTIONS[kind], unit, usual)
    if all(key in declared for key in unknown) and loaded.built_in:
        return
    with asking(loaded.id, "change"):
        lines = ask(loaded.retrofit, _cohort()).lines
    for line in lines:
        book: Mapping[str, float] = company.work if line.kind == LABOUR else company.prices
        if line.kind != ACCESS and line.item not in book and (line.kind == LABOUR or line.item not in declared):
            yield Missing(line.item, SECTIONS[line.kind], f"per {line.unit}", None)


def _shipped() -> dict[str, tuple[str, str, Range]]:
    return {key: (row["kind"], row["unit"], Range.from_row(row)) for key, row in shipped_prices().items()}


@cache
def _cohort() -> Cohort:
    return sample_cohort(*odd_sites())
