"""Runs the program in this process as the shell would."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

import pytest

from aftersun.cli import main
from aftersun.scoring.run.demo import Demo


class Ran(NamedTuple):
    """What a command did."""

    code: int
    out: str
    err: str


@pytest.fixture(autouse=True)
def _terminal_of_100_columns(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "100")


@pytest.fixture
def aftersun(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Callable[..., Ran]:
    def run(*words: object) -> Ran:
        monkeypatch.setattr(sys, "argv", ["aftersun", *map(str, words)])
        code = 0
        try:
            main()
        except SystemExit as stop:
            code = int(stop.code or 0)
        captured = capsys.readouterr()
        return Ran(code, captured.out, captured.err)

    return run


@pytest.fixture(scope="session")
def demo_folder(demo: Demo) -> Path:
    return demo.inventory.parent
