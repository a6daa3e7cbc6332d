"""Good tables of each kind, and what can happen to them on the way here. All people and places are invented.

A damage is a name and three numbers, so that it shrinks well; what it does to a table follows from them alone.
"""

from __future__ import annotations

import csv
import io
import random
import zipfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time
from functools import cache
from itertools import zip_longest
from pathlib import Path
from typing import Any

import openpyxl
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
from hypothesis import strategies as st
from openpyxl.cell.cell import ILLEGAL_CHARACTERS_RE

from aftersun.inventory.log import call_log
from aftersun.inventory.store.dictionary import BOOLEAN, CHOICE, DATE, INTEGER, MOMENT, NUMBER, Column, columns, tables

MARKER = "Zqxmarker"
"""Stands in every personal cell: a message that holds it has leaked customers' data."""

ROWS = 6
CALLS = "call_log"
_OF_A_CALL = ("site_id", "called_on", "outcome", "retrofit", "remark")
ENCODINGS = ("utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-32", "cp1252", "mixed")
SEPARATORS = (",", ";", "\t", "|")
LINE_ENDS = ("\n", "\r\n", "\r")

Grid = list[list[str]]
Damage = tuple[str, int, int, int]

NASTY = (
    *("", " ", "\n", "\r", "\r\n", '"', '""', "'", ",", ";", "\t", "|", "\\", "\0", "a\0b", "\x1a", "\x1b[31m", "\x85"),
    *("31.12.2024", "12/31/2024", "31/12/24", "2024-02-30", "2024-1-1", "1899-12-31", "9999-12-31"),
    *("2024-01-01 24:00", "2024-01-01T00:00:00Z", "2024-03-31 02:30", "45292", "2024-01-01 00:00:00.000001"),
    *("4,2", "1.234,5", "1,234.5", "1e400", "-1e400", "1e-400", "1e5", "nan", "inf", "-inf", "-0", "+1", ".5"),
    *("5.", "0x10", "9007199254740993", "9" * 400, "1" * 5000, "1_000", "\uff11\uff12", "\u0661"),
    *("5 kW", "5%", "1e", "--1", "1.5.2"),
    *("yes", "NO", "TRUE", "1", "0", "unknown", "NULL", "None", "NaN", "#DIV/0!", "#REF!", "n/a"),
    *("=1+1", "=HYPERLINK(1)", "@SUM(1)", "+1+1", "-1+1", "{=1}", "'; DROP TABLE site; --", "../../x", "%s%n", "{0}"),
    *("\ufeff", "\u202e", "\u200b", "\u00a0", "\u00e9", "e\u0301", "\u0130", "\u00df", "\U0001d518", "\ufffd"),
    *("x" * 300, "x" * 12_000, "x" * 140_000, "\U0001f600" * 9_000, "\n" * 200, '"' * 99, "," * 2_500),
)


def _good(column: Column, row: int) -> str:
    """A value that fits."""
    if column.personal:
        return f"{MARKER} {row}"
    if column.type == CHOICE:
        return column.choices[row % len(column.choices)]
    if column.type == BOOLEAN:
        return ("yes", "no")[row % 2]
    if column.type == DATE:
        return f"2019-0{row % 9 + 1}-15"
    if column.type == MOMENT:
        return f"2024-01-0{row % 8 + 1} 00:00"
    if column.type in (NUMBER, INTEGER):
        low = column.minimum or 0.0
        high = 100.0 if column.maximum is None else min(column.maximum, 2100.0)
        end = column.name.startswith("until_")  # of what begins in the column before
        value = low + (high - low) * (row + 1 + end) / (ROWS + 2)
        return f"{value:.0f}" if column.type == INTEGER else f"{value:.3f}"
    return f"{column.name.removesuffix('_id')} {row}"


@cache
def _table(table: str) -> tuple[tuple[str, ...], ...]:
    named = columns(table) if table != CALLS else tuple(call_log.COLUMNS[name] for name in _OF_A_CALL)
    if table == "reading":  # either an energy or a counter
        named = tuple(column for column in named if column.name != "register_kwh")
    rows = [[_good(column, row) for column in named] for row in range(ROWS)]
    if table == "reading":
        for row, cells in enumerate(rows):
            cells[[column.name for column in named].index("ends_at")] = f"2024-01-0{row + 2} 00:00"
    if table == CALLS:
        rows = [[*cells[:2], "unreached", *cells[3:]] for cells in rows]
    return tuple(map(tuple, [[column.name for column in named], *rows]))


def good_table(table: str) -> Grid:
    """Header and rows of a table that loads as it is, once those it refers to are loaded."""
    return [list(cells) for cells in _table(table)]


# ---- what happens to rows and cells


def _at(grid: Grid, number: int) -> list[str]:
    return grid[number % len(grid)] if grid else []


def _body(grid: Grid, number: int) -> list[str]:
    return grid[1 + number % (len(grid) - 1)] if len(grid) > 1 else []


def _set(cells: list[str], place: int, text: str) -> None:
    if cells:
        cells[place % len(cells)] = text


def _cell(grid: Grid, a: int, b: int, c: int) -> None:
    _set(_body(grid, a), b, NASTY[c % len(NASTY)])


def _column_cells(grid: Grid, a: int, b: int, c: int) -> None:
    for cells in grid[1:]:
        _set(cells, b, NASTY[c % len(NASTY)])


def _name(grid: Grid, a: int, b: int, c: int) -> None:
    names = (*NASTY, *(column.name for table in tables() for column in columns(table)))
    _set(grid[0] if grid else [], b, names[c % len(names)])


def _upper(grid: Grid, a: int, b: int, c: int) -> None:
    if grid:
        grid[0] = [f" {name.upper()} " for name in grid[0]]


def _short(grid: Grid, a: int, b: int, c: int) -> None:
    cells = _at(grid, a)
    del cells[b % (len(cells) + 1) :]


def _long(grid: Grid, a: int, b: int, c: int) -> None:
    _at(grid, a).extend([NASTY[c % len(NASTY)]] * (b % 5 + 1))


def _wide(grid: Grid, a: int, b: int, c: int) -> None:
    for cells in grid:
        cells.extend(["x"] * (60 if b % 4 else 3_000))


def _drop_column(grid: Grid, a: int, b: int, c: int) -> None:
    for cells in grid:
        if cells:
            del cells[b % len(cells)]


def _double_column(grid: Grid, a: int, b: int, c: int) -> None:
    for cells in grid:
        if cells:
            cells.insert(c % len(cells), cells[b % len(cells)])


def _mix_columns(grid: Grid, a: int, b: int, c: int) -> None:
    width = max(map(len, grid), default=0)
    order = random.Random(a).sample(range(width), width)
    grid[:] = [[cells[place] for place in order if place < len(cells)] for cells in grid]


def _mix_rows(grid: Grid, a: int, b: int, c: int) -> None:
    random.Random(a).shuffle(grid)


def _mix_body(grid: Grid, a: int, b: int, c: int) -> None:
    body = grid[1:]
    random.Random(a).shuffle(body)
    grid[1:] = body


def _double_row(grid: Grid, a: int, b: int, c: int) -> None:
    grid.insert(b % (len(grid) + 1), list(_at(grid, a)))


def _drop_row(grid: Grid, a: int, b: int, c: int) -> None:
    if grid:
        del grid[a % len(grid)]


def _blank_row(grid: Grid, a: int, b: int, c: int) -> None:
    grid.insert(a % (len(grid) + 1), [" "] * (b % 4))


def _turn(grid: Grid, a: int, b: int, c: int) -> None:
    grid[:] = [list(cells) for cells in zip_longest(*grid, fillvalue="")]


def _day_first(grid: Grid, a: int, b: int, c: int) -> None:
    style = ("%d.%m.%Y", "%d/%m/%Y", "%m/%d/%Y")[a % 3]
    for cells in grid[1:]:
        for place, text in enumerate(cells):
            if len(text) == 10 and text[:2] == "20" and text[4] == text[7] == "-" and text[5:7].isdecimal():
                cells[place] = f"{pd.Timestamp(text):{style}}"


def _decimal_comma(grid: Grid, a: int, b: int, c: int) -> None:
    for cells in grid[1:]:
        cells[:] = [text.replace(".", ",") if text.replace(".", "").isdecimal() else text for text in cells]


GRID_DAMAGES: dict[str, Callable[[Grid, int, int, int], None]] = {
    "cell": _cell,
    "cell again": _cell,
    "cells of a column": _column_cells,
    "name": _name,
    "upper case names": _upper,
    "short row": _short,
    "long row": _long,
    "wide": _wide,
    "drop a column": _drop_column,
    "double a column": _double_column,
    "mix the columns": _mix_columns,
    "mix all rows": _mix_rows,
    "mix the rows": _mix_body,
    "double a row": _double_row,
    "drop a row": _drop_row,
    "blank row": _blank_row,
    "turn": _turn,
    "day first": _day_first,
    "decimal commas": _decimal_comma,
}


# ---- what happens to bytes


def _flip(data: bytes, a: int, b: int, c: int) -> bytes:
    if not data:
        return data
    place = a % len(data)
    return data[:place] + bytes([data[place] ^ (1 << b % 8)]) + data[place + 1 :]


def _byte(data: bytes, a: int, b: int, c: int) -> bytes:
    place = a % (len(data) + 1)
    return data[:place] + bytes([b % 256]) * (c % 3 + 1) + data[place:]


def _cut(data: bytes, a: int, b: int, c: int) -> bytes:
    return data[: a % (len(data) + 1)]


def _behead(data: bytes, a: int, b: int, c: int) -> bytes:
    return data[a % (len(data) + 1) :]


def _hole(data: bytes, a: int, b: int, c: int) -> bytes:
    place = a % (len(data) + 1)
    return data[:place] + data[place + b % 200 :]


def _zeros(data: bytes, a: int, b: int, c: int) -> bytes:
    place, size = a % (len(data) + 1), b % 600
    return data[:place] + bytes(size) + data[place + size :]


def _echo(data: bytes, a: int, b: int, c: int) -> bytes:
    place = a % (len(data) + 1)
    return data[:place] + data[place - b % 300 if place > 300 else 0 : place] + data[place:]


def _quote(data: bytes, a: int, b: int, c: int) -> bytes:
    place = a % (len(data) + 1)
    return data[:place] + b'"' + data[place:]


def _lost_line_break(data: bytes, a: int, b: int, c: int) -> bytes:
    lines = data.split(b"\n")
    if len(lines) < 2:
        return data
    place = a % (len(lines) - 1)
    joint = (b"", b",", b";")[b % 3]
    return b"\n".join([*lines[:place], lines[place].rstrip(b"\r") + joint + lines[place + 1], *lines[place + 2 :]])


def _noise(data: bytes, a: int, b: int, c: int) -> bytes:
    place = a % (len(data) + 1)
    return data[:place] + random.Random(b).randbytes(c % 64) + data[place:]


BYTE_DAMAGES: dict[str, Callable[[bytes, int, int, int], bytes]] = {
    "flip": _flip,
    "byte": _byte,
    "cut": _cut,
    "behead": _behead,
    "hole": _hole,
    "zeros": _zeros,
    "echo": _echo,
    "quote": _quote,
    "lost line break": _lost_line_break,
    "noise": _noise,
}

TOML = (
    *("1e308", "-1e308", "nan", "-inf", "-1", "0", "9" * 5_000, "0x7fffffffffffffffff", "1_0", "true", "1979-05-27"),
    *('"x"', '""', "''", '"\\u0000"', '"\\ud800"', '"=1+1"', '"../../x"', "[]", "[[]]", "{}", "{a = {}}"),
    *("[" * 3_000, "{a=" * 3_000, '"' * 3, "x" * 20_000, '["' + "x" * 9_000 + '"]', "", "]", "\0", "\u202e"),
)


def damaged_toml(text: str, done: list[tuple[int, int, int]]) -> str:
    """A company file with other values, and lines that are doubled, lost or in another place."""
    lines = text.splitlines(keepends=True)
    for a, b, c in done:
        place = a % len(lines)
        name = lines[place].partition("=")[0].strip()
        changed = (f"{name} = {TOML[c % len(TOML)]}\n", lines[place] * 2, "", lines[c % len(lines)], name)
        lines[place] = changed[0 if b % 3 else b // 3 % len(changed)]
    return "".join(lines)


_NUMBERS = st.integers(0, 2**20)


def company_files(text: str) -> st.SearchStrategy[bytes]:
    """Damaged company files."""
    changed = st.lists(st.tuples(_NUMBERS, _NUMBERS, _NUMBERS), min_size=1, max_size=3)
    some = st.one_of(st.just([]), damages(BYTE_DAMAGES, 1, 2))
    return st.builds(lambda lines, bytes_: damaged_bytes(damaged_toml(text, lines).encode(), bytes_), changed, some)


def damages(names: dict[str, Any], least: int, most: int) -> st.SearchStrategy[list[Damage]]:
    """So many damages of these names."""
    one = st.tuples(st.sampled_from(sorted(names)), _NUMBERS, _NUMBERS, _NUMBERS)
    return st.lists(one, min_size=least, max_size=most)


def damaged_bytes(data: bytes, done: list[Damage]) -> bytes:
    """Bytes after all that was done to them."""
    for name, a, b, c in done:
        data = BYTE_DAMAGES[name](data, a, b, c)
    return data


@dataclass(frozen=True)
class Case:
    """A good table of this kind and what was done to it: its cells, how it was written, its bytes."""

    table: str
    cells: list[Damage]
    style: tuple[int, int, int, int]
    bytes_: list[Damage]

    @property
    def grid(self) -> Grid:
        """The table after what was done to its cells."""
        grid = good_table(self.table)
        for name, a, b, c in self.cells:
            GRID_DAMAGES[name](grid, a, b, c)
        return grid


def cases(most_cells: int = 3, most_bytes: int = 2, of: Sequence[str] = tables()) -> st.SearchStrategy[Case]:
    """Damaged tables."""
    number = st.integers(0, 2**16)
    return st.builds(
        Case,
        st.sampled_from(of),
        damages(GRID_DAMAGES, 1, most_cells),
        st.tuples(number, number, number, number),
        st.one_of(st.just([]), damages(BYTE_DAMAGES, 1, most_bytes)),
    )


def rows_of(grid: Grid) -> int:
    """Rows that say anything, without the header."""
    return max(sum(any(cell.strip() for cell in cells) for cells in grid) - 1, 0)


# ---- how a table is written


def write_csv(case: Case, path: Path) -> int | None:
    """Write a case as CSV and return how many rows it has, None where that is open to opinion."""
    separator_, encoding_, ends_, quoting_ = case.style
    grid = case.grid
    separator = SEPARATORS[separator_ % 12] if separator_ % 12 < len(SEPARATORS) else ","
    encoding = ENCODINGS[encoding_ % 20] if encoding_ % 20 < len(ENCODINGS) else "utf-8"
    quoting = (csv.QUOTE_MINIMAL, csv.QUOTE_MINIMAL, csv.QUOTE_ALL, None)[quoting_ % 4]
    text = io.StringIO(newline="")
    end = LINE_ENDS[ends_ % len(LINE_ENDS)]
    if quoting is None:
        text.write("".join(separator.join(cells) + end for cells in grid))
    else:
        csv.writer(text, delimiter=separator, quoting=quoting, lineterminator=end).writerows(grid)
    if encoding == "mixed":
        lines = text.getvalue().encode().split(b"\n")
        turn = ends_ % len(lines)
        lines[turn] = lines[turn].decode(errors="replace").encode("cp1252", errors="replace") + "é".encode("cp1252")
        data = b"\n".join(lines)
    else:
        data = text.getvalue().encode(encoding, errors="replace")
    path.write_bytes(damaged_bytes(data, case.bytes_))
    header = next((cells for cells in grid if any(cell.strip() for cell in cells)), [])
    plain = not any(mark in cell for cell in header for mark in ('"', *SEPARATORS, "\ufeff", "\n", "\r"))
    sure = plain and quoting is not None and encoding.startswith("utf-8") and separator != "|" and not case.bytes_
    return rows_of(grid) if sure and len(header) > 1 else None


def _typed(text: str, turn: int) -> object:
    """A cell as a spreadsheet program may hold it."""
    text = ILLEGAL_CHARACTERS_RE.sub("", text)[:32_767]
    kinds: list[Callable[[], object]] = [
        lambda: text,
        lambda: float(text),
        lambda: int(text),
        lambda: datetime.fromisoformat(text),
        lambda: date.fromisoformat(text),
        lambda: {"yes": True, "no": False}[text],
        lambda: time(turn % 24, turn % 60),
        lambda: f"=A{turn % 9 + 1}",
        lambda: -float(text) * 10 ** (turn % 40),
    ]
    try:
        return kinds[turn % len(kinds)]() if turn % 5 == 0 else text
    except (ValueError, KeyError, OverflowError):
        return text


def _damage_workbook(path: Path, done: list[Damage], turn: int) -> None:
    """Damage the archive or, two times in three, one of the parts within it."""
    if turn % 3 == 0:
        path.write_bytes(damaged_bytes(path.read_bytes(), done))
        return
    with zipfile.ZipFile(path) as archive:
        parts = {name: archive.read(name) for name in archive.namelist()}
    sheets = [name for name in parts if "worksheets" in name or "workbook" in name]
    chosen = (sheets if turn % 2 else sorted(parts))[turn % len(sheets if turn % 2 else parts)]
    parts[chosen] = damaged_bytes(parts[chosen], done)
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in parts.items():
            archive.writestr(name, content)


def write_xlsx(case: Case, path: Path) -> int | None:
    """Write a case as a workbook and return how many rows it has, None where that is open to opinion."""
    merged, sheets, typed, at = case.style
    book = openpyxl.Workbook()
    sheet = book.active
    sheet.title = case.table if sheets % 3 else "Tabelle1"
    for number in range(sheets % 4 // 2):
        book.create_sheet(f"notes {number}", 0).append([MARKER])
    for row, cells in enumerate(case.grid):
        for place, text in enumerate(cells[:3_000]):
            value = _typed(text, typed + 7 * row + place if typed % 2 else 1)
            if isinstance(value, float) and not abs(value) < 1e300:
                value = text
            cell = sheet.cell(row + 1 + (at % 3 if at % 5 == 0 else 0), place + 1)
            cell.value = value
    if merged % 3 == 0:
        sheet.merge_cells(start_row=2, end_row=2 + merged % 4, start_column=1, end_column=1 + merged % 5)
    book.save(path)
    if case.bytes_:
        _damage_workbook(path, case.bytes_, at)
    plain = merged % 3 and not typed % 2 and not case.bytes_
    grid = [[ILLEGAL_CHARACTERS_RE.sub("", cell) for cell in cells] for cells in case.grid]
    formulas = any(cell.startswith("=") for cells in grid for cell in cells)  # they have no value yet
    return rows_of(grid) if plain and not formulas else None


def _arrow(cells: list[str | None], turn: int) -> pa.Array:
    """A column of a Parquet file in one type or another."""
    size = len(cells)
    texts = pd.Series(cells, dtype=object)
    numbers = pd.to_numeric(texts, errors="coerce").to_numpy(dtype=float)
    coded = [None if cell is None else cell.encode("utf-8", "replace") for cell in cells]
    kinds: list[Callable[[], pa.Array]] = [
        lambda: pa.array(cells, pa.large_string()),
        lambda: pa.array(numbers),
        lambda: pa.array(numbers.astype("float32")),
        lambda: pa.array(pd.to_datetime(texts, errors="coerce", format="ISO8601", utc=turn % 2 > 0)),
        lambda: pa.array(cells).dictionary_encode(),
        lambda: pa.array(coded, pa.binary()),
        lambda: pa.array([None if cell is None else cell + b"\xff" for cell in coded], pa.binary()).view(pa.string()),
        lambda: pa.array([[cell] for cell in cells]),
        lambda: pa.array([{"x": cell} for cell in cells]),
        lambda: pa.nulls(size),
        lambda: pa.array([None if cell is None else cell == "yes" for cell in cells]),
        lambda: pa.array([turn * row for row in range(size)], pa.time64("us")),
        lambda: pa.array([turn * row for row in range(size)], pa.duration("ns")),
        lambda: pa.array([turn * row for row in range(size)], pa.date32()),
        lambda: pa.array([turn * 10**9 * row for row in range(size)], pa.timestamp("s")),
        lambda: pa.array(range(size), pa.decimal128(20, 3)),
        lambda: pa.array(range(size), pa.uint64()),
    ]
    return kinds[turn % len(kinds)]()


def write_parquet(case: Case, path: Path) -> int | None:
    """Write a case as Parquet and return how many rows it has, None where that is open to opinion."""
    first, second, turn, pressed = case.style
    grid = case.grid or [[]]
    width = len(grid[0])
    body: list[list[str | None]] = [[*cells[:width], *[None] * (width - len(cells))] for cells in grid[1:]]
    arrays = [pa.array([cells[place] for cells in body], pa.string()) for place in range(width)]
    for number, place in enumerate((first, second)[: turn % 3]):
        if width:
            place %= width
            arrays[place] = _arrow([cells[place] for cells in body], turn // 3 + 5 * number)
    table = pa.Table.from_arrays(arrays, names=grid[0])
    pq.write_table(table, path, compression=("snappy", "none", "zstd")[pressed % 3])
    if case.bytes_:
        path.write_bytes(damaged_bytes(path.read_bytes(), case.bytes_))
    if case.bytes_ or turn % 3:
        return None
    return sum(any(cell is not None for cell in cells) for cells in body)


WRITERS: dict[str, Callable[[Case, Path], int | None]] = {
    "csv": write_csv,
    "xlsx": write_xlsx,
    "parquet": write_parquet,
}
