"""Sentences of errors: each is used, and where it is used its figures are given."""

from __future__ import annotations

import ast
import string
from pathlib import Path

import aftersun.inventory
import aftersun_datasets

ROOM = Path(aftersun.inventory.__file__).parent


def test_each_sentence_is_used_with_the_figures_it_names() -> None:
    wanted = {
        row["refusal"]: {
            field.partition(".")[0]
            for text in (row["sentence"], row["what_to_do"])
            for _, field, _, _ in string.Formatter().parse(text)
            if field
        }
        for row in aftersun_datasets.rows("refusals.csv", "aftersun.inventory")
    }
    given: dict[str, set[str]] = {}
    for file in ROOM.rglob("*.py"):
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and ast.unparse(node.func) == "refusal":
                figures = {keyword.arg or "" for keyword in node.keywords}
                assert given.setdefault(ast.literal_eval(node.args[0]), figures) == figures
    assert given == wanted
