"""Writes what leaves the office: letters, and the folder of one run with its manifest. All of it, or nothing."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime
from importlib.metadata import version
from pathlib import Path
from typing import Any

from aftersun.documents import placing
from aftersun.documents.letters.compose import Choices, compose, compose_notices
from aftersun.documents.letters.issue import Batch, issue, newest_letters
from aftersun.documents.letters.letterhead import Writer, writer_of
from aftersun.documents.run_view import RunView
from aftersun.documents.writing import outputs_named, settings_of, write
from aftersun.host.registry import Failure, Registry, find_plugins
from aftersun.inventory.log import letters as kept
from aftersun.inventory.log.letters import LetterFile
from aftersun.inventory.store.file import Inventory
from aftersun.model.errors import AftersunError
from aftersun.model.output import OF_LETTER, Output

Progress = Callable[[int, int], None]

MANIFEST = "manifest.json"
LETTERS = "letters"
_NO_BATCH = Batch((), (), (), (), ())


@dataclass(frozen=True)
class Order:
    """What is asked for: outputs by name, none = all; settings as name=value; files that are not the usual ones."""

    only: tuple[str, ...] = ()
    settings: tuple[str, ...] = ()
    company_file: Path | None = None
    plugin_folder: Path | None = None


@dataclass(frozen=True)
class Report:
    """What was written: ``files`` as output and path below ``folder``; ``remarks`` are to be told."""

    run_id: str
    folder: Path
    files: tuple[tuple[str, str], ...]
    letters: Batch
    skipped: tuple[str, ...]
    failures: tuple[Failure, ...]
    remarks: tuple[str, ...]


def make_letters(
    inventory_file: Path,
    site_ids: Sequence[str],
    first: int,
    choices: Choices,
    order: Order,
    folder: Path,
    made_on: date,
    progress: Progress = lambda _done, _total: None,
) -> Report:
    """Write letters to these sites, or to the ``first`` of the call list, into a folder, and keep them.

    Raises
    ------
    AftersunError
        As :func:`aftersun.documents.letters.compose.compose`, or if no output writes letters or the folder cannot be
        written to; nothing is stored or written then.
    """
    if bool(site_ids) == bool(first):
        raise AftersunError("It is not clear whom to write to.", "Name sites, or give --first, not both.")

    def write_them(opened: _Opened) -> tuple[Batch, tuple[str, ...]]:
        wanted = site_ids or list(opened.view.calls()["site_id"].head(first))
        earlier = _earlier(opened.inventory, wanted, choices) if first else {}
        return _letters(
            opened.inventory, opened.view, opened.writer, wanted, choices, earlier,
            opened.outputs, opened.settings, opened.work, made_on, progress, bool(first),
        )  # fmt: skip

    return _issued(inventory_file, order, folder, write_them)


def make_notices(
    inventory_file: Path,
    site_ids: Sequence[str],
    everyone: bool,
    order: Order,
    folder: Path,
    made_on: date,
    progress: Progress = lambda _done, _total: None,
) -> Report:
    """Write safety notices to these sites, or to all where a danger is known to stand, into a folder, and keep them.

    They are numbered and kept like letters, and nothing of them is an offer made. No contact rule is asked.

    Raises
    ------
    AftersunError
        As :func:`aftersun.documents.letters.compose.compose_notices`, or if no output writes letters or the folder
        cannot be written to; nothing is stored or written then.
    """
    if bool(site_ids) == everyone:
        raise AftersunError("It is not clear whom to write to.", "Name sites, or give --all, not both.")

    def write_them(opened: _Opened) -> tuple[Batch, tuple[str, ...]]:
        progress(0, 2)
        inventory, view, head = opened.inventory, opened.view, opened.writer.letterhead
        wanted = sorted(set(view.to_tell()["site_id"])) if everyone else site_ids
        named = RunView(inventory, view.run_id, letterhead=head)
        composed = compose_notices(inventory, named, wanted, made_on, everyone)
        progress(1, 2)
        remarks = (*_told(opened.writer), *composed.remarks)
        if not composed.letters:
            return _NO_BATCH, remarks
        batch = issue(
            inventory, view.run_id, head, composed.letters, Choices(), {}, opened.outputs, opened.settings, opened.work
        )
        return batch, remarks

    return _issued(inventory_file, order, folder, write_them)


@dataclass(frozen=True)
class _Opened:
    """What letters are made with: an open inventory, its newest run, the letterhead, outputs with settings, a place."""

    inventory: Inventory
    view: RunView
    writer: Writer
    outputs: Sequence[Output]
    settings: Mapping[str, Mapping[str, str]]
    work: Path


def _issued(
    inventory_file: Path,
    order: Order,
    folder: Path,
    write_them: Callable[[_Opened], tuple[Batch, tuple[str, ...]]],
) -> Report:
    """Have letters written, put them into the folder and keep them: all, or nothing."""
    with Inventory.open(inventory_file) as inventory, placing.workshop(folder, inside=True) as work:
        view = RunView(inventory)
        writer, registry = _house(view, order)
        outputs = [output for output in outputs_named(registry, order.only) if output.of == OF_LETTER]
        if not outputs:
            raise AftersunError("No output that writes letters is among these.", "'aftersun outputs' lists them.")
        settings = settings_of(order.settings, outputs)
        batch, remarks = write_them(_Opened(inventory, view, writer, outputs, settings, work))
        failures = (*registry.failures, *batch.failures)
        made = _lay_out(batch.files, work / LETTERS)
        if made:
            with placing.put_files(made, folder), inventory.transaction() as connection:
                kept.keep(connection, batch.new_files, batch.new_letters)
        files = tuple((file.output, path.name) for file, path in zip(batch.files, made, strict=True))
        return Report(view.run_id, folder, files, batch, (), failures, remarks)


def letter_again(inventory_file: Path, number: str, letter_version: int | None, folder: Path) -> list[Path]:
    """Write the very bytes of an issued letter into a folder once more; of its newest version unless one is named."""
    with Inventory.open(inventory_file, read_only=True) as inventory, placing.workshop(folder, inside=True) as work:
        files = kept.files_of(inventory, number, letter_version)
        with placing.put_files(_lay_out(files, work / LETTERS), folder) as written:
            return written


def write_folder(
    inventory_file: Path,
    folder: Path,
    letters: int,
    order: Order,
    made_on: date,
    without_names: bool = False,
    replace_folder: bool = False,
    progress: Progress = lambda _done, _total: None,
) -> Report:
    """Write every output of the newest run into a new folder, with letters to the first of the call list.

    An output that fails is named in the report and in the manifest; the others are written. ``without_names`` leaves
    out the letters and whatever can do nothing without names, and writes the rest with pseudonyms.

    Raises
    ------
    AftersunError
        If the folder is there and not to be replaced or cannot be written to, an output or setting is unknown, or a
        letter cannot be written; nothing is stored or left behind then.
    """
    placing.refuse_existing(folder, replace_folder)
    with Inventory.open(inventory_file) as inventory, placing.workshop(folder) as work:
        view = RunView(inventory)
        writer, registry = _house(view, order)
        outputs = outputs_named(registry, order.only)
        settings = settings_of(order.settings, outputs)
        of_letters = [output for output in outputs if output.of == OF_LETTER]
        of_run = [output for output in outputs if output.of != OF_LETTER]
        skipped = [output.id for output in outputs if without_names and output.personal]
        of_run = [output for output in of_run if output.id not in skipped]
        made = work / "folder"
        made.mkdir()
        steps = len(of_run) + 2
        entries: list[tuple[str, str]] = []
        failures = list(registry.failures)
        for done, output in enumerate(of_run):
            progress(done, steps)
            seen = RunView(inventory, view.run_id, personal=not without_names, letterhead=writer.letterhead)
            result = write(output, seen, work / output.id, settings[output.id])
            if result.failure is not None:
                failures.append(result.failure)
            else:
                entries += [(output.id, name) for name in _take(result.files, work / output.id, made, output.id)]
        batch, remarks = _NO_BATCH, _told(writer)
        wanted = [] if without_names else list(view.calls()["site_id"].head(letters))
        if wanted and of_letters:
            progress(len(of_run), steps)
            earlier = _earlier(inventory, wanted, Choices())
            batch, remarks = _letters(
                inventory, view, writer, wanted, Choices(), earlier, of_letters, settings, work, made_on, _unseen, True
            )
            failures += batch.failures
            paths = _lay_out(batch.files, made / LETTERS) if batch.files else []
            entries += [(file.output, f"{LETTERS}/{path.name}") for file, path in zip(batch.files, paths, strict=True)]
        if not entries:
            return Report(view.run_id, folder, (), batch, tuple(skipped), tuple(failures), remarks)
        progress(steps - 1, steps)
        manifest = _manifest(view, registry, entries, made, batch, failures, skipped, settings, letters, without_names)
        (made / MANIFEST).write_text(json.dumps(manifest, indent=2, ensure_ascii=False) + "\n", encoding="utf-8")
        with placing.put_folder(made, folder, replace_folder), inventory.transaction() as connection:
            kept.keep(connection, batch.new_files, batch.new_letters)
        files = (*entries, ("", MANIFEST))
        return Report(view.run_id, folder, files, batch, tuple(skipped), tuple(failures), remarks)


def _house(view: RunView, order: Order) -> tuple[Writer, Registry]:
    writer = writer_of(view, order.company_file)
    return writer, find_plugins(writer.company.retrofits.off, order.plugin_folder)


def _told(writer: Writer) -> tuple[str, ...]:
    return (writer.remark,) if writer.remark else ()


def _usual(choices: Choices, writer: Writer) -> Choices:
    section = writer.company.letter
    return replace(choices, most_options=section.most_options, valid_days=section.valid_days)


def _letters(
    inventory: Inventory,
    view: RunView,
    writer: Writer,
    site_ids: Sequence[str],
    choices: Choices,
    earlier: Mapping[str, Choices],
    outputs: Sequence[Output],
    settings: Mapping[str, Mapping[str, str]],
    work: Path,
    made_on: date,
    progress: Progress,
    batch: bool,
) -> tuple[Batch, tuple[str, ...]]:
    progress(0, 2)
    choices = _usual(choices, writer)
    named = RunView(inventory, view.run_id, letterhead=writer.letterhead)
    earlier = {site_id: _usual(mine, writer) for site_id, mine in earlier.items()}
    composed = compose(inventory, named, site_ids, choices, made_on, earlier, batch)
    progress(1, 2)
    head = writer.letterhead
    if not composed.letters:
        return _NO_BATCH, (*_told(writer), *composed.remarks)
    issued = issue(inventory, view.run_id, head, composed.letters, choices, earlier, outputs, settings, work)
    return issued, (*_told(writer), *composed.remarks)


def _earlier(inventory: Inventory, site_ids: Sequence[str], choices: Choices) -> dict[str, Choices]:
    """Return what was chosen for the last letters of these sites: a batch must not take back a price that was given."""
    last = newest_letters(inventory, site_ids)
    return {site_id: choices.or_earlier(one.choices) for site_id, one in last.items() if one.open}


def _unseen(_done: int, _total: int) -> None:
    pass


def _lay_out(files: Sequence[LetterFile], folder: Path) -> list[Path]:
    """Write the files of letters into a new folder, two of one letter and kind under a name each."""
    folder.mkdir()
    paths: list[Path] = []
    for file in files:
        path = folder / file.name
        if path.exists():  # two outputs that write the same kind of file
            path = folder / f"{Path(file.name).stem}_{file.output}{Path(file.name).suffix}"
        path.write_bytes(file.data)
        paths.append(path)
    return paths


def _take(files: Sequence[Path], own: Path, made: Path, output: str) -> list[str]:
    """Move an output's files into the folder of the run: one by its name, several into a folder of their own."""
    alone = len(files) == 1 and not (made / files[0].name).exists() and files[0].name not in (MANIFEST, LETTERS)
    names = []
    for path in files:
        name = path.name if alone else f"{output}/{path.relative_to(own).as_posix()}"
        (made / name).parent.mkdir(parents=True, exist_ok=True)
        path.rename(made / name)
        names.append(name)
    return names


def _told_settings(given: Mapping[str, str]) -> dict[str, str]:
    """Return settings as they may be told: of a path its last part alone."""
    return {name: value.replace("\\", "/").rstrip("/").rpartition("/")[2] for name, value in given.items()}


def _manifest(
    view: RunView,
    registry: Registry,
    entries: Sequence[tuple[str, str]],
    made: Path,
    batch: Batch,
    failures: Sequence[Failure],
    skipped: Sequence[str],
    settings: Mapping[str, Mapping[str, str]],
    letters: int,
    without_names: bool,
) -> dict[str, Any]:
    """Return which run and inputs made a folder: nothing personal, no path of this machine."""
    run = view.made_from
    return {
        "run": {
            "run_id": view.run_id,
            "as_of": view.as_of.isoformat(),
            "made_at": view.made_at.isoformat(),
            "program_version": run["program_version"],
            "plugin_versions": run["plugin_versions"],
            "inputs_sha256": run["input_hashes"],
            "seed": run["seed"],
            "sites": run["sites"],
            "failures": [{"plugin": one["plugin"], "during": one["during"]} for one in run["failures"]],
        },
        "written": {
            "written_at": datetime.now(UTC).isoformat(timespec="seconds"),
            "program_version": version("aftersun"),
            "outputs": {name: registry.output_origins.get(name, "") for name in settings},
            "settings": {name: _told_settings(given) for name, given in settings.items() if given},
            "letters": 0 if without_names else letters,
            "without_names": without_names,
            "left_out": list(skipped),
            "failed": [{"plugin": one.plugin, "during": one.during} for one in failures],
        },
        "letters": [
            {"number": letter.number, "version": letter.version, "made_on": letter.made_on.isoformat()}
            for letter in batch.letters
        ],
        "files": [
            {
                "path": name,
                "output": output,
                "sha256": placing.sha256_of(made / name),
                "bytes": (made / name).stat().st_size,
            }
            for output, name in entries
        ],
    }
