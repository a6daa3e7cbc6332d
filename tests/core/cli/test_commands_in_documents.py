"""Every command line in the documents is one that the program understands, by today's names."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

TOP = Path(__file__).parents[3]
DOCUMENTS = ["README.md", "DEVELOPERS.md", "core/README.md", "plugins/README.md", "reports/README.md"]
GROUPS = ("inventory", "customer", "weather", "company", "log", "plugin", "letter")


def command_lines() -> list[str]:
    text = "\n".join((TOP / name).read_text(encoding="utf-8") for name in DOCUMENTS)
    quoted = re.findall(r"`(?:\.venv/bin/)?aftersun ([a-z][^`]*)`", text)
    return sorted({" ".join(line.split()) for line in quoted})


def test_the_documents_show_commands():
    assert len(command_lines()) > 20


@pytest.mark.parametrize("line", command_lines())
def test_a_command_line_of_the_documents_is_understood(aftersun, line):
    words = line.split()
    command = words[: 2 if words[0] in GROUPS else 1]
    ran = aftersun(*command, "--help")
    assert (ran.code, ran.err) == (0, "")
    assert "old name" not in aftersun(*words, "--help").err
    for option in re.findall(r"(?<!\S)--[a-z-]+", line):
        assert f"{option} " in ran.out
