"""Stable pseudonyms: a keyed hash, with a random key that stays in the inventory and goes into no export.

Whoever has the inventory can tell who is meant; whoever has an export cannot, nor guess numbers until one fits.
"""

from __future__ import annotations

import hashlib
import hmac
import re
import secrets
import unicodedata
from collections.abc import Iterable
from datetime import UTC, datetime
from typing import TYPE_CHECKING

import duckdb
import pandas as pd

from aftersun.inventory.store.sql import scalar

if TYPE_CHECKING:
    from aftersun.inventory.store.file import Inventory

# Signs that show nothing though Unicode has them neither as blanks nor as formatting: fillers, joiners, variants.
_UNSEEN = re.compile("[\u034f\u115f\u1160\u17b4\u17b5\u180b-\u180f\u2800\ufe00-\ufe0f\U000e0100-\U000e01ef]")
_LENGTH = 16  # hex digits; two of a million ids meet with a chance of 3 in 100 million


def pseudonyms(inventory: Inventory, kind: str, ids: pd.Series) -> pd.Series:
    """Return a pseudonym for each id, NA for NA; the same id of the same kind always has the same one.

    Parameters
    ----------
    kind
        What the ids are of, for example "site" or "customer": the same number of another kind gets another pseudonym.
    """
    known = ids.dropna().astype(str).unique()
    key = stored_key(inventory.connection)
    names = {text: keyed_hash(key, kind, text) for text in known}
    return ids.astype("string").map(names).astype("string")


def keyed_hash(key: bytes, kind: str, text: str) -> str:
    """Return the hash of a text of some kind under a key."""
    return hmac.new(key, f"{kind}\x1f{text}".encode(), hashlib.sha256).hexdigest()[:_LENGTH]


def folded(number: str) -> str:
    """Return a customer's or site's number as people take it: whatever its capitals, blanks, kind of digits."""
    if number.isascii():
        return "".join(number.casefold().split())
    plain = unicodedata.normalize("NFKC", number).casefold()
    seen = (sign for sign in plain if not (sign.isspace() or unicodedata.category(sign) == "Cf" or _UNSEEN.match(sign)))
    return "".join(str(unicodedata.decimal(sign, sign)) for sign in seen)


def make_key(connection: duckdb.DuckDBPyConnection) -> None:
    """Make the key of an inventory that has none yet."""
    if not scalar(connection, "SELECT count(*) FROM pseudonym_key"):
        made_at = datetime.now(UTC).replace(tzinfo=None)
        connection.execute("INSERT INTO pseudonym_key VALUES (1, ?, ?)", [secrets.token_hex(32), made_at])


def stored_key(connection: duckdb.DuckDBPyConnection) -> bytes:
    """Return the key of an inventory, which every one of today's layout has."""
    return stored_keys(connection)[0]


def stored_keys(connection: duckdb.DuckDBPyConnection) -> list[bytes]:
    """Return the key of an inventory, and after it those of inventories whose place it took."""
    rows = connection.execute("SELECT secret FROM pseudonym_key ORDER BY key_id").fetchall()
    return [bytes.fromhex(secret) for (secret,) in rows]


def add_keys(connection: duckdb.DuckDBPyConnection, keys: Iterable[bytes]) -> None:
    """Add the keys of an inventory whose place this one takes: its marks of erased customers were made with them."""
    known, made_at = stored_keys(connection), datetime.now(UTC).replace(tzinfo=None)
    for number, key in enumerate((key for key in keys if key not in known), len(known) + 1):
        connection.execute("INSERT INTO pseudonym_key VALUES (?, ?, ?)", [number, key.hex(), made_at])
