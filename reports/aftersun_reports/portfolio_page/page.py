"""Puts the page together: template, style, charts library, glue and data in one text."""

from __future__ import annotations

import base64
import hashlib
import html
import re
from functools import lru_cache
from importlib.resources import files
from string import Template

from plotly.offline import get_plotlyjs

from aftersun import api
from aftersun_reports.portfolio_page.coding import embedded
from aftersun_reports.portfolio_page.portfolio import page_data

_SCRIPTS = ("format.js", "data.js", "charts.js", "table.js", "site.js", "page.js")  # one after another, one scope
_COLOUR = re.compile(r"#[0-9a-fA-F]{6}")
_ACCENT = "#30506b"


def page(run: api.RunView) -> str:
    """Return the whole page of a run as HTML. Nothing in it is loaded from anywhere: its own policy forbids it."""
    head = run.letterhead
    charts, glue = _charts_library(), _glue()
    return Template(_own("template.html")).substitute(
        title=html.escape(f"Portfolio: {head.name}"),
        policy=html.escape(_policy(charts, glue), quote=True),
        accent=head.accent_colour if _COLOUR.fullmatch(head.accent_colour) else _ACCENT,
        style=_own("page.css"),
        data=embedded(page_data(run)),
        charts=charts,
        glue=glue,
    )


def _policy(*scripts: str) -> str:
    """Return the content security policy: only these scripts run, and nothing is fetched."""
    hashes = " ".join(
        f"'sha256-{base64.b64encode(hashlib.sha256(script.encode('utf-8')).digest()).decode('ascii')}'"
        for script in scripts
    )
    return (
        f"default-src 'none'; script-src {hashes}; style-src 'unsafe-inline'; img-src data:; "
        "base-uri 'none'; form-action 'none'"
    )


@lru_cache(maxsize=1)
def _charts_library() -> str:
    return _script(str(get_plotlyjs()))


@lru_cache(maxsize=1)
def _glue() -> str:
    parts = "\n".join(_own(name) for name in _SCRIPTS)
    return _script(f"(function () {{\n'use strict';\n{parts}\n}}());\n")


def _script(text: str) -> str:
    """Return a script as it may stand in HTML: its line ends as a browser reads and hashes them."""
    plain = text.replace("\r\n", "\n").replace("\r", "\n")
    if "</script" in plain.lower() or "<!--" in plain or "\0" in plain:
        raise ValueError("a script holds what would end it")
    return plain


def _own(name: str) -> str:
    return files(__package__).joinpath(name).read_text(encoding="utf-8")
