"""Errors of the inventory, in the sentences of ``refusals.csv``."""

from __future__ import annotations

from typing import Any

import aftersun_datasets
from aftersun.model.errors import AftersunError

_SENTENCES = {row["refusal"]: row for row in aftersun_datasets.rows("refusals.csv", "aftersun.inventory")}


def refusal(name: str, kind: type[AftersunError] = AftersunError, /, **figures: Any) -> AftersunError:
    """Return the error that refuses something, with its figures filled in. None may be a customer's data."""
    row = _SENTENCES[name]
    return kind(row["sentence"].format_map(figures), row["what_to_do"].format_map(figures))
