"""Sets pages as PDF with the typst compiler of the wheel: its own fonts, no system fonts, no network."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from importlib.resources import files
from pathlib import Path
from typing import Any

import typst

from aftersun import api

_SOURCES = ("letter.typ", "charts.typ", "job.typ")


class Typesetter:
    """Sets one page after another; the same page, logo and fonts give the same bytes on every machine.

    ``folder`` is empty and the typesetter's own: pictures come to the compiler as files. ``font_folders`` hold further
    fonts, for scripts that the wheel's own fonts lack.
    """

    def __init__(
        self, head: api.Letterhead, folder: Path, font_folders: Sequence[Path] = (), layout: str = _SOURCES[0]
    ) -> None:
        package = files("aftersun_reports.offer_letter")
        for name in _SOURCES:
            (folder / name).write_bytes(package.joinpath(name).read_bytes())
        self._start = str(folder / layout)
        # the compiler reads no file outside its root, whatever a logo links to
        self._compiler = typst.Compiler(
            root=str(folder), ignore_system_fonts=True, font_paths=[str(fonts) for fonts in font_folders]
        )
        self._logo = f"/logo.{head.logo_format}" if head.logo is not None else None
        if head.logo is not None and self._logo is not None:
            (folder / self._logo[1:]).write_bytes(head.logo)
            self._try_logo(self._logo)

    def pdf(self, page: Mapping[str, Any]) -> bytes:
        """Return a page's PDF: tagged, with title, language and the letter's own date.

        It is PDF/UA-1 wherever that can be held. The standard refuses a character that no font has; then the PDF is
        tagged all the same and shows a box in its place, since a customer with such a name gets a letter too.
        """
        text = json.dumps({**page, "logo": self._logo}, ensure_ascii=False)
        year, month, day = page["made_on"]
        midnight = datetime(year, month, day, tzinfo=UTC)
        try:
            return self._compile(text, midnight, accessible=True)
        except typst.TypstError as error:
            if "PDF/UA-1 error" not in str(error):
                raise
        return self._compile(text, midnight, accessible=False)

    def _compile(self, text: str, midnight: datetime, accessible: bool) -> bytes:
        pdf, _ = self._compiler.compile_with_warnings(
            input=self._start,
            format="pdf",
            sys_inputs={"letter": text},
            timestamp=int(midnight.timestamp()),
            pdf_standards=["ua-1"] if accessible else [],
        )
        if not isinstance(pdf, bytes):
            raise TypeError("the compiler gave no PDF")
        return pdf

    def _try_logo(self, name: str) -> None:
        try:
            self._compiler.compile_with_warnings(input=f'#image("{name}")'.encode(), format="pdf")
        except typst.TypstError as error:
            raise api.AftersunError(
                "The logo of the letterhead cannot be read as the kind of picture that its file name says.",
                "Give a PNG, JPEG or SVG file in section [letter] of the company file, or none.",
            ) from error
