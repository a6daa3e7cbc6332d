"""Old names of commands and options: understood for one version, each with a hint.

A name that is changed gets its line here; a line goes with the version after the one that changed it.
"""

from __future__ import annotations

from collections.abc import Sequence

COMMANDS = {
    ("suppose",): ("what-if",),
    ("customer", "held"): ("customer", "show"),
    ("letter", "again"): ("letter", "reprint"),
}
# by today's command
OPTIONS = {
    ("rank",): {"--afresh": "--no-resume"},
    ("weather", "add"): {"--mend-clock": "--correct-clock"},
}


def with_new_names(words: Sequence[str]) -> tuple[list[str], list[str]]:
    """Return the words of a command line with today's names, and a hint for each old name among them."""
    new, hints = list(words), []
    for old, name in COMMANDS.items():
        if tuple(new[: len(old)]) == old:
            new[: len(old)] = name
            hints.append(_hint(" ".join(old), " ".join(name)))
    for command, options in OPTIONS.items():
        if tuple(new[: len(command)]) == command:
            # what follows a bare -- is no option
            end = new.index("--") if "--" in new else len(new)
            hints += [_hint(word, options[word]) for word in dict.fromkeys(new[:end]) if word in options]
            new[:end] = [options.get(word, word) for word in new[:end]]
    return new, hints


def _hint(old: str, new: str) -> str:
    return f"'{old}' is now '{new}'; the old name goes with the next version."
