"""The portfolio page: one HTML file that holds everything and asks no network for anything."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from aftersun import api
from aftersun_reports.portfolio_page.page import page
from aftersun_reports.shared import refuse_settings

FILE = "portfolio.html"


@dataclass(frozen=True)
class PortfolioPage:
    """The output ``portfolio_page``. Without names and addresses it shows pseudonyms and rough positions."""

    id: str = "portfolio_page"
    writes: str = "the whole portfolio as one page for a browser, with a page for each site; works without a network"
    of: str = api.OF_RUN
    personal: bool = False

    def write(self, run: api.RunView, folder: Path, settings: Mapping[str, str]) -> Sequence[Path]:
        """Write portfolio.html into the folder and return its path.

        Raises
        ------
        AftersunError
            If a setting is given: there is none.
        """
        refuse_settings("portfolio page", settings)
        path = folder / FILE
        path.write_bytes(page(run).encode("utf-8"))
        return [path]


@api.hookimpl
def aftersun_outputs() -> list[api.Output]:
    """Register the output."""
    return [PortfolioPage()]
