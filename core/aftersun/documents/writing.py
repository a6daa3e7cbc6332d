"""Asks outputs to write, one at a time: a failure stays with the output that made it.

One that did not come with the program is asked in another process, which it may end.
"""

from __future__ import annotations

import io
import shutil
import traceback
from collections.abc import Collection, Mapping, Sequence
from contextlib import redirect_stdout
from dataclasses import dataclass, replace
from pathlib import Path
from typing import BinaryIO

from aftersun.documents.placing import is_harmless
from aftersun.documents.run_view import RunView
from aftersun.host.answer_checks import PluginError
from aftersun.host.asking import CtrlC, Failure, TookTooLong, asking, hearing_ctrl_c, limit_s, plugin_limit
from aftersun.host.registry import Registry, load_plugins
from aftersun.host.sources import Source
from aftersun.host.workers import Workers
from aftersun.inventory.store.file import Inventory
from aftersun.model.errors import AftersunError, InUse
from aftersun.model.figures import LETTER_LANGUAGES
from aftersun.model.letter import Letter
from aftersun.model.output import OF_LETTER, Letterhead, Output
from aftersun.money.company import Company

_MOST_NAMED = 8  # texts


@dataclass(frozen=True)
class Request:
    """What one output is to write, as data: another process that has the inventory can fulfil it.

    ``unusable`` are plugins not to be loaded, ``seconds`` is what a plugin may take.
    """

    output: str
    inventory_file: Path
    run_id: str
    personal: bool
    letters: tuple[Letter, ...]
    letterhead: Letterhead
    settings: Mapping[str, str]
    folder: Path  # its own, for its files
    off: tuple[str, ...]
    plugins: tuple[Source, ...]
    unusable: tuple[Failure, ...]
    seconds: float


Written = list[Path] | str  # files, or why there are none


@dataclass(frozen=True)
class Job:
    """What outputs write from: a run, the company and its letterhead, and an empty folder to work in.

    ``run`` is of a copy of the inventory, ``copied`` the file that it was made from: others use that meanwhile.
    """

    run: RunView
    copied: BinaryIO
    company: Company
    plugins: tuple[Source, ...]
    registry: Registry
    workers: Workers[Request, Written]
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
        request = Request(
            output.id,
            self.inventory.file,
            self.run.run_id,
            personal,
            tuple(letters),
            self.letterhead,
            dict(self.settings.get(output.id, {})),
            self.work / output.id,
            tuple(self.company.retrofits.off),
            self.plugins,
            self.registry.unusable,
            limit_s(),
        )
        if self.registry.came_along(output.id):
            with hearing_ctrl_c():
                written: Written | Failure = _written(output, self.inventory, request)
        else:
            try:
                ((_, written),) = self.workers.run(iter([request]))
            except AftersunError as error:
                if request.inventory_file.exists():
                    raise
                raise Overtaken from error  # who erases or prunes removes all copies of the inventory, this one too
        if isinstance(written, Failure):
            return replace(written, plugin=output.id, during="write")
        return Failure(output.id, "write", written) if isinstance(written, str) else written


class Overtaken(InUse):
    """What was written is out of date before it left."""

    def __init__(self) -> None:
        super().__init__(
            "Others changed what is written here (a letter, an objection, the file) each time before it was done.",
            "Write again; nothing was changed.",
        )


def write_elsewhere(request: Request) -> Written:
    """Have an output write in a process that it may end."""
    with plugin_limit(request.seconds):
        registry = load_plugins(request.off, request.plugins, request.unusable)
        output = next((output for output in registry.outputs if output.id == request.output), None)
        if output is None:
            return " ".join(["it is not there when it is loaded again", *(f.reason for f in registry.failures)])
        with Inventory.open_as_it_is(request.inventory_file, read_only=True) as inventory:
            try:
                with asking(request.output, "write"):
                    return _written(output, inventory, request)
            except (PluginError, TookTooLong) as error:
                return str(error)


def _written(output: Output, inventory: Inventory, request: Request) -> Written:
    """Have an output write into a new folder, and check what it wrote."""
    letters, folder = request.letters, request.folder
    view = RunView(inventory, request.run_id, personal=request.personal, letters=letters, letterhead=request.letterhead)
    shutil.rmtree(folder, ignore_errors=True)  # of one whose process ended
    folder.mkdir()
    try:
        with redirect_stdout(io.StringIO()):
            files = [folder / path for path in output.write(view, folder, dict(request.settings))]
            return _problem(output, files, folder, len(letters)) or files
    except AftersunError as error:
        return " ".join(filter(None, [str(error), error.hint]))
    except (CtrlC, TookTooLong):
        raise
    except BaseException as error:
        return _reason(error, request.personal)


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
    """Return a remark for each output of which the company's language file, if it has one, lacks texts.

    Of a language that letters are written in the file may hold as few as it likes.
    """
    remarks: list[str] = []
    if head.language in LETTER_LANGUAGES:
        return remarks
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
