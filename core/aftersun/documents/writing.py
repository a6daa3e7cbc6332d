"""Asks outputs to write, one at a time: a failure stays with the output that made it."""

from __future__ import annotations

import io
import traceback
from collections.abc import Collection, Mapping, Sequence
from contextlib import redirect_stdout
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from aftersun.documents.placing import is_harmless
from aftersun.documents.run_view import RunView
from aftersun.host.asking import CtrlC, Failure, hearing_ctrl_c
from aftersun.host.registry import Registry
from aftersun.inventory.store.file import Inventory
from aftersun.model.errors import AftersunError
from aftersun.model.letter import Letter
from aftersun.model.output import OF_LETTER, Letterhead, Output
from aftersun.money.company import Company

_MOST_NAMED = 8  # texts


@dataclass(frozen=True)
class Job:
    """What outputs write from: a run, the company and its letterhead, and an empty folder to work in.

    ``run`` is of a copy of the inventory, ``copied`` the file that it was made from: others use that meanwhile.
    """

    run: RunView
    copied: BinaryIO
    company: Company
    registry: Registry
    letterhead: Letterhead
    outputs: Sequence[Output]
    settings: Mapping[str, Mapping[str, str]]  # by output
    work: Path
    remarks: tuple[str, ...]  # for the company to read

    @property
    def inventory(self) -> Inventory:
        """The copy of the inventory, with the path of the inventory itself."""
        return self.run.inventory

    def write(self, output: Output, letters: Sequence[Letter] = (), personal: bool = True) -> list[Path] | Failure:
        """Have an output write the run, or letters of it, into a folder of its own.

        Returns its files, checked, first the one to open; or why it failed. What it prints goes nowhere: stdout belongs
        to the command. It may raise anything.
        """
        view = RunView(self.inventory, self.run.run_id, personal=personal, letters=letters, letterhead=self.letterhead)
        folder = self.work / output.id
        folder.mkdir()
        try:
            with hearing_ctrl_c(), redirect_stdout(io.StringIO()):
                written = output.write(view, folder, dict(self.settings.get(output.id, {})))
                files = [folder / path for path in written]
                problem = _problem(output, files, folder, len(letters))
        except AftersunError as error:
            problem = " ".join(filter(None, [str(error), error.hint]))
        except CtrlC:
            raise
        except BaseException as error:
            problem = _reason(error, personal)
        return Failure(output.id, "write", problem) if problem else files


def outputs_named(registry: Registry, only: Sequence[str]) -> list[Output]:
    """Return the outputs asked for, or all.

    Raises
    ------
    AftersunError
        If there is none, or none of that name.
    """
    there = {output.id: output for output in registry.outputs}
    if not there:
        raise AftersunError("No output is installed.", "'aftersun outputs' says which could not be loaded.")
    for name in only:
        if name not in there:
            raise AftersunError(f"There is no output '{name}'.", f"Installed: {', '.join(there)}.")
    return [there[name] for name in dict.fromkeys(only)] if only else list(there.values())


def settings_of(given: Sequence[str], outputs: Sequence[Output]) -> dict[str, dict[str, str]]:
    """Return the settings of each output from name=value, for all, or OUTPUT.name=value, for one.

    Raises
    ------
    AftersunError
        If one is not written like that, or comes twice.
    """
    settings: dict[str, dict[str, str]] = {output.id: {} for output in outputs}
    for number, text in enumerate(given, start=1):
        name, sign, value = text.partition("=")
        owner, point, own = name.strip().rpartition(".")
        if not sign or not own or (point and owner not in settings):
            raise AftersunError(
                f"Setting {number} is not written as name=value or OUTPUT.name=value.",
                f"OUTPUT is one of those to write: {', '.join(settings)}.",
            )
        for output in [owner] if point else list(settings):
            if own in settings[output]:
                raise AftersunError(f"The setting {own} is given twice.", "Give each once.")
            settings[output][own] = value
    return settings


def left_in_english(outputs: Sequence[Output], head: Letterhead) -> list[str]:
    """Return a remark for each output of which the company's language file, if it has one, lacks texts."""
    remarks = []
    for output in outputs:
        english: Collection[str] = getattr(output, "words", ())
        missing = [key for key in english if key not in head.words] if head.words else []
        if missing:
            more = len(missing) - _MOST_NAMED
            named = ", ".join(missing[:_MOST_NAMED]) + (f" and {more} more" if more > 0 else "")
            remarks.append(f"{output.id}: the language file lacks texts, which stay English: {named}.")
    return remarks


def _problem(output: Output, files: Sequence[Path], folder: Path, letters: int) -> str:
    """Return what is wrong with the files that an output says that it wrote, "" = nothing."""
    for path in files:
        if path.is_symlink() or not path.is_file():
            return "it names a file that it did not write"
        if not path.resolve().is_relative_to(folder.resolve()):
            return "it names a file outside of its folder"
        if not all(is_harmless(part) for part in path.relative_to(folder).parts):
            return "it gave a file a name with other characters than letters, digits, underscores and hyphens"
    if len(set(files)) != len(files):
        return "it names a file twice"
    if output.of == OF_LETTER and len(files) != letters:
        return f"it wrote {len(files)} files for {letters} letters"
    return "" if files else "it wrote no file"


def _reason(error: BaseException, personal: bool) -> str:
    """Tell what went wrong and where. What the error itself says may hold a name, if there were names to read."""
    text = " ".join(str(error).split())
    frame = traceback.extract_tb(error.__traceback__)[-1]
    why = f": {text}" if text and not personal else ""
    return f"{type(error).__name__}{why} ({Path(frame.filename).name}, line {frame.lineno})"
