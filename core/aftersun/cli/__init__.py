"""The command line: parse, call, print. No computation."""

from __future__ import annotations


def main() -> None:
    """Run the program; expected errors end as one sentence and a documented exit code."""
    from aftersun.cli.app import run

    run()
