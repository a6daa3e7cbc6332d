"""Writes what leaves the office: letters, and the folder of one run with its manifest. All of it, or nothing."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime
from functools import wraps
from importlib.metadata import version
from pathlib import Path
from typing import Any, ParamSpec

from aftersun.documents import placing
from aftersun.documents.letters.compose import Choices, Composed, closed_to_offers, compose, compose_notices
from aftersun.documents.letters.issue import Batch, draft, issue
from aftersun.documents.run_view import RunView
from aftersun.documents.writing import Job, Overtaken, left_in_english, outputs_named, settings_of, write_elsewhere
from aftersun.host.asking import Failure, limit_s
from aftersun.host.registry import load_plugins
from aftersun.host.sources import read_sources
from aftersun.host.workers import Workers
from aftersun.inventory.log import letters as letter_store
from aftersun.inventory.log.letters import LetterFile
from aftersun.inventory.store.file import Inventory, is_still
from aftersun.model.errors import AftersunError
from aftersun.model.output import OF_LETTER, Letterhead
from aftersun.money.company import Company, load_company
from aftersun.money.letterhead import letterhead_of, read_letterhead
from aftersun.wording import say

Progress = Callable[[int, int], None]
Asked = ParamSpec("Asked")

MANIFEST = "manifest.json"
LETTERS, NOTICES = "letters", "notices"
_OLD_RUN_DAYS, _OLD_PRICES_DAYS = 30, 365  # from which on nothing is offered without a word
_ATTEMPTS = 3


def _silent(_done: int, _total: int) -> None:
    pass


@dataclass(frozen=True)
class Order:
    """What is asked for: outputs by name, none = all; settings as name=value; files that are not the usual ones.

    ``without_names`` leaves out whatever can do nothing without names, and has the rest written with pseudonyms.
    ``although_old`` has offers written from an old run or old prices.
    """

    only: tuple[str, ...] = ()
    settings: tuple[str, ...] = ()
    company_file: Path | None = None
    plugin_folder: Path | None = None
    without_names: bool = False
    although_old: bool = False


@dataclass(frozen=True)
class Report:
    """What was written: ``files`` as output and path below ``folder``; ``remarks`` are for the company to read."""

    run_id: str
    folder: Path
    files: tuple[tuple[str, str], ...]
    letters: Batch
    skipped: tuple[str, ...]
    failures: tuple[Failure, ...]
    remarks: tuple[str, ...]


def make_letters(
    inventory_file: Path,
    recipients: Sequence[str] | int,
    choices: Choices,
    order: Order,
    folder: Path,
    made_on: date,
    progress: Progress = _silent,
) -> Report:
    """Write letters to these sites, or to the first so many of the call list, into a folder, and keep them.

    Raises
    ------
    AftersunError
        As :func:`aftersun.documents.letters.compose.compose`, or if no output writes letters or the folder cannot be
        written to; nothing is stored or written then.
    """

    def offers(job: Job) -> Composed:
        old = _old(job, made_on)
        if old and not order.although_old:
            raise AftersunError(" ".join(old), say("output.although_old"))
        composed = _composed(job, recipients, choices, made_on)
        return replace(composed, remarks=(*old, *composed.remarks))

    return _issued(inventory_file, order, folder, offers, progress)


def _old(job: Job, made_on: date) -> list[str]:
    """Return what is too old to offer on: the run, or the prices that it took."""
    remarks, priced_on = [], job.run.used_company().identity.price_date
    days = (made_on - job.run.made_at.date()).days
    if days > _OLD_RUN_DAYS:
        remarks.append(say("output.old_run", days=days))
    if (job.run.as_of - priced_on).days > _OLD_PRICES_DAYS:
        remarks.append(say("output.old_prices", day=priced_on))
    return remarks


def draft_letters(
    inventory_file: Path, site_ids: Sequence[str], choices: Choices, order: Order, folder: Path, made_on: date
) -> tuple[LetterFile, ...]:
    """Return letters to these sites as drafts, without a number; nothing is stored, and ``folder`` is only worked in.

    Raises AftersunError as :func:`make_letters`, but for old runs and prices, or if an output fails.
    """
    with _open(inventory_file, order, folder, letters_alone=True) as job:
        batch = draft(job, _composed(job, site_ids, choices, made_on))
        for failure in batch.failures:
            raise AftersunError(f"The output {failure.plugin} failed: {failure.reason}.", "Nothing was written.")
        return batch.files


def make_notices(
    inventory_file: Path,
    site_ids: Sequence[str],
    everyone: bool,
    order: Order,
    folder: Path,
    made_on: date,
    progress: Progress = _silent,
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

    def notices(job: Job) -> Composed:
        wanted = sorted(set(job.run.to_tell()["site_id"])) if everyone else site_ids
        return compose_notices(job.inventory, job.run, wanted, made_on, everyone)

    return _issued(inventory_file, order, folder, notices, progress)


@contextmanager
def _open(inventory_file: Path, order: Order, folder: Path, letters_alone: bool) -> Iterator[Job]:
    """Copy an inventory for writing from it into a folder: of letters, or of a whole run."""
    with (
        Inventory.copied(inventory_file) as (inventory, copied),
        placing.workshop(folder, inside=letters_alone) as work,
        Workers(write_elsewhere, 1, limit_s()) as workers,
    ):
        view = RunView(inventory)
        if not view.run.settings.get("ranges", True):
            raise AftersunError(
                "The last run was a look without ranges: nothing leaves the office from it.",
                "Rank again without --no-ranges, then write.",
            )
        company, head, remarks = _letterhead(view, order.company_file)
        plugins = read_sources(order.plugin_folder)
        registry = load_plugins(company.retrofits.off, plugins)
        outputs = outputs_named(registry, order.only)
        if letters_alone:
            outputs = [output for output in outputs if output.of == OF_LETTER]
            if not outputs:
                raise AftersunError("No output that writes letters is among these.", "'aftersun outputs' lists them.")
        settings = settings_of(order.settings, outputs)
        remarks += left_in_english(outputs, head)
        yield Job(view, copied, company, plugins, registry, workers, head, outputs, settings, work, tuple(remarks))


def _anew(write: Callable[Asked, Report]) -> Callable[Asked, Report]:
    """Have it written once more where others overtook that."""

    @wraps(write)
    def written(*args: Asked.args, **kwargs: Asked.kwargs) -> Report:
        for _ in range(_ATTEMPTS - 1):
            with suppress(Overtaken):
                return write(*args, **kwargs)
        return write(*args, **kwargs)

    return written


@contextmanager
def _leaving(job: Job, batch: Batch) -> Iterator[Inventory]:
    """Open the inventory itself for what was written to leave, unless others changed since what it was written from.

    That is: who of these customers may be written to, what letters their sites have, and which file it is.
    """
    sites = [letter.site_id for letter in batch.letters]
    closed, issued = closed_to_offers(job.run), letter_store.what_became_of(job.inventory, sites)
    customers = RunView(job.inventory, job.run.run_id, letters=batch.letters).contacts()["customer_id"]
    with Inventory.open(job.inventory.path, read_only=not batch.new_files) as inventory:
        if not is_still(job.copied, inventory.path) or letter_store.what_became_of(inventory, sites) != issued:
            raise Overtaken
        if (closed_to_offers(RunView(inventory, job.run.run_id)).keys() - closed.keys()).intersection(customers):
            raise Overtaken
        yield inventory


def _letterhead(view: RunView, given: Path | None) -> tuple[Company, Letterhead, list[str]]:
    """Return the company file given, the one of the run, or what the run stored of it; its letterhead, and remarks.

    Prices and rates are the run's, whatever the file says now.
    """
    stored = str(view.run.settings.get("company_file", ""))
    path = Path(stored) if given is None and stored and Path(stored).is_file() else given
    if path is not None:
        company = load_company(path)
        return company, read_letterhead(company, path), []
    company = view.used_company()
    return company, letterhead_of(company), [say("output.company_file_gone")]


def _composed(job: Job, recipients: Sequence[str] | int, choices: Choices, made_on: date) -> Composed:
    """Compose letters; of a batch by the call list what was chosen for the last letter of a site holds on."""
    section = job.company.letter
    choices = replace(choices, most_options=section.most_options, valid_days=section.valid_days)
    if not isinstance(recipients, int):
        return compose(job.inventory, job.run, recipients, choices, made_on)
    wanted = list(job.run.calls_to_write()["site_id"].head(recipients))
    last = letter_store.newest(job.inventory, wanted, notices=False)
    earlier = {site: choices.or_earlier(issued.choices) for site, issued in last.items() if issued.open}
    return compose(job.inventory, job.run, wanted, choices, made_on, earlier, batch=True)


@_anew
def _issued(
    inventory_file: Path, order: Order, folder: Path, letters: Callable[[Job], Composed], progress: Progress
) -> Report:
    """Have letters written, put them into the folder and keep them: all, or nothing."""
    with _open(inventory_file, order, folder, letters_alone=True) as job:
        progress(0, 2)
        composed = letters(job)
        progress(1, 2)
        batch = issue(job, composed)
        made = _lay_out(batch.files, job.work / LETTERS)
        if made:
            with (
                _leaving(job, batch) as inventory,
                placing.put_files(made, folder),
                inventory.transaction() as connection,
            ):
                letter_store.keep(connection, batch.new_files, batch.new_letters)
        files = tuple((file.output, path.name) for file, path in zip(batch.files, made, strict=True))
        failures = (*job.registry.failures, *batch.failures)
        return Report(job.run.run_id, folder, files, batch, (), failures, (*job.remarks, *composed.remarks))


def letter_again(inventory_file: Path, number: str, letter_version: int | None, folder: Path) -> list[Path]:
    """Write the very bytes of an issued letter into a folder once more; of its newest version unless one is named."""
    with Inventory.open(inventory_file, read_only=True) as inventory:
        files = letter_store.files_of(inventory, number, letter_version)
    with (
        placing.workshop(folder, inside=True) as work,
        placing.put_files(_lay_out(files, work / LETTERS), folder) as written,
    ):
        return written


@_anew
def write_folder(
    inventory_file: Path,
    folder: Path,
    letters: int,
    order: Order,
    made_on: date,
    replace_folder: bool = False,
    progress: Progress = _silent,
    *,
    drafts: bool = False,
    notices: bool = False,
) -> Report:
    """Write every output of the newest run into a new folder, with letters to the first of the call list.

    An output that fails is named in the report and in the manifest; the others are written. Without names there are no
    letters. ``drafts`` are letters without a number, of which nothing is kept; ``notices`` adds a safety notice for
    every site where a hazard is known to stand. Offers from an old run or old prices are left out unless the order says
    otherwise.

    Raises
    ------
    AftersunError
        If the folder is there and not to be replaced or cannot be written to, an output or setting is unknown, or a
        letter cannot be written; nothing is stored or left behind then.
    """
    placing.refuse_existing(folder, replace_folder)
    letters = 0 if order.without_names else letters
    with _open(inventory_file, order, folder, letters_alone=False) as job:
        made = job.work / "folder"
        made.mkdir()
        skipped = tuple(output.id for output in job.outputs if order.without_names and output.personal)
        of_run = [output for output in job.outputs if output.of != OF_LETTER and output.id not in skipped]
        of_letters = [output for output in job.outputs if output.of == OF_LETTER]
        steps = len(of_run) + 2
        entries: list[tuple[str, str]] = []
        failures = list(job.registry.failures)
        for done, output in enumerate(of_run):
            progress(done, steps)
            files = job.write(output, personal=not order.without_names)
            if isinstance(files, Failure):
                failures.append(files)
            else:
                entries += [(output.id, name) for name in _take(files, job.work / output.id, made, output.id)]
        batch, old = Batch(), _old(job, made_on) if letters and of_letters else []
        remarks = (*job.remarks, *old)
        if old and not order.although_old:
            remarks = (*remarks, say("output.no_offers"), say("output.although_old"))
        parts: dict[str, Callable[[], Composed]] = {}
        if letters and of_letters and len(job.run.calls_to_write()) and (order.although_old or not old):
            parts[LETTERS] = lambda: _composed(job, letters, Choices(), made_on)
        hazards = sorted(set(job.run.to_tell()["site_id"])) if notices and of_letters and letters else []
        if hazards:
            parts[NOTICES] = lambda: compose_notices(job.inventory, job.run, hazards, made_on, batch=True)
        for name, compose_part in parts.items():
            progress(len(of_run), steps)
            composed = compose_part()
            part = (draft if drafts else issue)(replace(job, outputs=of_letters), composed)
            remarks = (*remarks, *composed.remarks)
            failures += part.failures
            paths = _lay_out(part.files, made / name)
            entries += [(file.output, f"{name}/{path.name}") for file, path in zip(part.files, paths, strict=True)]
            batch += part
        report = Report(job.run.run_id, folder, (*entries, ("", MANIFEST)), batch, skipped, tuple(failures), remarks)
        if not entries:
            return replace(report, files=())
        progress(steps - 1, steps)
        manifest = _manifest(job, report, made, letters, order.without_names)
        (made / MANIFEST).write_text(json.dumps(manifest, indent=2, ensure_ascii=False) + "\n", encoding="utf-8")
        with (
            _leaving(job, batch) as inventory,
            placing.put_folder(made, folder, replace_folder),
            inventory.transaction() as connection,
        ):
            letter_store.keep(connection, batch.new_files, batch.new_letters)
        return report


def _lay_out(files: Sequence[LetterFile], folder: Path) -> list[Path]:
    """Write the files of letters into a new folder, two of one letter and kind under a name each."""
    if files:
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


def _manifest(job: Job, report: Report, made: Path, letters: int, without_names: bool) -> dict[str, Any]:
    """Return which run and inputs made a folder: nothing personal, no path of this machine."""
    view, run, origins = job.run, job.run.made_from, job.registry.output_origins
    return {
        "run": {
            "run_id": view.run_id,
            "as_of": view.as_of.isoformat(),
            "made_at": view.made_at.isoformat(),
            **{name: run[name] for name in ("program_version", "plugin_versions", "seed", "sites")},
            "inputs_sha256": run["input_hashes"],
            "failures": [{"plugin": one["plugin"], "during": one["during"]} for one in run["failures"]],
        },
        "written": {
            "written_at": datetime.now(UTC).isoformat(timespec="seconds"),
            "program_version": version("aftersun"),
            "outputs": {name: origins.get(name, "") for name in job.settings},
            "settings": {name: _told_settings(given) for name, given in job.settings.items() if given},
            "letters": letters,
            "without_names": without_names,
            "left_out": list(report.skipped),
            "failed": [{"plugin": one.plugin, "during": one.during} for one in report.failures],
        },
        "letters": [
            {"number": letter.number, "version": letter.version, "made_on": letter.made_on.isoformat()}
            for letter in report.letters.letters
        ],
        "files": [
            {
                "path": name,
                "output": output,
                "sha256": hashlib.sha256((made / name).read_bytes()).hexdigest(),
                "bytes": (made / name).stat().st_size,
            }
            for output, name in report.files
            if name != MANIFEST
        ],
    }
