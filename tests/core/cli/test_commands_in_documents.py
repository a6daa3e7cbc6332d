"""Every command line in the documents is one that the program understands; every text of the help is shown."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
import typer.main

from aftersun.cli.app import app
from aftersun.cli.declaring import TEXTS

TOP = Path(__file__).parents[3]
DOCUMENTS = ["README.md", "DEVELOPERS.md", "core/README.md", "plugins/README.md", "reports/README.md"]
GROUPS = ("inventory", "customer", "weather", "company", "log", "job", "delivered", "lessons", "plugin", "letter")


def command_lines() -> list[str]:
    text = "\n".join((TOP / name).read_text(encoding="utf-8") for name in DOCUMENTS)
    quoted = re.findall(r"`(?:\.venv/bin/)?aftersun ([a-z][^`]*)`", text)
    return sorted({" ".join(line.split()) for line in quoted})


def test_the_documents_show_commands():
    assert len(command_lines()) > 20


@pytest.mark.parametrize("line", command_lines())
@pytest.mark.few_quick
@pytest.mark.few_quick
def test_a_command_line_of_the_documents_is_understood(aftersun, line):
    words = line.split()
    command = words[: 2 if words[0] in GROUPS else 1]
    ran = aftersun(*command, "--help")
    assert (ran.code, ran.err) == (0, "")
    assert "old name" not in aftersun(*words, "--help").err
    for option in re.findall(r"(?<!\S)--[a-z-]+", line):
        assert f"{option} " in ran.out


def test_every_text_of_the_help_belongs_to_an_argument_or_option():
    groups = typer.main.get_command(app).commands.values()
    commands = [command for one in groups for command in getattr(one, "commands", {"": one}).values()]
    shown = {getattr(parameter, "help", None) for command in commands for parameter in command.params}
    assert {text for section in TEXTS.values() for text in section.values()} <= shown
