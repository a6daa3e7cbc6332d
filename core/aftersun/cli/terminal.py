"""The one object that owns the terminal: results on stdout, everything else on stderr, plain when piped."""

from __future__ import annotations

import json
import shutil
import sys
import textwrap
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from itertools import zip_longest
from typing import TYPE_CHECKING, Any

import typer

from aftersun.model.errors import EXIT_LOSSES
from aftersun.model.shown import amount, cell, counted, in_words, money, money_range, plain, records

if TYPE_CHECKING:
    from aftersun.host.asking import Failure

__all__ = ["amount", "cell", "counted", "in_words", "money", "money_range", "records", "terminal"]

PIPED_WIDTH = 100  # characters, where there is no terminal to follow
_NARROWEST, _LONGEST_LINE = 40, 120  # of a table's room; of a text that is read
_LEAST_COLUMN = 8  # characters that are left of a column that gives room to others


class Terminal:
    """Prints results, messages and progress. Colour is never used to carry a meaning."""

    def result(self, *lines: str) -> None:
        """Print lines of the result to stdout."""
        sys.stdout.writelines(f"{line}\n" for line in lines)

    @property
    def width(self) -> int:
        """Characters in a line of the terminal."""
        return max(shutil.get_terminal_size((PIPED_WIDTH, 24)).columns, _NARROWEST)

    def paragraph(self, text: str, indent: int = 0, hang: int = 0) -> None:
        """Print a text wrapped to the page, each line indented, lines after the first by ``hang`` more."""
        pad = " " * indent
        self.result(
            textwrap.fill(
                text,
                min(self.width, _LONGEST_LINE),
                initial_indent=pad,
                subsequent_indent=pad + " " * hang,
                break_long_words=False,
                break_on_hyphens=False,
            )
        )

    def say(self, key: str, indent: int = 0, hang: int = 0, **figures: Any) -> None:
        """Print a sentence of the texts of this program as a paragraph, with its figures filled in."""
        from aftersun.wording import say

        self.paragraph(say(key, **figures), indent, hang)

    def heading(self, text: str) -> None:
        """Print a heading with an empty line before it."""
        self.result("", text, "-" * min(len(text), self.width))

    def table(
        self,
        header: Sequence[str],
        rows: Sequence[Sequence[Any]],
        align: str = "",
        indent: int = 0,
        *,
        cut: bool = False,
    ) -> None:
        """Print columns as wide as they need to be; ``align`` has one of ``<`` and ``>`` a column.

        No line is longer than the terminal's: the widest columns of texts give room, and what is longer then goes on
        below in its own column; with ``cut`` it ends with three dots, and a row stays one line. Where even that is too
        wide, each row is a text.
        """
        lines = [list(header), *([cell(value) for value in row] for row in rows)]
        align = align or "<" * len(header)
        columns = list(zip(*lines, strict=True))
        least = [_LEAST_COLUMN if cut else _longest_word(column) for column in columns]
        widths = _fitted([max(map(len, column)) for column in columns], least, align, self.width - indent)
        if indent + sum(widths) + 2 * (len(widths) - 1) > self.width:
            for line in lines[1:]:
                named = (f"{name} {text}".lstrip() for name, text in zip(header, line, strict=True) if text)
                self.paragraph("; ".join(named), indent, 4)
            return
        lines.insert(1, ["-" * width for width in widths])
        for line in lines:
            cells = [_in_column(text, width, cut) for text, width in zip(line, widths, strict=True)]
            for row in zip_longest(*cells, fillvalue=""):
                texts = (f"{text:{side}{width}}" for text, side, width in zip(row, align, widths, strict=True))
                self.result((" " * indent + "  ".join(texts)).rstrip())

    def json(self, value: Any) -> None:
        """Print a value as JSON to stdout: tables as lists of rows, records as objects, what is unknown as null."""
        json.dump(plain(value), sys.stdout, indent=2, ensure_ascii=False, allow_nan=False, default=str)
        sys.stdout.write("\n")

    def answer(self, as_json: bool, data: Any, *lines: str) -> None:
        """Print the answer of a command: its data as JSON, or lines for people."""
        if as_json:
            self.json(data)
        else:
            self.result(*lines)

    def message(self, *lines: str) -> None:
        """Print messages to stderr."""
        sys.stderr.writelines(f"{line}\n" for line in lines)

    def name_failed(self, failures: Sequence[Failure]) -> None:
        """Name on stderr the plugins that failed, during what and why."""
        self.message(*(f"plugin {one.plugin} failed during {one.during}: {one.reason}" for one in failures))

    def end_with(self, failures: Sequence[Failure], others: str = "") -> None:
        """Name on stderr the plugins that failed, if any, and what of the others; end with losses then."""
        if failures:
            self.name_failed(failures)
            self.message(*filter(None, [others]))
            raise typer.Exit(EXIT_LOSSES)

    @contextmanager
    def progress(self, what: str) -> Iterator[Callable[[int, int], None]]:
        """Show progress on stderr while the block runs; nothing when stderr is not a terminal."""
        if not sys.stderr.isatty():
            yield lambda _done, _total: None
            return
        from rich.console import Console
        from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

        columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
        with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
            task = bar.add_task(what, total=None)
            yield lambda done, total: bar.update(task, completed=done, total=total)


def _fitted(widths: list[int], least: Sequence[int], align: str, room: int) -> list[int]:
    """Return the widths of columns that two spaces part, the widest of texts made narrower until all fit."""
    widths = list(widths)
    while sum(widths) + 2 * (len(widths) - 1) > room:
        texts = [column for column, side in enumerate(align) if side == "<" and widths[column] > least[column]]
        if not texts:
            break
        widths[max(texts, key=lambda column: widths[column])] -= 1
    return widths


def _longest_word(column: Sequence[str]) -> int:
    return max(len(word) for text in column for word in text.split() or [""])


def _in_column(text: str, width: int, cut: bool) -> list[str]:
    """Return a cell as lines of its column."""
    if len(text) <= width:
        return [text]
    if cut:
        return [f"{text[: width - 1].rstrip()}…"]
    return textwrap.wrap(text, width, break_long_words=False, break_on_hyphens=False)


terminal = Terminal()
