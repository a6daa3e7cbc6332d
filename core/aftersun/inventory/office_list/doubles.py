"""Finds customers who stand in a list twice under different numbers: same phone, mail, or name and street."""

from __future__ import annotations

import re
from dataclasses import dataclass

import pandas as pd

from aftersun.inventory.office_list.vocabulary import plain

PHONE, MAIL, NAME_AND_STREET = "phone", "mail", "name and street"
_LEAST_DIGITS, _TOLD_BY = 7, 9  # digits of a phone number; the last ones that tell it, whatever stands before
_MOST_ALIKE = 4  # customers with one phone or mail: more have it from an office or a housing firm (assumption)


@dataclass(frozen=True)
class Double:
    """One customer under several numbers, by these signs; ``rows`` are positions in the list."""

    ids: tuple[str, ...]
    signs: tuple[str, ...]
    rows: tuple[int, ...]


def find_doubles(ids: pd.Series, people: pd.DataFrame) -> list[Double]:
    """Return who stands there twice; ``people`` has name, street, phone and email by row, as far as they are known."""
    signs = {PHONE: _phones(people), MAIL: _flat(people, "email"), NAME_AND_STREET: _names(people)}
    leader: dict[str, str] = {}
    why: dict[str, set[str]] = {}

    def lead(one: str) -> str:
        while leader.get(one, one) != one:
            one = leader[one]
        return one

    for sign, keys in signs.items():
        given = pd.DataFrame({"id": ids, "key": keys}).replace("", pd.NA).dropna().drop_duplicates()
        for _, group in given[given.duplicated("key", keep=False)].groupby("key"):
            members = list(group["id"])
            if sign != NAME_AND_STREET and len(members) > _MOST_ALIKE:
                continue
            heads = sorted({lead(one) for one in members}, key=_shortest)
            for head in heads:
                leader[head] = heads[0]
            why.setdefault(heads[0], set()).add(sign)
            for head in heads[1:]:
                why[heads[0]] |= why.pop(head, set())
    groups: dict[str, list[str]] = {}
    for one in leader:
        groups.setdefault(lead(one), []).append(one)
    of_several = ids[ids.isin(set(leader))]
    rows = of_several.groupby(of_several).groups
    found = []
    for head, members in groups.items():
        each = tuple(sorted({head, *members}, key=_shortest))
        if len(each) > 1:
            where = sorted(int(row) for one in each for row in rows[one])
            found.append(Double(each, tuple(sorted(why.get(head, ()))), tuple(where)))
    return sorted(found, key=lambda double: double.rows)


def merging(doubles: list[Double]) -> dict[str, str]:
    """Return by number of a customer the one that stays, the shortest and then the first in the alphabet."""
    return {other: double.ids[0] for double in doubles for other in double.ids[1:]}


def _shortest(one: str) -> tuple[int, str]:
    return len(one), one


def _flat(people: pd.DataFrame, name: str) -> pd.Series:
    if name not in people:
        return pd.Series("", index=people.index)
    return people[name].fillna("").map(lambda text: plain(text).replace(" ", ""))


def _phones(people: pd.DataFrame) -> pd.Series:
    if "phone" not in people:
        return pd.Series("", index=people.index)
    digits = people["phone"].fillna("").map(lambda text: re.sub(r"\D", "", text))
    return digits.where(digits.str.len() >= _LEAST_DIGITS, "").str[-_TOLD_BY:]


def _names(people: pd.DataFrame) -> pd.Series:
    if "name" not in people or "street" not in people:
        return pd.Series("", index=people.index)
    name = people["name"].fillna("").map(lambda text: " ".join(sorted(plain(text).split())))
    street = _flat(people, "street")
    return (name + "|" + street).where((name != "") & (street != ""), "")
