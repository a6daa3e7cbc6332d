"""What people read holds the trade's words: those that were retired are listed in the glossary of DEVELOPERS.md."""

from __future__ import annotations

import re
from collections.abc import Iterator
from importlib.resources import files
from pathlib import Path
from typing import Any

import openpyxl
import pytest
from letter_support import HEAD, StoredRun
from pypdf import PdfReader
from typer.main import get_command

import aftersun_datasets
from aftersun.cli.app import app
from aftersun.cli.call_list import show_calls
from aftersun.cli.site_report import show_report, show_verdicts
from aftersun.documents.letters.compose import Choices, compose, compose_notices
from aftersun.documents.run_view import RunView
from aftersun.inventory.store.file import Inventory
from aftersun.scoring.run.demo import Demo
from aftersun_reports.call_sheet import CallSheet
from aftersun_reports.offer_letter import JobSheet, OfferLetter
from aftersun_reports.portfolio_page import PortfolioPage

GLOSSARY = Path(__file__).parents[2] / "DEVELOPERS.md"


def retired() -> list[str]:
    """Return the words of the third column of the glossary."""
    rows = [line.split("|") for line in GLOSSARY.read_text(encoding="utf-8").splitlines() if line.startswith("| ")]
    listed = [word for cells in rows if len(cells) == 5 for word in re.findall("`([^`]+)`", cells[3])]
    return [word for word in listed if not word.endswith(".py")]


def held(text: str) -> list[str]:
    """Return the retired words in a text, whatever its capitals and line ends."""
    plain = " ".join(text.split())
    return [word for word in retired() if re.search(rf"(?<![\w-]){re.escape(word)}(?![\w-])", plain, re.IGNORECASE)]


def test_the_list_is_found_and_finds() -> None:
    assert len(retired()) > 20
    assert held("The Expected  Worth of a known\ndanger") == ["expected worth", "known danger"]
    assert held("a troublemaker and a netexpected worthy") == []


@pytest.mark.parametrize(
    "text",
    [
        aftersun_datasets.path("wording/en.toml"),
        aftersun_datasets.path("safety_notes.csv"),
        files("aftersun.cli").joinpath("help.toml"),
        files("aftersun_reports.call_sheet").joinpath("columns.csv"),
        files("aftersun_reports.call_sheet").joinpath("sheets.toml"),
        files("aftersun_reports.portfolio_page").joinpath("labels.toml"),
        files("aftersun_reports.portfolio_page").joinpath("site.js"),
        files("aftersun_reports.portfolio_page").joinpath("page.js"),
        files("aftersun_reports.portfolio_page").joinpath("template.html"),
        files("aftersun_reports.offer_letter").joinpath("words/en.toml"),
    ],
    ids=lambda text: text.name,
)
def test_no_text_that_is_printed_holds_a_retired_word(text: Path) -> None:
    if text.name == "safety_notes.csv":  # its sources are those of the project and are not printed
        notes = aftersun_datasets.rows("safety_notes.csv")
        assert [(note["id"], found) for note in notes if (found := held(f"{note['text']} {note['who']}"))] == []
        return
    lines = text.read_text(encoding="utf-8").splitlines()
    printed = [line for line in lines if not line.lstrip().startswith(("#", "//"))]
    assert [(line[:80], found) for line in printed if (found := held(line))] == []


IMAGES = (
    "told",
    "stands",
    "surer",
    "mend",
    "mends",
    "mended",
    "rooms",
    "floors",
    "worth it",
    "the worth",
)  # in place of words


def commands(command: Any, path: str = "aftersun") -> Iterator[tuple[str, Any]]:
    """Yield every command and group by its full name."""
    yield path, command
    for name, inner in getattr(command, "commands", {}).items():
        yield from commands(inner, f"{path} {name}")


def test_no_help_of_a_command_or_an_option_holds_a_retired_word_or_an_image_or_ends_midway() -> None:
    found: dict[str, list[str]] = {}
    for name, command in commands(get_command(app)):
        texts = [command.help or "", *(getattr(one, "help", None) or "" for one in command.params)]
        for text in filter(None, texts):
            plain = " ".join(text.split())
            images = [image for image in IMAGES if re.search(rf"\b{image}\b", plain, re.IGNORECASE)]
            if held(plain) or images:
                found[f"{name}: {plain[:70]}"] = [*held(plain), *images]
            whole = plain.partition(" Example: ")[0]
            if "…" in plain or whole[-1] not in ".)?":
                found[f"{name}: {plain[:70]}"] = ["no whole sentence"]
    assert found == {}


@pytest.mark.slow
def test_no_screen_letter_sheet_or_page_of_the_demo_holds_a_retired_word(
    demo: Demo, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    shown: dict[str, str] = {}
    with Inventory.open(demo.inventory, read_only=True) as inventory:
        view = RunView(inventory)
        hazard = str(view.to_tell()["site_id"].iloc[0])
        for name, site in (("first call", str(view.calls()["site_id"].iloc[-1])), ("hazard", hazard)):
            show_verdicts(view, site)
            show_report(view, site, None, list(view.titles()))
            shown[f"explain {name}"] = capsys.readouterr().out
        show_calls(view, 10, in_full=True)
        shown["calls"] = capsys.readouterr().out
        (sheet,) = CallSheet().write(view, tmp_path, {})
        (page,) = PortfolioPage().write(view, tmp_path, {})
        made_on = view.as_of
        letters = compose(inventory, view, list(view.calls_to_write()["site_id"])[:2], Choices(), made_on).letters
        notices = compose_notices(inventory, view, [hazard], made_on, False).letters
    cells = [
        str(cell) for one in openpyxl.load_workbook(sheet) for row in one.iter_rows(values_only=True) for cell in row
    ]
    shown["call sheet"] = "\n".join(cells)
    shown["page"] = page.read_text(encoding="utf-8").partition('id="data">')[2].partition("</script>")[0]
    for output, some in ((OfferLetter(), [*letters, *notices]), (JobSheet(), letters)):
        (folder := tmp_path / output.id).mkdir()
        papers = output.write(StoredRun(some, HEAD), folder, {})
        shown[output.id] = " ".join(page.extract_text() for path in papers for page in PdfReader(path).pages)
    assert all(len(text) > 500 for text in shown.values())
    # who assumed what, for the company's own eyes, is given as the data have it
    internal = {name: {"common practice, no source"} for name in shown if name.startswith(("call sheet", "explain"))}
    assert {name: found for name, text in shown.items() if (found := set(held(text)) - internal.get(name, set()))} == {}
