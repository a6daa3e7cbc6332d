"""Finds a site by what people call it: its number, the customer's number, a name, a street or a town."""

from __future__ import annotations

import re

import pandas as pd

from aftersun.inventory.places import folded
from aftersun.inventory.store.file import Inventory

FOUND = ("site_id", "customer_id", "name", "street", "town")
"""What tells one site that was found from another; personal but for the numbers, and never for a log."""


def sites_called(inventory: Inventory, text: str) -> pd.DataFrame:
    """Return the sites that a text fits, with the columns ``FOUND``, sorted by number; none if it fits none.

    A number of a site or a customer goes before a name; of names and addresses every word of the text has to be in one,
    whatever its capitals and accents.
    """
    rows = inventory.connection.execute(
        "SELECT site_id, customer_id, name, street, town "
        "FROM site LEFT JOIN contact USING (customer_id) ORDER BY site_id"
    ).df()
    rows = rows.astype("string")
    for number in ("site_id", "customer_id"):
        for same in (rows[number] == text, rows[number].str.casefold() == text.strip().casefold()):
            if same.any():
                return rows[same].reset_index(drop=True)
    wanted = folded(text).split()
    if not wanted:
        return rows.head(0)
    called = rows[["name", "street", "town"]].fillna("").agg(" ".join, axis=1).map(folded)
    words = called.str.split().map(set)
    fits = words.map(lambda there: all(word in there for word in wanted))
    if not fits.any():  # as far as it was typed
        fits = called.map(lambda there: all(f" {word}" in f" {there}" for word in wanted))
    return rows[fits].reset_index(drop=True)


class Directory:
    """Who is where, kept as it is compared, to be looked up while somebody types; as of the moment that it was made."""

    def __init__(self, inventory: Inventory) -> None:
        """Read everybody."""
        self.rows = inventory.connection.execute(
            "SELECT site_id, customer_id, name, street, town, phone "
            "FROM site LEFT JOIN contact USING (customer_id) ORDER BY site_id"
        ).df()
        texts = self.rows[["site_id", "customer_id", "name", "street", "town"]].fillna("").itertuples(index=False)
        self._words = [f" {folded(' '.join(text))}" for text in texts]
        self._digits = [re.sub(r"\D", "", text) for text in self.rows["phone"].fillna("")]

    def find(self, text: str, most: int) -> tuple[pd.DataFrame, int]:
        """Return the first sites that a text fits, and how many it fits.

        Every word of it begins a word of number, name, street or town; or its digits, three or more and nothing else
        than what phone numbers are written with, are in the phone number.
        """
        wanted = [f" {word}" for word in folded(text).split()]
        digits = re.sub(r"\D", "", text).lstrip("0") if re.fullmatch(r"[\d\s()+/.-]{3,}", text.strip()) else ""
        places = [
            place
            for place, (words, phone) in enumerate(zip(self._words, self._digits, strict=True))
            if (wanted and all(word in words for word in wanted)) or (len(digits) >= 3 and digits in phone)
        ]
        return self.rows.iloc[places[:most]].reset_index(drop=True), len(places)
