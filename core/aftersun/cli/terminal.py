"""The one object that owns the terminal: results on stdout, everything else on stderr, plain when piped."""

from __future__ import annotations

import json
import sys
import textwrap
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import Any

WIDTH = 80


class Terminal:
    """Prints results, messages and progress. Colour is never used to carry a meaning."""

    def result(self, text: str = "") -> None:
        """Print a line of the result to stdout."""
        sys.stdout.write(text + "\n")

    def paragraph(self, text: str, indent: int = 0, hang: int = 0) -> None:
        """Print a text wrapped to the page, each line indented, lines after the first by ``hang`` more."""
        pad = " " * indent
        self.result(
            textwrap.fill(
                text,
                WIDTH,
                initial_indent=pad,
                subsequent_indent=pad + " " * hang,
                break_long_words=False,
                break_on_hyphens=False,
            )
        )

    def heading(self, text: str) -> None:
        """Print a heading with an empty line before it."""
        self.result()
        self.result(text)
        self.result("-" * min(len(text), WIDTH))

    def table(self, header: Sequence[str], rows: Sequence[Sequence[str]], align: str = "", indent: int = 0) -> None:
        """Print columns as wide as they need to be; ``align`` has one of ``<`` and ``>`` a column."""
        align = align or "<" * len(header)
        widths = [max(len(str(row[k])) for row in [header, *rows]) for k in range(len(header))]
        for row in [header, ["-" * width for width in widths], *rows]:
            cells = (f"{cell!s:{side}{width}}" for cell, side, width in zip(row, align, widths, strict=True))
            self.result((" " * indent + "  ".join(cells)).rstrip())

    def json(self, value: Any) -> None:
        """Print a value as JSON to stdout."""
        json.dump(value, sys.stdout, indent=2, ensure_ascii=False, allow_nan=False, default=str)
        sys.stdout.write("\n")

    def message(self, text: str) -> None:
        """Print a message to stderr."""
        sys.stderr.write(text + "\n")

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


terminal = Terminal()
