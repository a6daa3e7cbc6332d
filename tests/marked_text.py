"""Renews the part of a document that is made by a program, between two markers."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

from aftersun.model.errors import AftersunError


def put_between(text: str, begin: str, end: str, made: str) -> str:
    """Return a document with what was made in place of what stood between its markers.

    Raises
    ------
    AftersunError
        If the document does not have each marker once, in order.
    """
    before, found_begin, rest = text.partition(begin)
    old, found_end, after = rest.partition(end)
    if not found_begin or not found_end or begin in old + after or end in before + after:
        raise AftersunError("The document does not have each marker once.", f"Put in {begin} and {end}.")
    return f"{before}{begin}\n\n{made}\n{end}{after}"


def renew_file(program: str, arguments: Sequence[str], renewed: Callable[[str], str]) -> None:
    """Renew the one file named on the command line of a program."""
    if len(arguments) != 1:
        raise SystemExit(f"usage: python tests/{program} FILE")
    path = Path(arguments[0])
    path.write_text(renewed(path.read_text(encoding="utf-8")), encoding="utf-8")
