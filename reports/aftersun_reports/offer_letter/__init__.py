"""The offer letter: a PDF for each letter in plain language, safety notices of one page, and the crew's job sheets."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from aftersun import api
from aftersun_reports.offer_letter.page import job_page, page
from aftersun_reports.offer_letter.typeset import Typesetter
from aftersun_reports.offer_letter.wording import english

__all__ = ["JobSheet", "OfferLetter", "aftersun_outputs"]


class OfferLetter:
    """Writes letters one after another: a letter takes a few hundredths of a second, less than a process to start."""

    id = "offer_letter"
    writes = (
        "An offer to each customer as PDF: what is known, what is proposed, its price, net benefit with range, safety; "
        "or a safety notice."
    )
    of = api.OF_LETTER
    personal = True
    _layout = "letter.typ"
    _file = "letter"

    @property
    def words(self) -> Mapping[str, str]:
        """The English texts by key, which a company's language file may replace."""
        return english()

    def write(self, run: api.RunView, folder: Path, settings: Mapping[str, str]) -> Sequence[Path]:
        """Write one file for each of ``run.letters()`` and return them in their order.

        The only setting is ``fonts``, a folder of further fonts for scripts that the built-in ones lack.

        Raises
        ------
        AftersunError
            For an unknown setting, a folder of fonts that is not there, or a logo that cannot be read.
        """
        unknown = sorted(set(settings) - {"fonts"})
        if unknown:
            raise api.AftersunError(
                f"The {self.id.replace('_', ' ')} has no setting {unknown[0]!r}.", "It knows fonts=FOLDER."
            )
        fonts = [Path(settings["fonts"])] if settings.get("fonts") else []
        if fonts and not fonts[0].is_dir():
            raise api.AftersunError(f"There is no folder of fonts at {fonts[0]}.", "Give the folder that holds them.")
        head = run.letterhead
        written: list[Path] = []
        with TemporaryDirectory(dir=folder) as scratch:
            typesetter = Typesetter(head, Path(scratch), fonts, self._layout)
            for count, letter in enumerate(run.letters(), start=1):
                path = folder / f"{self._file}-{count}.pdf"
                path.write_bytes(typesetter.pdf(self._page(letter, head)))
                written.append(path)
        return written

    def _page(self, letter: api.Letter, head: api.Letterhead) -> Mapping[str, Any]:
        return page(letter, head)


class JobSheet(OfferLetter):
    """Writes the crew's sheets of a letter: one page a job, with every safety note of its work."""

    id = "site_job_sheet"
    writes = (
        "A sheet for the crew with each letter as PDF, a page a job: address, access, parts, every safety note, "
        "measurements, sign-off."
    )
    for_notices = False  # a notice orders no work
    _layout = "job.typ"
    _file = "job"

    def _page(self, letter: api.Letter, head: api.Letterhead) -> Mapping[str, Any]:
        return job_page(letter, head)


@api.hookimpl
def aftersun_outputs() -> list[api.Output]:
    """Return the offer letter and the job sheet."""
    return [OfferLetter(), JobSheet()]
