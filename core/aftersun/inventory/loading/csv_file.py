"""Reads CSV files with their true lines; the separator is told from the header."""

from __future__ import annotations

import codecs
import csv
from collections.abc import Iterator
from pathlib import Path
from typing import TextIO

from aftersun.inventory.loading.bounds import LARGEST_FILE, LONGEST_LINE, MOST_ROWS, Progress, RowsRead, too_much
from aftersun.inventory.loading.raw_table import RawTable, raw_table
from aftersun.inventory.store.refusals import refusal

DELIMITERS = (",", ";", "\t")
_CHUNK = 1 << 20


def read_csv(path: Path, progress: Progress | None) -> RawTable:
    """Read a CSV file."""
    total = _checked_lines(path)
    delimiter = max(DELIMITERS, key=lambda candidate: _names(path, candidate))  # told from the header alone
    rows = RowsRead(path.name, progress, total)
    begins = 1
    with _text(path) as handle:
        # skipinitialspace: a blank after the separator does not hide a quotation mark
        reader = csv.reader(lines_of(handle, path), delimiter=delimiter, skipinitialspace=True, strict=True)
        try:
            for row in reader:
                rows.add(begins, row)
                begins = reader.line_num + 1  # line_num is where a record ends; quoted cells may hold line breaks
        except csv.Error as error:
            raise refusal("unsplit_record", path=path, begins=begins) from error
    return raw_table(path, rows, decimal_comma=delimiter == ";")


def _checked_lines(path: Path) -> int:
    """Return how many lines a file of text has, after a look at all of it in small pieces."""
    decoder = codecs.getincrementaldecoder("utf-8")()
    feeds = returns = size = 0
    with path.open("rb") as handle:
        try:
            while chunk := handle.read(_CHUNK):
                decoder.decode(chunk)
                feeds += chunk.count(b"\n")
                returns += chunk.count(b"\r")
                size += len(chunk)
                if size > LARGEST_FILE:
                    raise too_much(path.name, f"more than {LARGEST_FILE:,} bytes")
                if max(feeds, returns) > MOST_ROWS:
                    raise too_much(path.name, f"more than {MOST_ROWS:,} lines")
            decoder.decode(b"", final=True)
        except UnicodeDecodeError as error:
            line = feeds + error.object.count(b"\n", 0, error.start) + 1
            raise refusal("no_utf_8", path=path, line=line) from error
    return feeds + 1


def _text(path: Path) -> TextIO:
    return path.open(encoding="utf-8-sig", newline="")


def lines_of(handle: TextIO, path: Path) -> Iterator[str]:
    """Yield the lines of a file; one that does not end is not read to its end."""
    number = 0
    while line := handle.readline(LONGEST_LINE + 1):
        number += 1
        if len(line) > LONGEST_LINE:
            raise too_much(path.name, f"line {number} has more than {LONGEST_LINE:,} characters")
        yield line


def _names(path: Path, delimiter: str) -> int:
    """Return into how many names a separator splits the header, the first line that says anything."""
    blank = "".join(DELIMITERS) + " "
    with _text(path) as handle:
        records = csv.reader(lines_of(handle, path), delimiter=delimiter, skipinitialspace=True)
        try:
            return len(next((record for record in records if any(cell.strip(blank) for cell in record)), []))
        except csv.Error:
            return 0
