"""Old names of commands and options still work, say so in one line on stderr, and lead to commands that are there."""

from __future__ import annotations

from pathlib import Path

import pytest

from aftersun.cli.old_names import COMMANDS, OPTIONS, with_new_names


@pytest.mark.parametrize("old", COMMANDS)
def test_an_old_command_is_understood_with_a_hint(aftersun, old):
    new = COMMANDS[old]
    ran = aftersun(*old, "--help")
    assert ran.code == 0
    assert ran.err == f"'{' '.join(old)}' is now '{' '.join(new)}'; the old name goes with the next version.\n"
    assert f"Usage: aftersun {' '.join(new)} " in ran.out
    assert aftersun(*new, "--help").err == ""


@pytest.mark.parametrize(("command", "old"), [(command, old) for command in OPTIONS for old in OPTIONS[command]])
def test_an_old_option_is_understood_with_a_hint(aftersun, command, old):
    new = OPTIONS[command][old]
    ran = aftersun(*command, old, "--help")
    assert ran.code == 0
    assert ran.err == f"'{old}' is now '{new}'; the old name goes with the next version.\n"
    assert f"--{new.removeprefix('--')} " in ran.out
    assert old not in ran.out


def test_no_help_shows_an_old_name(aftersun):
    for group in ((), *{command[:-1] for command in COMMANDS}):
        listed = {line.split()[0] for line in aftersun(*group, "--help").out.splitlines() if line.strip()}
        assert not listed & {old[-1] for old in COMMANDS if old[:-1] == group}


@pytest.mark.parametrize(
    "words",
    [
        ["log", "call", "x.duckdb", "S1", "--remark", "suppose"],  # a word elsewhere is no command
        ["calls", "--afresh"],  # another command's option
        ["rank", "--", "--afresh"],  # after -- all is no option
        [],
    ],
)
def test_only_names_in_their_place_are_changed(words):
    assert with_new_names(words) == (words, [])


def test_the_readme_names_every_old_name():
    text = (Path(__file__).parents[3] / "README.md").read_text(encoding="utf-8")
    old = [" ".join(words) for words in COMMANDS] + [name for options in OPTIONS.values() for name in options]
    assert [name for name in old if name not in text] == []
