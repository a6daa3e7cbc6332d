"""Asks outputs to write, one at a time: a failure stays with the output that made it."""

from __future__ import annotations

import io
import traceback
from collections.abc import Collection, Mapping, Sequence
from contextlib import redirect_stdout
from dataclasses import dataclass
from pathlib import Path

from aftersun.documents.placing import is_harmless
from aftersun.documents.run_view import RunView
from aftersun.host.registry import Failure, Registry
from aftersun.inventory.store.file import Inventory
from aftersun.model.errors import AftersunError
from aftersun.model.letter import Letter
from aftersun.model.output import OF_LETTER, Letterhead, Output

_MOST_NAMED = 8  # texts


@dataclass(frozen=True)
class Written:
    """The files that an output wrote, first the one to open; none and the reason where it failed."""

    files: tuple[Path, ...]
    failure: Failure | None = None


@dataclass(frozen=True)
class Job:
    """What outputs write from: an inventory and a run of it, the letterhead, and an empty folder to work in."""

    inventory: Inventory
    run_id: str
    letterhead: Letterhead
    outputs: Sequence[Output]
    settings: Mapping[str, Mapping[str, str]]  # by output
    work: Path

    def view(self, letters: Sequence[Letter] = (), personal: bool = True) -> RunView:
        """Return the run as an output sees it."""
        return RunView(self.inventory, self.run_id, personal=personal, letters=letters, letterhead=self.letterhead)


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


def write(output: Output, view: RunView, folder: Path, settings: Mapping[str, str]) -> Written:
    """Ask an output to write into a folder of its own, and check what it says that it wrote.

    What it prints goes nowhere: stdout belongs to the command. It may raise anything.
    """
    folder.mkdir()
    try:
        with redirect_stdout(io.StringIO()):
            paths = output.write(view, folder, dict(settings))
            files = tuple(_checked(Path(path), folder) for path in paths)
        problem = _problem(output, files, len(view.letters()))
    except AftersunError as error:
        problem = " ".join(filter(None, [str(error), error.hint]))
    except (Exception, SystemExit) as error:
        problem = _reason(error, view.personal)
    return Written((), Failure(output.id, "write", problem)) if problem else Written(files)


class _NotWritten(Exception):
    """A file that an output names and that cannot be taken."""


def _checked(path: Path, folder: Path) -> Path:
    inside = folder / path
    if inside.is_symlink() or not inside.is_file():
        raise _NotWritten("it names a file that it did not write")
    if not inside.resolve().is_relative_to(folder.resolve()):
        raise _NotWritten("it names a file outside of its folder")
    if not all(is_harmless(part) for part in inside.relative_to(folder).parts):
        raise _NotWritten("it gave a file a name with other characters than letters, digits, underscores and hyphens")
    return inside


def _problem(output: Output, files: Sequence[Path], letters: int) -> str:
    if len(set(files)) != len(files):
        return "it names a file twice"
    if output.of == OF_LETTER and len(files) != letters:
        return f"it wrote {len(files)} files for {letters} letters"
    return "" if files else "it wrote no file"


def _reason(error: BaseException, personal: bool) -> str:
    """Tell what went wrong and where. What the error itself says may hold a name, if there were names to read."""
    text = " ".join(str(error).split())
    if isinstance(error, _NotWritten):
        return text
    frame = traceback.extract_tb(error.__traceback__)[-1]
    why = f": {text}" if text and not personal else ""
    return f"{type(error).__name__}{why} ({Path(frame.filename).name}, line {frame.lineno})"
