"""The reference of all columns as Markdown, made from the dictionary.

``python tests/column_reference.py core/README.md`` renews it between its two markers in that file.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path

from aftersun.inventory.loading.templates import explanation
from aftersun.inventory.store.dictionary import columns, references, tables
from aftersun.model.errors import AftersunError

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
    return "\n".join(lines)


def renewed(text: str) -> str:
    """Return a document with the reference renewed between its markers.

    Raises
    ------
    AftersunError
        If the document does not have each marker once, in order.
    """
    before, begin, rest = text.partition(BEGIN)
    old, end, after = rest.partition(END)
    if not begin or not end or BEGIN in old + after or END in before + after:
        raise AftersunError(
            "The document does not have each marker of the column reference once.",
            f"Put in {BEGIN} and {END}.",
        )
    return f"{before}{BEGIN}\n\n{reference_markdown()}\n{END}{after}"


def main(arguments: Sequence[str]) -> None:
    """Renew the reference in the one file named."""
    if len(arguments) != 1:
        raise SystemExit("usage: python tests/column_reference.py FILE")
    path = Path(arguments[0])
    path.write_text(renewed(path.read_text(encoding="utf-8")), encoding="utf-8")


if __name__ == "__main__":
    main(sys.argv[1:])
