"""Sentences of errors: each is used, and where it is used its figures are given."""

from __future__ import annotations

import ast
import string
from pathlib import Path

import aftersun.inventory
import aftersun_datasets

PROGRAM = Path(aftersun.inventory.__file__).parent.parent


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
    for file in PROGRAM.rglob("*.py"):
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and ast.unparse(node.func) == "refusal":
                if isinstance(node.args[0], ast.JoinedStr):  # one of several, whose figures come with it
                    begins = ast.literal_eval(node.args[0].values[0])
                    named = {name: figures for name, figures in wanted.items() if name.startswith(begins)}
                    assert named
                    given = named | given
                    continue
                figures = {keyword.arg or "" for keyword in node.keywords}
                assert given.setdefault(ast.literal_eval(node.args[0]), figures) == figures
    assert given == wanted
