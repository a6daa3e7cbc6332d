"""Where the letterhead comes from: the company file given, the one of the run, or what the run stored of it."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from aftersun.documents.run_view import RunView
from aftersun.model.output import Letterhead
from aftersun.money.company import Company, load_company
from aftersun.money.letterhead import letterhead_of, read_letterhead


@dataclass(frozen=True)
class Writer:
    """The company as it writes: its file, its letterhead, and what to tell about where they are from."""

    company: Company
    letterhead: Letterhead
    remark: str


def writer_of(view: RunView, given: Path | None) -> Writer:
    """Return how the company writes. Prices and rates are the run's, whatever the file says now.

    Raises
    ------
    AftersunError
        If the company file, its logo or its language file cannot be used.
    """
    stored = str(view.run.settings.get("company_file", ""))
    path = given
    if path is None and stored and Path(stored).is_file():
        path = Path(stored)
    if path is None:
        company = view.used_company()
        remark = (
            "The company file of the run is no longer where it was: the letterhead is the one that the run stored, in "
            "English and without pictures. Name the file with --company."
        )
        return Writer(company, letterhead_of(company), remark)
    company = load_company(path)
    return Writer(company, read_letterhead(company, path), "")
