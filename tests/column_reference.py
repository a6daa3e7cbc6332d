"""The reference of all columns as Markdown, made from the dictionary.

``python tests/column_reference.py core/README.md`` renews it between its two markers in that file.
"""

from __future__ import annotations

import sys

from marked_text import put_between, renew_file

from aftersun.inventory.loading.templates import explanation
from aftersun.inventory.store.dictionary import choice_meanings, columns, references, tables

BEGIN = "<!-- columns begin -->"
END = "<!-- columns end -->"


def reference_markdown() -> str:
    """Return a heading and a table of columns for each table, in the order to load them."""
    return "\n\n".join(_table(table) for table in tables()) + "\n"


def _table(table: str) -> str:
    lines = [
        f"### {table}",
        "",
        "| column | type | unit | allowed | required | meaning |",
        "|---|---|---|---|---|---|",
    ]
    owners = references(table)
    for column in columns(table):
        cells = list(explanation(column)[1:])
        cells[0] = f"`{cells[0]}`"
        if column.name in owners:
            cells[3] = f"a loaded {owners[column.name]}"
        lines.append("| " + " | ".join(cell.replace(" | ", ", ").replace("|", "\\|") for cell in cells) + " |")
    for column in columns(table):
        meanings = choice_meanings().get((table, column.name), {})
        lines += ["", f"Choices of `{column.name}`:", ""] if meanings else []
        lines += [f"- {choice}: {meaning}" for choice, meaning in meanings.items()]
    return "\n".join(lines)


def renewed(text: str) -> str:
    """Return a document with the reference renewed between its markers."""
    return put_between(text, BEGIN, END, reference_markdown())


if __name__ == "__main__":
    renew_file("column_reference.py", sys.argv[1:], renewed)
