"""Makes tables small: what many sites share is written once, numbers with six digits, dense rows as packed bytes."""

from __future__ import annotations

import base64
import json
import re
from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

DIGITS = 6  # significant ones; far more than any figure here is sure of
_NUMBER = re.compile(r"\d[\d,.]*\d|\d")
_HOLE = "\x1f"  # stands for a number in a sentence; no data that is printed has this sign
_U16 = 65535


def number(value: Any) -> int | float | None:
    """Return a number with six significant digits, whole ones as int; None for what is not known."""
    if pd.isna(value):
        return None
    short = float(f"{value:.{DIGITS}g}")
    return int(short) if short.is_integer() else short


def numbers(values: Iterable[Any]) -> list[int | float | None]:
    """Return each value as :func:`number` does."""
    return [number(value) for value in values]


def text(value: Any) -> str:
    """Return a text, yes or no, or a day as it is written; "" for what is not known."""
    if value is None or (not isinstance(value, str) and pd.isna(value)):
        return ""
    if isinstance(value, bool | np.bool_):
        return "yes" if value else "no"
    return str(value)


def coded(values: Iterable[Any]) -> dict[str, Any]:
    """Return texts by dictionary: ``words`` in order of first use, ``of`` the place of each value in it, -1 = none."""
    words: dict[str, int] = {}
    of = []
    for value in values:
        word = text(value)
        of.append(words.setdefault(word, len(words)) if word else -1)
    return {"words": list(words), "of": of}


def sentences(values: Iterable[Any]) -> dict[str, Any]:
    """Return sentences by dictionary, their numbers apart: thousands of sites differ in nothing else.

    ``numbers`` holds those of each value one after another, joined by the sign that stands for them in ``words``.
    """
    words: dict[str, int] = {}
    of, numbers_of = [], []
    for value in values:
        plain = text(value).replace(_HOLE, " ")
        word = _NUMBER.sub(_HOLE, plain)
        of.append(words.setdefault(word, len(words)) if word else -1)
        numbers_of.append(_HOLE.join(_NUMBER.findall(plain)))
    return {"words": list(words), "of": of, "numbers": numbers_of, "hole": _HOLE}


def by_site(
    frame: pd.DataFrame,
    site_ids: Sequence[str],
    numeric: Sequence[str] = (),
    texts: Sequence[str] = (),
    in_sentences: Sequence[str] = (),
) -> dict[str, Any]:
    """Return the rows of a table site by site: how many each of ``site_ids`` has, and the columns over all rows.

    Rows keep their order within a site; those of other sites are left out. ``in_sentences`` are columns of sentences.
    """
    positions = pd.Index(site_ids).get_indexer(pd.Index(frame["site_id"]))
    order = np.argsort(positions, kind="stable")[int((positions < 0).sum()) :]
    rows = frame.iloc[order]
    counts = np.bincount(positions[positions >= 0], minlength=len(site_ids))
    return {
        "count": counts.tolist(),
        "numbers": {name: numbers(rows[name]) for name in numeric},
        "texts": {name: coded(rows[name]) for name in texts},
        "told": {name: sentences(rows[name]) for name in in_sentences},
    }


def packed(rows: Iterable[npt.ArrayLike | None], width: int, step: float) -> dict[str, Any]:
    """Return rows of numbers >= 0 of one width as bytes: unsigned 16 bit, low byte first, in base64.

    ``row`` is the row of each entry or -1; a number is its 16 bits times the row's ``scale``, which is ``step`` unless
    the greatest needs more. A row is a multiple of three bytes, so that each can be decoded alone.

    Raises
    ------
    ValueError
        If a row has another width or a number below 0.
    """
    if width * 2 % 3:
        raise ValueError("a row must be a multiple of three bytes")
    row: list[int] = []
    scales: list[float] = []
    parts: list[bytes] = []
    for values in rows:
        if values is None:
            row.append(-1)
            continue
        array = np.asarray(values, dtype=np.float64)
        if array.shape != (width,) or not (array >= 0).all():
            raise ValueError(f"a packed row needs {width} numbers from 0")
        needed = float(array.max()) / _U16
        scale = step if needed <= step else float(f"{needed:.{DIGITS}g}")  # as the page will read it
        row.append(len(scales))
        scales.append(scale)
        parts.append(np.minimum(np.rint(array / scale), _U16).astype("<u2").tobytes())
    return {
        "row": row,
        "scale": scales,
        "width": width,
        "bytes": base64.b64encode(b"".join(parts)).decode("ascii"),
    }


def embedded(data: Any) -> str:
    """Return data as JSON that cannot end the element it stands in, whatever texts it holds."""
    plain = json.dumps(data, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    for sign in "<>&\u2028\u2029":
        plain = plain.replace(sign, f"\\u{ord(sign):04x}")
    return plain
