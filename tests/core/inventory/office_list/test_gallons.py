"""Volumes of a list that may be gallons are asked for, never taken as litres. All people are invented."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pandas as pd
import pytest

from aftersun.inventory.office_list.load_list import Understood, read_as, understand
from aftersun.inventory.office_list.reading import Decisions
from aftersun.inventory.office_list.vocabulary import Target

Write = Callable[[str, str], Path]
US, IMPERIAL = 3.785411784, 4.54609  # litres: 231 cubic inches of 2.54 cm; Weights and Measures Act 1985


def _tank(understood: Understood) -> list[float | str]:
    column = understood.columns[Target("site", "water_store_litres")]
    return [
        str(cause) if pd.isna(text) else round(float(text), 6)
        for text, cause in zip(column.text, column.cause, strict=True)
    ]


def _list(write: Write, heading: str, *cells: str, date: str = "2/3/2024") -> Path:
    rows = "".join(f"{n},Household {n},{date},4,{cell}\n" for n, cell in enumerate(cells))
    return write("list.csv", f"Customer No,Name,Installed,kWp,{heading}\n{rows}")


@pytest.mark.parametrize(
    ("heading", "cells", "date", "found"),
    [
        ("Tank (gal)", ("50", "80"), "2024", ["gallons", "gallons"]),
        ("Tank gallons", ("50", "200 l"), "2024", ["gallons", 200]),
        ("Tank (US gal)", ("50", "80"), "2024", [50 * US, 80 * US]),
        ("Tank (imp gal)", ("50", ""), "2024", [50 * IMPERIAL, "<NA>"]),
        ("Tank", ("50 gal", "80"), "2024", ["gallons", "litres_or_gallons"]),
        ("Tank", ("50", "80"), "3/25/2024", ["litres_or_gallons", "litres_or_gallons"]),  # only the US write days so
        ("Tank", ("50", "80 l"), "3/25/2024", [50, 80]),
        ("Tank (l)", ("50", "80"), "3/25/2024", [50, 80]),
        ("Tank", ("150", "200"), "25/3/2024", [150, 200]),
    ],
)
def test_gallons_and_litres_are_told_or_left_open(
    heading: str, cells: tuple[str, ...], date: str, found: list[float | str], write: Write
) -> None:
    understood = understand(_list(write, heading, *cells, date=date))
    assert _tank(understood) == [round(each, 6) if isinstance(each, float) else each for each in found]
    left_open = {"gallons", "litres_or_gallons"} & set(found)
    assert ("volumes" in understood.questions) == bool(left_open)


@pytest.mark.parametrize(
    ("volumes", "found"),
    [
        ("us gallons", [50 * US, 80 * US]),
        ("imperial gallons", [50 * IMPERIAL, 80 * IMPERIAL]),
        ("litres", ["gallons", 80]),
    ],
)
def test_an_answer_settles_them(volumes: str, found: list[float | str], write: Write) -> None:
    asked = understand(_list(write, "Tank", "50 gal", "80"))
    answered = read_as(asked.path, asked.grid, asked.proposals, Decisions(volumes=volumes))
    assert _tank(answered) == [round(each, 6) if isinstance(each, float) else each for each in found]


def test_hot_water_a_day_is_asked_likewise(write: Write) -> None:
    understood = understand(_list(write, "Hot water per day", "40 gal", "30 US gal", "120 l/day"))
    column = understood.columns[Target("site", "hot_water_litres_per_day")]
    assert column.cause[0] == "gallons"
    assert float(column.text[1]) == pytest.approx(30 * US)
    assert column.text[2] == "120"
